"""Position sentences that lost their checksum in a log that writes one."""

from __future__ import annotations

import io

import numpy as np
import pytest

from analyzer.parsers import nmea_reader
from analyzer.parsers.raw import RawSource
from analyzer.parsers.reader import ReadOptions, ReadPart
from analyzer.scratch import Scratch


def gga(second: int) -> bytes:
    body = f"GNGGA,12{second // 60:02d}{second % 60:02d}.00,4830.0000000,N,00930.0000000,E,4,12,0.8,400.0,M,47.0,M,1.0,0001"
    return f"${body}*{int(np.bitwise_xor.reduce(np.frombuffer(body.encode(), np.uint8))):02X}\r\n".encode()


def log(count: int, bare: set[int], *, cut: bytes = b"*") -> list[bytes]:
    """Return lines of which those in `bare` end where `cut` begins: the checksum, or some characters before it."""
    return [line[:line.rindex(cut)] + b"\r\n" if k in bare else line for k, line in enumerate(map(gga, range(count)))]


def read(lines: list[bytes], **options: object) -> ReadPart:
    content = b"".join(lines)
    return nmea_reader.read(RawSource("sample", len(content), lambda: io.BytesIO(content)), ReadOptions(source_id=0, **options))  # type: ignore[arg-type]


@pytest.mark.parametrize("bare", [{70}, {0}, {119}, {40, 41, 42}, {10, 30, 50, 70, 90}], ids=str)
def test_lone_ones_were_cut_and_are_accounted_for(bare: set[int]) -> None:
    lines = log(120, bare)
    part = read(lines)
    assert len(part.tables["fixes"]) == 120 - len(bare)
    ledger = part.source.ledger
    assert ledger.balanced and ledger.total("no_checksum") == 0
    assert ledger.total("truncated") == sum(len(lines[k]) for k in bare)
    starts = np.cumsum([0, *map(len, lines)])
    assert part.source.details["damage"].tolist() == [starts[k] for k in sorted(bare)]  # type: ignore[attr-defined]
    assert part.source.details["damage_count"] == len(bare)
    (entry,) = [e for e in ledger.entries if e.kind == "truncated"]
    assert entry.tag == "GGA" and entry.count == len(bare) and "$GNGGA" in entry.cases[0].excerpt


def test_half_a_number_is_no_position() -> None:
    """The cut takes the station id and part of the age: eight seconds would pass for none."""
    part = read(log(120, {60}, cut=b".0,0001"))
    assert len(part.tables["fixes"]) == 119 and (part.tables["fixes"]["correction_age_s"] == 1.0).all()


@pytest.mark.parametrize(("count", "bare"), [
    (120, set(range(120))), (120, {40, 41, 42, 43}), (40, {20}), (120, set(range(0, 120, 5))), (400, set(range(370, 400))),
], ids=["a log without", "four together", "too few to tell", "every fifth", "another logger at the end"])
def test_logs_and_stretches_without_checksums_are_read(count: int, bare: set[int]) -> None:
    lines = log(count, bare)
    part = read(lines)
    assert len(part.tables["fixes"]) == count
    assert part.source.ledger.total("no_checksum") == sum(len(lines[k]) for k in bare)
    assert part.source.ledger.total("truncated") == 0 and part.source.ledger.balanced


def test_a_required_checksum_sets_them_aside_as_before() -> None:
    part = read(log(120, {70}), require_checksum=True)
    assert len(part.tables["fixes"]) == 119 and part.source.ledger.total("no_checksum") > 0


def test_columns_in_files_lose_the_same_sentences() -> None:
    lines = log(120, {7, 70})
    plain, filed = read(lines), read(lines, scratch=Scratch())
    assert filed.source.ledger == plain.source.ledger
    assert filed.tables["fixes"].equals(plain.tables["fixes"])
