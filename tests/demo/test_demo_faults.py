"""Every kind of fault does what its name says, and truth and fault list agree with it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analyzer import tables
from analyzer.demo import Drive, DriveSpec, Fault, families, make_drive, simulate
from analyzer.demo.drive import frame_offset
from analyzer.demo.kinds import KINDS
from analyzer.demo.planted import slew_s
from analyzer.demo.scenario import OTHER_STATION_ID
from analyzer.demo.sheets import entered_base
from analyzer.demo.states import AUTONOMOUS, DIFFERENTIAL, FIXED, FLOAT
from analyzer.demo.truth import faults_of
from analyzer.errors import OutputError, UsageError

NEEDS_FUSED = ("wrong_fix_fused", "not_aligned")


def drive_with(*faults: str | Fault, **options: object) -> Drive:
    """Return a drive with the given faults."""
    return simulate(DriveSpec(faults=faults, **({"seed": 11, "duration_s": 420.0} | options)))  # type: ignore[arg-type]


def horizontal(drive: Drive) -> np.ndarray:
    """Return the horizontal error of each epoch [m]."""
    return np.hypot(drive.error_m[:, 0], drive.error_m[:, 1])


@pytest.mark.parametrize("family", [f for f in families() if f != "clean"])
@pytest.mark.parametrize("seed", [3, 14])
def test_every_family_is_planted_and_every_dropout_explained(family: str, seed: int) -> None:
    kind = "fused" if family in NEEDS_FUSED else "gnss"
    drive = drive_with(family, seed=seed, solution_kind=kind, duration_s=600.0)
    content = faults_of(drive, drive.recorded)
    faults = content["faults"]
    assert content["family"] == family
    assert any(f["kind"] == family for f in faults)  # type: ignore[index, union-attr]
    spans = []
    for fault in faults:  # type: ignore[union-attr]
        assert fault["kind"] != "unplanned"
        assert fault["start_utc"] <= fault["end_utc"]
        if fault["dropout_kind"]:
            assert fault["dropout_kind"] in tables.DROPOUT_KINDS
            assert fault["cause"] in tables.CAUSES
            assert fault["cause_without_recordings"] in tables.CAUSES
            spans.append((fault["start_utc"], fault["end_utc"]))
    assert all(a[1] <= b[0] for a, b in zip(sorted(spans), sorted(spans)[1:], strict=False))


def test_a_clean_drive_has_no_planted_fault_and_is_good_while_fixed() -> None:
    for seed in range(1, 6):
        drive = drive_with(seed=seed)
        assert not drive.plan.events
        assert horizontal(drive)[drive.state == FIXED].max() < 0.06


def test_radio_loss_holds_then_floats_then_falls_to_autonomous_and_comes_back() -> None:
    drive = drive_with(Fault("radio_loss", start_s=120.0, duration_s=190.0), hold_s=25.0)
    order = drive.state[drive.time_s > 100.0]
    order = order[np.r_[True, np.diff(order) != 0]].tolist()
    assert order in ([FIXED, FLOAT, DIFFERENTIAL, AUTONOMOUS, DIFFERENTIAL, FLOAT, FIXED],
                     [FIXED, FLOAT, AUTONOMOUS, DIFFERENTIAL, FLOAT, FIXED])
    lost = drive.time_s[(drive.time_s > 100.0) & (drive.state == FLOAT)][0]
    assert lost - 120.0 == pytest.approx(25.0, abs=1.6)


def test_base_off_never_comes_back() -> None:
    drive = drive_with("base_off", duration_s=600.0)
    assert drive.state[-1] == AUTONOMOUS
    assert np.isnan(drive.age_s[-1])
    faults = faults_of(drive, drive.recorded)["faults"]
    outage = next(f for f in faults if f["dropout_kind"] == "correction_outage")  # type: ignore[union-attr]
    assert (outage["cause"], outage["cause_without_recordings"]) == ("base_outage", "corrections_stopped")


@pytest.mark.parametrize("seed", range(1, 9))
def test_second_base_shows_its_station_and_its_frame(seed: int) -> None:
    drive = drive_with(Fault("second_base", start_s=150.0, duration_s=80.0, size=0.9), seed=seed)
    assert set(np.unique(drive.station)) == {17, OTHER_STATION_ID}
    captured = (drive.station == OTHER_STATION_ID) & (drive.state == FIXED)
    if captured.any():
        assert horizontal(drive)[captured].min() > 0.8
    assert np.nanmax(drive.age_s[drive.time_s > 60.0]) < 4.0


def test_resurvey_shifts_every_later_position_by_the_change_of_the_base() -> None:
    drive = drive_with(Fault("base_resurveyed", start_s=200.0, size=0.84))
    late = (drive.time_s > 300.0) & (drive.state == FIXED)
    event = drive.plan.one("base_resurveyed")
    assert event is not None
    assert drive.error_m[late].mean(axis=0) == pytest.approx(event.vector_m, abs=0.03)
    assert horizontal(drive)[drive.time_s < 200.0][-1] < 0.06


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_never_fixed_has_fresh_corrections_and_no_fix(seed: int) -> None:
    drive = drive_with("never_fixed", seed=seed)
    assert drive.state.max() < FIXED
    assert np.nanmax(drive.age_s) < 4.0
    assert "time_to_first_fixed_s" not in faults_of(drive, drive.recorded)


def test_wrong_fix_is_entered_through_float_and_drifts_slowly() -> None:
    for seed in range(1, 6):
        drive = drive_with(Fault("wrong_fix", start_s=160.0, duration_s=90.0, size=0.4), seed=seed)
        wrong = (drive.time_s > 190.0) & (drive.time_s < 249.0)
        assert (drive.state[wrong] == FIXED).all()
        assert horizontal(drive)[wrong] == pytest.approx(0.4, abs=0.12)
        before = drive.state[(drive.time_s > 145.0) & (drive.time_s < 160.0)]
        assert (before == FLOAT).any()
        slope = np.abs(np.polyfit(drive.time_s[wrong], drive.error_m[wrong], 1)[0][:2])
        assert slope.max() < 0.002
        assert horizontal(drive)[(drive.time_s > 290.0)].max() < 0.06


def test_fused_wrong_fix_slews_in_without_a_step() -> None:
    for seed in range(1, 6):
        drive = drive_with(Fault("wrong_fix_fused", start_s=200.0, duration_s=80.0, size=0.5), seed=seed,
                           solution_kind="fused")
        event = drive.plan.one("wrong_fix_fused")
        assert event is not None
        around = (drive.time_s > 199.5) & (drive.time_s < 200.0 + slew_s(event) + 1.0) & (drive.state == FIXED)
        steps = np.hypot(*np.diff(drive.error_m[around, :2], axis=0).T)
        assert steps.max() < 0.05
        assert horizontal(drive)[np.searchsorted(drive.time_s, 200.0 + slew_s(event) + 2.0)] > 0.4


def test_stale_corrections_keep_the_fix_and_lose_the_position() -> None:
    drive = drive_with(Fault("stale_corrections", start_s=150.0, duration_s=100.0, size=3.0))
    stale = (drive.time_s > 150.0) & (drive.time_s < 249.0)
    assert (drive.state[stale] == FIXED).all()
    assert np.nanmax(drive.age_s) == pytest.approx(100.0, abs=2.0)
    assert 0.15 < horizontal(drive)[stale][-1] < 0.6


def test_slow_multipath_stays_fixed_and_swings() -> None:
    drive = drive_with(Fault("slow_multipath", start_s=120.0, duration_s=240.0, size=0.25))
    inside = (drive.time_s > 130.0) & (drive.time_s < 350.0)
    assert (drive.state[inside] == FIXED).all()
    assert horizontal(drive)[inside].max() > 0.12
    assert np.abs(np.diff(drive.error_m[inside], axis=0)).max() < 0.06


def test_spikes_are_single_epochs() -> None:
    drive = drive_with(Fault("spikes", start_s=150.0, size=1.5))
    far = np.flatnonzero((horizontal(drive) > 0.3) & (drive.state == FIXED))
    assert len(far) == 1
    assert drive.time_s[far[0]] == pytest.approx(150.0, abs=0.06)


def test_frozen_output_repeats_the_position_while_speed_goes_on() -> None:
    drive = drive_with(Fault("frozen_output", start_s=110.0, duration_s=10.0))
    frozen = (drive.time_s >= 110.0) & (drive.time_s < 120.0)
    assert np.ptp(drive.logged_enu_m[frozen], axis=0).max() == 0.0
    assert np.hypot(*drive.velocity_mps[frozen].T).min() > 3.0
    assert horizontal(drive)[frozen][-1] > 30.0


def test_restart_loses_epochs_then_starts_cold() -> None:
    drive = drive_with(Fault("receiver_restart", start_s=200.0, duration_s=10.0))
    assert not drive.recorded[(drive.time_s > 200.2) & (drive.time_s < 209.8)].any()
    after = drive.state[(drive.time_s > 210.2) & (drive.time_s < 260.0)]
    assert after[0] == 0
    assert after[-1] == FIXED


def test_logger_gap_leaves_the_age_continuous() -> None:
    drive = drive_with(Fault("logger_gap", start_s=200.0, duration_s=8.0))
    lost = ~drive.recorded
    assert lost.sum() == 80
    assert np.nanmax(drive.age_s[drive.state == FIXED]) < 4.0


@pytest.mark.parametrize("kind", ["base_moved", "base_not_settled"])
def test_constant_offsets_shift_the_log_and_stand_in_the_fault_list(kind: str) -> None:
    drive = drive_with(Fault(kind, size=0.3))
    offset = frame_offset(drive.spec, drive.plan)
    fixed = drive.state == FIXED
    assert np.hypot(*offset[:2]) == pytest.approx(0.3, abs=1e-3)
    assert (drive.logged_enu_m - drive.true_enu_m)[fixed].mean(axis=0) == pytest.approx(offset, abs=0.03)
    assert horizontal(drive)[fixed].max() < 0.06
    content = faults_of(drive, drive.recorded)
    assert [content[f"offset_{a}_m"] for a in "enu"] == pytest.approx(offset, abs=1e-4)
    usual = entered_base(drive_with())
    moved = np.linalg.norm(entered_base(drive) - usual)
    assert (moved < 1e-9) == (kind == "base_moved")


def test_wrong_lever_arm_turns_with_the_car() -> None:
    drive = drive_with(Fault("lever_arm_wrong", size=0.2), duration_s=600.0)
    shift = (drive.logged_enu_m - drive.true_enu_m - drive.error_m)[:, :2]
    assert np.hypot(*shift.T) == pytest.approx(0.2, abs=1e-3)
    turned = np.unwrap(np.arctan2(shift[:, 1], shift[:, 0]))
    assert np.ptp(turned - np.unwrap(drive.heading_rad)) < 1e-6
    assert "offset_forward_m" in faults_of(drive, drive.recorded)


def test_misalignment_ends_when_aligned() -> None:
    drive = drive_with(Fault("not_aligned", duration_s=150.0, size=70.0), solution_kind="fused")
    early = (drive.time_s > 60.0) & (drive.time_s < 140.0) & (drive.state == FIXED)
    # A lever of 0.62 m turned by 70 degrees moves the point by 2 * 0.62 * sin(35 deg) = 0.71 m.
    assert horizontal(drive)[early] == pytest.approx(0.71, abs=0.06)
    assert horizontal(drive)[(drive.time_s > 160.0) & (drive.state == FIXED)].max() < 0.06


def test_the_same_specification_gives_the_same_bytes_and_outputs_do_not_disturb_it(tmp_path: Path) -> None:
    spec = DriveSpec(seed=4, duration_s=150.0, faults=("underpass", "spikes"), marks=1)
    first = make_drive(tmp_path / "a", spec)
    second = make_drive(tmp_path / "b", replace(spec, outputs=("corrections", "inertial", "measurement_csv")))
    for name in ("rover.nmea", "truth.csv", "faults.json", "setup.toml", "windows.csv", "check_points.csv"):
        assert (first / name).read_bytes() == (second / name).read_bytes()
    other = make_drive(tmp_path / "c", replace(spec, seed=5))
    assert (other / "rover.nmea").read_bytes() != (first / "rover.nmea").read_bytes()


def test_missing_epochs_are_marked_in_truth(tmp_path: Path) -> None:
    folder = make_drive(tmp_path, seed=3, faults=(Fault("logger_gap", start_s=70.0, duration_s=6.0),), duration_s=100.0)
    truth = pd.read_csv(folder / "truth.csv")
    assert len(truth) == 1000
    assert (truth["logged"] == 0).sum() == 60
    gap = json.loads((folder / "faults.json").read_text())["faults"]
    found = [f for f in gap if f["dropout_kind"] == "missing_epochs"]
    assert [f["cause"] for f in found] == ["logger_gap"]


@pytest.mark.parametrize(("options", "word"), [
    ({"rate_hz": 7.0}, "rate_hz"), ({"duration_s": 10.0}, "duration_s"), ({"faults": ("no_such",)}, "no_such"),
    ({"solution_kind": "magic"}, "solution_kind"), ({"outputs": ("tea",)}, "tea"), ({"marks": 9}, "marks"),
    ({"speed": 3}, "speed"),
])
def test_wrong_parameters_are_one_sentence(tmp_path: Path, options: dict[str, object], word: str) -> None:
    with pytest.raises(UsageError, match=word):
        make_drive(tmp_path, **options)  # type: ignore[arg-type]


def test_a_folder_that_cannot_be_made_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(OutputError, match="cannot write the drive"):
        make_drive(tmp_path / "file" / "drive", duration_s=60.0)


def test_every_kind_has_a_meaning() -> None:
    assert len({k.name for k in KINDS}) == len(KINDS)
    assert all(k.meaning and k.timing in ("timed", "place", "whole", "start", "tail") for k in KINDS)
