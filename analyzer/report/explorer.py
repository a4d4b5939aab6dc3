"""The linked view: a map and strips over time that share one set of points, one cursor and one selection."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from bokeh.document import Document
from bokeh.embed import components
from bokeh.model import Model
from bokeh.models import ColumnDataSource, CustomJS, Range1d
from bokeh.plotting import figure
from bokeh.resources import Resources
from markupsafe import Markup

from analyzer import wording
from analyzer.assessment import Assessment
from analyzer.report import explorer_plots
from analyzer.report.detail import reason_words
from analyzer.report.limits import BOUND_COLUMNS, axis_limits, shown_axis
from analyzer.report.view import PARTS, View
from analyzer.verdict.why import floored

#: Time slots of the linked view; with their extremes about ten thousand points for a long run.
BUCKETS = 1500
_SERIES = {
    "bound": None,
    "age": "correction_age_s",
    "satellites": "satellites_used",
    "speed": "speed_mps",
    "vertical": "vertical_bound_m",
    "claimed": "claimed_horizontal_m",
}


@dataclass(frozen=True)
class Linked:
    """What the page needs: the library, the script that draws, the places to draw into, and the labels."""

    library: Markup
    script: Markup
    plots: dict[str, Markup]
    labels: dict[str, Any]


def build(assessment: Assessment, run: View) -> Linked | None:
    """Return the linked view of `assessment`, or None where there is no epoch to show."""
    if not len(run):
        return None
    thin = run.thinned(BUCKETS)
    data, labels = point_data(assessment, thin)
    source = ColumnDataSource(data=data, name="points")
    spans = ColumnDataSource(data={"left": [], "right": []}, name="spans")
    chosen = ColumnDataSource(data={"east": [], "north": []}, name="chosen")
    here = ColumnDataSource(data={"east": [], "north": []}, name="here")
    first, last = float(data["t"][0]), float(data["t"][-1])
    x_range = Range1d(start=first, end=max(last, first + 1000.0), name="times")
    plots = explorer_plots.strips(assessment, thin, source=source, spans=spans, x_range=x_range)
    if thin.placed:
        plots["map"] = explorer_plots.route(assessment, thin, chosen=chosen, here=here)
    for plot in plots.values():
        _listen(plot, on_map=plot.name == "map")
    document = Document()
    with document.models.freeze():  # one look at what belongs together, not one for each plot
        for plot in plots.values():
            document.add_root(plot)
    script, places = components(dict[str, Model](plots))
    return Linked(_library(), Markup(script), {name: Markup(place) for name, place in places.items()}, labels)


def _listen(plot: figure, *, on_map: bool) -> None:
    """Let `plot` tell the page where the pointer is and what was selected."""
    side = "map" if on_map else "time"
    for event, call in (
        ("mousemove", f"point('{side}', cb_obj.x, cb_obj.y)"),
        ("tap", f"point('{side}', cb_obj.x, cb_obj.y)"),
        ("selectiongeometry", f"select('{side}', cb_obj.geometry, cb_obj.final)"),
    ):
        plot.js_on_event(event, CustomJS(code=f"window.linkedView && window.linkedView.{call}"))


def _library() -> Markup:
    """Return the plotting library itself, to stand in the page."""
    return Markup("\n").join(
        Markup(f"<script>{text}</script>")
        for text in Resources(mode="inline", components=["bokeh"], log_level="error").js_raw
    )


def point_data(assessment: Assessment, thin: View) -> tuple[dict[str, np.ndarray], dict[str, Any]]:
    """Return the shared columns, and the labels their codes stand for.

    A row without values stands in each interruption, so that lines break there and pointing at it says so.
    """
    frame = thin.frame
    at = np.flatnonzero(thin.breaks)
    times = np.asarray(pd.DatetimeIndex(frame.index).as_unit("us").asi8, dtype=np.float64) / 1000.0
    middle = (times[np.maximum(at - 1, 0)] + times[at]) / 2
    bound = BOUND_COLUMNS[shown_axis(assessment.purpose)]
    columns = {"east": "east_m", "north": "north_m", "km": "distance_m", **_SERIES, "bound": bound}
    columns |= {f"part_{part}": f"bound_{part}_m" for part in PARTS}
    data = {"t": np.insert(times, at, middle)}
    for short, name in columns.items():
        values = frame[name].to_numpy(dtype=np.float64)
        if not short.startswith(("part_", "vertical", "claimed")) or np.nan_to_num(values).any():
            data[short] = np.insert(values.astype(np.float32), at, np.nan)
    data["km"] = data["km"] / np.float32(1000.0)
    labels: dict[str, Any] = {}
    for name in ("fix_state", "trust", "reasons", "window"):
        data[name], labels[name] = _codes(frame, name, at)
    limit = axis_limits(assessment.purpose).get(shown_axis(assessment.purpose))
    return data, labels | {
        "limit_m": limit,
        "trusted_to": None if limit is None else f"{floored(limit / assessment.purpose.margin):g}",
        "axis": shown_axis(assessment.purpose),
        "parts": {f"part_{p}": wording.words(p) for p in PARTS if f"part_{p}" in data},
    }


def _codes(frame: Any, name: str, at: np.ndarray) -> tuple[np.ndarray, list[str]]:
    """Return the labels of a column as whole numbers, -1 for none, and the labels in words."""
    values = frame[name].astype(object)
    order = sorted({str(v) for v in values.dropna() if str(v)})
    place = {value: code for code, value in enumerate(order)}
    codes = np.array([place.get(str(v), -1) if v is not None and v == v else -1 for v in values], dtype=np.int16)
    shown = order if name == "window" else [_in_words(v, reasons=name == "reasons") for v in order]
    return np.insert(codes, at, -1), shown


def _in_words(value: str, *, reasons: bool) -> str:
    """Return a label in words; several reasons are separated by semicolons."""
    if not reasons:
        return wording.words(value)
    return "; ".join(reason_words(code) for code in re.split(r",\s*", value) if code)
