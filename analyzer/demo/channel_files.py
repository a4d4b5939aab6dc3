"""Inertial and measurement files with their column maps."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.demo.channels import Measurement, inertial, measurement
from analyzer.demo.drive import Drive
from analyzer.errors import MissingExtraError

#: Channels of the measurement: name, unit, digits after the point, our name.
_CHANNELS = (
    ("wheel_speed", "km/h", 2, "speed_mps"), ("yaw_rate", "deg/s", 3, "yaw_rate_radps"),
    ("acceleration_x", "m/s^2", 3, "acceleration_x_mps2"), ("acceleration_y", "m/s^2", 3, "acceleration_y_mps2"),
    ("steering_angle", "deg", 2, "steering_angle_rad"), ("marker", "", 0, "marker"),
)


def write_inertial(drive: Drive, folder: Path) -> None:
    """Write inertial.csv (forward, right, down axes as many units have them; degrees per second) and its map."""
    unit = inertial(drive)
    stamp = drive.start.timestamp() + unit.time_s
    force, rate = unit.force_mps2 * [1.0, -1.0, -1.0], np.rad2deg(unit.rate_radps) * [1.0, -1.0, -1.0]
    rows = zip(stamp.tolist(), *force.T.tolist(), *rate.T.tolist(), strict=True)
    with (folder / "inertial.csv").open("w", encoding="ascii", newline="\n") as file:
        file.write("time_unix_s,acc_x,acc_y,acc_z,gyro_x,gyro_y,gyro_z\n")
        file.writelines("%.3f,%.3f,%.3f,%.3f,%.4f,%.4f,%.4f\n" % row for row in rows)  # noqa: UP031
    _write_inertial_map(folder / "inertial_columns.toml")


def _write_inertial_map(path: Path) -> None:
    """Write the column map of inertial.csv."""
    lines = [
        'files = ["inertial*.csv*"]', 'table = "inertial"', "", "[time]", 'column = "time_unix_s"', 'scale = "unix_s"',
        "", "[axes]", 'frame = "forward_right_down"',
    ]
    for axis in "xyz":
        lines += ["", f"[columns.acceleration_{axis}_mps2]", f'column = "acc_{axis}"', 'unit = "m/s^2"']
    for axis in "xyz":
        lines += ["", f"[columns.rate_{axis}_radps]", f'column = "gyro_{axis}"', 'unit = "deg/s"']
    path.write_text("\n".join(lines) + "\n", encoding="ascii", newline="\n")


def write_measurement(drive: Drive, folder: Path) -> None:
    """Write the measurement in each of the asked formats, and its column maps."""
    kinds = set(drive.spec.outputs)
    if not kinds & {"measurement_csv", "measurement_parquet", "measurement_mf4"}:
        return
    record = measurement(drive)
    if "measurement_csv" in kinds:
        _write_csv(record, folder / "measurement.csv")
        _write_map(folder / "measurement_csv_columns.toml", "measurement*.csv*", "time_unix_s", "unix_s", units=True)
    if "measurement_parquet" in kinds:
        _write_parquet(record, drive, folder / "measurement.parquet")
        _write_map(folder / "measurement_parquet_columns.toml", "measurement*.parquet", "time_utc", "iso_utc")
    if "measurement_mf4" in kinds:
        write_mdf4(record, drive, folder / "measurement.mf4")
        _write_map(folder / "measurement_mf4_columns.toml", "measurement*.mf4", "", "relative")


def _values(record: Measurement) -> dict[str, NDArray[np.generic]]:
    """Return the channels, rounded as the system records them."""
    series = (
        record.wheel_speed_kmh, record.yaw_rate_degps, record.acceleration_x_mps2, record.acceleration_y_mps2,
        record.steering_angle_deg, record.marker,
    )
    return {name: np.round(x, digits) for (name, _, digits, _), x in zip(_CHANNELS, series, strict=True)}


def _write_csv(record: Measurement, path: Path) -> None:
    """Write the measurement as text with a line of units."""
    values = _values(record)
    form = "%.4f," + ",".join(f"%.{digits}f" for _, _, digits, _ in _CHANNELS) + "\n"
    rows = zip(record.clock_unix_s.tolist(), *(v.tolist() for v in values.values()), strict=True)
    with path.open("w", encoding="ascii", newline="\n") as file:
        file.write("time_unix_s," + ",".join(name for name, *_ in _CHANNELS) + "\n")
        file.write("s," + ",".join(unit for _, unit, *_ in _CHANNELS) + "\n")
        file.writelines(form % row for row in rows)


def _write_parquet(record: Measurement, drive: Drive, path: Path) -> None:
    """Write the measurement as Parquet: UTC in microseconds, 32-bit floats, units in the field metadata."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    stamps = np.rint(record.clock_unix_s * 1e4).astype(np.int64) * 100
    arrays = [pa.array(stamps, type=pa.timestamp("us", tz="UTC"))]
    fields = [pa.field("time_utc", pa.timestamp("us", tz="UTC"))]
    for (name, unit, digits, _), values in zip(_CHANNELS, _values(record).values(), strict=True):
        kind = pa.int16() if digits == 0 else pa.float32()
        arrays.append(pa.array(values.astype(np.int16 if digits == 0 else np.float32), type=kind))
        fields.append(pa.field(name, kind, metadata={"unit": unit} if unit else None))
    schema = pa.schema(fields, metadata={"run": drive.spec.run, "source": "acquisition system"})
    pq.write_table(pa.Table.from_arrays(arrays, schema=schema), path, compression="zstd", row_group_size=20_000)


def write_mdf4(record: Measurement, drive: Drive, path: Path) -> None:
    """Write the measurement as MDF4: one group at full rate, one for the marker at a tenth of it.

    Raises
    ------
    MissingExtraError : asammdf is not installed.
    """
    try:
        from asammdf import MDF, Signal
    except ImportError:
        raise MissingExtraError("asammdf", extra="mdf4", purpose="Writing MDF4") from None
    relative = np.round(record.clock_unix_s - record.clock_unix_s[0], 4)
    values = _values(record)
    signals = [
        Signal(values[name].astype(np.float32), relative, unit=unit, name=name)
        for name, unit, digits, _ in _CHANNELS if digits > 0
    ]
    with MDF(version="4.10") as file:
        first_us = round(record.clock_unix_s[0] * 1e4) * 100
        file.header.start_time = pd.Timestamp(first_us, unit="us", tz="UTC").to_pydatetime()
        file.append(signals, comment="vehicle channels", common_timebase=True)
        marker = Signal(values["marker"].astype(np.int16)[::10], relative[::10], name="marker")
        file.append([marker], comment="manoeuvre marker")
        file.save(path, overwrite=True, compression=2)


def _write_map(path: Path, pattern: str, column: str, scale: str, *, units: bool = False) -> None:
    """Write the column map of a measurement file."""
    lines = [f'files = ["{pattern}"]', 'table = "measurement"']
    lines += ["unit_row = 2", ""] if units else [""]
    lines += ["[time]", *([f'column = "{column}"'] if column else []), f'scale = "{scale}"']
    for name, unit, _, ours in _CHANNELS:
        lines += ["", f"[columns.{ours}]", f'column = "{name}"'] + ([f'unit = "{unit}"'] if unit else [])
    path.write_text("\n".join(lines) + "\n", encoding="ascii", newline="\n")
