"""One invented result folder for all tests of exports."""

from __future__ import annotations

from pathlib import Path

import export_results
import pytest


@pytest.fixture(scope="session")
def result(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An invented result folder; tests write beside it, not into it."""
    return export_results.folder(tmp_path_factory.mktemp("exports") / "result")
