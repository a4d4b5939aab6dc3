"""The adapter of receiver text: fixes, corrections inside, ledger moves, arrival times, two receivers."""

from __future__ import annotations

import io
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from analyzer.errors import InputError
from analyzer.judging import assess
from analyzer.parsers import nmea_reader
from analyzer.parsers.ledger_builder import excerpt
from analyzer.parsers.reader import ReadOptions, ReadPart
from analyzer.parsers.reading import read
from analyzer.parsers.sources import RawSource, open_sources
from analyzer.recording import Recording

# reference position frame of RTCM 10403.x section 4.2
RTCM_1005 = bytes.fromhex("D300133ED7D30202980EDEEF34B4BD62AC0941986F33360B98")


def _sentence(body: str) -> bytes:
    return f"${body}*{int(np.bitwise_xor.reduce(np.frombuffer(body.encode(), np.uint8))):02X}\r\n".encode()


def _gga(second: float, latitude: float = 30.0, *, talker: str = "GN", quality: int = 4) -> bytes:
    clock = f"{12 + int(second) // 3600:02d}{int(second) // 60 % 60:02d}{second % 60:05.2f}"
    return _sentence(
        f"{talker}GGA,{clock},48{latitude:010.7f},N,00930.0000000,E,{quality},12,0.8,400.0,M,47.0,M,1.0,0001"
    )


def _rmc(second: float, latitude: float = 30.0, *, talker: str = "GN") -> bytes:
    clock = f"12{int(second) // 60:02d}{second % 60:05.2f}"
    return _sentence(f"{talker}RMC,{clock},A,48{latitude:010.7f},N,00930.0000000,E,10.0,90.0,040526,,,R,V")


NMEA = b"".join(_gga(i) + _rmc(i) for i in range(60))


def _raw(content: bytes, name: str = "sample") -> RawSource:
    return RawSource(name, len(content), lambda: io.BytesIO(content))


def _read(content: bytes, **options: object) -> ReadPart:
    return nmea_reader.read(_raw(content), ReadOptions(source_id=2, **options))  # type: ignore[arg-type]


def test_text_with_frames_inside_gives_fixes_and_corrections() -> None:
    content = b"".join(line + b"\r\n" + RTCM_1005 for line in NMEA.splitlines())
    part = _read(content, solution_kind="fused")
    assert len(part.tables["fixes"]) == 60
    assert part.tables["fixes"]["solution_kind"].unique().tolist() == ["fused"]
    corrections = part.tables["corrections"]
    assert corrections["message_type"].tolist() == [1005] * 120
    # published example: station 2003, X 1114104.5999 m
    assert corrections["station_id"].tolist()[0] == 2003
    assert corrections["x_m"].iloc[0] == pytest.approx(1114104.5999, abs=1e-4)
    for at in corrections["byte_offset"].to_numpy()[[0, 60, 119]]:
        assert content[at:at + len(RTCM_1005)] == RTCM_1005
    ledger = part.source.ledger
    assert ledger.balanced
    assert ledger.total("rtcm") == 120 * len(RTCM_1005)
    assert part.source.unpacked_size == len(content)
    assert part.extras["undated"] is False


def test_decimal_commas_are_named() -> None:
    commas = b"".join(_sentence(line.decode()[1:-3].replace(".", ",")) for line in NMEA.splitlines())
    part = _read(commas)
    (found,) = [f for f in part.findings if f.code == "decimal_commas"]
    assert "as in 4830,0000000,N" in found.text and found.evidence["count"] == 120
    with pytest.raises(InputError, match=r"no position in sample.*written with decimal commas"):
        assess(Recording(sources=(part.source,), findings=tuple(part.findings), **part.tables))  # type: ignore[arg-type]
    assert not [f for f in _read(NMEA + b"$GNGGA,x*00\r\n").findings if f.code == "decimal_commas"]


def test_positions_of_the_base_are_no_positions_of_the_drive() -> None:
    part = _read(NMEA + RTCM_1005, place="base")
    assert list(part.tables) == ["corrections"]
    assert len(part.extras["base_fixes"]) == 60  # type: ignore[arg-type]


def test_duplicates_are_moved_in_the_ledger() -> None:
    part = _read(NMEA + NMEA[:200].rsplit(b"$", 1)[0])
    assert part.source.ledger.count("duplicate_epoch") > 0
    assert part.source.ledger.balanced


