"""Coordinates, geodesics and normal gravity against published worked examples.

Sources: EPSG Guidance Note 7-2 (methods 9602, 9836, 9837), as quoted by public test suites; WGS84 constants of
NGA.STND.0036 and GRS80 practice from memory, not re-read, with the derived values recomputed; lines of the test set
that ships with geographiclib (geographiclib/test/test_geodesic.py); RTCM 10403.x section 4.2, the 1005 example.
"""

from __future__ import annotations

import numpy as np
import pytest

from analyzer import geodesy

#: EPSG Guidance Note 7-2: 53°48'33.820"N 2°07'46.380"E, h 73.0 m.
POINT = (53 + 48 / 60 + 33.820 / 3600, 2 + 7 / 60 + 46.380 / 3600, 73.0)


def test_earth_centred_coordinates_of_guidance_note_7_2():
    assert np.allclose([float(v) for v in geodesy.to_ecef(*POINT)], [3771793.968, 140253.342, 5124304.349], atol=6e-4)
    back = [float(v) for v in geodesy.from_ecef(3771793.968, 140253.342, 5124304.349)]
    assert np.allclose(back[:2], POINT[:2], atol=1e-8) and back[2] == pytest.approx(73.0, abs=1e-3)


def test_topocentric_coordinates_of_guidance_note_7_2():
    origin = (55.0, 5.0, 200.0)
    centre = [float(v) for v in geodesy.to_ecef(*origin)]
    assert np.allclose(centre, [3652755.3058, 319574.6799, 5201547.3536], atol=1e-4)
    local = [float(v) for v in geodesy.to_enu(*POINT, origin=origin)]
    assert np.allclose(local, [-189013.869, -128642.040, -4220.171], atol=6e-4)


def test_reference_position_of_the_published_1005_message():
    """ECEF of RTCM 10403.x section 4.2; latitude, longitude and height computed independently with pyproj."""
    found = [float(v) for v in geodesy.from_ecef(1114104.5999, -4850729.7108, 3975521.4643)]
    assert found[0] == pytest.approx(38.8047594304, abs=1e-9)
    assert found[1] == pytest.approx(-77.0647735998, abs=1e-9)
    assert found[2] == pytest.approx(114.5611, abs=1e-4)


@pytest.mark.parametrize("latitude, surface, at_500, at_1000, meridian, prime", [
    (0, 9.7803253359, 9.77878167, 9.77723837, 6335439.3273, 6378137.0000),
    (30, 9.7932472692, 9.79170414, 9.79016137, 6351377.1037, 6383480.9177),
    (45, 9.8061977693, 9.80465518, 9.80311294, 6367381.8156, 6388838.2901),
    (48, 9.8089087823, 9.80736630, 9.80582418, 6370736.2075, 6389959.9916),
    (52.5, 9.8129127008, 9.81137039, 9.80982843, 6375692.8858, 6391616.7737),
    (90, 9.8321849378, 9.83064342, 9.82910227, 6399593.6258, 6399593.6258),
])
def test_somigliana_gravity_and_radii(latitude, surface, at_500, at_1000, meridian, prime):
    """Somigliana's closed formula (WGS84), computed independently."""
    assert float(geodesy.normal_gravity(latitude)) == pytest.approx(surface, abs=2e-10)
    assert float(geodesy.normal_gravity(latitude, 500.0)) == pytest.approx(at_500, abs=6e-9)
    assert float(geodesy.normal_gravity(latitude, 1000.0)) == pytest.approx(at_1000, abs=6e-9)
    assert float(geodesy.meridian_radius(latitude)) == pytest.approx(meridian, abs=1e-4)
    assert float(geodesy.prime_vertical_radius(latitude)) == pytest.approx(prime, abs=1e-4)


def test_gravity_pair_follows_from_the_four_constants():
    """Heiskanen & Moritz, Physical Geodesy, chapter 2 (from memory, not re-read): equatorial and polar gravity."""
    a, f = geodesy.SEMI_MAJOR_M, geodesy.FLATTENING
    b = a * (1 - f)
    second = np.sqrt(a * a - b * b) / b
    m = geodesy.EARTH_RATE_RADPS**2 * a * a * b / geodesy.GRAVITATION_M3PS2
    q0 = 0.5 * ((1 + 3 / second**2) * np.arctan(second) - 3 / second)
    q0_prime = 3 * (1 + 1 / second**2) * (1 - np.arctan(second) / second) - 1
    equator = geodesy.GRAVITATION_M3PS2 / (a * b) * (1 - m - m * second * q0_prime / (6 * q0))
    pole = geodesy.GRAVITATION_M3PS2 / a**2 * (1 + m * second * q0_prime / (3 * q0))
    assert equator == pytest.approx(geodesy.GRAVITY_EQUATOR_MPS2, abs=2e-10)
    assert pole == pytest.approx(geodesy.GRAVITY_POLE_MPS2, abs=2e-10)


@pytest.mark.parametrize("start, end, length", [
    ((35.60777, -139.44815), (-11.17491, -69.95921), 8935244.5604818305),
    ((55.52454, 106.05087), (77.03196, 197.18234), 4105086.1713924406),
    ((-19.79938, -174.47484), (-11.99349, -154.35109), 2319004.8601169389),
    ((-41.32, 174.81), (40.96, -5.50), 19959679.26735382),
])
def test_geodesic_lengths(start, end, length):
    """Lines of geographiclib's test set; the last, nearly antipodal one from C. Karney, from memory, recomputed."""
    assert float(geodesy.distances(*start, *end)) == pytest.approx(length, abs=1e-6)


def test_a_degree_of_latitude_and_longitude_at_48():
    """Degree lengths at 48° (WGS84), computed independently: the tangent lengths M and N cos φ times one degree."""
    step = 1e-3
    north = float(geodesy.distances(48 - step / 2, 11.0, 48 + step / 2, 11.0)) / step
    east = float(geodesy.distances(48.0, 11 - step / 2, 48.0, 11 + step / 2)) / step
    assert north == pytest.approx(111190.3226, abs=0.01)
    assert east == pytest.approx(74625.3536, abs=0.01)


def test_quarter_meridian():
    """Length of the quarter meridian of WGS84, 10001965.7293 m, computed independently."""
    assert float(geodesy.distances(0.0, 0.0, 90.0, 0.0)) == pytest.approx(10001965.7293, abs=1e-3)


def test_flinders_peak_to_buninyong():
    """Australian GDA technical manual: 54972.271 m on GRS80, which differs from WGS84 by micrometres here."""
    peak = -(37 + 57 / 60 + 3.72030 / 3600), 144 + 25 / 60 + 29.52440 / 3600
    buninyong = -(37 + 39 / 60 + 10.15610 / 3600), 143 + 55 / 60 + 35.38390 / 3600
    assert float(geodesy.distances(*peak, *buninyong)) == pytest.approx(54972.271, abs=1e-3)
