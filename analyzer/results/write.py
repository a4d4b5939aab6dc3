"""Write an assessment into a result folder (DEVELOPERS.md, Result folder)."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd

from analyzer.assessment import Assessment
from analyzer.results.epochs_file import write_epochs, write_plain
from analyzer.results.folder import SUMMARY, build
from analyzer.results.geojson import write_route
from analyzer.results.summary import summary
from analyzer.threads import beside


def write_results(
    assessment: Assessment, out: str | Path, *, overwrite: bool = False, pdf: bool = False, time_zone: str | None = None
) -> Path | None:
    """Write the result folder `out`, whole or not at all; with `pdf` also report.pdf.

    `time_zone` names a zone whose local times the report prints beside UTC.

    Returns where an older result was moved, or None.

    Raises
    ------
    OutputError : `out` exists and `overwrite` is false or it is no older result, or it cannot be written.
    """
    return build(
        Path(out), lambda folder: _fill(folder, assessment, pdf=pdf, time_zone=time_zone), mark=SUMMARY, overwrite=overwrite
    )


def _fill(folder: Path, assessment: Assessment, *, pdf: bool, time_zone: str | None) -> None:
    with beside() as thread:  # compression needs no interpreter: it runs while pages are drawn
        epochs = thread.submit(write_epochs, assessment.epochs, folder / "epochs.parquet")
        _fill_others(folder, assessment, pdf=pdf, time_zone=time_zone)
        epochs.result()
    _write_json(folder / SUMMARY, summary(assessment), indent=1)


def _fill_others(folder: Path, assessment: Assessment, *, pdf: bool, time_zone: str | None) -> None:
    """Write everything but epochs.parquet and summary.json."""
    from analyzer.report.html import write_html

    write_plain(assessment.segments, folder / "segments.parquet")
    for name in ("standstills", "jumps", "dropouts", "windows"):
        _write_csv(getattr(assessment, name), folder / f"{name}.csv")
    write_route(assessment, folder / "route.geojson")
    write_html(assessment, folder / "report.html", time_zone=time_zone)
    if pdf:
        from analyzer.report.pdf import write_pdf

        write_pdf(assessment, folder / "report.pdf", time_zone=time_zone)


def _write_csv(frame: pd.DataFrame, path: Path) -> None:
    """Write times as ISO 8601 UTC with microseconds and Z, all in one form so that any reader parses them; missing as empty."""
    out = frame.copy()
    for name in out.columns:
        if isinstance(out[name].dtype, pd.DatetimeTZDtype):
            out[name] = out[name].map(lambda t: "" if t is pd.NaT else t.isoformat(timespec="microseconds").replace("+00:00", "Z"))
    out.to_csv(path, index=False, lineterminator="\n")


def _write_json(path: Path, content: object, *, indent: int | None) -> None:
    path.write_text(
        json.dumps(content, indent=indent, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8", newline="\n"
    )
