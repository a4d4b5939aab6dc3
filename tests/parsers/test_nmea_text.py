"""The whole text reader: kinds of the account, blocks of any size, and equality with pynmea2 on real logs."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable
from functools import reduce
from operator import xor
from pathlib import Path

import numpy as np
import pynmea2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer.parsers.nmea_layouts import KMH_MPS, KNOT_MPS
from analyzer.parsers.nmea_text import TextResult, blocks_of, read_text
from analyzer.parsers.sentences import TALKERS, Sentences
from analyzer.recording import Ledger

DRIVES = ("mountain_drive_2010", "long_gap_over_midnight", "float_with_gst_and_gns", "static_fixed_2hz")
#: Published RTCM 3 message 1005 (RTCM 10403.x, section 4.2).
FRAME = bytes.fromhex("D300133ED7D30202980EDEEF34B4BD62AC0941986F33360B98")
GGA_BODY = "GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"


def sentence(body: str, end: str = "\r\n") -> bytes:
    return f"${body}*{reduce(xor, body.encode(), 0):02X}{end}".encode()


GGA = sentence(GGA_BODY)


def read(content: bytes, **options: object) -> TextResult:
    return read_text([content], **options)  # type: ignore[arg-type]


def counts(content: bytes, **options: object) -> dict[tuple[str, str], tuple[int, int]]:
    result = read(content, **options)
    return {(e.kind, e.tag): (e.count, e.size) for e in result.ledger.build(result.size).entries}


@pytest.mark.parametrize(("content", "expected"), [
    (GGA, {("accepted", "GGA"): (1, len(GGA))}),
    (GGA.replace(b"*47", b"*48"), {("checksum", "GGA"): (1, len(GGA))}),
    (GGA.replace(b"4807", b"4808"), {("checksum", "GGA"): (1, len(GGA))}),
    (GGA.replace(b"*47", b""), {("no_checksum", "GGA"): (1, len(GGA) - 3)}),
    (GGA.replace(b"*47", b"*4"), {("truncated", "GGA"): (1, len(GGA) - 1)}),
    (GGA[:30], {("truncated", "GGA"): (1, 30)}),
    (GGA[:30] + b"\r\n", {("truncated", "GGA"): (1, 32)}),
    (GGA[:30] + GGA, {("truncated", "GGA"): (1, 30), ("accepted", "GGA"): (1, len(GGA))}),
    (sentence("GPRMB,A,,,,,,,,,,,,A,A"), {("unknown_sentence", "GPRMB"): (1, 28)}),
    (sentence("PGRME,2.3,M,3.3,M,4.0,M"), {("proprietary", "PGRME"): (1, 29)}),
    (sentence("PAGGA,1"), {("proprietary", "PAGGA"): (1, 13)}),
    (b"hello\n\n\x00", {
        ("other_text", "text"): (1, 6), ("other_text", "blank line"): (1, 1), ("binary", "bytes"): (1, 1),
    }),
    (FRAME + GGA, {("rtcm", "frame"): (1, 25), ("accepted", "GGA"): (1, len(GGA))}),
    (FRAME[:-1] + b"\x00", {("binary", "bytes"): (1, 3)}),
    (b"", {}),
])
def test_kinds_of_the_account(content: bytes, expected: dict[tuple[str, str], tuple[int, int]]) -> None:
    found = counts(content)
    if content == FRAME[:-1] + b"\x00":  # a frame with a wrong CRC is binary and text like any other bytes
        assert ("rtcm", "frame") not in found
        assert sum(size for _, size in found.values()) == len(content)
        return
    assert found == expected


def test_a_sentence_without_checksum_is_read_unless_one_is_required() -> None:
    bare = GGA.replace(b"*47", b"")
    result = read(bare + GGA)
    assert len(result.sentences["GGA"]) == 2
    assert result.ledger.unchecked.tolist() == [0]
    strict = read(bare + GGA, require_checksum=True)
    assert len(strict.sentences["GGA"]) == 1
    assert counts(bare + GGA, require_checksum=True)["no_checksum", "GGA"] == (1, len(bare))
    assert not len(strict.ledger.unchecked)


def test_several_sentences_on_a_line_and_long_lines() -> None:
    rmc = sentence("GNRMC,001031.00,A,4404.13993,N,12118.86023,W,0.146,,100117,,,A", "")
    long = sentence(
        "GPGGA,172814.000000,3723.4658770412,N,12202.2695786412,W,2,06,01.20,00018.893,M,-00025.669,M,02.0,0031")
    result = read(rmc + rmc + long + GGA[:-2])
    assert {kind: len(part) for kind, part in result.sentences.items()} == {"GGA": 2, "RMC": 2}
    assert len(long) > 82
    assert result.sentences["GGA"].columns["latitude_deg"][0] == pytest.approx(37.391097950687, abs=1e-12)


def test_times_of_reception_before_sentences_are_kept() -> None:
    lines = [
        b"1714564800.25 ", b"[2024-05-01T12:00:01.5Z] ", b"2024-05-01 14:00:02+02:00,", b"1714564803250 ",
        b"port 1: "]
    result = read(b"".join(prefix + GGA for prefix in lines))
    assert result.arrival_s.tolist() == [1714564800.25, 1714564801.5, 1714564802.0, 1714564803.25]
    assert result.arrival_start.tolist() == result.sentences["GGA"].start[:4].tolist()
    assert result.notes == [(int(result.sentences["GGA"].start[4]) - 8, "port 1:")]


def test_frames_between_sentences_are_handed_on() -> None:
    result = read(GGA + FRAME + GGA + FRAME)
    assert result.rtcm_frames.content == FRAME + FRAME
    assert result.rtcm_frames.start.tolist() == [len(GGA), 2 * len(GGA) + 25]
    assert result.rtcm_frames.content_start.tolist() == [0, 25]


def test_hash_size_progress_and_first_cases() -> None:
    content = GGA * 40
    seen: list[int] = []
    result = read_text(iter([content[:100], content[100:]]), progress=seen.append, unit_size=1000)
    assert (result.size, result.sha256) == (len(content), hashlib.sha256(content).hexdigest())
    assert seen == sorted(seen)
    assert seen[-1] == len(content)
    cases = result.ledger.build(result.size).entries[0].cases
    assert [case.start for case in cases] == [len(GGA) * i for i in range(5)]
    assert cases[0].excerpt == GGA.decode().strip()


def summary(result: TextResult) -> tuple[Ledger, object, object, object, object]:
    columns = {
        kind: (part.start.tolist(), part.end.tolist(), part.talker.tolist(), part.texts,
               {name: repr(values.tolist()) for name, values in part.columns.items()})
        for kind, part in result.sentences.items()
    }
    arrivals = (result.arrival_start.tolist(), result.arrival_s.tolist())
    frames = (result.rtcm_frames.start.tolist(), result.rtcm_frames.content)
    return result.ledger.build(result.size), columns, result.notes, arrivals, frames


FRAGMENTS = st.sampled_from([
    GGA, GGA.strip(), GGA.replace(b"*47", b""), sentence("GPHDT,274.07,T"), sentence("GPTXT,01,01,02,ok"), FRAME,
    FRAME[:9], FRAME[:-1], b"\xd3", b"\xd3\x00\x13", b"\r", b"\n", b"\r\n", b"\t", b"$", b"!", b"!AIVDM,1*5C",
    b"*", b"*4", b"text", b"\x00", b"1714564800.25 ", b"$GP", b"$GPGGA,1,2", b"y" * 4090, b"\x01" * 4100,
    b"$GPTXT,01," + b"x" * 1100, b"\r" * 3,
])
STREAMS = st.one_of(st.binary(max_size=200), st.lists(FRAGMENTS, max_size=14).map(b"".join))


@settings(max_examples=80, deadline=None)
@given(STREAMS, st.integers(1, 600), st.integers(1, 600))
def test_blocks_of_any_size_give_the_same_result(content: bytes, block_size: int, unit_size: int) -> None:
    blocks = [content[at: at + block_size] for at in range(0, len(content), block_size)]
    parted = summary(read_text(blocks, unit_size=unit_size))
    assert parted == summary(read(content))
    assert parted[0].balanced


@settings(max_examples=60, deadline=None)
@given(st.lists(st.one_of(st.binary(max_size=40), st.just(GGA)), max_size=12), st.integers(1, 64))
def test_every_good_sentence_is_found_in_any_noise(parts: list[bytes], block_size: int) -> None:
    content = b"".join(part if part == GGA else part.replace(b"\xd3", b"\xd2") for part in parts)
    result = read_text([content[at: at + block_size] for at in range(0, len(content), block_size)])
    planted = sum(part == GGA for part in parts)
    assert len(result.sentences["GGA"] if planted else []) >= planted


def test_a_file_without_line_ends_is_read_with_bounded_pieces() -> None:
    noise = np.random.default_rng(5).integers(0, 9, 300_000, dtype=np.uint8).tobytes()
    result = read_text([noise, GGA], unit_size=20_000)
    assert result.ledger.build(result.size).count("binary") == math.ceil(len(noise) / 4096)
    assert len(result.sentences["GGA"]) == 1


def _expected(message: pynmea2.NMEASentence) -> dict[str, float]:
    """Return the values that pynmea2 finds, under our names and units."""
    out: dict[str, float] = {}
    if hasattr(message, "lat") and message.lat:
        out |= {"latitude_deg": message.latitude, "longitude_deg": message.longitude}
    stamp = getattr(message, "timestamp", None)
    if stamp:
        out["time_of_day_s"] = stamp.hour * 3600 + stamp.minute * 60 + stamp.second + stamp.microsecond / 1e6
    for name, (ours, convert) in _NAMES[message.sentence_type].items():
        text = getattr(message, name)
        out[ours] = math.nan if text in (None, "") else convert(text)
    return out


def _letter(text: str) -> float:
    return float(ord(text))


def _speed(text: str) -> float:
    return float(text) * KNOT_MPS


def _day(value: object) -> float:
    return float(value.toordinal() - 719163)  # type: ignore[attr-defined]


Names = dict[str, tuple[str, Callable[..., float]]]
_NAMES: dict[str, Names] = {
    "GGA": {"gps_qual": ("quality", float), "num_sats": ("satellites_used", float), "horizontal_dil": ("hdop", float),
            "altitude": ("height_msl_m", float), "geo_sep": ("geoid_separation_m", float),
            "age_gps_data": ("correction_age_s", float), "ref_station_id": ("station_id", float)},
    "GNS": {"num_sats": ("satellites_used", float), "hdop": ("hdop", float), "altitude": ("height_msl_m", float),
            "geo_sep": ("geoid_separation_m", float), "age_gps_data": ("correction_age_s", float),
            "diferential": ("station_id", float)},
    "RMC": {"status": ("status", _letter), "spd_over_grnd": ("speed_mps", _speed), "true_course": ("course_deg", float),
            "datestamp": ("date_day", _day)},
    "GLL": {"status": ("status", _letter), "faa_mode": ("mode", _letter)},
    "GST": {"rms": ("range_rms_m", float), "std_dev_major": ("sigma_major_m", float),
            "std_dev_minor": ("sigma_minor_m", float), "orientation": ("sigma_orientation_deg", float),
            "std_dev_latitude": ("sigma_north_m", float), "std_dev_longitude": ("sigma_east_m", float),
            "std_dev_altitude": ("sigma_up_m", float)},
    "VTG": {"true_track": ("course_deg", float), "spd_over_grnd_kts": ("speed_mps", _speed),
            "faa_mode": ("mode", _letter)},
    "GSA": {"mode": ("selection", _letter), "mode_fix_type": ("dimension", float), "pdop": ("pdop", float),
            "hdop": ("hdop", float), "vdop": ("vdop", float)},
    "GSV": {"num_messages": ("total", float), "msg_num": ("number", float), "num_sv_in_view": ("in_view", float)},
    "ZDA": {},
}
_SATELLITE = ("sv_prn_num_{}", "elevation_deg_{}", "azimuth_{}", "snr_{}")


def _check_lists(part: Sentences, row: int, message: pynmea2.NMEASentence) -> None:
    """Compare the satellites of GSA and GSV and the date of ZDA."""
    def number(name: str) -> float:
        text = getattr(message, name)
        return float(text) if text not in (None, "") else math.nan

    if part.kind == "GSA":
        ids = [number(f"sv_id{place:02d}") for place in range(1, 13)]
        np.testing.assert_array_equal(part.columns["satellite_ids"][row], ids)
    elif part.kind == "GSV":
        shown = [[number(name.format(place)) for name in _SATELLITE] for place in range(1, 5)]
        np.testing.assert_array_equal(part.columns["satellites"][row], shown)
    elif part.kind == "ZDA":
        assert part.columns["date_day"][row] == _day(message.datestamp)
        assert part.columns["zone_minutes"][row] == 60 * message.local_zone


@pytest.mark.parametrize("drive", DRIVES)
def test_every_value_of_real_logs_equals_that_of_pynmea2(shared_data: Path, drive: str) -> None:
    path = shared_data / "drives" / f"{drive}.nmea"
    content = path.read_bytes()
    result = read_text(blocks_of(path), unit_size=50_000)
    ledger = result.ledger.build(result.size)
    assert not {e.kind for e in ledger.entries} & {"checksum", "field", "truncated", "no_checksum"}
    for kind, part in result.sentences.items():
        names = {ours for ours, _ in _NAMES[kind].values()}
        step = 1 if len(part) < 5000 or kind != "GSV" else 3
        for row in range(0, len(part), step):
            message = pynmea2.parse(content[part.start[row]: part.end[row]].decode().strip(), check=True)
            assert message.talker == TALKERS[part.talker[row]]
            values = {name: float(part.columns[name][row]) for name in part.columns if part.columns[name].ndim == 1}
            for name, value in _expected(message).items():
                dtype = part.columns[name].dtype
                found = math.nan if name in names and dtype == np.uint8 and not values[name] else values[name]
                limit = 1e-9 if dtype == np.float64 else abs(value) * 1e-6
                assert found == pytest.approx(value, abs=limit, nan_ok=True), (kind, row, name)
            _check_lists(part, row, message)


def test_all_sentences_of_real_logs_are_found(shared_data: Path) -> None:
    """Counts by tag made with a line-based search, apart from the reader."""
    for drive in DRIVES:
        content = (shared_data / "drives" / f"{drive}.nmea").read_bytes()
        result = read(content)
        for kind, part in result.sentences.items():
            wanted = sum(line.lstrip(b"\0")[3:7] == kind.encode() + b"," for line in content.splitlines())
            assert len(part) == wanted, (drive, kind)


def test_speed_of_vtg_comes_from_either_unit() -> None:
    bodies = ("GPVTG,220.86,T,,M,2.550,N,4.724,K,A", "GPVTG,,T,,M,,N,36.0,K", "GPVTG,54.7,34.4,5.5,10.2")
    speed = read(b"".join(map(sentence, bodies))).sentences["VTG"].columns["speed_mps"]
    assert speed.tolist() == pytest.approx([2.55 * KNOT_MPS, 36 * KMH_MPS, 5.5 * KNOT_MPS])
