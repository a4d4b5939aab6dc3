"""Message fields, against pyrtcm on real recordings and against bits written here."""

from __future__ import annotations

import io
import logging

import numpy as np
import pandas as pd
import pytest
from pyrtcm import RTCMReader

from analyzer import tables
from analyzer.parsers.rtcm import decode, find_frames, frame, read_stream
from analyzer.parsers.rtcm_bits import signed, unsigned

FILES = ("msm_no_reference_position", "small_good", "small_bad_crc_mixed", "small_network_stream")


def bits(*fields: tuple[int, int]) -> bytes:
    """Return fields given as (value, width) as bytes, zero-filled at the end."""
    text = "".join(format(value & ((1 << width) - 1), f"0{width}b") for value, width in fields)
    text += "0" * (-len(text) % 8)
    return int(text, 2).to_bytes(len(text) // 8, "big")


def rows(*payloads: bytes, **kwargs) -> pd.DataFrame:
    raw = b"".join(frame(p) for p in payloads)
    spans = find_frames(raw, final=True)
    return decode(raw, spans.start, spans.end, **kwargs)


def msm(number: int, epoch: tuple[tuple[int, int], ...], *, satellites=(1, 5), signals=(2, 15), cells=0b1011, more=1,
        station=7) -> bytes:
    mask = sum(1 << (64 - s) for s in satellites)
    kinds = sum(1 << (32 - s) for s in signals)
    return bits((number, 12), (station, 12), *epoch, (more, 1), (0, 3), (0, 7), (0, 2), (0, 2), (0, 1), (0, 3),
                (mask, 64), (kinds, 32), (cells, len(satellites) * len(signals)), (0, 80))


def pyrtcm_messages(raw: bytes, caplog) -> list[tuple[bytes, object]]:
    """Return every frame that pyrtcm reads; other protocols in between are skipped over."""
    with caplog.at_level(logging.CRITICAL):
        reader = RTCMReader(io.BytesIO(raw), quitonerror=0)
        return [(r, m) for r, m in reader if m is not None]


EPOCH_FIELDS = {"DF004": 0.0, "DF248": 0.0, "DF427": 14.0, "DF428": 0.0}


@pytest.mark.parametrize("name", FILES)
def test_every_frame_of_the_recordings_equals_pyrtcm(shared_data, name, caplog):
    raw = (shared_data / "corrections" / f"{name}.rtcm3").read_bytes()
    table = read_stream([raw], name=name, source_id=3, place="base").corrections
    messages = pyrtcm_messages(raw, caplog)
    assert table["size_byte"].tolist() == [len(r) for r, _ in messages]
    assert table["message_type"].tolist() == [int(str(m.identity).split("_")[0].split(".")[0]) for _, m in messages]
    compared = {"station": 0, "epoch": 0, "cells": 0, "position": 0}
    for row, (frame_bytes, message) in zip(table.itertuples(), messages, strict=True):
        assert raw[row.byte_offset:row.byte_offset + row.size_byte] == frame_bytes
        if hasattr(message, "DF003"):
            assert row.station_id == message.DF003
            compared["station"] += 1
        for field, shift in EPOCH_FIELDS.items():
            if hasattr(message, field) and row.system is not None and not pd.isna(row.system):
                assert row.epoch_s == pytest.approx((getattr(message, field) / 1000 + shift) % 604800, abs=1e-6)
                compared["epoch"] += 1
        if hasattr(message, "NSat"):
            assert (row.satellites, row.signals) == (message.NSat, message.NCell)
            assert row.more_follows == bool(message.DF393)
            compared["cells"] += 1
        if hasattr(message, "DF025"):
            assert (row.x_m, row.y_m, row.z_m) == pytest.approx((message.DF025, message.DF026, message.DF027), abs=1e-6)
            compared["position"] += 1
        if hasattr(message, "DF006"):
            assert (row.satellites, row.more_follows) == (message.DF006, bool(message.DF005))
        if hasattr(message, "DF035"):
            assert (row.satellites, row.more_follows) == (message.DF035, bool(message.DF034 and message.DF005))
    assert compared["station"] and compared["epoch"] and compared["cells"]
    assert set(table["place"].unique()) == {"base"}
    assert set(table["source_id"].unique()) == {3}


def test_recording_without_reference_position(shared_data):
    """SOURCES: 1375 frames (4072, 1077, 1087, 1097, 1127, 1230), no CRC failure, no 1005 or 1006."""
    raw = (shared_data / "corrections" / "msm_no_reference_position.rtcm3").read_bytes()
    read = read_stream([raw], name="x", source_id=0)
    assert (len(read.corrections), read.crc_failures) == (1375, 0)
    assert {e.kind for e in read.entries} == {"rtcm"}
    assert set(read.corrections["message_type"]) == {4072, 1077, 1087, 1097, 1127, 1230}


def test_recording_with_a_bad_crc_and_other_protocols(shared_data):
    raw = (shared_data / "corrections" / "small_bad_crc_mixed.rtcm3").read_bytes()
    read = read_stream([raw], name="x", source_id=0)
    assert read.crc_failures == 1
    assert sum(e.size for e in read.entries) == len(raw)
    assert {e.kind for e in read.entries} == {"rtcm", "checksum", "other_text", "binary"}
    assert [f.code for f in read.findings] == ["rtcm_crc_failures", "rtcm_other_bytes"]


def test_systems_of_the_network_stream_agree_in_time(shared_data):
    """GPS, GLONASS, Galileo, BeiDou and the UTC date of message 1013 name one moment, each by its own clock."""
    raw = (shared_data / "corrections" / "small_network_stream.rtcm3").read_bytes()
    table = read_stream([raw], name="x", source_id=0).corrections
    msm_rows = table[table["message_type"].between(1071, 1137)]
    assert msm_rows["epoch_s"].unique().tolist() == [318945.0]
    assert msm_rows["system"].nunique() == 7
    day = table[table["epoch_scale"] == "day"]
    assert (day["epoch_s"].unique() == 318945.0 % 86400).all()
    sent = table.loc[table["message_type"] == 1013, "sent_utc"].iloc[0]
    assert sent == pd.Timestamp("2024-03-13 16:35:27", tz="UTC")
    assert sent.weekday() == 2
    assert 3 * 86400 + 16 * 3600 + 35 * 60 + 27 + 18 == 318945


WEEK_MS = 604_800_000


@pytest.mark.parametrize(("number", "epoch", "expected", "scale"), [
    (1074, ((123_456, 30),), 123.456, "week"),
    (1094, ((0, 30),), 0.0, "week"),
    (1124, ((WEEK_MS - 4_000, 30),), 10.0, "week"),  # BeiDou is 14 s behind GPS and wraps later
    (1124, ((1_000, 30),), 15.0, "week"),
    (1084, ((1, 3), (10_800_000 + 5_000, 27)), 86_400 + 5 + 18, "week"),  # Monday 00:00:05 UTC
    (1084, ((0, 3), (0, 27)), 604_800 - 10_800 + 18, "week"),  # Sunday 00:00 UTC+3 is Saturday 21:00 UTC
    (1084, ((7, 3), (0, 27)), 86_400 - 10_800 + 18, "day"),
    (1084, ((3, 3), (86_400_500, 27)), 4 * 86_400 - 10_800 + 18.5, "week"),  # within a leap second
    (1084, ((3, 3), (90_000_000, 27)), None, None),
    (1074, ((WEEK_MS, 30),), None, None),
])
def test_times(number, epoch, expected, scale):
    row = rows(msm(number, epoch)).iloc[0]
    if expected is None:
        assert np.isnan(row["epoch_s"])
        assert pd.isna(row["epoch_scale"])
    else:
        assert row["epoch_s"] == pytest.approx(expected, abs=1e-9)
        assert row["epoch_scale"] == scale


def test_masks():
    table = rows(msm(1074, ((1, 30),)), msm(1077, ((1, 30),), more=0, cells=0b0001),
                 msm(1075, ((1, 30),), satellites=range(1, 41), signals=(2, 3), cells=0))
    assert table["satellites"].tolist() == [2, 2, 40]
    assert table["signals"].tolist() == [3, 1, pd.NA]
    assert table["more_follows"].tolist() == [True, False, True]
    assert table["station_id"].tolist() == [7, 7, 7]


@pytest.mark.parametrize("satellites", [(), (1,), (64,), tuple(range(1, 33)), tuple(range(1, 65))])
def test_masks_of_every_width(satellites):
    count = len(satellites)
    row = rows(msm(1071, ((1, 30),), satellites=satellites, signals=(1,), cells=(1 << count) - 1)).iloc[0]
    assert (row["satellites"], row["signals"]) == (count, count)


def test_legacy_observations():
    table = rows(bits((1004, 12), (99, 12), (5_500, 30), (1, 1), (9, 5), (0, 4)),
                 bits((1010, 12), (98, 12), (10_800_000, 27), (0, 1), (6, 5), (0, 4)))
    assert table["satellites"].tolist() == [9, 6]
    assert table["signals"].tolist() == [18, 6]
    assert table["epoch_s"].tolist() == [5.5, 18.0]
    assert table["more_follows"].tolist() == [True, False]
    assert table["station_id"].tolist() == [99, 98]


def counted(text: str) -> list[tuple[int, int]]:
    return [(len(text), 8), *((ord(c), 8) for c in text)]


def test_texts():
    head = (4095, 12)
    table = rows(
        bits((1007, 12), head, *counted("ANTENNA-A"), (1, 8)),
        bits((1008, 12), head, *counted("ANTENNA-B"), (1, 8), *counted("77")),
        bits((1033, 12), head, *counted("A"), (0, 8), *counted("1"), *counted("R"), *counted("2.0"), *counted("9")),
        bits((1029, 12), head, (60_000, 16), (3_600, 17), (4, 7), (5, 8), *((b, 8) for b in "tür!".encode())),
        bits((1230, 12), head, (1, 1), (0, 3), (0b1010, 4), (-50, 16), (25, 16)),
    )
    assert table["text"].tolist() == [
        "antenna: ANTENNA-A", "antenna: ANTENNA-B; antenna serial: 77",
        "antenna: A; antenna serial: 1; receiver: R; firmware: 2.0; receiver serial: 9", "tür!",
        "GLONASS code-phase bias: L1 C/A -1.00 m, L2 C/A +0.50 m",
    ]
    assert table["station_id"].tolist() == [4095] * 5
    assert table["sent_utc"].iloc[3] == pd.Timestamp("2023-02-25 01:00", tz="UTC")
    assert table["signals"].iloc[4] == 2


@pytest.mark.parametrize("number", [*range(1001, 1014), 1029, 1032, 1033, 1074, 1087, 1127, 1230])
def test_messages_cut_short_are_missing_not_wrong(number):
    full = bits((number, 12), (5, 12), (2**62 - 1, 62), (2**63 - 1, 63), (2**63 - 1, 63))
    for length in range(2, len(full)):
        row = rows(full[:length]).iloc[0]
        assert row["message_type"] == number
        assert pd.isna(row["station_id"]) == (length < 3)
        if length < 8:
            assert np.isnan(row["x_m"])
            assert pd.isna(row["satellites"]) or number == 1009 or length * 8 >= 61


def test_control_bytes_in_texts_are_replaced():
    row = rows(bits((1007, 12), (1, 12), (3, 8), (0x41, 8), (0x1B, 8), (0x42, 8), (0, 8))).iloc[0]
    assert row["text"] == "antenna: A\N{REPLACEMENT CHARACTER}B"


def test_table_has_the_schema_and_offsets_are_of_the_stream():
    table = rows(msm(1074, ((1, 30),)), offset=1000, source_id=4, place="rover")
    assert tuple(table.columns[:len(tables.CORRECTIONS.names)]) == tables.CORRECTIONS.names
    assert table["byte_offset"].tolist() == [1000]
    assert table.index.isna().all()
    assert table.index.dtype == tables.TIME_DTYPE
    empty = decode(b"", np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64))
    assert len(empty) == 0
    assert empty.dtypes.equals(table.dtypes)


def test_bit_fields():
    block = np.frombuffer(bytes(range(1, 41)) * 2, dtype=np.uint8).reshape(2, 40)
    value = int.from_bytes(bytes(range(1, 41)), "big")
    for width in (1, 5, 12, 24, 38, 57, 58, 63, 64):
        for offset in (0, 1, 7, 8, 13, 169):
            expected = (value >> (320 - offset - width)) & ((1 << width) - 1)
            assert unsigned(block, offset, width).tolist() == [expected, expected]
    assert signed(np.full((1, 10), 0xFF, dtype=np.uint8), 3, 38).tolist() == [-1]
