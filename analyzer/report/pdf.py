"""The report on paper: A4, numbered pages, real text, the same content without interaction."""

from __future__ import annotations

import io
import os
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import matplotlib as mpl
from reportlab.lib.enums import TA_LEFT, TA_RIGHT  # type: ignore[import-untyped]
from reportlab.lib.pagesizes import A4  # type: ignore[import-untyped]
from reportlab.lib.styles import ParagraphStyle  # type: ignore[import-untyped]
from reportlab.lib.units import mm  # type: ignore[import-untyped]
from reportlab.pdfbase import pdfmetrics  # type: ignore[import-untyped]
from reportlab.pdfbase.ttfonts import TTFont  # type: ignore[import-untyped]
from reportlab.pdfgen.canvas import Canvas  # type: ignore[import-untyped]
from reportlab.platypus import (  # type: ignore[import-untyped]
    CondPageBreak,
    Image,
    KeepTogether,
    ListFlowable,
    Paragraph,
    SimpleDocTemplate,
    Spacer,
)
from reportlab.platypus import Table as PaperTable

from analyzer.assessment import Assessment
from analyzer.report import context, drawing, palette, view
from analyzer.report.model import Report, Section, Table
from analyzer.report.saving import write_whole
from analyzer.wording import Clock

_SIDE, _HEAD, _FOOT = 17 * mm, 16 * mm, 18 * mm
WIDTH = A4[0] - 2 * _SIDE
#: Height that one row and the head of its table may take together: a page within its margins and its padding [pt].
_ROOM = A4[1] - _HEAD - _FOOT - 20.0
_PICTURE_WIDTHS = {"strip": 0.7 * WIDTH, "map": 0.28 * WIDTH, "time": WIDTH, "availability": 0.68 * WIDTH}
_INK, _SOFT, _RULE = "#000000", "#4a4a4a", palette.colour("rule")


def render_pdf(assessment: Assessment, *, time_zone: str | None = None) -> bytes:
    """Return the report of `assessment` as a PDF document.

    Raises
    ------
    UsageError : `time_zone` is not known.
    """
    run = view.build(assessment)
    report = context.build(assessment, run, Clock(time_zone))
    buffer = io.BytesIO()
    document = SimpleDocTemplate(
        buffer,
        pagesize=A4,
        leftMargin=_SIDE,
        rightMargin=_SIDE,
        topMargin=_HEAD,
        bottomMargin=_FOOT,
        title=report.title,
        subject=report.run_line,
        author="",
        creator="postdrive",
        lang="en",
    )
    story = list(_story(report, drawing.print_pictures(assessment, run)))
    document.build(story, canvasmaker=_numbered(report.title))
    return buffer.getvalue()


def write_pdf(assessment: Assessment, path: str | os.PathLike[str], *, time_zone: str | None = None) -> None:
    """Write the report to `path`, whole or not at all.

    Raises
    ------
    OutputError : the file cannot be written.
    """
    write_whole(path, render_pdf(assessment, time_zone=time_zone))


@cache
def _fonts() -> tuple[str, str]:
    """Register the fonts that come with the drawing library, and return the plain and the bold one."""
    folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
    for name, file in (("report", "DejaVuSans.ttf"), ("report-bold", "DejaVuSans-Bold.ttf")):
        pdfmetrics.registerFont(TTFont(name, str(folder / file)))
    pdfmetrics.registerFontFamily(
        "report", normal="report", bold="report-bold", italic="report", boldItalic="report-bold"
    )
    return "report", "report-bold"


def _style(
    size: float, *, bold: bool = False, soft: bool = False, right: bool = False, before: float = 0.0, after: float = 2.0
) -> Any:
    """Return a paragraph style; sizes and spaces in points."""
    return ParagraphStyle(
        f"{size}-{bold}-{soft}-{right}-{before}",
        fontName=_fonts()[bold],
        fontSize=size,
        leading=size * 1.35,
        spaceBefore=before,
        spaceAfter=after,
        textColor=_SOFT if soft else _INK,
        splitLongWords=True,
        alignment=TA_RIGHT if right else TA_LEFT,
    )


