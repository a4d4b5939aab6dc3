"""Signals of one measurement that are stamped by clocks of their own: rows never move by what belongs to another group."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from attach_drives import START, epochs_of, measured_of, motion

from analyzer.attaching.decide import decide
from analyzer.attaching.measured import Named
from analyzer.attaching.measured_files import open_measurement_file
from analyzer.attaching.pulse import find_pulses
from analyzer.attaching.time_offset import TimeOffset, estimate
from analyzer.errors import RefusedError
from analyzer.parsers.column_map import parse_column_map


def grouped(late_s: float, rows_of: tuple[str, ...] | None, *, wheel_s: float = 0.0, delay_s: float = 0.0) -> TimeOffset:
    """Wheel speed off by `wheel_s`, inertial signals stamped `late_s` late."""
    drive = motion(400.0, seed=11)
    signals = measured_of(drive, offset_s=wheel_s, delay_s=delay_s, inertial=True)
    moved = {n: (clock - wheel_s + late_s, values) if n != "speed_mps" else (clock, values) for n, (clock, values) in signals.items()}
    return estimate(epochs_of(drive), moved, origin=START, rows_of=rows_of)


@pytest.mark.parametrize("late_s", [0.25, 0.04, -0.2])
@pytest.mark.parametrize("rows_of", [None, ("speed_mps",)])
def test_rows_of_the_wheel_group_keep_the_clock_of_the_wheel_speed(late_s: float, rows_of: tuple[str, ...] | None) -> None:
    found = grouped(late_s, rows_of)
    assert found.offset_s == pytest.approx(0.0, abs=0.006)
    assert {a.kind for a in found.apart} == {"yaw_rate", "acceleration"}
    assert all(a.late_s == pytest.approx(late_s, abs=0.012) for a in found.apart)
    note = next(n for n in found.notes if "yaw rate stamps" in n)
    assert "no clock in common" in note and ("later than speed" in note) == (late_s > 0)
    assert decide(found, None, name="m.mf4", placed=True).line.offset_s == found.offset_s


def test_rows_of_the_inertial_group_are_refused_with_its_own_offset() -> None:
    found = grouped(0.25, ("yaw_rate_radps", "acceleration_x_mps2"))
    assert found.offset_s == pytest.approx(0.25, abs=0.01)
    with pytest.raises(RefusedError, match="clocks disagree"):
        decide(found, None, name="m.mf4", placed=True)
    assert decide(found, "auto", name="m.mf4", placed=True).line.offset_s == pytest.approx(0.25, abs=0.01)


@pytest.mark.parametrize("wanted", [None, "auto"])
def test_rows_of_a_third_group_are_refused_where_the_others_disagree(wanted: str | None) -> None:
    found = grouped(0.25, ())
    with pytest.raises(RefusedError, match=r"no clock in common \(speed leads, .*yaw rate stamps \+2.*--rate-of") as caught:
        decide(found, wanted, name="m.mf4", placed=True)
    assert caught.value.exit_code == 6
    stated = decide(found, 0.0, name="m.mf4", placed=True)
    assert stated.half_width(epochs_of(motion(30.0)).index)[0] >= 0.24
    assert not grouped(0.0, ()).apart


def test_a_delay_that_a_sensor_can_have_is_no_other_clock() -> None:
    found = grouped(0.02, None, wheel_s=0.02, delay_s=0.045)
    assert not found.apart
    assert found.signal_delay_s == pytest.approx(0.045, abs=0.006)
    assert found.offset_s == pytest.approx(0.02, abs=0.006)


def test_a_pulse_of_another_clock_does_not_move_the_rows() -> None:
    drive = motion(300.0, seed=17)
    clock = np.arange(0.0, 300.0, 0.001)
    pulses = find_pulses(clock, ((clock - 0.3) % 1.0 < 0.2).astype(float))
    found = estimate(epochs_of(drive), measured_of(drive), origin=START, pulses=pulses)
    assert found.delay_source is None
    assert found.offset_s == pytest.approx(0.0, abs=0.006)


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize(("rate_of", "told"), [(None, ("speed_mps",)), ("yaw_rate", ("yaw_rate_radps",)), ("oil", ())])
def test_the_group_of_the_rows_is_read_from_the_file(tmp_path: Path, rate_of: str | None, told: tuple[str, ...]) -> None:
    asammdf = pytest.importorskip("asammdf", reason="the extra mdf4 is not installed")
    path = tmp_path / "measurement.mf4"
    clock = np.arange(0.0, 60.0, 0.01)
    with asammdf.MDF(version="4.10") as file:
        file.header.start_time = START.to_pydatetime()
        for name, unit, stamps in (("wheel_speed", "km/h", clock), ("yaw_rate", "rad/s", clock + 0.25), ("oil", "degC", clock[::10])):
            file.append([asammdf.Signal(np.sin(stamps) + 2.0, stamps, name=name, unit=unit)])
        file.save(path)
    used = parse_column_map('files = ["measurement*.mf4"]\ntable = "measurement"\n[time]\nscale = "relative"\n[columns.speed_mps]\n'
                            'column = "wheel_speed"\nunit = "km/h"\n[columns.yaw_rate_radps]\ncolumn = "yaw_rate"\nunit = "rad/s"\n')
    opened = open_measurement_file(path, [used], Named(rate_of=rate_of), start=START)
    assert opened.measured.rows_of == told
