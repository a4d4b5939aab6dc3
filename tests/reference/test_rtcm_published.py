"""Published RTCM 3 examples and figures, each beside its source."""

from __future__ import annotations

import numpy as np
import pytest

from analyzer import geodesy
from analyzer.parsers.rtcm import crc24q, decode, find_frames, frame, read_stream
from analyzer.settings import thresholds

# RTCM 10403.x section 4.2 (RTCM 3.0, page 4-3): message 1005 of station 2003.
EXAMPLE_1005 = bytes.fromhex("D300133ED7D30202980EDEEF34B4BD62AC0941986F33360B98")
# Made by public test suites from the standard's example, not printed in the standard.
EXAMPLE_1006 = bytes.fromhex("D300153EE7D30002980EDEEF34B4BD62AC0941986F333A98885063")
EXAMPLE_1032 = bytes.fromhex("D300144080320334C2980EDEEFD2D2F58AB0941986F330FB5929")
ARP_M = (1114104.5999, -4850729.7108, 3975521.4643)


def _first(raw: bytes):
    spans = find_frames(raw, final=True)
    assert spans.start.tolist() == [0]
    assert spans.end.tolist() == [len(raw)]
    return decode(raw, spans.start, spans.end).iloc[0]


def test_crc_catalogue_value():
    """Check value of CRC-24/LTE-A, the catalogue name of CRC-24Q: the CRC of "123456789" is 0xCDE703."""
    assert crc24q(b"123456789") == 0xCDE703


@pytest.mark.parametrize(("raw", "crc"), [
    (EXAMPLE_1005, 0x360B98), (EXAMPLE_1006, 0x885063), (EXAMPLE_1032, 0xFB5929),
])
def test_frame_crc_and_residue(raw, crc):
    """RTCM 10403.x section 4.2 prints 0x360B98; a frame with its own CRC leaves no remainder."""
    assert crc24q(raw[:-3]) == crc
    assert crc24q(raw) == 0
    assert frame(raw[3:-3]) == raw


def test_example_1005_decodes_to_the_printed_values():
    """RTCM 10403.x section 4.2: station 2003, ECEF 1114104.5999, -4850729.7108, 3975521.4643 m."""
    row = _first(EXAMPLE_1005)
    assert (row["message_type"], row["station_id"]) == (1005, 2003)
    assert (row["x_m"], row["y_m"], row["z_m"]) == pytest.approx(ARP_M, abs=1e-9)
    assert np.isnan(row["antenna_height_m"])


def test_example_1005_geodetic():
    """38.8047594304, -77.0647735998, 114.5611 m: computed with PROJ from the printed coordinates."""
    latitude, longitude, height = geodesy.from_ecef(*ARP_M)
    assert (float(latitude), float(longitude)) == pytest.approx((38.8047594304, -77.0647735998), abs=1e-9)
    assert float(height) == pytest.approx(114.5611, abs=1e-4)


def test_example_1006_and_1032():
    """Public test frames: the same antenna position, 1.5 m antenna height; physical station 51 behind virtual 50."""
    with_height, physical = _first(EXAMPLE_1006), _first(EXAMPLE_1032)
    assert with_height["antenna_height_m"] == pytest.approx(1.5)
    assert physical["station_id"] == 50
    for row in (with_height, physical):
        assert (row["x_m"], row["y_m"], row["z_m"]) == pytest.approx(ARP_M, abs=1e-9)


@pytest.mark.parametrize(("number", "length"), [(1005, 25), (1006, 27), (1032, 26)])
def test_frame_lengths(number, length):
    """RTCM 10403.x field widths: 152, 168 and 156 bits of payload and 6 bytes around it."""
    raw = {1005: EXAMPLE_1005, 1006: EXAMPLE_1006, 1032: EXAMPLE_1032}[number]
    assert len(raw) == length
    assert _first(raw)["size_byte"] == length


# Bits per satellite and per cell of MSM1 to MSM7, header 169 bits (field widths of RTCM 10403.x).
MSM_BITS = {1: (10, 15), 2: (10, 27), 3: (10, 42), 4: (18, 48), 5: (36, 63), 6: (18, 65), 7: (36, 80)}
LEGACY_BITS = {
    1001: (64, 58), 1002: (64, 74), 1003: (64, 101), 1004: (64, 125), 1009: (61, 64), 1010: (61, 79), 1011: (61, 107),
    1012: (61, 130),
}


@pytest.mark.parametrize("name", ["msm_no_reference_position", "small_good", "small_network_stream"])
def test_sizes_follow_from_the_decoded_counts(shared_data, name):
    """Masks decoded right give the size of every real frame by the bit budget of RTCM 10403.x, to the byte."""
    raw = (shared_data / "corrections" / f"{name}.rtcm3").read_bytes()
    table = read_stream([raw], name=name, source_id=0).corrections
    for row in table[table["system"].notna()].itertuples():
        if row.message_type in LEGACY_BITS:
            head, per_satellite = LEGACY_BITS[row.message_type]
            bits = head + per_satellite * row.satellites
        else:
            per_satellite, per_cell = MSM_BITS[row.message_type % 10]
            grid = _grid(raw, row.byte_offset)
            bits = 169 + grid + per_satellite * row.satellites + per_cell * row.signals
        spare, end = row.size_byte - (-(-bits // 8) + 6), row.byte_offset + row.size_byte - 3
        # One sender leaves zeros where whole cells of 80 bits would stand that its mask does not name.
        assert spare in (range(0, 100, 10) if row.message_type % 10 == 7 and name != "small_network_stream" else (0,))
        assert raw[end - spare:end] == bytes(spare)


def _grid(raw: bytes, start: int) -> int:
    """Return satellites times signals straight from the bits of the header."""
    bits = int.from_bytes(raw[start + 3:start + 3 + 22], "big")
    masks = (bits >> (176 - 169)) & ((1 << 96) - 1)
    return (masks >> 32).bit_count() * (masks & 0xFFFFFFFF).bit_count()


def test_line_capacity_table():
    """8N1, 10 bits per byte: 663 bytes take 691 ms at 9600 bit/s, 1052 bytes 548 ms at 19200 (arithmetic)."""
    bits = thresholds("analyzer.metrics", "thresholds_link.toml")["line.bits_per_byte"]
    assert 663 / (9600 / bits) == pytest.approx(0.691, abs=5e-4)
    assert 1052 / (19200 / bits) == pytest.approx(0.548, abs=5e-4)
