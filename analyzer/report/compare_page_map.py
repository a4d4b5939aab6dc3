"""Map of the common path with its trouble spots."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure

from analyzer.comparing.result import Comparison
from analyzer.report.figures import TEXT
from analyzer.report.figures_route import frame_map
from analyzer.report.palette import colour

#: Mark of a spot by class: shape and fill, so that nothing hangs on colour.
_MARKS = {"recurs": ("s", True), "undecided": ("D", False), "too_few_to_tell": ("o", False), "one_off": ("^", False)}


def spots_map(comparison: Comparison, *, width: float) -> Figure:
    """Return the map as a figure `width` [inch] wide; a spot has its number, a filled mark where it recurs."""
    cells = comparison.cells
    if not len(cells):
        figure = Figure(figsize=(width, 0.6))
        figure.text(
            0.5, 0.5, "no run moved with a position", ha="center", va="center", fontsize=TEXT, color=colour("ink-soft")
        )
        return figure
    east, north = cells["east_m"].to_numpy(np.float64), cells["north_m"].to_numpy(np.float64)
    tall = float(np.clip((np.ptp(north) + 1.0) / (np.ptp(east) + 1.0), 0.45, 1.2))
    figure = Figure(figsize=(width, width * tall))
    ax = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    ax.set_axis_off()
    ax.set_aspect("equal", adjustable="box")
    ax.plot(east, north, ".", color=colour("ink-soft"), markersize=1.6)
    spots = comparison.spots
    if len(spots):
        x, y = spots["east_m"].to_numpy(np.float64), spots["north_m"].to_numpy(np.float64)
        for number, kind, px, py in zip(spots["spot"], spots["class"], x, y, strict=True):
            shape, filled = _MARKS[str(kind)]
            role = "limit" if filled else "ink"
            ax.plot(px, py, shape, color=colour(role), markerfacecolor=colour(role) if filled else "none", markersize=7)
            ax.annotate(
                f"S{number}", (px, py), xytext=(6, 4), textcoords="offset points", fontsize=TEXT - 1, color=colour(role)
            )
    frame_map(ax, east, north)
    return figure