def _numbered(title: str) -> type[Any]:
    """Return a canvas that writes the title and "page 2 of 7" at the foot of each page."""

    class Numbered(Canvas):  # type: ignore[misc]
        """Keeps every page until their number is known."""

        def __init__(self, *args: Any, **options: Any) -> None:
            super().__init__(*args, **options)
            self._pages: list[dict[str, Any]] = []

        def showPage(self) -> None:
            """Keep the page instead of writing it."""
            self._pages.append(dict(self.__dict__))
            self._startPage()

        def save(self) -> None:
            """Write all pages with their numbers."""
            for page in self._pages:
                self.__dict__.update(page)
                self.setFont(_fonts()[0], 8)
                self.setFillColor(_SOFT)
                self.drawString(_SIDE, 10 * mm, title[:90])
                self.drawRightString(A4[0] - _SIDE, 10 * mm, f"page {self._pageNumber} of {len(self._pages)}")
                super().showPage()
            super().save()

    return Numbered


def _story(report: Report, pictures: dict[str, bytes]) -> Iterator[Any]:
    """Yield everything in the order of the page."""
    body, heading = _style(9.5), _style(12.5, bold=True, before=10, after=3)
    yield Paragraph(escape(report.title), _style(19, bold=True, after=4))
    yield Paragraph(escape(report.run_line), _style(9.5, soft=True, after=8))
    yield Paragraph(escape(report.level_words), _style(9.5, bold=True, soft=True, after=0))
    yield Paragraph(escape(report.headline), _style(14, bold=True, after=4))
    for name, why in report.again:
        yield Paragraph(f"<b>{escape(name)}:</b> {escape(why)}", body)
    yield from (Paragraph(escape(line), body) for line in report.verdict_sentences)
    yield Paragraph("Set-up", heading)
    yield from _setup(report)
    for title, lines in (("How good", report.quality), ("Where corrections dropped out", report.corrections)):
        yield KeepTogether([Paragraph(title, heading), *(Paragraph(escape(line), body) for line in lines)])
    yield _side_by_side(pictures, ("strip", "map"))
    yield Paragraph("What this recording cannot show", heading)
    yield (
        _points(report.cannot_show)
        if report.cannot_show
        else Paragraph("Nothing beyond the cautions below was named.", body)
    )
    for part in report.sections:
        yield from _section(part, pictures, heading, body)
    yield Paragraph(escape(report.time_note), _style(8, soft=True, before=8))


def _side_by_side(pictures: dict[str, bytes], names: tuple[str, str]) -> Any:
    """Return two pictures beside each other on one line."""
    pair = [_picture(pictures[name], _PICTURE_WIDTHS[name]) for name in names]
    return PaperTable(
        [pair],
        colWidths=[_PICTURE_WIDTHS[names[0]] + 8, None],
        hAlign="LEFT",
        style=[
            ("VALIGN", (0, 0), (-1, -1), "BOTTOM"),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("RIGHTPADDING", (0, 0), (-1, -1), 0),
        ],
    )


def _setup(report: Report) -> Iterator[Any]:
    """Yield the set-up items by status."""
    if not report.setup:
        yield Paragraph("No set-up sheet was given, so nothing stated could be confirmed or contradicted.", _style(9.5))
    for group in report.setup:
        yield Paragraph(escape(group.title), _style(9.5, bold=True, before=3, after=0))
        yield _points(
            [
                f"{label}{': ' if stated else ''}{stated}{' – ' if evidence else ''}{evidence}"
                for label, stated, evidence in group.items
            ]
        )


def _points(lines: list[str] | tuple[str, ...]) -> Any:
    """Return `lines` as a list with bullets."""
    entries = [Paragraph(escape(line), _style(9.5)) for line in lines]
    return ListFlowable(
        entries, bulletType="bullet", start="•", leftIndent=12, bulletFontName=_fonts()[0], bulletFontSize=9
    )


def _picture(content: bytes, width: float) -> Any:
    """Return a picture `width` [pt] wide, made smaller where it would not fit the page."""
    image = Image(io.BytesIO(content))
    tall = width * image.imageHeight / image.imageWidth
    scale = min(1.0, 0.8 * (A4[1] - _HEAD - _FOOT) / tall)
    image.drawWidth, image.drawHeight = width * scale, tall * scale
    image.hAlign = "LEFT"
    return image


