"""Static figures of the route: a strip by distance and a small map in local metres."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from analyzer.assessment import Assessment
from analyzer.report import palette, view
from analyzer.report.figures import STATIC_BUCKETS, TEXT, distance_axis, lane, name_rows, plain_axes
from analyzer.report.palette import colour
from analyzer.report.view import View

_LABEL_ROWS = 3
#: Cells of the map along its longer side: about one for each point of its width on paper.
_MAP_CELLS = 300
#: Height of the brackets of manoeuvres above the lanes, in lanes.
_BRACKETS_AT = -0.75


def distance_strip(assessment: Assessment, ax: Axes, *, run: View | None = None, dense: float = 110.0) -> int:
    """Draw manoeuvres, trust, fix state and dropouts along the route; `dense` is how many characters fit its width.

    Returns
    -------
    The number of manoeuvres whose name found no room; their brackets are drawn all the same.
    """
    run = run or view.build(assessment).thinned(STATIC_BUCKETS)
    plain_axes(ax)
    distance = run.frame["distance_m"].to_numpy(dtype=float)
    route_m = float(np.nanmax(distance)) if np.isfinite(distance).any() else 0.0
    if route_m < 1.0:
        return _parked(ax)
    distance_axis(ax, route_m)
    states = view.present(run.frame["fix_state"], view.STATE_ORDER)
    trusts = view.present(run.frame["trust"], view.TRUST_ORDER)
    rows = [*trusts, *states, "dropouts"]
    for row, value in enumerate(trusts):
        lane(ax, _by_km(run, "trust", value), row=row, role=f"trust-{value}")
    for row, value in enumerate(states, start=len(trusts)):
        lane(ax, _by_km(run, "fix_state", value), row=row, role=f"state-{value}")
    _dropouts(ax, assessment.dropouts, row=len(rows) - 1)
    name_rows(ax, rows)
    ax.axhline(len(trusts) - 0.5, color=colour("rule"), linewidth=0.8)
    ax.axhline(len(rows) - 1.5, color=colour("rule"), linewidth=0.8)
    return _brackets(ax, assessment.windows, per_km=dense / max(route_m / 1000.0, 1e-3))


def _parked(ax: Axes) -> int:
    """Say that there is no route to draw along."""
    ax.set_axis_off()
    text = "the vehicle did not move,\nso there is no strip along a route:\nthe strips over time show this run"
    ax.text(0.5, 0.5, text, transform=ax.transAxes, ha="center", va="center", fontsize=TEXT, color=colour("ink-soft"))
    return 0


def _by_km(run: View, name: str, value: str) -> pd.DataFrame:
    """Return the runs of `value` with ``left`` and ``right`` in km along the route."""
    runs = run.stretches(name)
    runs = runs[(runs["value"] == value) & runs["start_m"].notna() & runs["end_m"].notna()]
    return runs.assign(left=runs["start_m"] / 1000.0, right=runs["end_m"] / 1000.0)


def _dropouts(ax: Axes, dropouts: pd.DataFrame, *, row: int) -> None:
    """Draw each dropout with its number below it."""
    start, end = (view.number(dropouts, f"{side}_distance_m") / 1000.0 for side in ("start", "end"))
    spans = pd.DataFrame({"left": start, "right": np.where(np.isfinite(end), end, start)}).dropna()
    lane(ax, spans, row=row, role="limit", height=0.5)
    low, high = ax.get_xlim()
    free_from = -np.inf
    for number, left in sorted(zip(view.column(dropouts, "dropout_id"), start, strict=True), key=lambda pair: pair[1]):
        if np.isfinite(left) and left >= free_from:
            ax.text(left, row + 0.32, f"D{number}", fontsize=TEXT - 1, va="top", color=colour("limit"))
            free_from = left + (high - low) * 0.035
    ax.set_ylim(row + 0.95, ax.get_ylim()[1])


def _brackets(ax: Axes, windows: pd.DataFrame, *, per_km: float) -> int:
    """Draw each manoeuvre as a bracket above the lanes with its name in the first row that has room, those to drive again first."""
    start, end = (view.number(windows, f"{side}_distance_m") / 1000.0 for side in ("start", "end"))
    again = view.flags(windows, "repeat")
    order = np.lexsort((start, ~again))
    taken, unnamed = [list[tuple[float, float]]() for _ in range(_LABEL_ROWS)], 0
    for i in order[np.isfinite(start[order])]:
        right = end[i] if np.isfinite(end[i]) else start[i]
        text = str(windows["name"].iloc[i])
        _bracket(ax, start[i], right, again=again[i])
        half = (len(text) + 1.5) / per_km / 2
        # A name never leaves the strip: beyond its edges it would be cut.
        middle = max(min((start[i] + right) / 2, ax.get_xlim()[1] - half), half)
        level = next((n for n, row in enumerate(taken) if all(middle - half >= b or middle + half <= a for a, b in row)), None)
        if level is None:
            unnamed += 1
            continue
        taken[level].append((middle - half, middle + half))
        _name_bracket(ax, text, (middle, _BRACKETS_AT - 0.16 - 0.62 * level), again=again[i])
    if unnamed:
        note = f"{unnamed} more {'name finds' if unnamed == 1 else 'names find'} no room here; the table has all"
        ax.set_title(note, loc="right", fontsize=TEXT - 1, color=colour("ink-soft"), pad=2)
    used = sum(map(bool, taken))
    ax.set_ylim(ax.get_ylim()[0], _BRACKETS_AT - 0.3 - 0.62 * max(used, 0))
    return unnamed


def _bracket(ax: Axes, left: float, right: float, *, again: bool) -> None:
    """Draw the bracket of one manoeuvre from `left` to `right` [km], heavier where it is to be driven again."""
    ax.plot(
        [left, left, right, right],
        [_BRACKETS_AT + 0.12, _BRACKETS_AT, _BRACKETS_AT, _BRACKETS_AT + 0.12],
        color=colour("limit" if again else "ink-soft"),
        linewidth=1.6 if again else 1.0,
        clip_on=False,
        solid_capstyle="butt",
    )


def _name_bracket(ax: Axes, text: str, at: tuple[float, float], *, again: bool) -> None:
    """Write the name of a manoeuvre, bold where it is to be driven again."""
    ax.text(
        *at,
        text,
        ha="center",
        va="bottom",
        fontsize=TEXT - 1,
        color=colour("limit" if again else "ink"),
        fontweight="bold" if again else "normal",
        parse_math=False,
    )


def route_map(assessment: Assessment, ax: Axes, *, run: View | None = None) -> None:
    """Draw the route of all epochs of `run` in local metres by trust, with dropouts, start, a scale bar and north."""
    run = run or view.build(assessment)
    ax.set_facecolor("none")
    ax.set_axis_off()
    ax.set_aspect("equal", adjustable="box")
    if not run.placed:
        text = "no position recorded"
        ax.text(0.5, 0.5, text, transform=ax.transAxes, ha="center", fontsize=TEXT, color=colour("ink-soft"))
        return
    route, run = run.in_place(_MAP_CELLS), run.thinned(STATIC_BUCKETS)
    east, north = (route.frame[f"{axis}_m"].to_numpy(dtype=float) for axis in ("east", "north"))
    _by_trust(ax, route, east, north)
    _mark_start(ax, east, north)
    _mark_dropouts(ax, assessment, run)
    frame_map(ax, east, north)


def _by_trust(ax: Axes, run: View, east: np.ndarray, north: np.ndarray) -> None:
    """Draw the route piece by piece in colour, width and dash of its trust, the wide below the narrow: one lap hides no other."""
    pieces = run.stretches("trust")
    pieces = pieces.iloc[np.argsort([-palette.WIDTH.get(str(value), 0.0) for value in pieces["value"]], kind="stable")]
    for value, start, reach in zip(pieces["value"], pieces["start"], pieces["reach"], strict=True):
        name = str(value) if value in palette.WIDTH else "not_evaluated"
        part = slice(start, reach)
        ax.plot(
            east[part],
            north[part],
            color=colour(f"trust-{name}"),
            linewidth=palette.WIDTH[name],
            dashes=_dashes(name),
            solid_capstyle="round",
        )


def _mark_start(ax: Axes, east: np.ndarray, north: np.ndarray) -> None:
    """Mark the first position, its word on the side that has room."""
    first = int(np.flatnonzero(np.isfinite(east))[0])
    ax.plot(east[first], north[first], "o", color=colour("ink"), markersize=5)
    on_right = east[first] > (np.nanmax(east) + np.nanmin(east)) / 2
    ax.annotate(
        "start",
        (east[first], north[first]),
        xytext=(-6 if on_right else 6, 4),
        textcoords="offset points",
        ha="right" if on_right else "left",
        fontsize=TEXT - 1,
        color=colour("ink"),
    )


def _dashes(name: str) -> tuple[float, ...]:
    """Return the dash of a trust in matplotlib's form, which counts in line widths."""
    return tuple(part / palette.WIDTH[name] for part in palette.DASH[name]) or (1, 0)


