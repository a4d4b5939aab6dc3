"""Lines read by templates against the general way: the same bits, the same account, whatever stands between them."""

from __future__ import annotations

from functools import reduce
from operator import xor

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer.parsers import framing, nmea_alike
from analyzer.parsers.nmea_alike import Layouts, read_alike
from analyzer.parsers.nmea_block import Block, look, read_block
from analyzer.parsers.nmea_templates import template_of
from analyzer.parsers.nmea_unit import read_unit

# sentence printed in E. S. Raymond, "NMEA Revealed" v2.24, with a checksum computed by the rule given there
PUBLISHED = b"$GPGLL,4916.45,N,12311.12,W,225444,A"


def summed(body: bytes, end: bytes = b"\r\n") -> bytes:
    return b"$%b*%02X%b" % (body, reduce(xor, body, 0), end)


digits = st.integers(0, 9)
clock = st.builds(lambda h, m, s, f: f"{h:02d}{m:02d}{s:02d}{f}", st.integers(0, 25), st.integers(0, 61),
                  st.integers(0, 61), st.sampled_from(["", ".1", ".25", ".123", ".1234567", ".123456789"]))
latitude = st.builds(lambda d, m, f: f"{d:02d}{m:02d}{f}", st.integers(0, 91), st.integers(0, 60),
                     st.sampled_from(["", ".", ".1", ".1234567", ".99999999", ".123456789"]))
longitude = st.builds(lambda d, m, f: f"{d:03d}{m:02d}{f}", st.integers(0, 181), st.integers(0, 60),
                      st.sampled_from([".1", ".1234567", ".99999999"]))
number = st.one_of(
    st.just(""), st.decimals(-5000, 5000, places=3, allow_nan=False).map(str), st.integers(0, 400).map(str),
    st.sampled_from(["0031", "-0.0", "+1.5", "1.", ".5", "12345678.5", "123456789.123456", "1e3", " 2", "00000000000001.5"]),
)
place = st.builds(lambda a, n, b, e: f"{a},{n},{b},{e}", latitude, st.sampled_from("NSX"), longitude, st.sampled_from("EW"))
empty_place = st.one_of(place, place, place, st.just(",,,"))
bodies = st.one_of(
    st.builds(lambda t, p, q, n, h: f"GNGGA,{t},{p},{q},{n},0.8,{h},M,47.5,M,1.0,0031", clock, empty_place, digits, number,
              number),
    st.builds(lambda t, p, s, c, v: f"GNRMC,{t},A,{p},{s},{c},010624,{v},,R,V", clock, empty_place, number, number, number),
    st.builds(lambda t, p, m: f"GPGNS,{t},{p},{m},12,0.9,300.1,47.5,1.0,0031,V", clock, place, st.sampled_from(["RR", "RN", "A"])),
    st.builds(lambda t, a, b: f"GNGST,{t},1.0,0.02,0.01,{a},0.01,{b},0.02", clock, number, number),
    st.builds(lambda p, t: f"GPGLL,{p},{t},A,A", place, clock),
    st.builds(lambda c, k, h: f"GPVTG,{c},T,12.5,M,{k},N,{h},K,A", number, number, number),
    st.builds(lambda n: f"GPHDT,{n},T", number), st.builds(lambda n: f"PABC,{n},1", number),
    st.builds(lambda n: f"GPGSA,A,3,01,02,{n},,,,,,,,,,1.5,0.9,1.2", digits), st.just("GPTXT,01,01,02,hello"),
    st.builds(lambda t: f"GPZDA,{t},01,06,2024,00,00", clock),
)


@st.composite
def logs(draw: st.DrawFn) -> bytes:
    """Lines of a few layouts, each several times with other digits, some damaged, with other things between them."""
    out = []
    for body in draw(st.lists(bodies, min_size=1, max_size=5)):
        for _ in range(draw(st.integers(1, 6))):
            seed = draw(st.integers(0, 2**32))
            rng = np.random.default_rng(seed)
            head, comma, rest = body.partition(",")
            other = "".join(str(rng.integers(10)) if c.isdigit() and rng.random() < 0.3 else c for c in rest)
            out.append(summed((head + comma + other).encode(), draw(st.sampled_from([b"\r\n", b"\r\n", b"\n", b"\r", b""]))))
    extra = st.sampled_from([b"text\r\n", b"\r\n", b"\n", b"1717230000.5 ", b"\x00\xff\x01", b"$", b"!", b"$GPGGA,1\r\n",
                             b"$GPHDT,1.0,T\r\n", b"!AIVDM,1*00\r\n", b"*", b"log stopped\n"])
    for line in draw(st.lists(extra, max_size=5)):
        out.append(line)
    out = draw(st.permutations(out))
    content = bytearray(b"".join(out))
    for at, value in draw(st.lists(st.tuples(st.integers(0, len(content) - 1), st.integers(0, 255)), max_size=3)):
        content[at] = value
    return bytes(content)


