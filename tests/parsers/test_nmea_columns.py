"""Reading of values: numbers of any writing, fields that are wrong, versions of the standard."""

from __future__ import annotations

import math
from collections import Counter
from functools import reduce
from operator import xor

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.parsers.framing import padded
from analyzer.parsers.nmea_text import read_text
from analyzer.parsers.nmea_words import decimals, words_of
from analyzer.parsers.sentences import Sentences

NUMBERS = st.one_of(
    st.from_regex(r"[+-]?[0-9]{0,9}(\.[0-9]{0,6})?", fullmatch=True),
    st.text(alphabet="0123456789.-+ ex", max_size=12),
    st.sampled_from(["", " ", "-", ".", "-.", "1.", ".5", "nan", "1e3"]),
)


def read(*bodies: str) -> tuple[dict[str, Sentences], dict[str, int]]:
    content = "".join(f"${body}*{reduce(xor, body.encode(), 0):02X}\r\n" for body in bodies).encode()
    result = read_text([content])
    counts: Counter[str] = Counter()
    for entry in result.ledger.build(result.size).entries:
        counts[entry.kind] += entry.count
    return result.sentences, dict(counts)


def plain(text: str) -> tuple[float, bool]:
    """Return the value and whether it is wrong, by the float of the language."""
    body = text.strip(" ")
    if not body:
        return math.nan, False
    if set(body) - set("0123456789.+-") or len(body) > 24:
        return math.nan, True
    try:
        return float(body), False
    except ValueError:
        return math.nan, True


@given(st.lists(NUMBERS, min_size=1, max_size=20))
def test_numbers_equal_those_of_the_language(texts: list[str]) -> None:
    line = ("$XXXXX," + ",".join(texts) + "*").encode()
    buffer = padded(line)
    stops = np.flatnonzero((buffer == ord(",")) | (buffer == ord("*")))
    values, wrong = decimals(buffer, words_of(buffer), stops[:-1] + 1, stops[1:])
    expected = [plain(text) for text in texts]
    assert wrong.tolist() == [bad for _, bad in expected]
    np.testing.assert_array_equal(values, [value for value, _ in expected])


@given(st.lists(st.floats(-1e5, 1e5).map(lambda v: f"{v:.3f}"), min_size=1, max_size=30))
def test_columns_of_one_format_equal_those_of_the_language(texts: list[str]) -> None:
    buffer = padded(("$XXXXX," + ",".join(texts) + "*").encode())
    stops = np.flatnonzero((buffer == ord(",")) | (buffer == ord("*")))
    values, wrong = decimals(buffer, words_of(buffer), stops[:-1] + 1, stops[1:])
    assert not wrong.any()
    assert values.tolist() == [float(text) for text in texts]


GOOD = "123519.25,4807.038,N,01131.000,E"


@pytest.mark.parametrize("body", [
    "GPGGA,123519.25,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M",
    "GPGGA,123519.25,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,,",
    "GPGGA,123519.25,4807.038,N,01131.000,E,x,08,0.9,545.4,M,46.9,M,,",
    "GPGGA,243519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",
    "GPGGA,126019,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",
    "GPGGA,123560,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",
    "GPGGA,123519,4860.000,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",
    "GPGGA,123519,9100.000,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",
    "GPGGA,123519,4807.038,N,18131.000,E,1,08,0.9,545.4,M,46.9,M,,",
    "GPGGA,123519,4807.038,X,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",
    "GPGGA,123519,4807.038,,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",
    "GPGGA,123519,4807.038,N,,,1,08,0.9,545.4,M,46.9,M,,",
    "GPGGA,123519,48O7.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",
    "GPGGA,12351,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",
    "GPGGA,123519x,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",
    "GPGGA,123519.25,4807.038,N,01131.000,E,1,08,-0.9,545.4,M,46.9,M,,",
    "GPGGA,123519.25,4807.038,N,01131.000,E,1,08,0.9,545.4,f,46.9,M,,",
    "GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,310294,003.1,W",
    "GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,2303,003.1,W",
    "GPRMC,123519,A,4807.038,N,01131.000,E,022.4,384.4,230394,003.1,W",
    "GPZDA,160012.71,31,04,2004,00,00",
    "GPZDA,160012,11,03,2004,15,00",
    "GNGNS,014035.00,4332.69262,S,17235.48549,E,Rr,13,0.9,25.63,11.24,,",
    "GPGSV,1,1,01,03,03,361,00",
    "GPGSA,A,4,,,,,,,,,,,,,2.5,1.3,2.1",
    "GPGSV,1,1,01,03,03,111",
    "GPHDT,274.07,T,1",
    "GPVTG,220.86,M,,M,2.550,N,4.724,K,A",
])
def test_wrong_fields_with_a_right_checksum_are_set_aside(body: str) -> None:
    sentences, kinds = read(body)
    assert kinds == {"field": 1}
    assert sentences == {}


def test_wrong_sentences_do_not_disturb_their_neighbours() -> None:
    bodies = [f"GPGGA,1235{second:02d},4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,," for second in (18, 60, 20)]
    sentences, kinds = read(*bodies)
    assert kinds == {"accepted": 2, "field": 1}
    assert sentences["GGA"].columns["time_of_day_s"].tolist() == [45318.0, 45320.0]
    assert sentences["GGA"].decimals is not None
    assert sentences["GGA"].decimals.tolist() == [3, 3]


