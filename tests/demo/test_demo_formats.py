"""What the simulator writes is what it says: checked with independent readers and published values."""

from __future__ import annotations

import csv
import io
from collections import Counter
from functools import reduce
from operator import xor
from pathlib import Path

import numpy as np
import pandas as pd
import pynmea2
import pytest
from pyproj import Geod, Transformer
from pyrtcm import RTCMReader

from analyzer.demo import DriveSpec, Fault, make_drive, simulate
from analyzer.demo.corrections import write_corrections
from analyzer.demo.nmea import minutes_text, with_checksum
from analyzer.demo.rtcm import crc24q, reference_position
from analyzer.demo.scenario import to_ecef, to_geodetic

OUTPUTS = ("corrections", "inertial", "measurement_csv", "measurement_parquet", "check_points")


@pytest.fixture(scope="module")
def drive_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a drive with every text and stream output."""
    spec = DriveSpec(seed=8, duration_s=300.0, rate_hz=5.0, marks=2, outputs=OUTPUTS, measurement_rate_hz=50.0,
                     faults=(Fault("radio_loss", start_s=200.0, duration_s=40.0), "underpass", "clock_offset"))
    return make_drive(tmp_path_factory.mktemp("drive"), spec)


def lines_of(folder: Path) -> list[str]:
    """Return the lines of the rover log."""
    return (folder / "rover.nmea").read_bytes().decode("ascii").split("\r\n")[:-1]


def test_every_sentence_parses_with_an_independent_reader(drive_folder: Path) -> None:
    kinds = Counter(pynmea2.parse(line, check=True).sentence_type for line in lines_of(drive_folder))
    assert kinds["GGA"] == kinds["RMC"] == kinds["GST"] == 1500
    assert kinds["GSA"] >= 4 * 300
    assert kinds["GSV"] > 4 * 300


def test_checksum_of_a_published_sentence() -> None:
    # Worked example of the trade with checksum 47: GPGGA 123519 (facts of NMEA 0183, widely reprinted).
    body = "GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"
    assert with_checksum([body, "GPHDT,274.07,T"]) == [f"${body}*47\r\n", "$GPHDT,274.07,T*03\r\n"]


def test_minutes_of_a_published_position() -> None:
    # 4533.35 is 45 deg 33 min 21 s ("NMEA Revealed", v2.24).
    text = minutes_text(np.array([45.0 + 33 / 60 + 21 / 3600]), width=2, positive="N", negative="S")
    assert text == ["4533.3500000,N"]
    assert minutes_text(np.array([-0.5]), width=3, positive="E", negative="W") == ["00030.0000000,W"]


def test_positions_in_the_log_are_truth_plus_error(drive_folder: Path) -> None:
    truth = pd.read_csv(drive_folder / "truth.csv").set_index("time_utc")
    checked = 0
    for line in lines_of(drive_folder):
        if line[3:6] != "GGA":
            continue
        gga = pynmea2.parse(line)
        if gga.gps_qual == 0:
            continue
        row = truth.loc[f"2026-04-14T{gga.timestamp:%H:%M:%S}.{gga.timestamp.microsecond // 1000:03d}Z"]
        distance = Geod(ellps="WGS84").inv(gga.longitude, gga.latitude, row.lon_deg, row.lat_deg)[2]
        assert distance == pytest.approx(row.error_h_m, abs=2e-3)
        height = gga.altitude + float(gga.geo_sep)
        assert height - row.height_m == pytest.approx(row.error_u_m, abs=3e-3)
        checked += 1
    assert checked > 1400


def test_states_and_ages_in_the_log_are_those_of_the_truth(drive_folder: Path) -> None:
    quality = {"0": "no_fix", "6": "estimated", "1": "autonomous", "2": "differential", "5": "float", "4": "fixed"}
    letters = {"N": "no_fix", "E": "estimated", "A": "autonomous", "D": "differential", "F": "float", "R": "fixed"}
    states = pd.read_csv(drive_folder / "truth.csv")["state"].tolist()
    gga = [line.split(",") for line in lines_of(drive_folder) if line[3:6] == "GGA"]
    rmc = [line.split(",") for line in lines_of(drive_folder) if line[3:6] == "RMC"]
    assert [quality[f[6]] for f in gga] == states
    assert [letters[f[12]] for f in rmc] == states
    assert all((f[13] == "") == (s in ("no_fix", "autonomous")) for f, s in zip(gga, states, strict=True))


def test_dilution_in_the_log_follows_from_the_satellites_in_the_log(drive_folder: Path) -> None:
    # HDOP and VDOP from azimuth and elevation of the used satellites: square roots of the cofactor diagonal.
    lines = lines_of(drive_folder)
    first = next(k for k, line in enumerate(lines) if line.startswith("$GNGGA,081200.00"))
    block = lines[first : next(k for k in range(first + 1, len(lines)) if lines[k][3:6] == "GGA")]
    used: list[tuple[str, str]] = []
    talker = {"1": "GP", "2": "GL", "3": "GA", "4": "GB"}
    for line in (x for x in block if x[3:6] == "GSA"):
        fields = line.split("*")[0].split(",")
        used += [(talker[fields[18]], number) for number in fields[3:15] if number]
        stated = [float(v) for v in fields[15:18]]
    place = {}
    for line in (x for x in block if x[3:6] == "GSV"):
        fields = line.split("*")[0].split(",")[4:-1]
        for number, elevation, azimuth in zip(fields[::4], fields[1::4], fields[2::4], strict=True):
            place[line[1:3], number] = (float(elevation), float(azimuth))
    el, az = np.deg2rad(np.array([place[u] for u in used])).T
    geometry = np.column_stack([np.cos(el) * np.sin(az), np.cos(el) * np.cos(az), np.sin(el), np.ones(len(el))])
    cofactor = np.linalg.inv(geometry.T @ geometry)
    assert stated[1] == pytest.approx(np.sqrt(cofactor[0, 0] + cofactor[1, 1]), rel=0.03)
    assert stated[2] == pytest.approx(np.sqrt(cofactor[2, 2]), rel=0.03)
    assert stated[0] == pytest.approx(np.hypot(stated[1], stated[2]), abs=0.011)


def test_claimed_ellipse_obeys_the_trace_rule(drive_folder: Path) -> None:
    # For any rotation the squared axes sum to the squared sigmas of latitude and longitude.
    for line in lines_of(drive_folder)[:2000]:
        if line[3:6] == "GST" and line.split(",")[3]:
            major, minor, _, north, east = (float(v) for v in line.split(",")[3:8])
            assert major >= minor
            assert major**2 + minor**2 == pytest.approx(north**2 + east**2, rel=1e-6)


def test_damaged_bytes_make_exactly_the_epochs_that_truth_calls_lost(tmp_path: Path) -> None:
    folder = make_drive(tmp_path, seed=5, faults=("damaged_bytes",), duration_s=400.0, rate_hz=10.0)
    alive = set()
    for line in (folder / "rover.nmea").read_bytes().split(b"\r\n"):
        body, star, said = line[1:].rpartition(b"*")
        if star and len(said) == 2 and f"{reduce(xor, body, 0):02X}".encode() == said and body[2:5] in (b"GGA", b"RMC"):
            alive.add(body.split(b",")[1].decode())
    truth = pd.read_csv(folder / "truth.csv")
    named = truth["time_utc"].str.slice(11, 22).str.replace(":", "")
    assert set(named[truth["logged"] == 1]) == alive
    assert 0.005 < (truth["logged"] == 0).mean() < 0.1


def test_reference_position_equals_the_published_frame() -> None:
    # Example of RTCM 10403.x section 4.2 (RTCM 3.0 page 4-3): message 1005, station 2003, CRC 0x360B98.
    published = bytes.fromhex("D300133ED7D30202980EDEEF34B4BD62AC0941986F33360B98")
    place = np.array([1114104.5999, -4850729.7108, 3975521.4643])
    assert reference_position(2003, place, glonass=False, galileo=False) == published


def test_crc_of_the_catalogue() -> None:
    # CRC catalogue, CRC-24/LTE-A: check value of the ASCII digits 1 to 9.
    assert crc24q(b"123456789") == 0xCDE703


def frames(path: Path) -> list[object]:
    """Return every message of a stream, decoded with an independent reader that raises on any fault."""
    with path.open("rb") as file:
        return [message for _, message in RTCMReader(file, quitonerror=2)]


def test_correction_frames_decode_and_hold_the_base(drive_folder: Path) -> None:
    messages = frames(drive_folder / "corrections_base.rtcm3")
    kinds = Counter(m.identity for m in messages)  # type: ignore[attr-defined]
    assert set(kinds) == {"1006", "1033", "1230", "1074", "1084", "1094", "1124"}
    position = next(m for m in messages if m.identity == "1006")  # type: ignore[attr-defined]
    place = np.array([position.DF025, position.DF026, position.DF027])  # type: ignore[attr-defined]
    assert place == pytest.approx(to_ecef(np.array([-1900.0, -1100.0, 4.2]))[0], abs=1e-3)


def test_message_sizes_keep_the_bit_budget(drive_folder: Path) -> None:
    # MSM4: 169 header bits, one per cell of the mask, 18 per satellite, 48 per cell (RTCM 10403.x field tables).
    with (drive_folder / "corrections_base.rtcm3").open("rb") as file:
        for raw, message in RTCMReader(file, quitonerror=2):
            if message.identity in ("1074", "1084", "1094", "1124"):
                satellites, cells = message.NSat, message.NCell
                assert len(raw) == -(-(169 + message.NSat * message.NSig + 18 * satellites + 48 * cells) // 8) + 6
                assert 60 <= message.DF397_01 <= 90


def test_last_message_of_each_epoch_ends_it(drive_folder: Path) -> None:
    flags = [m.DF393 for m in frames(drive_folder / "corrections_base.rtcm3") if hasattr(m, "DF393")]
    per_epoch = np.array(flags).reshape(-1, 4)
    assert np.array_equal(per_epoch, np.tile([1, 1, 1, 0], (len(per_epoch), 1)))


def test_gaps_of_the_link_are_in_the_rover_stream_only(drive_folder: Path) -> None:
    def gaps(name: str) -> list[float]:
        times = [m.DF004 / 1000 for m in frames(drive_folder / name) if m.identity == "1074"]  # type: ignore[attr-defined]
        return [float(g) for g in np.diff(times)]

    assert max(gaps("corrections_base.rtcm3")) == 1.0
    assert max(gaps("corrections_rover.rtcm3")) == pytest.approx(41.0, abs=1.0)


def test_second_base_is_interleaved_and_a_new_survey_changes_the_position(tmp_path: Path) -> None:
    faults = (Fault("second_base", start_s=100.0, duration_s=60.0, size=0.5),
              Fault("base_resurveyed", start_s=200.0, size=0.9))
    drive = simulate(DriveSpec(seed=2, duration_s=300.0, faults=faults))
    write_corrections(drive, tmp_path)
    rover = []
    with (tmp_path / "corrections_rover.rtcm3").open("rb") as file:
        rover = [m for _, m in RTCMReader(file, quitonerror=0) if m is not None]
    assert {m.DF003 for m in rover} == {17, 903}
    places = {tuple(np.round([m.DF025, m.DF026, m.DF027], 3)) for m in rover if m.identity == "1006" and m.DF003 == 17}
    assert len(places) == 2
    first, second = (np.array(p) for p in places)
    event = drive.plan.one("base_resurveyed")
    assert event is not None
    assert np.linalg.norm(first - second) == pytest.approx(np.linalg.norm(event.vector_m), abs=2e-3)


def test_true_positions_round_trip_through_the_projection_library() -> None:
    # Local to geodetic to earth-centred must equal local to earth-centred; pyproj does both.
    points = np.array([[0.0, 0.0, 0.0], [1200.5, -800.25, 3.0], [-3000.0, 2500.0, 40.0]])
    latitude, longitude, height = to_geodetic(points)
    x, y, z = Transformer.from_crs("EPSG:4979", "EPSG:4978", always_xy=True).transform(longitude, latitude, height)
    assert np.column_stack([x, y, z]) == pytest.approx(to_ecef(points), abs=1e-6)


def test_inertial_table_reads_through_its_map(drive_folder: Path) -> None:
    from analyzer.parsers.column_map import load_column_map

    known = load_column_map(drive_folder / "inertial_columns.toml")
    assert known.table == "inertial"
    assert known.serves("inertial.csv")
    table = pd.read_csv(drive_folder / "inertial.csv")
    assert set(known.used_columns) == set(table.columns)
    assert len(table) == 30_000
    # Forward-right-down: gravity reads about minus 9.81 on z at rest; turning left reads negative about z.
    assert table["acc_z"].iloc[:5000].mean() == pytest.approx(-9.81, abs=0.1)


def test_measurement_files_hold_the_same_channels_on_the_planted_clock(drive_folder: Path) -> None:
    import json

    import pyarrow.parquet as pq

    text = pd.read_csv(drive_folder / "measurement.csv", skiprows=[1])
    parquet = pq.read_table(drive_folder / "measurement.parquet")
    assert parquet.schema.field("wheel_speed").metadata == {b"unit": b"km/h"}
    frame = parquet.to_pandas()
    for name in text.columns[1:]:
        assert frame[name].to_numpy() == pytest.approx(text[name].to_numpy(), abs=1e-4)
    stamps = frame["time_utc"].astype("int64").to_numpy() / 1e6
    assert stamps == pytest.approx(text["time_unix_s"].to_numpy(), abs=1e-4)
    faults = json.loads((drive_folder / "faults.json").read_text())["faults"]
    size = next(f["size"] for f in faults if f["kind"] == "clock_offset")
    true_first = pd.Timestamp("2026-04-14T08:10:00Z").timestamp() + 0.37 / 50
    assert abs(text["time_unix_s"].iloc[0] - true_first) == pytest.approx(size, abs=1e-4)


def test_measurement_as_mdf4_opens_with_its_library(tmp_path: Path) -> None:
    asammdf = pytest.importorskip("asammdf", reason="optional extra mdf4 is not installed")
    make_drive(tmp_path, seed=8, duration_s=120.0, outputs=("measurement_mf4", "measurement_csv"))
    text = pd.read_csv(tmp_path / "measurement.csv", skiprows=[1])
    with asammdf.MDF(tmp_path / "measurement.mf4") as file:
        speed = file.get("wheel_speed")
        start = pd.Timestamp(file.start_time)
        assert speed.unit == "km/h"
        assert speed.samples == pytest.approx(text["wheel_speed"].to_numpy(), abs=1e-4)
        assert speed.timestamps[0] == 0.0
        assert file.get("marker").samples.tolist() == text["marker"].iloc[::10].tolist()
    assert start.timestamp() == pytest.approx(text["time_unix_s"].iloc[0], abs=2e-3)


def test_sheets_hold_together(drive_folder: Path) -> None:
    import tomllib

    sheet = tomllib.loads((drive_folder / "setup.toml").read_text())
    assert sheet["base"]["station_id"] == 17
    marks = list(csv.DictReader(io.StringIO((drive_folder / "check_points.csv").read_text())))
    truth = pd.read_csv(drive_folder / "truth.csv").set_index("time_utc")
    assert marks
    for mark in marks:
        stand = truth.loc[mark["start_utc"] : mark["end_utc"]]
        assert len(stand) > 50
        over = float(mark["height_m"]) + float(mark["antenna_above_mark_m"])
        assert stand["height_m"].mean() == pytest.approx(over, abs=0.03)
        there = (float(mark["longitude_deg"]), float(mark["latitude_deg"]))
        assert Geod(ellps="WGS84").inv(*there, stand["lon_deg"].mean(), stand["lat_deg"].mean())[2] < 0.03
    windows = pd.read_csv(drive_folder / "windows.csv")
    assert len(windows) >= 5
    assert (windows["start_utc"] < windows["end_utc"]).all()
