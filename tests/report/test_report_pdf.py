"""The report on paper: A4, numbered pages, real text, the same content."""

from __future__ import annotations

import io
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
import report_builders as builders
from reportlab.lib.pagesizes import A4  # type: ignore[import-untyped]
from reportlab.lib.units import mm  # type: ignore[import-untyped]
from reportlab.platypus import SimpleDocTemplate, Spacer  # type: ignore[import-untyped]

from analyzer.errors import OutputError
from analyzer.report import pdf
from analyzer.report.model import Section, Table
from analyzer.report.pdf import render_pdf, write_pdf

needs_poppler = pytest.mark.skipif(
    shutil.which("pdftotext") is None, reason="pdftotext not found: install poppler-utils to run the tests of the PDF"
)


def told(*command: str) -> str:
    """Return what a command says."""
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    where = tmp_path_factory.mktemp("paper") / "report.pdf"
    write_pdf(builders.assessment(), where, time_zone="Europe/Berlin")
    return where


@needs_poppler
def test_it_reads_in_the_order_of_the_page(path: Path) -> None:
    text = " ".join(told("pdftotext", str(path), "-").split())
    answers = (
        "Position quality of run 07",
        "24 Nov 2026, 09:12–09:47 UTC (10:12–10:47 CET), car A",
        "12 of 14 manoeuvres usable. Drive again: M05, M11",
        "M05: corrections 39 s old; position good to 32 cm",
        "Contradicted by the recording",
        "Confirmed by the recording",
        "Not checked",
        "Good to 2.4 cm (95 %)",
        "Absolute: not checked",
        "Corrections lost 3 times, 74 s in all; longest at km 5.96.",
        "What this recording cannot show",
        "Dropouts: where, how long and why",
        "Manoeuvres",
        "Stretches not trusted",
        "Standstills",
        "Account of the files",
        "Figures and methods",
        "What the purpose asks for",
        "no integrity monitor",
        "Versions",
    )
    places = [text.find(answer) for answer in answers]
    assert -1 not in places, [a for a, p in zip(answers, places, strict=True) if p < 0]
    assert places == sorted(places)


@needs_poppler
def test_pages_are_a4_and_numbered(path: Path) -> None:
    facts = dict(line.split(":", 1) for line in told("pdfinfo", str(path)).splitlines() if ":" in line)
    pages = int(facts["Pages"])
    width, height = (float(part) for part in facts["Page size"].split()[:3:2])
    assert (width, height) == pytest.approx((595.276, 841.89), abs=0.1), "A4 is 210 mm by 297 mm (ISO 216)"
    assert facts["Title"].strip() == "Position quality of run 07"
    for page in range(1, pages + 1):
        assert f"page {page} of {pages}" in told("pdftotext", "-f", str(page), "-l", str(page), str(path), "-")


@needs_poppler
def test_fonts_travel_with_the_document(path: Path) -> None:
    rows = told("pdffonts", str(path)).splitlines()[2:]
    used = [row for row in rows if "DejaVu" in row]
    assert len(used) >= 2
    assert all(row.split()[-5] == "yes" for row in used)


@needs_poppler
def test_hostile_and_endless_words_are_printed_as_they_are(tmp_path: Path) -> None:
    full = builders.assessment(duration_s=900.0, rate_hz=2.0)
    evil = "<b>&</para><font size=90>" + "x" * 3000 + " Prüfgelände Ω " + "word " * 4000
    write_pdf(replace(full, dropouts=full.dropouts.assign(evidence=evil), setup={"run": "<i>&"}), tmp_path / "evil.pdf")
    text = told("pdftotext", str(tmp_path / "evil.pdf"), "-")
    assert "Position quality of run <i>&" in text
    assert "Prüfgelände Ω" in " ".join(text.split())


@needs_poppler
def test_a_row_is_not_cut_by_the_end_of_a_page(tmp_path: Path) -> None:
    full = builders.assessment(duration_s=900.0, rate_hz=2.0)
    many = pd.concat([full.dropouts.iloc[:1]] * 9, ignore_index=True)
    many = many.assign(dropout_id=range(100, 109), evidence=[f"start{n} {'word ' * 180} end{n}" for n in range(9)])
    write_pdf(replace(full, dropouts=many), tmp_path / "many.pdf")
    pages = told("pdftotext", "-layout", str(tmp_path / "many.pdf"), "-").split("\f")
    for n in range(9):
        here = [k for k, one in enumerate(pages) for word in (f"start{n}", f"end{n}") if word in one.split()]
        assert len(here) == 2 and len(set(here)) == 1, f"row {n} stands on pages {here}"


@needs_poppler
def test_no_heading_and_no_title_of_a_table_ends_a_page() -> None:
    rows = (("alpha", "word " * 300), ("beta", "word"))
    part = Section("x", "Heading here", tables=(Table("Caption here", ("name", "words"), rows, wide=frozenset({1})),))
    styles = pdf._style(12.5, bold=True, before=10, after=3), pdf._style(9.5)
    for down_mm in range(150, 240, 4):
        buffer = io.BytesIO()
        room = {"topMargin": pdf._HEAD, "bottomMargin": pdf._FOOT, "leftMargin": pdf._SIDE, "rightMargin": pdf._SIDE}
        SimpleDocTemplate(buffer, pagesize=A4, **room).build([Spacer(1, down_mm * mm), *pdf._section(part, {}, *styles)])
        text = subprocess.run(["pdftotext", "-layout", "-", "-"], input=buffer.getvalue(), check=True, capture_output=True).stdout.decode()
        (page,) = (one for one in text.split("\f") if "Heading here" in one)
        assert "Caption here" in page and "alpha" in page, f"{down_mm} mm down"


def test_a_run_without_epochs_has_a_document() -> None:
    assert render_pdf(builders.empty()).startswith(b"%PDF-")


def test_it_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="cannot be written"):
        write_pdf(builders.empty(), tmp_path / "absent" / "report.pdf")
    assert list(tmp_path.iterdir()) == []
