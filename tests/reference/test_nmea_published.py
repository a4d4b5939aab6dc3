"""Published NMEA 0183 sentences against the reader.

Main source: E. S. Raymond, "NMEA Revealed", v2.24 (13 Jan 2021), here "NR"; the standard itself (IEC 61162-1) could
not be read. Sentences marked PT stand in public test suites of several open parsers; those marked BD in a page of
P. Bennett and D. DePriest on NMEA data. Decoded values are the arithmetic of the printed digits.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from analyzer.parsers.nmea_text import read_text
from analyzer.parsers.sentences import TALKERS, Sentences
from analyzer.recording import Ledger

KNOT_MPS = 1852 / 3600  # one nautical mile is 1852 m by definition


def read(*sentences: str) -> tuple[dict[str, Sentences], Ledger]:
    result = read_text(["".join(f"{line}\r\n" for line in sentences).encode()])
    return result.sentences, result.ledger.build(result.size)


def one(sentence: str) -> tuple[Sentences, dict[str, Any]]:
    """Return the only sentence and its values."""
    sentences, ledger = read(sentence)
    assert ledger.total("accepted") == ledger.size, ledger.entries
    (part,) = sentences.values()
    return part, {name: values[0] for name, values in part.columns.items()}


# Latitude/longitude to 1e-9 deg: printed digits end at 1e-8 minutes, 2e-10 deg.
GGA = [
    # BD
    ("$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
     {"latitude_deg": 48.1173, "longitude_deg": 11.516666666667, "quality": 1, "satellites_used": 8, "hdop": 0.9,
      "height_msl_m": 545.4, "geoid_separation_m": 46.9, "correction_age_s": np.nan, "station_id": np.nan}, 592.3),
    # PT
    ("$GPGGA,172814.0,3723.46587704,N,12202.26957864,W,2,6,1.2,18.893,M,-25.669,M,2.0,0031*4F",
     {"time_of_day_s": 62894.0, "latitude_deg": 37.391097950667, "longitude_deg": -122.037826310667, "quality": 2,
      "correction_age_s": 2.0, "station_id": 31}, -6.776),
    # NR
    ("$GNGGA,001043.00,4404.14036,N,12118.85961,W,1,12,0.98,1113.0,M,-21.3,M,,*47",
     {"latitude_deg": 44.069006, "longitude_deg": -121.314326833333}, 1091.7),
]


@pytest.mark.parametrize(("sentence", "values", "ellipsoidal_height_m"), GGA)
def test_gga(sentence: str, values: dict[str, float], ellipsoidal_height_m: float) -> None:
    _, found = one(sentence)
    for name, value in values.items():
        assert float(found[name]) == pytest.approx(value, rel=1e-7, abs=1e-9, nan_ok=True), name
    for name in ("latitude_deg", "longitude_deg"):
        assert found[name] == pytest.approx(values[name], abs=1e-9)
    height = found["height_msl_m"] + found["geoid_separation_m"]
    assert height == pytest.approx(ellipsoidal_height_m, abs=1e-9)


def test_gns_and_its_companion() -> None:
    """PT: GPS fixed and GLONASS fixed, 13 satellites; the companion of one system has no position."""
    _, found = one("$GNGNS,014035.00,4332.69262,S,17235.48549,E,RR,13,0.9,25.63,11.24,,*70")
    assert found["latitude_deg"] == pytest.approx(-43.544877, abs=1e-9)
    assert found["longitude_deg"] == pytest.approx(172.5914248333, abs=1e-9)
    assert (chr(found["mode"]), found["satellites_used"]) == ("R", 13)
    assert found["height_msl_m"] + found["geoid_separation_m"] == pytest.approx(36.87)
    part, found = one("$GPGNS,014035.00,,,,,,8,,,,1.0,23*76")
    assert TALKERS[part.talker[0]] == "GP"
    assert (found["satellites_used"], found["correction_age_s"], found["station_id"]) == (8, 1, 23)
    assert np.isnan(found["latitude_deg"])
    assert found["mode"] == 0


def test_rmc() -> None:
    """NR; and BD for the sentence of 1994, whose two-digit year lies in the 1900s."""
    _, found = one("$GNRMC,001031.00,A,4404.13993,N,12118.86023,W,0.146,,100117,,,A*7B")
    assert np.datetime64(int(found["date_day"]), "D") == np.datetime64("2017-01-10")
    assert found["time_of_day_s"] == 631
    assert found["speed_mps"] == pytest.approx(0.146 * KNOT_MPS)
    assert found["speed_mps"] == pytest.approx(0.0751, abs=5e-5)
    assert np.isnan(found["course_deg"])
    _, found = one("$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A")
    assert np.datetime64(int(found["date_day"]), "D") == np.datetime64("1994-03-23")
    assert found["speed_mps"] == pytest.approx(11.5236, abs=5e-5)
    assert found["course_deg"] == 84.4
    assert found["mode"] == 0


@pytest.mark.parametrize(("sentence", "latitude_deg", "longitude_deg", "mode"), [
    ("$GNGLL,4404.14012,N,12118.85993,W,001037.00,A,A*67", 44.069002, -121.3143321667, "A"),  # NR
    ("$GPGLL,4916.45,N,12311.12,W,225444,A,*1D", 49.2741666667, -123.1853333333, "\0"),  # PT
    ("$GPGLL,4916.45,N,12311.12,W,225444,A*31", 49.2741666667, -123.1853333333, "\0"),  # before 2.3, from memory
])
def test_gll(sentence: str, latitude_deg: float, longitude_deg: float, mode: str) -> None:
    _, found = one(sentence)
    assert found["latitude_deg"] == pytest.approx(latitude_deg, abs=1e-9)
    assert found["longitude_deg"] == pytest.approx(longitude_deg, abs=1e-9)
    assert chr(found["mode"]) == mode


def test_gsa_with_gaps_in_its_list() -> None:
    """NR, and PT for the gaps; P² = H² + V² holds for the first."""
    _, found = one("$GNGSA,A,3,80,71,73,79,69,,,,,,,,1.83,1.09,1.47*17")
    np.testing.assert_array_equal(found["satellite_ids"], [80, 71, 73, 79, 69, *[np.nan] * 7])
    assert np.hypot(found["hdop"], found["vdop"]) == pytest.approx(found["pdop"], abs=5e-3)
    _, found = one("$GPGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.3,2.1*39")
    gap = np.nan
    np.testing.assert_array_equal(found["satellite_ids"], [4, 5, gap, 9, 12, gap, gap, 24, gap, gap, gap, gap])


def test_gsv_group_and_missing_signal() -> None:
    """NR: a group of three sentences with 11 satellites in view; a satellite that is not tracked has no C/N0."""
    sentences, _ = read(
        "$GPGSV,3,1,11,03,03,111,00,04,15,270,00,06,01,010,00,13,06,292,00*74",
        "$GPGSV,3,2,11,14,25,170,00,16,57,208,39,18,67,296,40,19,40,246,00*74",
        "$GPGSV,3,3,11,22,42,067,42,24,14,311,43,27,05,244,00,,,,*4D")
    gsv = sentences["GSV"]
    assert gsv.columns["in_view"].tolist() == [11, 11, 11]
    assert np.isfinite(gsv.columns["satellites"][:, :, 0]).sum() == 11
    np.testing.assert_array_equal(gsv.columns["satellites"][2, 0], [22, 42, 67, 42])
    _, found = one("$GLGSV,3,3,09,88,07,028,*51")
    np.testing.assert_array_equal(found["satellites"][0], [88, 7, 28, np.nan])


@pytest.mark.parametrize(("sentence", "sigmas"), [
    # PT
    ("$GPGST,172814.0,0.006,0.023,0.020,273.6,0.023,0.020,0.031*6A", [0.006, 0.023, 0.020, 273.6, 0.023, 0.020, 0.031]),
    ("$GPGST,024603.00,3.2,6.6,4.7,47.3,5.8,5.6,22.0*58", [3.2, 6.6, 4.7, 47.3, 5.8, 5.6, 22.0]),
])
def test_gst(sentence: str, sigmas: list[float]) -> None:
    """The ellipse and the two axes have one trace, whatever the orientation is counted from (to the printed digits)."""
    _, found = one(sentence)
    names = ("range_rms_m", "sigma_major_m", "sigma_minor_m", "sigma_orientation_deg", "sigma_north_m", "sigma_east_m",
             "sigma_up_m")
    assert [float(found[name]) for name in names] == pytest.approx(sigmas, rel=1e-6)
    squares = {name: float(found[name]) ** 2 for name in names}
    ellipse = squares["sigma_major_m"] + squares["sigma_minor_m"]
    assert ellipse == pytest.approx(squares["sigma_north_m"] + squares["sigma_east_m"], rel=0.02)


def test_vtg() -> None:
    """NR: 2.550 kn and 4.724 km/h are printed together; 2.550 kn is 4.7226 km/h."""
    _, found = one("$GPVTG,220.86,T,,M,2.550,N,4.724,K,A*34")
    assert found["course_deg"] == 220.86
    assert found["speed_mps"] * 3.6 == pytest.approx(4.724, abs=2e-3)


def test_zda() -> None:
    """NR."""
    _, found = one("$GPZDA,160012.71,11,03,2004,-1,00*7D")
    assert np.datetime64(int(found["date_day"]), "D") == np.datetime64("2004-03-11")
    assert found["time_of_day_s"] == pytest.approx(16 * 3600 + 12.71)
    assert found["zone_minutes"] == -60


def test_heading_turn_datum_and_residuals() -> None:
    """NR."""
    assert one("$GPHDT,274.07,T*03")[1]["heading_deg"] == 274.07
    assert one("$HEROT,0.0,A*2B")[1] == {"rate_degpmin": 0.0, "status": ord("A")}
    assert one("$GPDTM,W84,C*52")[0].texts == ["W84,C"]
    _, found = one("$GPGRS,024603.00,1,-1.8,-2.7,0.3,,,,,,,,,*6C")
    assert found["residual_mode"] == 1
    np.testing.assert_allclose(found["residuals_m"], [-1.8, -2.7, 0.3, *[np.nan] * 9], rtol=1e-6)


def test_gbs() -> None:
    """From memory, not re-read: expected errors may be negative."""
    _, found = one("$GPGBS,015509.00,-0.031,-0.186,0.219,19,0.000,-0.354,6.972*4D")
    assert found["failed_satellite"] == 19
    assert [float(found[n]) for n in ("error_north_m", "error_east_m", "bias_m", "bias_sigma_m")] == pytest.approx(
        [-0.031, -0.186, -0.354, 6.972], rel=1e-6)


@pytest.mark.parametrize(("text", "degrees"), [
    ("4533.35,N,00000.0,E", 45.5558333333), ("0000.0,N,16708.033,E", 167.1338833333),
])
def test_degrees_and_minutes(text: str, degrees: float) -> None:
    """NR: 4533.35 is 45°33'21"; 16708.033 is 167.13388333°."""
    sentences, _ = read(f"$GPGLL,{text},225444,A")
    gll = sentences["GLL"].columns
    assert max(gll["latitude_deg"][0], gll["longitude_deg"][0]) == pytest.approx(degrees, abs=1e-9)


