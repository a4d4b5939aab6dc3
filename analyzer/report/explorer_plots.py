"""The single plots of the linked view. Colours are given by role, so that the page can set them for light or dark."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from bokeh.core.properties import value as constant
from bokeh.models import (
    BoxSelectTool,
    ColumnDataSource,
    DatetimeTickFormatter,
    FactorRange,
    PrintfTickFormatter,
    Range1d,
)
from bokeh.models.annotations import Span
from bokeh.plotting import figure

from analyzer.assessment import Assessment
from analyzer.report import palette, view
from analyzer.report.detail import milliseconds
from analyzer.report.figures_route import map_shape, round_length, scale_text
from analyzer.report.limits import axis_limits, shown_axis
from analyzer.report.view import View, dropout_places

_FONT = "system-ui, sans-serif"


def role(model: Any, **roles: str) -> None:
    """Note which property of `model` has the colour of which role, and set the colour of the light page."""
    model.tags = [*model.tags, {"roles": roles}]
    model.update(**{name: palette.colour(which) for name, which in roles.items()})


def strips(
    assessment: Assessment, thin: View, *, source: ColumnDataSource, spans: ColumnDataSource, x_range: Range1d
) -> dict[str, figure]:
    """Return the strips over time: trust and state, bound, age, satellites and speed."""
    limits = axis_limits(assessment.purpose)
    axis = shown_axis(assessment.purpose)
    limit, age = limits.get(axis), assessment.purpose.largest_age_s
    trusted = limit / assessment.purpose.margin if limit is not None else None
    lanes, rows = _lanes(thin, spans=spans, x_range=x_range)
    plots = {
        "lanes": lanes,
        "bound": _line(
            source,
            spans,
            x_range,
            name="bound",
            title=f"{axis} error bound (95 %), m",
            marks=((limit, "dashed"), (trusted, "dotted")),
        ),
        "age": _line(source, spans, x_range, name="age", title="age of corrections, s", marks=((age, "dashed"),)),
        "satellites": _line(source, spans, x_range, name="satellites", title="satellites used", steps=True),
        "speed": _line(source, spans, x_range, name="speed", title="speed, m/s", labelled=True),
    }
    for plot in plots.values():
        plot.min_border_left = 7 * max(map(len, rows)) + 14
    return plots


def _plain(plot: figure) -> None:
    """Give `plot` the look that all share and its colours by role."""
    plot.toolbar_location = None
    plot.toolbar.logo = None
    plot.outline_line_color = None
    plot.sizing_mode = "stretch_width"
    plot.update(background_fill_color=None, border_fill_color=None, styles={"background": "transparent"})
    for axis in plot.axis:
        axis.update(
            axis_line_color=None,
            minor_tick_line_color=None,
            major_tick_line_color=None,
            major_label_text_font=_FONT,
            axis_label_text_font=_FONT,
            major_label_text_font_size="12px",
        )
        role(axis, major_label_text_color="ink-soft", axis_label_text_color="ink-soft")
    for grid in plot.grid:
        role(grid, grid_line_color="rule")
    title: Any = plot.title
    role(title, text_color="ink")
    title.update(text_font=_FONT, text_font_size="13px", text_font_style="normal")


def _strip(spans: ColumnDataSource, *, name: str, **options: Any) -> figure:
    """Return an empty strip with the shared selection under it and the shared cursor over it."""
    plot = figure(
        name=name,
        x_axis_type="datetime",
        tools=[BoxSelectTool(dimensions="width", renderers=[])],
        min_border_right=12,
        min_border_bottom=4,
        **options,
    )
    band = plot.vstrip(x0="left", x1="right", source=spans, level="underlay", line_color=None, fill_alpha=0.55)
    role(band.glyph, fill_color="selected")
    cursor = Span(dimension="height", location=None, line_width=1.5, level="overlay", tags=["cursor"])
    role(cursor, line_color="cursor")
    plot.add_layout(cursor)
    plot.xaxis.formatter = DatetimeTickFormatter(
        milliseconds="%H:%M:%S.%3N",
        seconds="%H:%M:%S",
        minsec="%H:%M:%S",
        minutes="%H:%M",
        hourmin="%H:%M",
        hours="%H:%M",
        days="%d %b %H:%M",
    )
    ticks: Any = plot.xaxis
    ticks.ticker.desired_num_ticks = 5
    plot.xaxis.visible = False
    return plot


def _lanes(thin: View, *, spans: ColumnDataSource, x_range: Range1d) -> tuple[figure, list[str]]:
    """Return one row for each trust and each fix state that occurs, named beside it, and those names."""
    trusts = view.present(thin.frame["trust"], view.TRUST_ORDER)
    states = view.present(thin.frame["fix_state"], view.STATE_ORDER)
    rows = [*trusts, *(f"state {s}" for s in states)]
    shown = {row: row.replace("_", " ") for row in rows}
    factors = [shown[r] for r in reversed(rows)] or ["nothing recorded"]
    plot = _strip(
        spans,
        name="lanes",
        x_range=x_range,
        y_range=FactorRange(factors=factors),
        height=24 * len(factors) + 36,
        title="trust and fix state",
    )
    for name, found, prefix, lead in (("trust", trusts, "trust", ""), ("fix_state", states, "state", "state ")):
        runs = thin.stretches(name)
        for value in found:
            face = f"{prefix}-{value}"
            colours = face, face if name == "trust" else "ink-soft"
            _bars(plot, runs[runs["value"] == value], row=shown[f"{lead}{value}"], colours=colours)
    _plain(plot)
    plot.ygrid.grid_line_color = None
    return plot, factors


def _bars(plot: figure, part: pd.DataFrame, *, row: str, colours: tuple[str, str]) -> None:
    """Draw stretches of time as bars in the row named `row`, in the colours of the roles of face and edge."""
    source = ColumnDataSource(
        {
            "left": [milliseconds(t) for t in part["start_utc"]],
            "right": [milliseconds(t) for t in part["end_utc"]],
        }
    )
    bars = plot.hbar(y=constant(row), left="left", right="right", height=0.66, source=source, line_width=1)
    role(bars.glyph, fill_color=colours[0], line_color=colours[1])


def _line(
    source: ColumnDataSource,
    spans: ColumnDataSource,
    x_range: Range1d,
    *,
    name: str,
    title: str,
    marks: tuple[tuple[float | None, str], ...] = (),
    steps: bool = False,
    labelled: bool = False,
) -> figure:
    """Return the strip of one column of the shared points, with its limits."""
    values = np.asarray(source.data[name], dtype=np.float64)
    found = values[np.isfinite(values)]
    lines = [(value, dash) for value, dash in marks if value is not None]
    span, logarithmic = _scale(found, [value for value, _ in lines])
    plot = _strip(
        spans,
        name=name,
        x_range=x_range,
        y_range=Range1d(start=span[0], end=span[1]),
        y_axis_type="log" if logarithmic else "linear",
        height=158 if labelled else 128,
        title=title if len(found) else f"{title}: not recorded",
    )
    draw: Any = plot.step if steps else plot.line
    line = draw("t", name, source=source, line_width=1.3, **({"mode": "after"} if steps else {}))
    role(line.glyph, line_color="line")
    if len(found) == 1:
        role(plot.scatter("t", name, source=source, size=6).glyph, fill_color="line", line_color="line")
    for value, dash in lines:
        _limit_line(plot, value, dash)
    axis: Any = plot.yaxis
    axis.ticker.desired_num_ticks = 4
    plot.yaxis.formatter = PrintfTickFormatter(format="%.4g")
    plot.yaxis.visible = bool(len(found))
    if labelled:
        plot.xaxis.visible = True
        plot.xaxis.axis_label = "time, UTC"
    _plain(plot)
    return plot


def _scale(found: np.ndarray, limits: list[float]) -> tuple[tuple[float, float], bool]:
    """Return the y range of values and their limits, and whether it is logarithmic: where values dwarf the limit."""
    top = max([float(found.max()) if len(found) else 1.0, *(1.25 * limit for limit in limits)]) or 1.0
    low = float(found[found > 0].min()) if (found > 0).any() else top / 10
    if limits and top > 20 * limits[0]:
        return (min(low, limits[-1]) * 0.8, top * 1.5), True
    return (0.0, top * 1.08), False


def _limit_line(plot: figure, value: float, dash: str) -> None:
    """Draw one limit across a strip."""
    mark = Span(dimension="width", location=value, line_dash=dash, line_width=1.3)
    role(mark, line_color="limit")
    plot.add_layout(mark)


def route(assessment: Assessment, thin: View, *, chosen: ColumnDataSource, here: ColumnDataSource) -> figure:
    """Return the map in local metres: the route by trust, the selection on it, the cursor, a scale bar and north."""
    tools = [BoxSelectTool(renderers=[])]
    plot = figure(
        name="map", match_aspect=True, aspect_ratio=1.0 / min(map_shape(thin), 1.1), title="↑ north", tools=tools
    )
    east, north = (thin.frame[n].to_numpy(dtype=float) for n in ("east_m", "north_m"))
    runs = thin.stretches("trust")
    for value in view.present(thin.frame["trust"], view.TRUST_ORDER) or [""]:
        part = runs[runs["value"] == value] if value else runs
        name = value or "not_evaluated"
        lines = [slice(a, b) for a, b in zip(part["start"], part["reach"], strict=True)]
        source = ColumnDataSource(
            {"east": [east[s].astype(np.float32) for s in lines], "north": [north[s].astype(np.float32) for s in lines]}
        )
        glyph = plot.multi_line(
            "east",
            "north",
            source=source,
            line_width=palette.WIDTH[name] + 0.5,
            line_dash=constant(" ".join(map(str, palette.DASH[name])) or "solid"),
            line_cap="round" if name == "trusted" else "butt",
        ).glyph
        role(glyph, line_color=f"trust-{name}")
    _number_dropouts(assessment, thin, plot)
    dots = plot.scatter("east", "north", source=chosen, size=7, line_width=0.5)
    role(dots.glyph, fill_color="cursor", line_color="paper")
    point = plot.scatter("east", "north", source=here, size=15, line_width=3, fill_alpha=0.25, level="overlay")
    role(point.glyph, fill_color="cursor", line_color="cursor")
    _furnish(plot, east, north)
    return plot


def _number_dropouts(assessment: Assessment, thin: View, plot: figure) -> None:
    """Write the number of each dropout where it begins."""
    rows = dropout_places(assessment, thin)
    source = ColumnDataSource({"east": rows["east_m"], "north": rows["north_m"], "text": rows["text"]})
    role(
        plot.scatter("east", "north", source=source, size=7, marker="square").glyph,
        fill_color="limit",
        line_color="limit",
    )
    words = plot.text(
        "east",
        "north",
        text="text",
        source=source,
        x_offset=6,
        y_offset=14,
        text_font=constant(_FONT),
        text_font_size="12px",
    )
    role(words.glyph, text_color="limit")


def _furnish(plot: figure, east: np.ndarray, north: np.ndarray) -> None:
    """Add a scale bar below the route and north, and hide the axes: places are told by distance."""
    _plain(plot)
    plot.axis.visible = False
    plot.grid.visible = False
    left, low = float(np.nanmin(east)), float(np.nanmin(north))
    size = max(float(np.nanmax(east)) - left, float(np.nanmax(north)) - low, 0.5)
    bar, below = round_length(size / 4.0), low - 0.12 * size
    line = plot.segment(left, below, left + bar, below, line_width=2.5)
    role(line.glyph, line_color="ink")
    length = plot.text(
        [left], [below], text=[scale_text(bar)], y_offset=-4, text_font=constant(_FONT), text_font_size="12px"
    )
    role(length.glyph, text_color="ink")
