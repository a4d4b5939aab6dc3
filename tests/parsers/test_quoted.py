"""Line breaks in quoted cells, against the reader of the standard library."""

from __future__ import annotations

import csv
import io

from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer.parsers.quoted import Joiner, is_open, logical_rows

cells = st.text(st.sampled_from('ab1,;" \n'), max_size=6)
tables = st.lists(st.lists(cells, min_size=2, max_size=3), min_size=1, max_size=8)


def written(table: list[list[str]]) -> str:
    target = io.StringIO()
    csv.writer(target, lineterminator="\n", quoting=csv.QUOTE_ALL).writerows(table)
    return target.getvalue()


@settings(max_examples=150, deadline=None)
@given(tables)
def test_rows_are_those_that_were_written(table: list[list[str]]) -> None:
    lines = written(table)[:-1].split("\n")
    found = logical_rows(lines, delimiters=",")
    assert len(found) == len(table)
    rows = ["\n".join(lines[at:at + count]) for at, count in found]
    assert [next(csv.reader(io.StringIO(row, newline=""))) for row in rows] == table


@settings(max_examples=150, deadline=None)
@given(tables, st.integers(1, 4))
def test_joined_rows_hold_the_same_cells(table: list[list[str]], step: int) -> None:
    lines = written(table).splitlines(keepends=True)
    pieces = ["".join(lines[k:k + step]) for k in range(0, len(lines), step)]
    joiner = Joiner(",", None)
    out = "".join(joiner.of(piece, last=k == len(pieces) - 1) for k, piece in enumerate(pieces))
    assert list(csv.reader(out.splitlines())) == [[cell.replace("\n", " ") for cell in row] for row in table]
    assert joiner.joined == [(k, n) for k, row in enumerate(table) if (n := sum(cell.count("\n") for cell in row))]


def test_quotes_that_open_no_cell() -> None:
    assert not is_open('1,19" rim,x') and not is_open('1,"",x') and not is_open('1,"a""b",2')
    assert is_open('1,"a""') and is_open('"a') and is_open('1; "a')
    joiner = Joiner(",", "#")
    assert joiner.of('# a, "b\n1,2\n', last=False) == '# a, "b\n1,2\n'


def test_a_cell_that_is_never_closed_leaves_the_other_lines_rows() -> None:
    lines = ["a,b", '"1,2', *(f"{k},2" for k in range(30))]
    assert logical_rows(lines) == [(k, 1) for k in range(32)]
    # the last row goes on behind what is there: as long as the finished ones it is taken for unfinished
    assert logical_rows(['"x', 'y",1', '"z', 'w"",'], more=True) == [(0, 2)]
