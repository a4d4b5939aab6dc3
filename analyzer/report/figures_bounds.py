"""Static figure of the error bound by axis: how much of the run is good to a given length."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

from analyzer.assessment import Assessment
from analyzer.report import view, wording
from analyzer.report.figures import TEXT, plain_axes
from analyzer.report.limits import BOUND_COLUMNS, axis_limits
from analyzer.report.palette import colour
from analyzer.report.view import View

_POINTS = 300
#: Dash of each axis, and the share at which its name is written, apart so that names do not meet.
_LINES = {
    "horizontal": ((1, 0), 0.30),
    "across": ((6, 2), 0.46),
    "along": ((2, 1.5), 0.62),
    "vertical": ((8, 2, 1, 2), 0.78),
}


def availability(assessment: Assessment, ax: Axes, *, run: View | None = None) -> None:
    """Draw the share of all epochs whose error bound is at most a length, by axis, with the purpose's limits.

    Epochs without a bound count as outside, so a line that does not reach the top tells how many have none.
    """
    run = run or view.build(assessment)
    plain_axes(ax)
    ax.grid(axis="y", color=colour("rule"), linewidth=0.6)
    ax.set_ylim(0.0, 1.02)
    ax.set_yticks([0, 0.25, 0.5, 0.75, 1.0], ["0 %", "25 %", "50 %", "75 %", "100 %"])
    ax.set_xlabel("error bound (95 %) at most", fontsize=TEXT)
    ax.set_title("share of the epochs", loc="left", fontsize=TEXT, color=colour("ink"), pad=4)
    limits = axis_limits(assessment.purpose)
    drawn = [axis for axis in BOUND_COLUMNS if _line(ax, run, axis)]
    if not drawn:
        ax.text(0.5, 0.5, "no bound", transform=ax.transAxes, ha="center", fontsize=TEXT, color=colour("ink-soft"))
        ax.set_xticks([])
        return
    for value in sorted(set(limits.values())):
        ax.axvline(value, color=colour("limit"), linewidth=1.0, dashes=(5, 3))
        names = wording.listing(axis for axis, limit in limits.items() if limit == value)
        ax.annotate(
            f"limit, {names}",
            (value, 0.02),
            xytext=(4, 0),
            textcoords="offset points",
            fontsize=TEXT - 1,
            color=colour("limit"),
        )
    ax.set_xscale("log")
    low, high = ax.get_xlim()
    ax.set_xlim(min(low, *limits.values(), high) * 0.8, max(high, *limits.values(), low) * 1.25)
    ax.xaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0), numticks=9))
    ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: wording.length(float(value))))
    ax.xaxis.set_minor_formatter(NullFormatter())
    ax.tick_params(axis="x", which="minor", length=0)


def _line(ax: Axes, run: View, axis: str) -> bool:
    """Draw the line of one axis with its name on it; return whether there was any bound."""
    values = run.frame[BOUND_COLUMNS[axis]].to_numpy(dtype=float)
    known = np.sort(values[np.isfinite(values) & (values > 0)])
    if not len(known):
        return False
    at = np.unique(np.linspace(0, len(known) - 1, _POINTS).astype(int))
    share = (at + 1) / len(values)
    dash, height = _LINES[axis]
    ax.plot(np.r_[known[at[0]], known[at]], np.r_[0.0, share], color=colour("line"), linewidth=1.5, dashes=dash)
    place = known[min(int(height * len(known)), len(known) - 1)]
    ax.annotate(
        axis,
        (place, height * len(known) / len(values)),
        xytext=(5, -2),
        textcoords="offset points",
        fontsize=TEXT - 1,
        color=colour("ink"),
        bbox={"facecolor": colour("paper"), "edgecolor": "none", "pad": 0.8},
    )
    return True
