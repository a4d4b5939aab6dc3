"""Pictures on the pages beside the report of one run."""

from __future__ import annotations

from collections.abc import Callable

import matplotlib as mpl
from markupsafe import Markup
from matplotlib.figure import Figure

from analyzer.report import drawing


def pictures(
    name: str, make: Callable[[float], Figure], *, wide: float = 9.6, narrow: float = 3.9
) -> dict[str, Markup]:
    """Return the picture that `make(width)` draws, for a wide and a narrow page."""
    out = {}
    for size, width in (("wide", wide), ("narrow", narrow)):
        with mpl.rc_context(drawing._SETTINGS):
            out[f"{name}-{size}"] = drawing._svg(make(width), f"{name}-{size}")
    return out