def test_moved_sentences_keep_an_excerpt() -> None:
    repeated = NMEA[:200].rsplit(b"$", 1)[0]
    lines = repeated.splitlines()
    ledger = _read(NMEA + repeated).source.ledger
    cases = [case for entry in ledger.entries if entry.kind == "duplicate_epoch" for case in entry.cases]
    assert sorted(case.excerpt for case in cases) == sorted(map(excerpt, lines))
    assert all(case.start >= len(NMEA) for case in cases)


def test_moved_sentences_of_a_file_keep_an_excerpt(tmp_path: Path) -> None:
    path = tmp_path / "twice.nmea"
    path.write_bytes(NMEA + _gga(3.0))
    (raw,), _ = open_sources([path])
    ledger = nmea_reader.read(raw, ReadOptions()).source.ledger
    (case,) = next(entry.cases for entry in ledger.entries if entry.kind == "duplicate_epoch")
    assert case.excerpt == excerpt(_gga(3.0))
    assert case.start == len(NMEA)


def test_details_tell_notes_damage_and_decimals() -> None:
    wrong = _gga(70.0).replace(b"400.0", b"400.1")
    parts = [NMEA, b"logging stopped by the operator\r\n", wrong, b"\x00\xff", b"$GPGGA,1200\r\n", _rmc(71.0)]
    details = _read(b"".join(parts)).source.details
    starts = np.cumsum([0, *map(len, parts)]).tolist()
    assert details["notes"] == [(starts[1], "logging stopped by the operator")]
    assert details["damage"].tolist() == starts[2:5]  # type: ignore[attr-defined]
    assert details["damage_count"] == 3
    assert details["latitude_decimals"] == 7


def test_details_tell_the_texts_of_the_receiver() -> None:
    details = _read(NMEA + _sentence("GNTXT,01,01,02,start, cold") + _gga(70.0)).source.details
    assert details["messages"] == [(len(NMEA), "start, cold")]


def test_a_log_without_dates_is_read_only_where_that_is_allowed(tmp_path: Path) -> None:
    path = tmp_path / "undated.nmea"
    path.write_bytes(b"".join(_gga(i) for i in range(60)))
    with pytest.raises(InputError, match=r"no date: give the day of its first epoch with --date"):
        read(path)
    recording = read(path, allow_undated=True)
    assert [f.code for f in recording.findings].count("undated") == 1
    assert str(recording.fixes.index[0]) == "1970-01-01 12:00:00+00:00"
    assert len(recording.fixes) == 60
    assert recording.sources[0].ledger.balanced
    dated = read(path, date=date(2026, 5, 4))
    assert str(dated.fixes.index[-1]) == "2026-05-04 12:00:59+00:00"


def test_arrival_times_of_the_logger() -> None:
    content = b"".join(b"%.3f " % (1777896000.25 + i // 2) + line + b"\r\n" for i, line in enumerate(NMEA.splitlines()))
    fixes = _read(content).tables["fixes"]
    assert str(fixes.index[0]) == "2026-05-04 12:00:00+00:00"
    assert ((fixes["arrival_utc"] - fixes.index).dt.total_seconds() == 0.25).all()


def test_two_receivers_at_the_same_times_are_refused() -> None:
    content = b"".join(_gga(i) + _gga(i, 30.0001) + _rmc(i) for i in range(60))
    with pytest.raises(
        InputError, match=r"holds two receivers: GGA sentences of one time .* 60 times .*median distance 0\.18 m"
    ):
        _read(content)


def test_two_receivers_that_take_turns_are_refused() -> None:
    content = b"".join(_gga(i, talker="GP") + _gga(i + 0.5, 31.0, talker="GN") for i in range(60))
    with pytest.raises(InputError, match=r"two receivers that take turns \(talkers GN and GP"):
        _read(content)


def test_gga_of_one_and_rmc_of_another_receiver_are_refused() -> None:
    content = b"".join(_gga(i) + _rmc(i, 30.01) for i in range(60))
    with pytest.raises(InputError, match="RMC and GGA sentences of one time"):
        _read(content)


@pytest.mark.parametrize("content", [
    b"".join(_gga(i) * 2 + _rmc(i) for i in range(60)),
    b"".join(_gga(i, talker="GP") + _gga(i, talker="GN") for i in range(60)),
    b"".join(_gga(i, talker="GP" if i < 30 else "GN") + _rmc(i) for i in range(60)),
    NMEA + _gga(59.0, 30.1),
], ids=["repeated", "two talkers one position", "talker changes once", "one stray sentence"])
def test_one_receiver_is_not_taken_for_two(content: bytes) -> None:
    assert len(_read(content).tables["fixes"]) >= 60 - 1
