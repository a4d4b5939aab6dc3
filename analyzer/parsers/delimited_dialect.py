"""How a delimited text is written: encoding, delimiter, decimal sign, comments, header, unit row."""

from __future__ import annotations

import codecs
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from analyzer.parsers.column_map import ColumnMap
from analyzer.parsers.column_map_units import is_unit
from analyzer.parsers.quoted import ANY_DELIMITER, logical_rows

#: In order of preference where several fit equally: a semicolon is never a decimal sign or part of a number.
_DELIMITERS = (";", "\t", ",", "|")
_COMMENTS = ("#", "//", "%", "!")
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
_VALUE = re.compile(r"[\d:TZ+\-. /,eE]*\d[\d:TZ+\-. /,eE]*")
_BOMS = ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))
_LINES = 200


@dataclass(frozen=True)
class Dialect:
    """How to read the text. Line numbers count from 1 and all lines; 0 where there is no such row.

    A row whose quoted cells hold line breaks is named by its first line.
    """

    encoding: str
    delimiter: str
    decimal: str
    header_row: int
    unit_row: int
    data_row: int
    names: tuple[str, ...]
    units: tuple[str, ...]
    comment: str | None
    #: Share of the looked-at lines from data_row on that have as many cells as the header.
    regular: float
    #: Share of cells in them that are numbers, moments or empty.
    numeric: float
    rows_seen: int