def _section(part: Section, pictures: dict[str, bytes], heading: Any, body: Any) -> Iterator[Any]:
    """Yield one part after the first screen."""
    tables = [list(_table(content)) for content in part.tables]
    opening = [Paragraph(escape(part.title), heading), *(Paragraph(escape(line), body) for line in part.paragraphs)]
    drawings = [_picture(pictures[name], _PICTURE_WIDTHS[name]) for name in part.figures]
    beside = tables[0][0].height if tables and not (part.items or drawings) else 0.0
    yield CondPageBreak(min(max(32 * mm, _height(opening) + beside), _ROOM))
    yield from [KeepTogether([*opening, *drawings])] if drawings else opening
    if part.items:
        yield _points(part.items)
    for made in tables:
        yield from made


def _height(paragraphs: list[Any]) -> float:
    """Return the height [pt] that paragraphs take below each other."""
    return float(sum(p.wrap(WIDTH, A4[1])[1] + p.getSpaceBefore() + p.getSpaceAfter() for p in paragraphs))


def _table(content: Table) -> Iterator[Any]:
    """Yield a table that may run over pages, with its head on each; before it the room that title, head and first row need on one page."""
    note = f"{content.caption}. {content.note}" if content.note else content.caption
    title = Paragraph(escape(note), _style(8, soft=True, before=3))
    cells = [_style(7, bold=not i, right=i in content.numeric, after=0) for i in range(len(content.head))]
    heads = [_style(7, soft=True, right=i in content.numeric, after=0) for i in range(len(content.head))]
    head = [Paragraph(escape(name), style) for name, style in zip(content.head, heads, strict=True)]
    rows = [[Paragraph(escape(cell), style) for cell, style in zip(row, cells, strict=True)] for row in content.rows]
    made = _paper_table([head, *rows], _widths(content))
    made.wrap(WIDTH, A4[1])
    yield CondPageBreak(min(_height([title]) + sum(made._rowHeights[:2]), _ROOM))
    yield title
    # a row goes to the next page as a whole, and is cut only where no page holds it
    tallest = max(made._rowHeights[1:], default=0.0)
    yield _paper_table([head, *rows], _widths(content), cut=True) if tallest > _ROOM - made._rowHeights[0] else made
    yield Spacer(1, 4)


def _paper_table(rows: list[list[Any]], widths: list[float], *, cut: bool = False) -> Any:
    """Return the cells as a table with its head on each page; `cut` lets a row run over the end of a page."""
    return PaperTable(
        rows,
        colWidths=widths,
        repeatRows=1,
        splitInRow=int(cut),
        hAlign="LEFT",
        style=[
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LINEBELOW", (0, 0), (-1, 0), 0.8, _INK),
            ("LINEBELOW", (0, 1), (-1, -1), 0.3, _RULE),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("RIGHTPADDING", (0, 0), (-1, -1), 5),
            ("TOPPADDING", (0, 0), (-1, -1), 1.5),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
        ],
    )


def _widths(content: Table) -> list[float]:
    """Return column widths [pt]: as the cells need; columns of words share what is left."""
    font, bold = _fonts()
    columns = list(zip(*content.rows, strict=True)) if content.rows else [() for _ in content.head]
    need = []
    for i, (name, cells) in enumerate(zip(content.head, columns, strict=True)):
        longest = max((pdfmetrics.stringWidth(cell, font if i else bold, 7) for cell in cells), default=0.0)
        word = max((pdfmetrics.stringWidth(part, font, 7) for part in name.split()), default=0.0)
        need.append(max(longest, word) + 8)
    if sum(need) <= WIDTH:
        return need
    rigid = sum(width for i, width in enumerate(need) if i not in content.wide)
    wordy = sum(width for i, width in enumerate(need) if i in content.wide)
    left = max(WIDTH - rigid, 50.0 * len(content.wide))
    shared = [
        min(max(left * width / wordy, 50.0), width) if i in content.wide else width for i, width in enumerate(need)
    ]
    scale = min(WIDTH / sum(shared), 1.0)
    return [width * scale for width in shared]
