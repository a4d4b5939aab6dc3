"""Static figures turned into pictures for a page (SVG that follows its colours) or for print (PNG)."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import matplotlib as mpl
import pandas as pd
from markupsafe import Markup
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from analyzer.assessment import Assessment
from analyzer.report import figures, figures_route, palette
from analyzer.report.view import View

#: Sizes of the two drawings of each picture [inch]: for a wide page and for a narrow one.
WIDE, NARROW = 9.6, 3.9
_SETTINGS: Any = {
    "svg.fonttype": "none",
    "hatch.linewidth": 0.7,
    "font.family": ["DejaVu Sans"],
    "axes.unicode_minus": False,
}
_NUMBER = re.compile(r"-?\d+\.\d{3,}")
_PATH = re.compile(r' d="[^"]*"')
_LINKS = re.compile(r'(\bid="|url\(#|xlink:href="#)')
_HEAD = re.compile(r'<svg [^>]*?viewBox="([^"]+)"[^>]*>', re.DOTALL)


@contextmanager
def _drawing() -> Iterator[None]:
    """Draw with our settings, and leave the caller's as they were."""
    with mpl.rc_context(_SETTINGS):
        yield


def strip_figure(assessment: Assessment, run: View, *, width: float) -> Figure:
    """Return the strip by distance as a figure `width` [inch] wide."""
    figure = Figure(figsize=(width, 3.6), layout="constrained")
    figures_route.distance_strip(assessment, figure.subplots(), run=run, dense=width * 11.5)
    return figure


def map_figure(assessment: Assessment, run: View, *, width: float) -> Figure:
    """Return the map as a figure `width` [inch] wide."""
    figure = Figure(figsize=(width, width * min(figures_route.map_shape(run), 1.25)), layout="constrained")
    figures_route.route_map(assessment, figure.subplots(), run=run)
    return figure


def time_figure(assessment: Assessment, run: View, *, width: float) -> Figure:
    """Return trust, state, bound, age, satellites and speed above each other as a figure `width` [inch] wide."""
    rows = max(run.frame["trust"].nunique(), 1), max(run.frame["fix_state"].nunique(), 1)
    heights = [0.24 * rows[0] + 0.3, 0.24 * rows[1] + 0.3, 1.25, 1.0, 1.0, 1.0]
    figure = Figure(figsize=(width, sum(heights) + 1.2), layout="constrained")
    axes = figure.subplots(6, 1, height_ratios=heights)
    figures.label_lanes_by_time(run, axes[0], name="trust")
    figures.label_lanes_by_time(run, axes[1], name="fix_state")
    figures.bound_by_time(assessment, axes[2], run=run)
    figures.age_by_time(assessment, axes[3], run=run)
    figures.satellites_by_time(assessment, axes[4], run=run)
    figures.speed_by_time(assessment, axes[5], run=run)
    figures.time_axis(axes[5], pd.DatetimeIndex(run.frame.index))
    return figure


def pictures(assessment: Assessment, run: View) -> dict[str, Markup]:
    """Return the pictures of a page by name; each comes ``-wide`` and ``-narrow``."""
    thin = run.thinned(figures.STATIC_BUCKETS)
    makers: dict[str, tuple[Callable[..., Figure], float, float]] = {
        "strip": (strip_figure, WIDE * 0.72, NARROW),
        "map": (map_figure, WIDE * 0.3, NARROW),
        "time": (time_figure, WIDE * 1.15, NARROW),
    }
    out = {}
    for name, (make, wide, narrow) in makers.items():
        for size, width in (("wide", wide), ("narrow", narrow)):
            with _drawing():
                out[f"{name}-{size}"] = _svg(make(assessment, thin, width=width), f"{name}-{size}")
    return out


def print_pictures(assessment: Assessment, run: View) -> dict[str, bytes]:
    """Return the pictures of a printed document by name, as PNG."""
    thin = run.thinned(figures.STATIC_BUCKETS)
    out = {}
    for name, make, width in (("strip", strip_figure, 7.4), ("map", map_figure, 4.0), ("time", time_figure, 7.4)):
        with _drawing():
            figure = make(assessment, thin, width=width)
            figure.patch.set_facecolor("white")
            buffer = io.BytesIO()
            FigureCanvasAgg(figure).print_figure(buffer, dpi=200)
            out[name] = buffer.getvalue()
    return out


def _svg(figure: Figure, name: str) -> Markup:
    """Return `figure` as inline SVG: colours follow the page, ids are its own, paths have two decimals."""
    figure.patch.set_alpha(0.0)
    buffer = io.StringIO()
    canvas: Any = FigureCanvasSVG(figure)
    with mpl.rc_context({"svg.hashsalt": name}):
        canvas.print_svg(
            buffer, metadata={"Date": None, "Creator": None, "Format": None, "Type": None}
        )
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    text = _PATH.sub(
        lambda m: _NUMBER.sub(lambda n: f"{float(n.group()):.2f}".rstrip("0").rstrip("."), m.group()), text
    )
    text = _LINKS.sub(lambda m: f"{m.group(1)}{name}-", palette.follow_page(text))
    text = _HEAD.sub(
        rf'<svg viewBox="\1" class="drawing {name.rpartition("-")[2]}" aria-hidden="true" focusable="false">',
        text,
        count=1,
    )
    return Markup(text)
