"""Static figures: each function draws one picture of a run into the axes it is given."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import matplotlib.dates
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullFormatter
from numpy.typing import NDArray

from analyzer.assessment import Assessment
from analyzer.report import palette, view
from analyzer.report.limits import BOUND_COLUMNS, axis_limits, shown_axis
from analyzer.report.palette import colour
from analyzer.report.view import View

#: matplotlib's dates carry no types.
mdates: Any = matplotlib.dates
STATIC_BUCKETS = 500
TEXT = 9.0


def plain_axes(ax: Axes) -> None:
    """Give `ax` the look that all figures share: no box, quiet rules, ink from the palette."""
    ax.set_facecolor("none")
    ax.grid(axis="x", color=colour("rule"), linewidth=0.6)
    ax.set_axisbelow(True)
    for side in ("top", "right", "left"):
        ax.spines[side].set_visible(False)
    ax.spines["bottom"].set_color(colour("rule"))
    ax.tick_params(colors=colour("ink-soft"), labelsize=TEXT, length=0)
    ax.yaxis.label.set_color(colour("ink"))
    ax.xaxis.label.set_color(colour("ink-soft"))


def distance_axis(ax: Axes, route_m: float) -> None:
    """Let the x axis of `ax`, whose values are km along the route, show km, or m on a route below one km."""
    ax.set_xlim(0.0, max(route_m, 1.0) / 1000.0)
    ax.xaxis.set_major_locator(MaxNLocator(nbins=8, steps=[1, 2, 5, 10]))
    if route_m < 1000.0:
        ax.xaxis.set_major_formatter(FuncFormatter(lambda km, _: f"{1000.0 * km:g}"))
    ax.set_xlabel(f"distance along the route, {'m' if route_m < 1000.0 else 'km'}", fontsize=TEXT)


def time_axis(ax: Axes, times: pd.DatetimeIndex, *, labelled: bool = True) -> None:
    """Let the x axis of `ax` show UTC from the first to the last of `times`."""
    if len(times):
        first, last = times[0], max(times[-1], times[0] + pd.Timedelta(seconds=1))
        ax.set_xlim(float(mdates.date2num(first)), float(mdates.date2num(last)))
        brief = last - first < pd.Timedelta(minutes=5)
        ax.xaxis.set_major_locator(mdates.AutoDateLocator(minticks=3, maxticks=8))
        ax.xaxis.set_major_formatter(mdates.DateFormatter("%H:%M:%S" if brief else "%H:%M"))
    ax.tick_params(labelbottom=labelled)
    if labelled:
        ax.set_xlabel("time, UTC", fontsize=TEXT)


def lane(ax: Axes, spans: pd.DataFrame, *, row: float, role: str, height: float = 0.62) -> None:
    """Draw `spans` (columns ``left right``, in x units) as bars of `role` in the row `row`."""
    if not len(spans):
        return
    hatch = palette.HATCH.get(role.removeprefix("trust-"), "") if role.startswith("trust-") else ""
    low, high = ax.get_xlim()
    least = (high - low) / 900.0
    width = np.maximum(spans["right"].to_numpy(dtype=float) - spans["left"].to_numpy(dtype=float), least)
    bars = list(zip(spans["left"].to_numpy(dtype=float), width, strict=True))
    ax.broken_barh(
        bars,
        (row - height / 2, height),
        facecolor=colour(role),
        edgecolor=colour("ink-soft" if role.startswith("state-") else "paper"),
        hatch=hatch,
        linewidth=0.4 if role.startswith("state-") else 0.0,
    )


def name_rows(ax: Axes, names: Sequence[str]) -> None:
    """Write `names` beside the rows of `ax`, first on top, so that no key is needed."""
    ax.set_yticks(range(len(names)), [name.replace("_", " ") for name in names], fontsize=TEXT)
    ax.set_ylim(len(names) - 0.5, -0.5)
    ax.tick_params(axis="y", labelcolor=colour("ink"))


def label_lanes_by_time(run: View, ax: Axes, *, name: str) -> None:
    """Draw one row for each fix state or trust (`name`) that occurs, over time."""
    plain_axes(ax)
    time_axis(ax, pd.DatetimeIndex(run.frame.index), labelled=False)
    order = view.STATE_ORDER if name == "fix_state" else view.TRUST_ORDER
    found = view.present(run.frame[name], order)
    runs = run.stretches(name)
    runs["left"], runs["right"] = (mdates.date2num(runs[end]) for end in ("start_utc", "end_utc"))
    prefix = "state" if name == "fix_state" else "trust"
    for row, value in enumerate(found):
        lane(ax, runs[runs["value"] == value], row=row, role=f"{prefix}-{value}")
    name_rows(ax, found or [f"no {name.replace('_', ' ')} recorded"])


def series_by_time(
    run: View, ax: Axes, *, name: str, title: str, limits: Sequence[float] = (), steps: bool = False
) -> None:
    """Draw the column `name` over time, broken where epochs are missing, with its `limits`: the limit first."""
    plain_axes(ax)
    ax.grid(axis="y", color=colour("rule"), linewidth=0.6)
    time_axis(ax, pd.DatetimeIndex(run.frame.index), labelled=False)
    ax.set_title(title, loc="left", fontsize=TEXT, color=colour("ink"), pad=4)
    values = run.frame[name].to_numpy(dtype=float)
    ax.yaxis.set_major_locator(MaxNLocator(nbins=4, min_n_ticks=2, steps=[1, 2, 5, 10], integer=steps))
    if not np.isfinite(values).any():
        _not_recorded(ax)
        return
    times = mdates.date2num(run.frame.index)
    at = np.flatnonzero(run.breaks)
    times, values = np.insert(times, at, times[at]), np.insert(values, at, np.nan)
    marker = "o" if np.isfinite(values).sum() == 1 else ""
    ax.plot(
        times,
        values,
        color=colour("line"),
        linewidth=1.1,
        drawstyle="steps-post" if steps else "default",
        marker=marker,
        markersize=4,
    )
    _frame_values(ax, values[np.isfinite(values)], limits)


def _not_recorded(ax: Axes) -> None:
    """Say that there is nothing to draw."""
    style: dict[str, Any] = {"ha": "center", "va": "center", "fontsize": TEXT, "color": colour("ink-soft")}
    ax.text(0.5, 0.5, "not recorded", transform=ax.transAxes, **style)
    ax.set_yticks([])


def _frame_values(ax: Axes, values: NDArray[np.float64], limits: Sequence[float]) -> None:
    """Set the y range from zero to just above the values and the limits, and draw the limits."""
    top = max([float(values.max()), *(1.25 * limit for limit in limits)]) or 1.0
    for limit, dash in zip(limits, ((5, 3), (1, 2)), strict=False):
        ax.axhline(limit, color=colour("limit"), linewidth=1.0, dashes=dash)
    if limits:
        ax.annotate(
            f"limit {limits[0]:g}",
            (1.0, limits[0]),
            xycoords=("axes fraction", "data"),
            ha="right",
            va="bottom",
            fontsize=TEXT - 1,
            color=colour("limit"),
        )
    if limits and top > 20 * limits[0]:
        ax.set_yscale("log")
        above = values[values > 0]
        ax.set_ylim(max(float(above.min()), limits[0] / 100.0) * 0.8, top * 1.5)
        ax.yaxis.set_major_locator(LogLocator(numticks=5))
        ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        ax.yaxis.set_minor_formatter(NullFormatter())
        ax.tick_params(axis="y", which="minor", length=0)
    else:
        ax.set_ylim(0.0, top * 1.08)


def bound_by_time(assessment: Assessment, ax: Axes, *, run: View | None = None) -> None:
    """Draw the 95 % error bound over time, on the axis that the purpose limits, with the limit.

    The dotted line is where trust ends: the limit over the purpose's margin.
    """
    axis = shown_axis(assessment.purpose)
    limit = axis_limits(assessment.purpose).get(axis)
    series_by_time(
        run or view.build(assessment).thinned(STATIC_BUCKETS),
        ax,
        name=BOUND_COLUMNS[axis],
        title=f"{axis} error bound (95 %), m; dotted: trusted below",
        limits=() if limit is None else (limit, limit / assessment.purpose.margin),
    )


def age_by_time(assessment: Assessment, ax: Axes, *, run: View | None = None) -> None:
    """Draw the age of corrections over time."""
    series_by_time(
        run or view.build(assessment).thinned(STATIC_BUCKETS),
        ax,
        name="correction_age_s",
        title="age of corrections, s",
        limits=() if assessment.purpose.largest_age_s is None else (assessment.purpose.largest_age_s,),
    )


def satellites_by_time(assessment: Assessment, ax: Axes, *, run: View | None = None) -> None:
    """Draw the number of satellites used over time."""
    series_by_time(
        run or view.build(assessment).thinned(STATIC_BUCKETS),
        ax,
        name="satellites_used",
        title="satellites used",
        steps=True,
    )


def speed_by_time(assessment: Assessment, ax: Axes, *, run: View | None = None) -> None:
    """Draw the speed over time."""
    series_by_time(run or view.build(assessment).thinned(STATIC_BUCKETS), ax, name="speed_mps", title="speed, m/s")