@pytest.mark.parametrize("letter", list("NADPRFEMS"))
def test_all_mode_letters_are_known(letter: str) -> None:
    """NR: mode letters of RMC, GLL, VTG and GNS."""
    sentences, _ = read(f"$GNGNS,014035.00,4332.69262,S,17235.48549,E,{letter},13,0.9,25.63,11.24,,")
    assert chr(sentences["GNS"].columns["mode"][0]) == letter


def test_an_even_number_of_lost_commas_keeps_the_checksum() -> None:
    """Arithmetic of XOR: equal characters cancel in pairs, so the field count must be checked as well."""
    sentences, ledger = read("$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M*47")
    assert "GGA" not in sentences
    assert ledger.count("field") == 1


def test_misprinted_checksums_are_found() -> None:
    """NR prints BWC with 11 where its bytes give 21; the right one belongs to a sentence that is not read."""
    wrong = "$GPBWC,220516,5130.02,N,00046.34,W,213.8,T,218.0,M,0004.6,N,EGLM*11"
    _, ledger = read(wrong, wrong.replace("*11", "*21"))
    assert {(e.kind, e.count) for e in ledger.entries} == {("checksum", 1), ("unknown_sentence", 1)}


def test_checksum_counts_everything_between_dollar_and_star() -> None:
    """NR: XOR of all characters between ``$`` and ``*``, in two hex digits (here also in lower case)."""
    _, ledger = read("$GNRMC,001031.00,A,4404.13993,N,12118.86023,W,0.146,,100117,,,A*7b", "$GPHDT,274.07,T*02")
    assert (ledger.count("accepted"), ledger.count("checksum")) == (1, 1)