def _mark_dropouts(ax: Axes, assessment: Assessment, run: View) -> None:
    """Write the number of each dropout where it begins."""
    places = view.dropout_places(assessment, run)
    east_end = float(run.frame["east_m"].quantile(0.9))
    for text, east, north in zip(places["text"], places["east_m"], places["north_m"], strict=True):
        ax.plot(east, north, "s", color=colour("limit"), markersize=4)
        ax.annotate(
            text,
            (east, north),
            xytext=(-5 if east > east_end else 5, -9),
            textcoords="offset points",
            ha="right" if east > east_end else "left",
            fontsize=TEXT - 1,
            color=colour("limit"),
            parse_math=False,
        )


def frame_map(ax: Axes, east: np.ndarray, north: np.ndarray) -> None:
    """Set the limits of a map around its points and draw the scale bar and north below and beside them."""
    left, right, low, high = _extent(east, north)
    ax.set_xlim(left, right)
    ax.set_ylim(low, high)
    width = right - left
    bar = round_length(width / 4.0)
    left, low = left + 0.03 * width, low + 0.03 * width
    ax.plot([left, left + bar], [low, low], color=colour("ink"), linewidth=2.0, solid_capstyle="butt")
    ax.annotate(
        scale_text(bar),
        (left + bar / 2, low),
        xytext=(0, 3),
        textcoords="offset points",
        ha="center",
        fontsize=TEXT - 1,
        color=colour("ink"),
    )
    ax.annotate(
        "",
        (0.95, 0.13),
        (0.95, 0.01),
        xycoords="axes fraction",
        arrowprops={"arrowstyle": "-|>", "color": colour("ink"), "linewidth": 1.0},
    )
    ax.text(
        0.92, 0.02, "north", transform=ax.transAxes, ha="right", va="bottom", fontsize=TEXT - 1, color=colour("ink")
    )


