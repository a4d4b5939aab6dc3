"""Delimited text keeps every byte; quality is written as the file writes its own cells."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from analyzer.attaching import csv_writer
from analyzer.attaching.csv_lines import Kind, Layout, lines_of
from analyzer.attaching.join import NAMES
from analyzer.attaching.measured_csv import layout, read_columns
from analyzer.errors import InputError
from analyzer.parsers.delimited_dialect import Dialect
from analyzer.parsers.sources import open_sources

QUALITY = pd.DataFrame({
    "fix_state": pd.Categorical(["fixed", "not_evaluated", "float"], categories=["fixed", "float", "not_evaluated"]),
    "correction_age_s": [1.25, np.nan, 2.0], "satellites_used": [14.0, np.nan, 9.0],
    "horizontal_bound_m": [0.0213, np.nan, 0.5], "vertical_bound_m": [0.04, np.nan, 1.0],
    "trust": pd.Categorical(["trusted", "not_evaluated", "doubtful"]), "dropout_id": pd.array([pd.NA, pd.NA, 3], dtype="Int32"),
    "window": pd.Categorical(["M01 straight", None, 'a;b "c"']),
})


def rows(start: int, stop: int) -> pd.DataFrame:
    """Quality of any rows: the three above again and again."""
    return QUALITY.iloc[np.arange(start, stop) % 3].reset_index(drop=True)


def written(tmp_path: Path, data: bytes) -> tuple[bytes, Layout]:
    path = tmp_path / "m.csv"
    path.write_bytes(data)
    raw = open_sources([path])[0][0]
    cut = layout(raw, None)
    target = io.BytesIO()
    digest = csv_writer.write(raw, cut, rows, target, names=NAMES)
    assert len(digest) == 64
    return target.getvalue(), cut


def begins_alike(before: bytes, after: bytes) -> None:
    old, new = before.splitlines(keepends=True), after.splitlines(keepends=True)
    assert len(old) == len(new)
    for a, b in zip(old, new, strict=True):
        body = a.rstrip(b"\r\n")
        assert b.startswith(body)
        assert b[len(b.rstrip(b"\r\n")):] == a[len(body):]


def test_header_units_and_rows(tmp_path: Path) -> None:
    data = b"time,speed\r\ns,km/h\r\n1.0,10.5\r\n2.0,11.5\r\n3.0,12.5\r\n"
    out, _ = written(tmp_path, data)
    begins_alike(data, out)
    lines = out.decode().splitlines()
    assert lines[0] == "time,speed," + ",".join(NAMES)
    assert lines[1] == "s,km/h,,s,,m,m,,,"
    assert lines[2] == "1.0,10.5,fixed,1.250,14,0.0213,0.0400,trusted,,M01 straight"
    assert lines[3] == "2.0,11.5,not_evaluated,,,,,not_evaluated,,"
    assert next(csv.reader([lines[4]]))[-1] == 'a;b "c"'


def test_semicolon_and_decimal_comma(tmp_path: Path) -> None:
    data = "Zeit;Geschwindigkeit\n# größer\n0,5;10,25\n0,6;10,50\n0,7;10,75".encode("cp1252")
    out, _ = written(tmp_path, data)
    begins_alike(data, out)
    lines = out.decode("cp1252").splitlines()
    assert lines[1] == "# größer" + ";" * 8
    assert lines[2].endswith(";fixed;1,250;14;0,0213;0,0400;trusted;;M01 straight")
    assert lines[4].endswith('"a;b ""c"""')
    assert not out.endswith(b"\n")


def test_quoted_file_is_quoted_on(tmp_path: Path) -> None:
    data = b'"t","v","what"\n"1","2.5","a"\n"2","3.5","b"\n"3","4.5","c, d"\n'
    out, _ = written(tmp_path, data)
    begins_alike(data, out)
    lines = out.decode().splitlines()
    assert lines[0].endswith(',"dropout_id","window"')
    assert lines[1].endswith(',"fixed","1.250","14","0.0213","0.0400","trusted",,"M01 straight"')
    parsed = list(csv.reader(io.StringIO(out.decode())))
    assert {len(r) for r in parsed} == {11}


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_encodings_and_line_ends(tmp_path: Path, encoding: str, end: str) -> None:
    text = end.join(["time;Höhe;v", *(f"{k / 10};{k};{10 + k}" for k in range(60))]) + end
    data = text.encode(encoding)
    out, _ = written(tmp_path, data)
    old, new = text.split(end), out.decode(encoding).split(end)
    assert len(old) == len(new)
    assert all(b.startswith(a) for a, b in zip(old, new, strict=True))
    assert all(b.count(";") >= 10 for b in new[:-1])
    assert new[-1] == ""


def test_line_breaks_inside_quotes_stay(tmp_path: Path) -> None:
    data = b'time,note,v\n1,"two\nlines",5\n2,"x",6\n3,"y",7\n4,"z",8\n'
    out, _ = written(tmp_path, data)
    parsed = list(csv.reader(io.StringIO(out.decode())))
    assert [len(r) for r in parsed] == [11] * 5
    assert parsed[1][1] == "two\nlines"
    assert parsed[1][3] == "fixed"
    assert parsed[2][3] == "not_evaluated"


