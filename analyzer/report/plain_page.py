"""The page beside the report of a run: its frame, and what it says first. Draws nothing, so that it starts at once."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import resources

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from analyzer.report import palette
from analyzer.report.model import Section

CAUTIONS = (
    "Positions relative to a self-surveyed base are not survey-grade absolute coordinates; for legal "
    "boundaries, control surveys or "
    "type approval follow the local rules and a licensed or accredited body.",
    "This judges a recording afterwards; it is no integrity monitor.",
)


@dataclass(frozen=True)
class Page:
    """A page beside the report of a run: the answer first, then its parts."""

    title: str
    run_line: str
    level_class: str
    level_words: str
    headline: str
    sentences: tuple[str, ...]
    sections: tuple[Section, ...]


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
