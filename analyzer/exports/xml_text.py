"""Text for XML: what a user's file may hold is hostile until escaped."""

from __future__ import annotations

import re
from xml.sax.saxutils import escape

#: Characters that XML 1.0 (section 2.2) cannot hold at all, not even escaped.
_FORBIDDEN = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def xml(value: object) -> str:
    """Return `value` as the text of an element or attribute, with characters that XML cannot hold replaced."""
    return escape(_FORBIDDEN.sub("\ufffd", str(value)), {'"': "&quot;"})


def told(value: object) -> str:
    """Return a word of a column of words, ``unknown`` where it is missing."""
    return "unknown" if value is None or value != value else str(value)


def element(name: str, value: object) -> str:
    """Return ``<name>value</name>``, nothing for None and NaN."""
    return "" if value is None or value != value else f"<{name}>{xml(value)}</{name}>"


def number(name: str, value: float, digits: int) -> str:
    """Return ``<name>`` with a decimal number (never in exponent form), nothing for NaN."""
    return "" if value != value else f"<{name}>{value:.{digits}f}</{name}>"