def _extent(east: np.ndarray, north: np.ndarray) -> tuple[float, float, float, float]:
    """Return the left, right, lower and upper edge of a map, with room around the route, at most 2 to 1."""
    sides = [(float(np.nanmin(side)), float(np.nanmax(side))) for side in (east, north)]
    spans = [high - low for low, high in sides]
    longest = max(*spans, 0.5)
    halves = [0.58 * max(spans[0], 0.5 * longest), 0.5 * max(spans[1], 0.4 * longest) + 0.13 * longest]
    middles = [(low + high) / 2 for low, high in sides]
    middles[1] -= 0.07 * longest
    return middles[0] - halves[0], middles[0] + halves[0], middles[1] - halves[1], middles[1] + halves[1]


def map_shape(run: View) -> float:
    """Return the height of a map of `run` over its width."""
    if not run.placed:
        return 0.4
    left, right, low, high = _extent(
        run.frame["east_m"].to_numpy(dtype=float), run.frame["north_m"].to_numpy(dtype=float)
    )
    return (high - low) / (right - left)


def round_length(about_m: float) -> float:
    """Return the largest of 1, 2 or 5 times a power of ten that is at most `about_m` [m]."""
    power = 10.0 ** np.floor(np.log10(max(about_m, 1e-3)))
    return float(max(step * power for step in (1.0, 2.0, 5.0) if step * power <= about_m * (1 + 1e-9)))


def scale_text(bar_m: float) -> str:
    """Return the length of a scale bar with its unit."""
    if bar_m >= 1000:
        return f"{bar_m / 1000:g} km"
    return f"{bar_m:g} m" if bar_m >= 1 else f"{bar_m * 100:g} cm"