def same(one: Block, other: Block) -> None:
    assert one.size == other.size
    assert sorted(one.sentences) == sorted(other.sentences)
    for kind, left in one.sentences.items():
        right = other.sentences[kind]
        for name in ("start", "end", "talker", "decimals"):
            np.testing.assert_array_equal(getattr(left, name), getattr(right, name))
        assert left.texts == right.texts
        assert list(map(str, sorted(left.columns))) == sorted(right.columns)
        for name, values in left.columns.items():
            assert values.dtype == right.columns[name].dtype, (kind, name)
            assert values.tobytes() == right.columns[name].tobytes() or np.array_equal(
                values, right.columns[name], equal_nan=True), (kind, name)
            if values.dtype.kind == "f":
                np.testing.assert_array_equal(np.signbit(values)[values == values],
                                              np.signbit(right.columns[name])[values == values])
    assert one.ledger.build(one.size) == other.ledger.build(other.size)
    np.testing.assert_array_equal(one.ledger.unchecked, other.ledger.unchecked)
    assert one.notes == other.notes
    for left_part, right_part in zip(one.arrivals, other.arrivals, strict=True):
        np.testing.assert_array_equal(left_part, right_part)
    both = [np.sort(np.concatenate([np.empty(0, np.int64), *block.damage])) for block in (one, other)]
    np.testing.assert_array_equal(*both)


@given(logs(), st.integers(1, 3))
@settings(max_examples=120, deadline=None)
def test_same_result_as_the_general_way(content: bytes, fewest: int) -> None:
    buffer = framing.padded(content)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(nmea_alike, "FEWEST", fewest)
        layouts = Layouts()
        for _ in range(2):  # the second time with the layouts of the first
            for strict in (False, True):
                same(read_unit(buffer, None, layouts, require_checksum=strict),
                     read_block(look(buffer), require_checksum=strict))


@pytest.mark.parametrize("values", [
    "120060.00,4807.1,N,01131.1,E,A,010.0,090.0", "235960.00,4807.1,N,01131.1,E,A,010.0,090.0",
    "240000.00,4807.1,N,01131.1,E,A,010.0,090.0", "126000.00,4807.1,N,01131.1,E,A,010.0,090.0",
    "120000.00,9000.1,N,01131.1,E,A,010.0,090.0", "120000.00,4860.0,N,01131.1,E,A,010.0,090.0",
    "120000.00,4807.1,N,18000.1,E,A,010.0,090.0", "120000.00,4807.1,N,01131.1,E,A,010.0,360.1",
    "120000.00,9000.0,N,18000.0,E,A,999.9,360.0",
])
def test_values_at_the_edge_of_what_is_possible(values: str) -> None:
    """The layout of these lines is that of the good ones around them; ranges as in `nmea_layouts`."""
    def rmc(text: str) -> bytes:
        clock, latitude, north, longitude, east, status, speed, course = text.split(",")
        return summed(f"GPRMC,{clock},{status},{latitude},{north},{longitude},{east},{speed},{course},010624,,".encode())

    good = [rmc(f"1200{k:02d}.00,4807.{k % 10},N,01131.1,E,A,010.0,090.0") for k in range(60)]
    buffer = framing.padded(b"".join([*good[:30], rmc(values), *good[30:]]))
    assert read_alike(buffer, Layouts()) is not None
    same(read_unit(buffer, None, Layouts()), read_block(look(buffer)))


def test_all_lines_of_a_plain_log_are_read_by_templates() -> None:
    lines = [summed(f"GNGGA,1200{k // 10:02d}.{k % 10}0,4807.{k:07d},N,01131.{7 * k:07d},W,{k % 6},12,0.9,{k / 10:.1f},M,"
                    f"47.5,M,1.0,0031".encode()) for k in range(400)]
    alike = read_alike(framing.padded(b"".join(lines)), Layouts())
    assert alike is not None
    gga = alike.sentences["GGA"]
    assert len(gga) == 400
    assert len(alike.rest) == framing.PADDING
    expected = np.array([-(11 + (31 + float(f"0.{7 * k:07d}")) / 60) for k in range(400)])
    np.testing.assert_allclose(gga.columns["longitude_deg"], expected, rtol=0, atol=1e-12)
    assert gga.columns["height_msl_m"].tolist() == [float(f"{k / 10:.1f}") for k in range(400)]


def test_a_wrong_digit_is_found_by_the_checksum() -> None:
    lines = [summed(f"GPHDT,{k:03d}.5,T".encode()) for k in range(100)]
    damaged = lines[50].replace(b"050.5", b"050.6")
    content = b"".join([*lines[:50], damaged, *lines[51:]])
    block = read_unit(framing.padded(content), None, Layouts())
    assert len(block.sentences["HDT"]) == 99
    ledger = block.ledger.build(len(content))
    assert ledger.count("checksum") == 1
    assert block.damage[0].tolist() == [50 * len(lines[0])]


@pytest.mark.parametrize("line", [
    PUBLISHED + b"\r\n", summed(PUBLISHED[1:])[:-2], summed(b"GPGGA,,,,,,0,,,,M,,M,1.,"), summed(b"PAGGA,1"), b"", b"\n",
    summed(b"GPGSV,1,1,01,01,40,083,46"), summed(b"GPTXT,01,01,02,$"), summed(PUBLISHED[1:]).replace(b"*", b"*0"),
])
def test_no_template_for_what_the_general_way_must_read(line: bytes) -> None:
    assert template_of(line) is None


def test_template_of_a_published_sentence() -> None:
    template = template_of(summed(PUBLISHED[1:]))
    assert template is not None
    assert (template.kind, template.length) == ("GLL", len(PUBLISHED) + 5)
    assert {step.name for step in template.plan.steps} == {"latitude_deg", "longitude_deg", "time_of_day_s"}
