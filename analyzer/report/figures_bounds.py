"""Static figure of the error bound by axis: how much of the time and of the distance is good to a given length."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

from analyzer import wording
from analyzer.assessment import Assessment
from analyzer.report.figures import TEXT, plain_axes
from analyzer.report.limits import axis_limits
from analyzer.report.palette import colour
from analyzer.verdict.headline import Availability, headline_of

#: Dash of each axis, and the share at which its name is written, apart so that names do not meet.
_LINES = {
    "horizontal": ((1, 0), 0.30),
    "across": ((6, 2), 0.46),
    "along": ((2, 1.5), 0.62),
    "vertical": ((8, 2, 1, 2), 0.78),
}
#: Width that the name of a mark takes, with a space [inch].
NAME = 0.46


def availability(assessment: Assessment, ax: Axes) -> None:
    """Draw the shares of recorded time and distance whose error bound is at most a length, by axis, with the purpose's limits.

    Time without a bound counts as outside, so a line that does not reach the top tells how much has none. Distance is the thin
    pale line beside that of time.
    """
    plain_axes(ax)
    ax.grid(axis="y", color=colour("rule"), linewidth=0.6)
    ax.set_ylim(0.0, 1.02)
    ax.set_yticks([0, 0.25, 0.5, 0.75, 1.0], ["0 %", "25 %", "50 %", "75 %", "100 %"])
    ax.set_xlabel("error bound (95 %) at most", fontsize=TEXT)
    ax.set_title("share of time (thick), of distance (thin)", loc="left", fontsize=TEXT, color=colour("ink"), pad=4)
    limits = axis_limits(assessment.purpose)
    drawn = [entry.axis for entry in headline_of(assessment).availability if _line(ax, entry)]
    if not drawn:
        ax.text(0.5, 0.5, "no bound", transform=ax.transAxes, ha="center", fontsize=TEXT, color=colour("ink-soft"))
        ax.set_xticks([])
        return
    ax.set_xscale("log")
    low, high = ax.get_xlim()
    ax.set_xlim(min(low, *limits.values(), high) * 0.8, max(high, *limits.values(), low) * 1.25)
    for value in sorted(set(limits.values())):
        _limit(ax, value, wording.listing(axis for axis, limit in limits.items() if limit == value))
    ax.xaxis.set_major_locator(_marks(ax))
    ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: wording.length(float(value))))
    ax.xaxis.set_minor_formatter(NullFormatter())
    ax.tick_params(axis="x", which="minor", length=0)


def _limit(ax: Axes, value: float, names: str) -> None:
    """Draw a limit with its name on the side where there is more room."""
    low, high = ax.get_xlim()
    right = value * value > low * high
    ax.axvline(value, color=colour("limit"), linewidth=1.0, dashes=(5, 3))
    ax.annotate(
        f"limit, {names}",
        (value, 0.02),
        xytext=(-4 if right else 4, 0),
        textcoords="offset points",
        ha="right" if right else "left",
        fontsize=TEXT - 1,
        color=colour("limit"),
    )


def _marks(ax: Axes) -> LogLocator:
    """Return marks of the x axis as dense as their names can stand beside each other."""
    low, high = ax.get_xlim()
    room = ax.get_window_extent().width / ax.figure.dpi
    decade = room / np.log10(high / low)
    for steps in ((1.0, 2.0, 5.0), (1.0, 3.0)):
        if decade * np.log10(np.min(np.diff((*steps, 10.0)) / steps + 1.0)) >= NAME:
            return LogLocator(subs=steps, numticks=50)
    return LogLocator(subs=(1.0,), numticks=max(int(room / NAME), 2))


def _line(ax: Axes, entry: Availability) -> bool:
    """Draw the line of one axis with its name on it; return whether there was any bound."""
    curve = entry.curve[entry.curve["bound_m"] > 0]
    if not len(curve):
        return False
    bound, share = curve["bound_m"].to_numpy(dtype=float), curve["share_time"].to_numpy(dtype=float)
    dash, height = _LINES[entry.axis]
    ax.plot(np.r_[bound[0], bound], np.r_[0.0, share], color=colour("line"), linewidth=1.5, dashes=dash)
    driven = curve["share_distance"].to_numpy(dtype=float)
    if np.isfinite(driven).any():
        ax.plot(np.r_[bound[0], bound], np.r_[0.0, driven], color=colour("ink-soft"), linewidth=0.8, dashes=dash)
    at = min(int(np.searchsorted(share, height * share[-1])), len(share) - 1)
    ax.annotate(
        entry.axis,
        (bound[at], share[at]),
        xytext=(5, -2),
        textcoords="offset points",
        fontsize=TEXT - 1,
        color=colour("ink"),
        bbox={"facecolor": colour("paper"), "edgecolor": "none", "pad": 0.8},
    )
    return True
