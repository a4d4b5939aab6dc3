"""What people look at: the report of a judged run as a page and on paper, its figures, and the linked view.

This layer words and draws. It judges nothing; its only input is an `analyzer.assessment.Assessment`.
"""

from __future__ import annotations

from analyzer.report.html import render, write_html

__all__ = ["render", "write_html"]