def decode_head(head: bytes, encoding: str | None = None) -> tuple[str, str]:
    """Return the text of `head` and its encoding; cp1252 where it is not UTF-8 and shows no sign of UTF-16."""
    guess = encoding or next((name for bom, name in _BOMS if head.startswith(bom)), None)
    if guess is None:
        wide = head[1::2].count(0) > 0.6 * max(len(head) // 2, 1), head[::2].count(0) > 0.6 * max(len(head) // 2, 1)
        guess = "utf-16-le" if wide[0] else "utf-16-be" if wide[1] else "utf-8"
    decoder = codecs.getincrementaldecoder(guess)
    try:
        return decoder("strict").decode(head), guess
    except UnicodeDecodeError:
        if encoding is None and guess == "utf-8":
            return head.decode("cp1252", errors="replace"), "cp1252"
        return decoder("replace").decode(head), guess


def detect(head: bytes, used: ColumnMap | None = None, *, whole: bool = True) -> Dialect | None:
    """Return how the text that starts with `head` is written, or None where it is no delimited text.

    Parameters
    ----------
    head : bytes
        Start of the unpacked file.
    used : ColumnMap, optional
        What the user fixed; it wins over what is seen.
    whole : bool
        Whether `head` is the whole file, so that its last line is complete.
    """
    text, encoding = decode_head(head, used.encoding if used else None)
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    if not whole and len(lines) > 1:
        lines = lines[:-1]
    first = used.header_row or 1 if used and used.header_row is not None else 1
    mark = (used.comment,) if used and used.comment else _COMMENTS
    cut = logical_rows(lines[first - 1:], mark, more=not whole, delimiters=_delimiter(used) or ANY_DELIMITER, most=_LINES)
    texts = [(first + at, "\n".join(lines[first - 1 + at:first - 1 + at + count])) for at, count in cut]
    found = _of_rows(texts, encoding, used)
    if found is None or found.rows_seen:
        return found
    behind = {first + at: first + at + count for at, count in cut}
    return replace(found, data_row=behind.get(found.data_row - 1, found.data_row))


def _of_rows(texts: Sequence[tuple[int, str]], encoding: str, used: ColumnMap | None) -> Dialect | None:
    """Return how rows, each with the number of its first line, are written."""
    comment = used.comment if used and used.comment else _comment([text for _, text in texts])
    kept = [(n, text) for n, text in texts if text.strip() and not (comment and text.startswith(comment))]
    if not kept:
        return None
    delimiter = _delimiter(used) or _guess_delimiter([text for _, text in kept])
    if delimiter is None:
        return None
    return _layout([(n, split(text, delimiter)) for n, text in kept], encoding, delimiter, comment, used=used)


def split(line: str, delimiter: str) -> list[str]:
    """Return the cells of a line; quotes hold delimiters together."""
    if delimiter == " ":
        return line.split()
    if '"' not in line:
        return [cell.strip() for cell in line.split(delimiter)]
    pattern = re.compile(rf'(?:^|{re.escape(delimiter)})(?:\s*"((?:[^"]|"")*)"|([^{re.escape(delimiter)}]*))')
    return [(m.group(1).replace('""', '"') if m.group(1) is not None else m.group(2)).strip()
            for m in pattern.finditer(line)]


def _delimiter(used: ColumnMap | None) -> str | None:
    if used is None or used.delimiter is None:
        return None
    return {"whitespace": " ", "tab": "\t", "\\t": "\t"}.get(used.delimiter, used.delimiter)


def _comment(lines: Sequence[str]) -> str | None:
    """Return the mark that starts comment lines, if a line starts with one."""
    marks = Counter(mark for line in lines for mark in _COMMENTS if line.startswith(mark))
    return marks.most_common(1)[0][0] if marks and sum(marks.values()) < len(lines) else None


def _guess_delimiter(lines: Sequence[str]) -> str | None:
    """Return the character that cuts most lines, the last ones above all, into the same number of cells."""
    best: tuple[float, str] | None = None
    tail = lines[max(0, len(lines) // 3):]
    for delimiter in (*_DELIMITERS, " "):
        widths = Counter(len(split(line, delimiter)) for line in tail)
        width, count = widths.most_common(1)[0]
        if width < 2:
            continue
        cells = [c for line in tail[:50] for c in split(line, delimiter)]
        numeric = sum(bool(_VALUE.fullmatch(c)) or not c for c in cells) / max(len(cells), 1)
        score = count / len(tail) * (0.2 + numeric) - (0.2 if delimiter == " " else 0.0)
        if best is None or score > best[0] + 0.05:
            best = score, delimiter
    return best[1] if best else None


def _layout(rows: list[tuple[int, list[str]]], encoding: str, delimiter: str, comment: str | None, *,
            used: ColumnMap | None) -> Dialect | None:
    """Return where header, units and data are."""
    width = Counter(len(cells) for _, cells in rows[max(0, len(rows) // 3):]).most_common(1)[0][0]
    fitting = [(n, cells) for n, cells in rows if len(cells) == width]
    first = next((i for i, (_, cells) in enumerate(fitting) if _is_data(cells)), None)
    header_row = used.header_row if used and used.header_row is not None else None
    unit_row = used.unit_row if used and used.unit_row is not None else None
    if first is None and header_row is None:
        return None
    first = len(fitting) if first is None else first
    before = fitting[:first]
    if header_row is None:
        header_row = before[0][0] if before else 0
        if len(before) > 2:
            header_row = before[-2][0] if _is_units(before[-1][1]) else before[-1][0]
    if unit_row is None:
        unit_row = next((n for n, cells in before if n > header_row and header_row and _is_units(cells)), 0)
    by_line = dict(rows)
    names = by_line.get(header_row) if header_row else None
    data_row = next((n for n, _ in fitting if n > max(header_row, unit_row)), max(header_row, unit_row) + 1)
    data = [cells for n, cells in rows if n >= data_row]
    cells = [c for row in data if len(row) == width for c in row]
    return Dialect(
        encoding=encoding, delimiter=delimiter,
        decimal=used.decimal if used and used.decimal else _decimal(cells),
        header_row=header_row, unit_row=unit_row, data_row=data_row,
        names=unique([_one_line(n) for n in names] if names else [str(i + 1) for i in range(width)]),
        units=tuple(_one_line(u) for u in by_line.get(unit_row, [])) if unit_row else (), comment=comment,
        regular=sum(len(row) == width for row in data) / max(len(data), 1),
        numeric=sum(bool(_VALUE.fullmatch(c)) or not c for c in cells) / max(len(cells), 1), rows_seen=len(data),
    )


def _one_line(text: str) -> str:
    return " ".join(text.split("\n"))


def unique(names: Sequence[str]) -> tuple[str, ...]:
    """Return names that are all different and never empty: the place of an empty one, ``_2`` behind a repeated one."""
    out: list[str] = []
    for place, name in enumerate(names, 1):
        base = name.strip().strip('"') or str(place)
        candidate, count = base, 1
        while candidate in out:
            count += 1
            candidate = f"{base}_{count}"
        out.append(candidate)
    return tuple(out)


def _is_data(cells: Sequence[str]) -> bool:
    """Whether at least a third of the filled cells are numbers or moments."""
    filled = [c for c in cells if c]
    return bool(filled) and sum(bool(_VALUE.fullmatch(c)) for c in filled) * 3 >= len(filled)


def _is_units(cells: Sequence[str]) -> bool:
    """Whether most cells are written like units."""
    return sum(is_unit(c) or not c for c in cells) * 2 > len(cells) and any(c.strip() for c in cells)


def _decimal(cells: Sequence[str]) -> str:
    """Return the decimal sign that most numbers carry; with a comma between cells only quotes keep one inside."""
    numbers = [c for c in cells if _NUMBER.fullmatch(c)]
    return "," if sum("," in c for c in numbers) > sum("." in c for c in numbers) else "."
