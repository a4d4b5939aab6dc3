"""Static figures: each function draws one picture of a run into the axes it is given."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import matplotlib.dates
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from analyzer.assessment import Assessment
from analyzer.report import palette, view
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
    """Let the x axis of `ax` show km along the route."""
    ax.set_xlim(0.0, max(route_m, 1.0) / 1000.0)
    ax.xaxis.set_major_locator(MaxNLocator(nbins=8, steps=[1, 2, 5, 10]))
    ax.set_xlabel("distance along the route, km", fontsize=TEXT)


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
        bars, (row - height / 2, height), facecolor=colour(role), edgecolor=colour("paper"), hatch=hatch, linewidth=0.0
    )


def name_rows(ax: Axes, names: Sequence[str]) -> None:
    """Write `names` beside the rows of `ax`, first on top, so that no key is needed."""
    ax.set_yticks(range(len(names)), [name.replace("_", " ") for name in names], fontsize=TEXT)
    ax.set_ylim(len(names) - 0.4, -0.6)
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
    run: View, ax: Axes, *, name: str, title: str, limit: float | None = None, steps: bool = False
) -> None:
    """Draw the column `name` over time, broken where epochs are missing, with its `limit` where there is one."""
    plain_axes(ax)
    ax.grid(axis="y", color=colour("rule"), linewidth=0.6)
    time_axis(ax, pd.DatetimeIndex(run.frame.index), labelled=False)
    ax.set_title(title, loc="left", fontsize=TEXT, color=colour("ink"), pad=4)
    values = run.frame[name].to_numpy(dtype=float)
    ax.yaxis.set_major_locator(MaxNLocator(nbins=4, min_n_ticks=2, steps=[1, 2, 5, 10], integer=steps))
    if not np.isfinite(values).any():
        ax.text(
            0.5,
            0.5,
            "not recorded",
            transform=ax.transAxes,
            ha="center",
            va="center",
            fontsize=TEXT,
            color=colour("ink-soft"),
        )
        ax.set_yticks([])
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
    _frame_values(ax, values, limit)


def _frame_values(ax: Axes, values: np.ndarray, limit: float | None) -> None:
    """Set the y range from zero to just above the values and the limit, and draw the limit."""
    top = float(np.nanmax(values))
    if limit is not None:
        ax.axhline(limit, color=colour("limit"), linewidth=1.0, dashes=(5, 3))
        ax.annotate(
            f"limit {limit:g}",
            (1.0, limit),
            xycoords=("axes fraction", "data"),
            ha="right",
            va="bottom",
            fontsize=TEXT - 1,
            color=colour("limit"),
        )
        top = max(top, limit * 1.25)
    if limit is not None and top > 20 * limit:
        ax.set_yscale("log")
        low = max(float(np.nanmin(values)), limit / 100.0)
        ax.set_ylim(low * 0.8, top * 1.5)
    else:
        ax.set_ylim(0.0, top * 1.08 or 1.0)


def bound_by_time(assessment: Assessment, ax: Axes, *, run: View | None = None) -> None:
    """Draw the horizontal 95 % error bound over time against the purpose's limit, along the whole run."""
    limit = assessment.purpose.limit("horizontal")
    series_by_time(
        run or view.build(assessment).thinned(STATIC_BUCKETS),
        ax,
        name="horizontal_bound_m",
        title="horizontal error bound (95 %), m",
        limit=limit.value if limit else None,
    )


def age_by_time(assessment: Assessment, ax: Axes, *, run: View | None = None) -> None:
    """Draw the age of corrections over time."""
    series_by_time(
        run or view.build(assessment).thinned(STATIC_BUCKETS),
        ax,
        name="correction_age_s",
        title="age of corrections, s",
        limit=assessment.purpose.largest_age_s,
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
