"""Where frames are, in any bytes."""

from __future__ import annotations

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer.parsers import rtcm_frames
from analyzer.parsers.rtcm import crc24q, find_frames, frame, read_stream, recognise

GOOD = frame(bytes.fromhex("3ed00001"))
payloads = st.binary(min_size=0, max_size=80)
teasers = st.sampled_from([b"\xd3", b"\xd3\x00", b"\xd3\x03\xff", b"\xd3\x00\x02\x43\x50", b"\x00", b"$GP"])
noise = st.one_of(st.binary(max_size=60), st.lists(teasers, max_size=12).map(b"".join))


def brute_force(raw: bytes) -> list[tuple[int, int]]:
    """Return the frames of a finished stream by trying every byte, one after the other."""
    out, at = [], 0
    while at + 6 <= len(raw):
        end = at + 6 + (((raw[at + 1] & 3) << 8) | raw[at + 2])
        if raw[at] == 0xD3 and not raw[at + 1] & 0xFC and end <= len(raw) and crc24q(raw[at:end]) == 0:
            out.append((at, end))
            at = end
        else:
            at += 1
    return out


def pairs(spans) -> list[tuple[int, int]]:
    return list(zip(spans.start.tolist(), spans.end.tolist(), strict=True))


def test_five_frames_behind_a_stray_header():
    raw = b"\xd3\x00\x40" + GOOD * 5
    assert len(find_frames(raw, final=True)) == 5
    assert brute_force(raw) == pairs(find_frames(raw, final=True))


@given(st.lists(st.one_of(noise, payloads.map(frame)), max_size=12).map(b"".join))
@settings(max_examples=300, deadline=None)
def test_equals_trying_every_byte(raw):
    assert pairs(find_frames(raw, final=True)) == brute_force(raw)


@given(st.binary(max_size=2000))
@settings(max_examples=200, deadline=None)
def test_any_bytes_rise_and_never_overlap(raw):
    for final in (True, False):
        spans = find_frames(raw, final=final)
        assert (spans.end > spans.start).all()
        assert (spans.start[1:] >= spans.end[:-1]).all()
        assert spans.incomplete_from == -1 or spans.incomplete_from < len(raw)
        assert not final or spans.incomplete_from == -1


@given(st.lists(st.one_of(noise, payloads.map(frame)), max_size=10).map(b"".join), st.integers(1, 200))
@settings(max_examples=200, deadline=None)
def test_blocks_of_any_size_give_the_same_frames(raw, size):
    got, held, origin = [], b"", 0
    for at in range(0, len(raw), size):
        held += raw[at:at + size]
        spans = find_frames(held, final=False)
        done = spans.incomplete_from if spans.incomplete_from >= 0 else len(held)
        got += [(a + origin, b + origin) for a, b in pairs(spans)]
        assert all(b <= done for _, b in pairs(spans))
        held, origin = held[done:], origin + done
    got += [(a + origin, b + origin) for a, b in pairs(find_frames(held, final=True))]
    assert got == brute_force(raw)


@pytest.mark.parametrize(("tail", "expected"), [
    (b"", -1), (b"\xd3", 10), (b"\xd3\x00", 10), (b"\xd3\x00\x04abc", 10), (b"\xd3\xff\x04abc", -1),
    (b"xx\xd3\x03\xff", 12), (GOOD[:-1], 10),
])
def test_incomplete_from(tail, expected):
    assert find_frames(GOOD + tail, final=False).incomplete_from == expected


def test_reserved_bits_must_be_zero():
    head = b"\xd3\x04\x04" + b"\x3e\xd0\x00\x01"
    assert len(find_frames(head + crc24q(head).to_bytes(3, "big"), final=True)) == 0


@pytest.mark.parametrize("length", [0, 1, 1022, 1023])
def test_longest_and_shortest_frames_across_row_borders(length):
    one = frame((bytes(range(256)) * 4)[:length])
    raw = b"\x00" * 777 + one * 40
    spans = find_frames(raw, final=True)
    assert pairs(spans) == [(777 + k * len(one), 777 + (k + 1) * len(one)) for k in range(40)]


def test_payload_too_long():
    with pytest.raises(ValueError, match="at most 1023"):
        frame(bytes(1024))