def test_line_breaks_in_every_row_and_in_the_header_stay(tmp_path: Path) -> None:
    data = b'time,"the\nnote",v\n' + b"".join(b'%d,"a\r\n\n""b""; c, d",5\n' % k for k in range(150))
    out, _ = written(tmp_path, data)
    before, after = (list(csv.reader(io.StringIO(x.decode(), newline=""))) for x in (data, out))
    assert [row[:3] for row in after] == before
    assert after[0][3:] == list(NAMES)
    assert [row[3] for row in after[1:3]] == ["fixed", "not_evaluated"]


def test_rows_with_too_few_cells_are_filled_up(tmp_path: Path) -> None:
    data = b"time,a,b\n" + b"".join(b"%d,1,2\n" % k for k in range(30)) + b"30,1\n"
    out, cut = written(tmp_path, data)
    last = out.decode().splitlines()[-1]
    assert last.startswith("30,1,,")
    assert last.count(",") == len(cut.dialect.names) - 1 + 8


def test_spreadsheet_mark_and_blank_lines_stay(tmp_path: Path) -> None:
    data = b"sep=;\ntime;v\n" + b"".join(b"%d;1.5\n" % k for k in range(20)) + b"\n"
    out, _ = written(tmp_path, data)
    assert out.startswith(b"sep=;\n")
    assert out.endswith(b"\n\n")


def test_open_quotes_are_one_sentence(tmp_path: Path) -> None:
    path = tmp_path / "m.csv"
    path.write_bytes(b'time,v\n1,2\n2,3\n3,4\n4,"5\n5,6\n')
    raw = open_sources([path])[0][0]
    with pytest.raises(InputError, match="never closed"):
        list(lines_of(raw.blocks(), layout(raw, None), raw.name))


def test_digest_sees_any_cell(tmp_path: Path) -> None:
    data = b"time,v\n" + b"".join(b"%d,1.5\n" % k for k in range(20))
    out, cut = written(tmp_path, data)
    longer = Layout(Dialect(**{**cut.dialect.__dict__, "names": (*cut.dialect.names, *NAMES)}), cut.encoding)
    digests = set()
    for change in (out, out.replace(b"7,1.5", b"7,1.6"), out.replace(b"trusted", b"doubtful", 1)):
        path = tmp_path / "o.csv"
        path.write_bytes(change)
        digests.add(csv_writer.cells_digest(open_sources([path])[0][0], longer))
    assert len(digests) == 3


cells = st.text(st.characters(codec="utf-8", exclude_characters='"\r\n\x0b\x0c\x1c\x1d\x1e\x85\u2028\u2029', exclude_categories=("Cs", "Cc")), max_size=8)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(st.floats(-1e6, 1e6), cells), min_size=3, max_size=30), st.sampled_from(";,\t"), st.sampled_from(["\n", "\r\n"]),
       st.booleans(), st.booleans(), st.integers(1, 40))
def test_any_text_keeps_its_bytes(tmp_path_factory: pytest.TempPathFactory, table: list[tuple[float, str]], delimiter: str, end: str,
                                  last_end: bool, quoted: bool, block: int) -> None:
    def cell(text: str) -> str:
        return f'"{text}"' if quoted or delimiter in text or text.startswith(("#", "%", "!", "/")) else text

    body = [delimiter.join([str(k), repr(v), cell(t)]) for k, (v, t) in enumerate(table)]
    text = end.join([delimiter.join(["time", "value", "text"]), *body]) + (end if last_end else "")
    data = text.encode()
    names = ("time", "value", "text")
    cut = Layout(Dialect("utf-8", delimiter, ".", 1, 0, 2, names, (), None, 1.0, 1.0, len(table)), "utf-8")
    pieces = [data[k:k + block] for k in range(0, len(data), block)]
    lines = list(lines_of(iter(pieces), cut, "x"))
    assert b"".join(x.body + x.end for x in lines) == data
    assert sum(x.kind is Kind.DATA for x in lines) == len(table)
    path = tmp_path_factory.mktemp("any") / "m.csv"
    path.write_bytes(data)
    raw = open_sources([path])[0][0]
    target = io.BytesIO()
    csv_writer.write(raw, cut, rows, target, names=NAMES)
    begins_alike(data, target.getvalue())
    read = read_columns(raw, cut, ["value"])
    assert read.columns["value"].astype(float).tolist() == [v for v, _ in table]


@given(st.binary(max_size=400), st.integers(1, 30))
@example(b'\n"', 1)
def test_any_bytes_are_cut_without_loss(data: bytes, block: int) -> None:
    for encoding in ("latin-1", "utf-16-le"):
        cut = Layout(Dialect(encoding, ",", ".", 1, 0, 10_000, ("a",), (), None, 1.0, 1.0, 1), encoding)
        pieces = [data[k:k + block] for k in range(0, len(data), block)]
        found: list[bytes] = []
        try:
            for line in lines_of(iter(pieces), cut, "x"):
                found.append(line.body + line.end)
        except InputError as fault:  # said behind the last line, of whatever the bytes hold
            assert "are never closed" in str(fault)
        assert b"".join(found) == data
