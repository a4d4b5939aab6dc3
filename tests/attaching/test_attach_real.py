"""Attaching to open recordings: a car's bus speed, and raw bus frames decoded by a bus description."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from analyzer.attaching.attach import attach
from analyzer.attaching.checking import check_attached
from analyzer.errors import RefusedError
from analyzer.judging import assess
from analyzer.parsers.column_map import ColumnMap, parse_column_map
from analyzer.parsers.reading import read

# UTC minus boot clock 1533180079.8495 s (SOURCES.md, car_with_reference)
ANCHOR = "anchor_clock = 46400.0\nanchor_utc = 2018-08-02T16:14:39.849500Z\n"
COLUMNS = """
[columns]
latitude_deg = { column = "lat_deg" }
longitude_deg = { column = "lon_deg" }
height_m = { column = "altitude_m" }
speed_mps = { column = "speed_mps" }
course_deg = { column = "course_deg" }
"""
DEVICE = parse_column_map('files = ["gnss.csv"]\ntable = "fixes"\n[time]\ncolumn = "utc_unix_ms"\nscale = "unix_ms"\n' + COLUMNS)
ARRIVAL = parse_column_map(f'files = ["gnss.csv"]\ntable = "fixes"\n[time]\ncolumn = "boot_time_s"\nscale = "relative"\n{ANCHOR}' + COLUMNS)


def bus(anchor: str) -> ColumnMap:
    return parse_column_map(f'files = ["can_speed.csv"]\ntable = "measurement"\n[time]\ncolumn = "boot_time_s"\nscale = "relative"\n{anchor}'
                            '[columns.speed_mps]\ncolumn = "speed_mps"\n')


def test_bus_speed_on_device_time_agrees(shared_data: Path, tmp_path: Path) -> None:
    """About +0.03 s on device time (SOURCES.md): within what a bus signal lags by itself."""
    folder = shared_data / "car_with_reference"
    judged = assess(read(folder / "gnss.csv", maps=[DEVICE]))
    made = attach(judged, folder / "can_speed.csv", out=tmp_path / "o.csv", maps=[bus(ANCHOR)])
    assert made.sidecar["time_offset_s"] == pytest.approx(0.03, abs=0.02)
    low, high = made.sidecar["time_offset_interval_s"]
    assert low < 0.03 < high
    assert made.sidecar["time_offset"]["signal_delay_source"] is None
    before, after = (folder / "can_speed.csv").read_bytes().splitlines(), (tmp_path / "o.csv").read_bytes().splitlines()
    assert all(b.startswith(a) for a, b in zip(before, after, strict=True))
    assert check_attached(tmp_path / "o.csv").belongs


def test_bus_speed_on_arrival_time_is_refused(shared_data: Path, tmp_path: Path) -> None:
    """About -0.16 s on arrival time (SOURCES.md): no sensor is that early."""
    folder = shared_data / "car_with_reference"
    judged = assess(read(folder / "gnss.csv", maps=[ARRIVAL]))
    with pytest.raises(RefusedError, match="clocks disagree"):
        attach(judged, folder / "can_speed.csv", out=tmp_path / "o.csv", maps=[bus(ANCHOR)])
    made = attach(judged, folder / "can_speed.csv", out=tmp_path / "o.csv", maps=[bus(ANCHOR)], offset="auto")
    assert made.sidecar["time_offset_s"] == pytest.approx(-0.16, abs=0.02)


def test_a_clock_without_an_anchor_is_found(shared_data: Path, tmp_path: Path) -> None:
    folder = shared_data / "car_with_reference"
    judged = assess(read(folder / "gnss.csv", maps=[DEVICE]))
    made = attach(judged, folder / "can_speed.csv", out=tmp_path / "o.csv", maps=[bus("")])
    # the map gives no anchor, so the clock was laid onto the first epoch: boot clock minus first epoch
    expected = judged.epochs.index[0].timestamp() - 1533180079.8495
    assert made.sidecar["time_offset_s"] == pytest.approx(expected + 0.03, abs=0.02)


def test_raw_bus_frames_get_a_quality_group(shared_data: Path, tmp_path: Path) -> None:
    """CSS-Electronics/api-examples @f7932ba, MIT (SOURCES.md): positions and speed from one bus recording."""
    asammdf = pytest.importorskip("asammdf", reason="the extra mdf4 is not installed")
    pytest.importorskip("cantools", reason="the extra mdf4 is not installed")
    folder = shared_data / "measurement"
    source, frames = folder / "journey_part3.mf4", folder / "journey_bus.dbc"
    fixes = parse_column_map("""
files = ["*.mf4"]
table = "fixes"
[time]
column = "Epoch"
scale = "unix_s"
[fix_state]
column = "FixType"
[fix_state.codes]
"No fix" = "no_fix"
"Dead reckoning only" = "estimated"
"2D-fix" = "autonomous"
"3D-fix" = "autonomous"
"GNSS + dead reckoning combined" = "autonomous"
"Time only fix" = "no_fix"
[columns.latitude_deg]
column = "Latitude"
[columns.longitude_deg]
column = "Longitude"
[columns.speed_mps]
column = "Speed"
""")
    used = parse_column_map('files = ["*.mf4"]\ntable = "measurement"\n[time]\nutc_column = "Epoch"\nscale = "relative"\n'
                            '[columns.speed_mps]\ncolumn = "Speed"\nunit = "m/s"\n')
    judged = assess(read(source, maps=[fixes], bus=frames))
    made = attach(judged, source, out=tmp_path / "o.mf4", maps=[used], bus=frames, rate_of="AccelerationX", offset=0.0)
    assert made.rows["evaluated"] > 0.9 * made.rows["rows"]
    assert check_attached(tmp_path / "o.mf4").belongs
    with asammdf.MDF(tmp_path / "o.mf4") as file:
        state = file.get("fix_state")
        assert len(state.samples) == made.rows["rows"]
        assert np.median(np.diff(state.timestamps)) == pytest.approx(0.01, abs=0.002)
        assert np.mean(state.samples == b"autonomous") > 0.8


pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning")
