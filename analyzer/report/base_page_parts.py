"""What the pages beside the report of one run share: the page frame, pictures, and plain tables."""

from __future__ import annotations

from collections.abc import Callable
from importlib import resources

import matplotlib as mpl
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from matplotlib.figure import Figure

from analyzer.report import drawing, palette


def render_page(template: str, **content: object) -> str:
    """Return a page from `template` with the stylesheet and the colours of every page; names are escaped."""
    environment = Environment(
        loader=PackageLoader("analyzer.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    style = Markup(resources.files("analyzer.report").joinpath("static", "report.css").read_text(encoding="utf-8"))
    return environment.get_template(template).render(
        stylesheet=style, light=palette.css_variables(dark=False), dark=palette.css_variables(dark=True), **content
    )


def pictures(
    name: str, make: Callable[[float], Figure], *, wide: float = 9.6, narrow: float = 3.9
) -> dict[str, Markup]:
    """Return the picture that `make(width)` draws, for a wide and a narrow page."""
    out = {}
    for size, width in (("wide", wide), ("narrow", narrow)):
        with mpl.rc_context(drawing._SETTINGS):
            out[f"{name}-{size}"] = drawing._svg(make(width), f"{name}-{size}")
    return out
