"""The account of a stream: sums, cases, moves."""

from __future__ import annotations

import numpy as np
import pytest

from analyzer.errors import AnalyzerError
from analyzer.parsers.ledger_builder import CASES, EXCERPT, LedgerBuilder, excerpt
from analyzer.recording import Case


def cases(*starts: int) -> list[Case]:
    return [Case(start, start + 10, f"at {start}") for start in starts]


def test_first_cases_are_kept_and_sums_are_of_all() -> None:
    first, second = LedgerBuilder(), LedgerBuilder()
    first.add("accepted", "GGA", count=3, size=30, cases=cases(0, 10, 20))
    second.add("accepted", "GGA", count=4, size=40, cases=cases(0, 10, 20, 30))
    first.merge(second.shifted(30))
    entry = first.build(70).entries[0]
    assert (entry.count, entry.size) == (7, 70)
    assert [case.start for case in entry.cases] == [0, 10, 20, 30, 40]
    assert len(entry.cases) == CASES


def test_an_account_that_does_not_sum_to_the_size_is_a_fault() -> None:
    builder = LedgerBuilder()
    builder.add("binary", "bytes", count=1, size=9)
    with pytest.raises(AnalyzerError, match="9 of 10"):
        builder.build(10)


def test_an_unknown_kind_is_refused() -> None:
    with pytest.raises(AnalyzerError, match="no kind"):
        LedgerBuilder().add("lost", "", count=1, size=1)


def test_moved_sentences_change_kind_with_their_bytes_and_cases() -> None:
    builder = LedgerBuilder()
    builder.add("accepted", "GGA", count=3, size=30, cases=cases(0, 20, 30))
    builder.add("no_checksum", "GGA", count=1, size=10, cases=cases(10))
    builder.unchecked = np.array([10])
    builder.move([10, 20], [20, 30], tag="GGA", to_kind="duplicate_epoch")
    ledger = builder.build(40)
    assert ledger.total("accepted") == 20
    assert ledger.total("no_checksum") == 0
    moved = next(entry for entry in ledger.entries if entry.kind == "duplicate_epoch")
    assert (moved.count, moved.size, moved.tag) == (2, 20, "GGA")
    assert {case.excerpt for case in moved.cases} == {"at 10", "at 20"}
    assert [case.start for entry in ledger.entries if entry.kind == "accepted" for case in entry.cases] == [0, 30]


def test_excerpts_of_moved_sentences_are_fetched_where_they_were_not_kept() -> None:
    builder = LedgerBuilder()
    builder.add("accepted", "GGA", count=1, size=4)
    builder.move([0], [4], tag="GGA", to_kind="leap_second", fetch=lambda start, end: b"$GP\n"[start:end])
    assert builder.build(4).entries[0].cases == (Case(0, 4, "$GP"),)


def test_more_than_there_is_cannot_be_moved() -> None:
    with pytest.raises(AnalyzerError, match="fewer GGA"):
        LedgerBuilder().move([0], [10], tag="GGA", to_kind="duplicate_epoch")


@pytest.mark.parametrize(("content", "shown"), [
    (b"$GPGGA,1*00\r\n", "$GPGGA,1*00"), (b"\n", "\\n"), (b"\x00\xd3a", "\\x00\\xd3a"), (b"a\tb\\", "a\\tb\\\\"),
    (b"", ""), (b"x" * 80, "x" * 80), (b"x" * 81, "x" * 79 + "…"),
])
def test_excerpts(content: bytes, shown: str) -> None:
    assert excerpt(content) == shown


def test_excerpts_have_a_limit_whatever_they_show() -> None:
    assert len(excerpt(bytes(range(256)))) == EXCERPT
