"""Static figures turned into pictures for a page (SVG that follows its colours) or for print (PNG)."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import matplotlib as mpl
import pandas as pd
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from analyzer.assessment import Assessment
from analyzer.report import figures, figures_bounds, figures_route, palette, view
from analyzer.report.view import View

#: Sizes of the two drawings of each picture [inch]: for a wide page and for a narrow one.
WIDE, NARROW = 9.6, 3.9
_SETTINGS: Any = {
    "svg.fonttype": "none",
    "hatch.linewidth": 0.7,
    "font.family": ["DejaVu Sans"],
    "axes.unicode_minus": False,
    "axes.titley": 1.0,  # titles keep their place: else every drawing measures all tick labels to look for one in the way
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


def _stack(
    width: float, heights: Sequence[float], *, left: float, foot: float, gap: float
) -> tuple[Figure, list[Axes]]:
    """Return a figure `width` [inch] wide with axes of the given heights [inch] above each other; margins in inches."""
    tall = sum(heights) + gap * len(heights) + foot
    figure = Figure(figsize=(width, tall))
    axes, top = [], tall
    for height in heights:
        top -= gap + height
        axes.append(figure.add_axes((left / width, top / tall, (width - left - 0.15) / width, height / tall)))
    return figure, axes


def _room_for(names: Sequence[str]) -> float:
    """Return the width [inch] that the longest of `names` takes beside the rows."""
    return 0.082 * max((len(name) for name in names), default=0) + 0.2


def _row_names(run: View) -> list[str]:
    """Return the names of all rows of a strip."""
    names = [
        *view.present(run.frame["trust"], view.TRUST_ORDER),
        *view.present(run.frame["fix_state"], view.STATE_ORDER),
    ]
    return [*names, "dropouts"]


def strip_figure(assessment: Assessment, run: View, *, width: float) -> Figure:
    """Return the strip by distance as a figure `width` [inch] wide."""
    names = _row_names(run)
    left = _room_for(names)
    figure, (ax,) = _stack(width, [0.31 * len(names) + 1.2], left=left, foot=0.5, gap=0.22)
    figures_route.distance_strip(assessment, ax, run=run, dense=(width - left) * 12.5)
    return figure


def map_figure(assessment: Assessment, run: View, *, width: float) -> Figure:
    """Return the map as a figure `width` [inch] wide."""
    figure = Figure(figsize=(width, width * min(figures_route.map_shape(run), 1.25)))
    figures_route.route_map(assessment, figure.add_axes((0.0, 0.0, 1.0, 1.0)), run=run)
    return figure


def time_figure(assessment: Assessment, run: View, *, width: float) -> Figure:
    """Return trust, state, bound, age, satellites and speed above each other as a figure `width` [inch] wide."""
    rows = [max(run.frame[name].nunique(), 1) for name in ("trust", "fix_state")]
    heights = [0.24 * rows[0], 0.24 * rows[1], 1.05, 0.8, 0.8, 0.8]
    figure, axes = _stack(width, heights, left=_room_for(_row_names(run)), foot=0.5, gap=0.32)
    figures.label_lanes_by_time(run, axes[0], name="trust")
    figures.label_lanes_by_time(run, axes[1], name="fix_state")
    figures.bound_by_time(assessment, axes[2], run=run)
    figures.age_by_time(assessment, axes[3], run=run)
    figures.satellites_by_time(assessment, axes[4], run=run)
    figures.speed_by_time(assessment, axes[5], run=run)
    figures.time_axis(axes[5], pd.DatetimeIndex(run.frame.index))
    return figure


def availability_figure(assessment: Assessment, _run: View, *, width: float) -> Figure:
    """Return the share of the recorded time by error bound as a figure `width` [inch] wide."""
    figure, (ax,) = _stack(width, [2.3], left=0.6, foot=0.55, gap=0.3)
    figures_bounds.availability(assessment, ax)
    return figure


#: Each picture: who draws it, its width on a wide page, on a narrow one and on paper [inch].
_PICTURES: dict[str, tuple[Callable[..., Figure], float, float, float]] = {
    "strip": (strip_figure, WIDE * 0.72, NARROW, 5.6),
    "map": (map_figure, WIDE * 0.3, NARROW, 2.4),
    "time": (time_figure, WIDE * 1.15, NARROW, 7.4),
    "availability": (availability_figure, WIDE * 0.8, NARROW, 5.0),
}


def pictures(assessment: Assessment, run: View) -> dict[str, Markup]:
    """Return the pictures of a page by name; each comes ``-wide`` and ``-narrow``."""
    thin = run.thinned(figures.STATIC_BUCKETS)
    out = {}
    for name, (make, wide, narrow, _) in _PICTURES.items():
        for size, width in (("wide", wide), ("narrow", narrow)):
            with _drawing():
                out[f"{name}-{size}"] = _svg(make(assessment, run if name == "map" else thin, width=width), f"{name}-{size}")
    return out


def print_pictures(assessment: Assessment, run: View) -> dict[str, bytes]:
    """Return the pictures of a printed document by name, as PNG."""
    thin = run.thinned(figures.STATIC_BUCKETS)
    out = {}
    for name, (make, _, _, width) in _PICTURES.items():
        with _drawing():
            figure = make(assessment, run if name == "map" else thin, width=width)
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
        canvas.print_svg(buffer, metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
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
