"""The report as one page that needs nothing else: no file beside it and no network."""

from __future__ import annotations

import os
import tempfile
from importlib import resources
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from analyzer.assessment import Assessment
from analyzer.errors import OutputError
from analyzer.report import context, drawing, explorer, palette, view
from analyzer.report.wording import Clock


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
    target = Path(path)
    text = render(assessment, time_zone=time_zone)
    part = ""
    try:
        with tempfile.NamedTemporaryFile(
            "w", encoding="utf-8", newline="\n", dir=target.parent, prefix=f".{target.name}.", delete=False
        ) as file:
            part = file.name
            file.write(text)
        Path(part).chmod(0o644)
        Path(part).replace(target)
    except OSError as fault:
        if part:
            Path(part).unlink(missing_ok=True)
        raise OutputError(
            f"report {target}: cannot be written ({fault.strerror or fault}); choose a folder that exists and may be "
            "written to."
        ) from fault


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