def test_a_leap_second_has_its_own_time_of_day() -> None:
    sentences, kinds = read("GPRMC,235960.50,A,4807.038,N,01131.000,E,022.4,084.4,311216,003.1,W")
    assert kinds == {"accepted": 1}
    assert sentences["RMC"].columns["time_of_day_s"][0] == 86400.5


def test_empty_fields_are_missing() -> None:
    sentences, kinds = read(
        "GPGGA,,,,,,0,,,,,,,,", "GPRMC,,V,,,,,,,,,,N", "GPVTG,,,,,,,,,N", "GPGSA,A,1,,,,,,,,,,,,,,,", "GPGSV,1,1,00")
    assert kinds == {"accepted": 5}
    gga = sentences["GGA"]
    assert gga.columns["quality"][0] == 0
    assert all(np.isnan(values[0]) for name, values in gga.columns.items() if name != "quality")
    assert gga.decimals is not None
    assert gga.decimals[0] == -1
    assert np.isnan(sentences["RMC"].columns["date_day"][0])
    assert np.isnan(sentences["GSV"].columns["satellites"]).all()


def test_versions_of_the_standard_may_be_mixed() -> None:
    rmc = "GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W"
    gll = "GPGLL,4916.45,N,12311.12,W,225444,A"
    sentences, kinds = read(rmc, rmc + ",A", rmc + ",R,V", gll, gll + ",D")
    assert kinds == {"accepted": 5}
    assert sentences["RMC"].columns["mode"].tolist() == [0, ord("A"), ord("R")]
    assert sentences["RMC"].columns["navigation_status"].tolist() == [0, 0, ord("V")]
    assert sentences["GLL"].columns["mode"].tolist() == [0, ord("D")]


def test_satellites_with_and_without_signal() -> None:
    sentences, _ = read(
        "GPGSV,1,1,01,03,03,111,,8", "GAGSV,1,1,02,03,03,111,41,04,15,270,00", "GPGSV,1,1,00,1",
        "GBGSV,1,1,01,35,90,000,50,B")
    gsv = sentences["GSV"]
    assert gsv.columns["signal_id"].tolist() == [ord("8"), 0, ord("1"), ord("B")]
    np.testing.assert_array_equal(gsv.columns["satellites"][0, 0], [3, 3, 111, np.nan])
    np.testing.assert_array_equal(gsv.columns["satellites"][1, 1], [4, 15, 270, 0])
    assert np.isnan(gsv.columns["satellites"][0, 1:]).all()


def test_unusual_writing_of_positions_is_read() -> None:
    sentences, kinds = read(
        "GPGLL,807.038,N,1131.000,W,123519,A,A", "GPGLL,4807,S,01131,E,123519,A,A",
        "GPGLL,4807.0380000000,N,01131.0,E,123519.,A,A")
    assert kinds == {"accepted": 3}
    gll = sentences["GLL"]
    latitude, longitude = gll.columns["latitude_deg"].tolist(), gll.columns["longitude_deg"].tolist()
    assert latitude == pytest.approx([8 + 7.038 / 60, -(48 + 7 / 60), 48 + 7.038 / 60], abs=1e-12)
    assert longitude == pytest.approx([-(11 + 31 / 60), 11 + 31 / 60, 11 + 31 / 60], abs=1e-12)
    assert gll.decimals is not None
    assert gll.decimals.tolist() == [3, 0, 10]


def test_best_mode_of_several_systems() -> None:
    tail = ",13,0.9,25.63,11.24,,"
    modes = ["RR", "NNFA", "AN", "NNNNNN", "DA", "SE"]
    sentences, _ = read(*(f"GNGNS,014035.00,4332.69262,S,17235.48549,E,{mode}{tail}" for mode in modes))
    assert bytes(sentences["GNS"].columns["mode"].tolist()) == b"RFANDE"


def test_dates() -> None:
    tail = "123519,A,4807.038,N,01131.000,E,022.4,084.4"
    sentences, _ = read(*(f"GPRMC,{tail},{date},," for date in ("060180", "311299", "290200", "010179", "000000", "")))
    np.testing.assert_array_equal(sentences["RMC"].columns["date_day"], [3657, 10956, 11016, 39812, np.nan, np.nan])


def test_texts_are_kept_for_rare_kinds() -> None:
    sentences, _ = read("GPTXT,01,01,02,ANTSTATUS=OK", "GPDTM,W84,,0.0,N,0.0,E,0.0,W84", "GPDTM,W84,C")
    assert sentences["TXT"].texts == ["01,01,02,ANTSTATUS=OK"]
    assert sentences["DTM"].texts == ["W84,,0.0,N,0.0,E,0.0,W84", "W84,C"]


def test_an_unreadable_station_is_missing_and_costs_nothing() -> None:
    sentences, kinds = read(f"GPGGA,{GOOD},4,08,0.9,545.4,M,46.9,M,1.0,NET1")
    assert kinds == {"accepted": 1}
    assert np.isnan(sentences["GGA"].columns["station_id"][0])
    assert sentences["GGA"].columns["correction_age_s"][0] == 1.0