@pytest.mark.parametrize("pattern", [b"\xd3\x00\x00", b"\xd3\x03\xff", b"\xd3", b"\xd3\x00\x02\x43\x50"])
def test_hostile_patterns_stay_linear(pattern, monkeypatch):
    """Every third byte claims a frame: each byte is summed once or twice and each claim is examined once."""
    looked_at: list[tuple[int, int]] = []

    def counting(data, start, end):
        looked_at.append((len(data), len(start)))
        return genuine(data, start, end)

    genuine = rtcm_frames._valid
    monkeypatch.setattr(rtcm_frames, "_valid", counting)
    for size in (500_000, 2_000_000):
        looked_at.clear()
        raw = pattern * (size // len(pattern))
        find_frames(raw, final=True)
        summed, examined = map(sum, zip(*looked_at, strict=True)) if looked_at else (0, 0)
        assert summed <= 2 * len(raw)
        assert examined <= raw.count(b"\xd3")


@given(st.lists(st.one_of(noise, payloads.map(frame)), max_size=12).map(b"".join), st.integers(1, 300))
@settings(max_examples=100, deadline=None)
def test_account_is_complete_and_knows_no_blocks(raw, size):
    whole = read_stream([raw], name="x", source_id=0)
    split = read_stream([raw[a:a + size] for a in range(0, len(raw), size)], name="x", source_id=0)
    assert sum(e.size for e in whole.entries) == whole.size == len(raw)
    assert whole.entries == split.entries
    assert whole.corrections["byte_offset"].tolist() == split.corrections["byte_offset"].tolist()
    assert sum(e.size for e in whole.entries if e.kind == "rtcm") == sum(b - a for a, b in brute_force(raw))
    for entry in whole.entries:
        assert entry.count >= 1
        assert all(0 <= c.start < c.end <= len(raw) for c in entry.cases)


def test_account_across_pieces():
    """More than two of the pieces in which a stream is looked at, with noise everywhere."""
    rng = np.random.default_rng(3)
    parts = []
    for number in range(4000):
        parts += [frame(b"\x43\x50" + rng.bytes(int(rng.integers(0, 1000)))), rng.bytes(int(rng.integers(0, 40)))]
        if number % 50 == 0:
            broken = bytearray(frame(b"\x43\x50" + bytes(500)))
            broken[100] ^= 1
            parts.append(bytes(broken))
    raw = b"".join(parts)
    read = read_stream([raw], name="x", source_id=0)
    assert len(raw) > 2_000_000
    assert sum(e.size for e in read.entries) == len(raw)
    assert sum(e.count for e in read.entries if e.kind == "rtcm") == 4000
    assert 78 <= read.crc_failures <= 90


def test_cut_and_damaged_frames_are_told_apart():
    damaged = bytearray(GOOD)
    damaged[5] ^= 0xFF
    read = read_stream([GOOD + bytes(damaged) + GOOD + GOOD[:-2]], name="x", source_id=0)
    kinds = {(e.kind, e.tag): (e.count, e.size) for e in read.entries}
    assert kinds == {("rtcm", "1005"): (2, 20), ("checksum", "rtcm"): (1, 10), ("truncated", "rtcm"): (1, 8)}
    assert read.crc_failures == 1
    assert [f.code for f in read.findings] == ["rtcm_crc_failures"]


def test_lost_bytes_count_as_one_damaged_frame():
    long = frame(b"\x43\x50" + bytes(100))
    read = read_stream([long[:60] + long * 2], name="x", source_id=0)
    assert {(e.kind, e.tag): (e.count, e.size) for e in read.entries} == {
        ("rtcm", "1077"): (2, 216), ("checksum", "rtcm"): (1, 60)}


def test_empty_stream_and_filler_frames():
    empty = read_stream([], name="x", source_id=0)
    assert (empty.size, empty.entries, len(empty.corrections)) == (0, (), 0)
    filler = read_stream([frame(b"") * 3], name="x", source_id=0)
    assert [(e.kind, e.tag, e.count) for e in filler.entries] == [("rtcm", "empty", 3)]
    assert len(filler.corrections) == 0


def test_recognise():
    assert recognise(b"") == 0.0
    assert recognise(b"$GPGGA,1,2\r\n" * 50) == 0.0
    assert recognise(frame(b"")) == 0.0
    assert recognise(GOOD * 10) == pytest.approx(1.0)
    assert recognise((GOOD * 10)[:-3]) == pytest.approx(1.0)
    assert recognise(b"$GPGLL,4916.45,N,12311.12,W*71\r\n" + GOOD * 50) == pytest.approx(0.4)
    assert recognise(np.random.default_rng(1).bytes(65536)) == 0.0


def test_speed():
    """A plain stream is searched at tens of megabytes per second; a tenth of that still passes on a busy machine."""
    raw = frame(b"\x43\x50" + bytes(200)) * 20_000
    find_frames(raw[:5000], final=True)
    begin = time.process_time()
    assert len(find_frames(raw, final=True)) == 20_000
    assert len(raw) / (time.process_time() - begin) > 5e6
