"""The report as one page that needs nothing else: no file beside it and no network."""

from __future__ import annotations

import os
from importlib import resources

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from analyzer.assessment import Assessment
from analyzer.report import context, drawing, explorer, palette, view
from analyzer.report.saving import write_whole
from analyzer.wording import Clock


def render(assessment: Assessment, *, time_zone: str | None = None) -> str:
    """Return the report of `assessment` as a page.

    Parameters
    ----------
    assessment : the judged run.
    time_zone : name of a zone (Europe/Berlin) whose time stands beside UTC, or None.

    Raises
    ------
    UsageError : `time_zone` is not known.
    """
    clock = Clock(time_zone)
    run = view.build(assessment)
    report = context.build(assessment, run, clock)
    template = _environment().get_template("report.html.jinja")
    return template.render(
        report=report,
        figures=drawing.pictures(assessment, run),
        linked=explorer.build(assessment, run),
        stylesheet=_static("report.css"),
        light=palette.css_variables(dark=False),
        dark=palette.css_variables(dark=True),
        script=_static("report.js"),
    )


def write_html(assessment: Assessment, path: str | os.PathLike[str], *, time_zone: str | None = None) -> None:
    """Write the report to `path`, whole or not at all.

    Raises
    ------
    OutputError : the file cannot be written.
    """
    write_whole(path, render(assessment, time_zone=time_zone).encode("utf-8"))


def _environment() -> Environment:
    """Return the template environment; names come from logs and are hostile until escaped."""
    return Environment(
        loader=PackageLoader("analyzer.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _static(name: str) -> Markup:
    """Return one of our own static files as it is."""
    return Markup(resources.files("analyzer.report").joinpath("static", name).read_text(encoding="utf-8"))
