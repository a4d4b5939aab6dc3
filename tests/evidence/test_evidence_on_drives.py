"""The whole evidence on simulated drives with known truth: never trusting what is wrong, and still of use."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from analyzer.demo import Fault, make_drive
from analyzer.evidence.gather import gather
from analyzer.evidence.result import Evidence
from analyzer.metrics.measure import measure
from analyzer.verdict.judge import judge
from analyzer.verdict.purposes import load_purpose
from tests.evidence.drives import held_against_truth, read

LIMIT_M = 0.10


def _drive(folder: Path, **options: Any) -> tuple[pd.DataFrame, Evidence]:
    make_drive(folder, **({"duration_s": 480.0} | options))
    recording, metrics = read(folder)
    evidence = gather(recording, metrics)
    return held_against_truth(folder, recording, evidence), evidence


def _misleading(table: pd.DataFrame) -> float:
    return float((table["error_m"][table["trusted"]] > LIMIT_M).mean())


def _useful(table: pd.DataFrame) -> float:
    good = table["fixed"] & (table["error_m"] <= LIMIT_M)
    return float(table["trusted"][good].mean())


@pytest.mark.parametrize("options", [
    {}, {"rate_hz": 1.0}, {"rate_hz": 50.0, "duration_s": 240.0}, {"gst": False}, {"rmc": False}, {"noise_factor": 0.5},
    {"solution_kind": "fused", "outputs": ("inertial",)}, {"solution_kind": "fused"},
], ids=["plain", "1 Hz", "50 Hz", "no GST", "no RMC", "half noise", "fused with inertial", "fused"])
def test_a_clean_drive_is_trusted_with_a_narrow_bound(tmp_path: Path, options: dict[str, Any]) -> None:
    table, _ = _drive(tmp_path, seed=21, **options)
    assert _misleading(table) == 0.0
    assert _useful(table) >= 0.98
    assert table["bound_m"][table["fixed"]].median() <= 0.04
    assert (table["error_m"] <= table["bound_m"]).mean() >= 0.95


@pytest.mark.parametrize("fault", [
    Fault("wrong_fix", start_s=180.0, duration_s=70.0, size=0.4), Fault("stale_corrections", start_s=150.0, duration_s=120.0, size=3.0),
    Fault("frozen_output", start_s=200.0, duration_s=12.0), Fault("radio_loss", start_s=180.0, duration_s=60.0),
    Fault("spikes", start_s=200.0, size=1.0), Fault("second_base", start_s=180.0, duration_s=80.0, size=0.8),
], ids=lambda f: f.kind)
def test_what_is_wrong_is_not_trusted_on_a_satellite_drive(tmp_path: Path, fault: Fault) -> None:
    table, _ = _drive(tmp_path, seed=22, faults=(fault,), outputs=("inertial",))
    assert _misleading(table) <= 0.001
    assert _useful(table) >= 0.8


def test_a_base_that_comes_back_elsewhere_is_seen_by_the_step_where_no_speed_bridges_the_outage(tmp_path: Path) -> None:
    moved = Fault("base_resurveyed", start_s=180.0, duration_s=45.0, size=1.2)
    table, evidence = _drive(tmp_path, seed=26, faults=(moved,), rmc=False)
    assert _misleading(table) <= 0.001 and evidence.segments["decision"].iloc[-1] in ("wrong", "other_frame", "doubtful")
    (said,) = [f for f in evidence.findings if f.code == "base_elsewhere"]
    assert np.hypot(*(float(str(said.evidence[key])) for key in ("east_m", "north_m"))) == pytest.approx(1.2, abs=0.3)
    _, evidence = _drive(tmp_path / "radio", seed=26, faults=(Fault("radio_loss", start_s=180.0, duration_s=45.0),), rmc=False)
    assert not any(f.code == "base_elsewhere" for f in evidence.findings)


@pytest.mark.parametrize("lost_again", [False, True])
def test_a_moved_base_is_called_so_and_keeps_its_frame_behind_another_loss(tmp_path: Path, lost_again: bool) -> None:
    """Issue: all positions stepping together after a power cycle of the base is a base event, not a wrong fix."""
    faults = (Fault("base_resurveyed", start_s=180.0, duration_s=45.0, size=1.2),
              *((Fault("underpass", start_s=330.0, duration_s=8.0),) if lost_again else ()))
    table, evidence = _drive(tmp_path, seed=26, faults=faults)
    assert _misleading(table) <= 0.001 and _useful(table) >= 0.8
    assert set(evidence.segments["decision"].iloc[1:]) == {"other_frame"} and "wrong" not in set(evidence.segments["decision"])
    assert evidence.segments["evidence"].iloc[-1].startswith("probability of another frame")
    assert "all positions step: the base's place or station changed" in set(evidence.jumps["decision"])
    (said,) = [f for f in evidence.findings if f.code == "other_frame"]
    assert np.hypot(*(float(str(said.evidence[key])) for key in ("east_m", "north_m"))) == pytest.approx(1.2, abs=0.3)
    elsewhere = evidence.bounds["other_frame"].to_numpy(bool) & (evidence.bounds["bound_segment_m"] > 0.3).to_numpy()
    assert elsewhere.mean() > 0.25


@pytest.mark.parametrize(("size_m", "rate_hz"), [(0.15, 10.0), (0.25, 2.0), (0.4, 1.0)])
def test_a_base_that_is_knocked_over_while_corrections_go_on_is_seen_by_the_one_step(tmp_path: Path, size_m: float, rate_hz: float) -> None:
    """All positions step within one epoch, nothing is lost and nothing else tells: what lies behind is not trusted, and likelier off than what lies before."""
    make_drive(tmp_path, seed=23, duration_s=900.0, rate_hz=rate_hz)
    recording, _ = read(tmp_path)
    fixes = recording.fixes.copy()
    behind = (fixes.index - fixes.index[0]).total_seconds() > 450.0
    fixes.loc[behind, "latitude_deg"] += 0.8 * size_m / 111_200.0
    fixes.loc[behind, "longitude_deg"] += 0.6 * size_m / (111_300.0 * np.cos(np.radians(float(fixes["latitude_deg"].median()))))
    fixes.loc[behind, "height_m"] -= 0.6 * size_m
    moved = replace(recording, fixes=fixes)
    evidence = gather(moved, measure(moved))
    trust, _ = judge(evidence.bounds, fixes, load_purpose("lane"))
    assert not (np.asarray(trust) == "trusted")[behind].any()
    told = evidence.segments["evidence"].iloc[-1]
    assert told.startswith("probability of another frame") and float(told.split("station) ")[1].split(";")[0]) > 0.5


@pytest.mark.parametrize("options", [
    {"faults": (Fault("radio_loss", start_s=180.0, duration_s=60.0), Fault("wrong_fix", start_s=300.0, duration_s=60.0, size=0.4))},
    {"faults": (Fault("slow_multipath", start_s=150.0, duration_s=150.0, size=0.25), Fault("underpass", start_s=330.0, duration_s=8.0)), "gst": False},
    {"faults": (Fault("optimistic_claims"),)}, {"faults": (Fault("frozen_output", start_s=200.0, duration_s=12.0),), "solution_kind": "fused"},
], ids=["losses", "swing without claims", "small claims", "frozen"])
def test_bounds_are_what_their_parts_say_by_the_written_rule(tmp_path: Path, options: dict[str, Any]) -> None:
    """The rule at the head of `gather`: whoever has the columns can do the sum again."""
    make_drive(tmp_path, duration_s=480.0, seed=27, **options)
    recording, metrics = read(tmp_path)
    bounds = gather(recording, metrics).bounds
    fixed = (recording.fixes["fix_state"] == "fixed").to_numpy()
    for prefix, total in (("", "horizontal_bound_m"), ("vertical_", "vertical_bound_m")):
        part = {name: bounds[f"{prefix}bound_{name}_m"].to_numpy() for name in (
            "base", "baseline", "sky", "ageing", "scatter", "segment", "standstill", "frozen", "alignment", "settling", "bridge")}
        tight = np.sqrt(sum(part[name] ** 2 for name in ("base", "baseline", "sky", "ageing"))) + np.maximum.reduce(
            [part[name] for name in ("scatter", "segment", "standstill", "frozen", "alignment", "settling")])
        start = np.where(part["bridge"] > 0, part["bridge"], part["base"])
        loose = np.maximum.reduce([start, part["segment"], part["alignment"]]) + part["frozen"]
        have = bounds[total].notna().to_numpy()
        assert np.where(fixed, tight, loose)[have] == pytest.approx(bounds[total].to_numpy()[have], rel=1e-9)
        assert (~fixed & have).any() and (fixed & have).any()


@pytest.mark.parametrize("seed", [31, 32, 33])
def test_raw_inertial_data_expose_a_wrong_fix_that_slews_in(tmp_path: Path, seed: int) -> None:
    table, evidence = _drive(tmp_path, seed=seed, faults=(Fault("wrong_fix_fused", start_s=180.0, duration_s=70.0, size=0.5),),
                             solution_kind="fused", outputs=("inertial",))
    assert _misleading(table) <= 0.01
    assert (evidence.segments["decision"] == "wrong").any()
    assert any(f.code == "slow_steps" for f in evidence.findings)


def test_without_the_inertial_data_the_report_says_what_it_cannot_show(tmp_path: Path) -> None:
    _, evidence = _drive(tmp_path, seed=31, solution_kind="fused")
    assert any("takes slowly along the track" in words for words in evidence.cannot_show)
    (said,) = [f for f in evidence.findings if f.code == "fused_unwatched"]
    assert said.level == "warning" and "along the track and in height" in said.text and said.text.endswith("Give raw inertial data to have it checked.")
    _, watched = _drive(tmp_path / "watched", seed=31, solution_kind="fused", outputs=("inertial",))
    assert not any(f.code == "fused_unwatched" for f in watched.findings)


def test_a_heading_that_is_not_aligned_is_doubtful_until_it_is(tmp_path: Path) -> None:
    table, evidence = _drive(tmp_path, seed=23, faults=("not_aligned",), solution_kind="fused", outputs=("inertial",))
    assert _misleading(table) <= 0.001
    assert _useful(table) >= 0.8
    assert any(f.code == "not_aligned" for f in evidence.findings)
    assert any(f.code == "heading_mode" and "estimated for" in f.text for f in evidence.findings)


@pytest.mark.parametrize("seed", [25, 28, 34])
def test_a_swing_larger_than_doppler_drifts_is_not_trusted(tmp_path: Path, seed: int) -> None:
    table, evidence = _drive(tmp_path, seed=seed, faults=(Fault("slow_multipath", start_s=180.0, duration_s=110.0, size=0.3),))
    bad = table["fixed"] & (table["error_m"] > LIMIT_M)
    assert bad.sum() > 100
    assert table["trusted"][bad].mean() < 0.1
    assert any(f.code == "slow_swings" for f in evidence.findings)


def test_passes_of_the_road_show_a_swing_without_any_speed(tmp_path: Path) -> None:
    """Nothing but heights: the same drive without that evidence trusts the swing and says that it cannot see it."""
    make_drive(tmp_path, seed=43, duration_s=900.0, rmc=False, faults=(Fault("slow_multipath", start_s=520.0, duration_s=120.0, size=0.3),))
    recording, metrics = read(tmp_path)
    seen, blind = (gather(recording, metrics, without=kinds) for kinds in ((), ("road",)))
    rows = [held_against_truth(tmp_path, recording, x) for x in (seen, blind)]
    bad = rows[0]["fixed"] & (rows[0]["error_m"] > LIMIT_M)
    assert bad.sum() > 300
    trusted = [float(x["trusted"][bad].mean()) for x in rows]
    assert trusted[0] < 0.3 < 0.9 < trusted[1]
    (said,) = [f for f in seen.findings if f.code == "road_heights"]
    assert said.level == "warning" and int(str(said.evidence["differing_s"])) > 20
    assert any("passed only once" in words for words in seen.cannot_show)
    assert not any(f.code == "road_heights" for f in blind.findings) and not any("passed only once" in words for words in blind.cannot_show)


def test_a_fused_fix_nobody_watched_is_cleared_where_the_road_lies_as_high_as_before(tmp_path: Path) -> None:
    make_drive(tmp_path, seed=45, duration_s=900.0, solution_kind="fused", faults=(Fault("underpass", start_s=520.0, duration_s=8.0),))
    recording, metrics = read(tmp_path)
    useful = [_useful(held_against_truth(tmp_path, recording, gather(recording, metrics, without=kinds))) for kinds in ((), ("road",))]
    assert useful[0] > 0.95 and useful[1] < 0.8


def test_an_hour_at_a_high_rate_takes_seconds(tmp_path: Path) -> None:
    """Linear in time: twelve minutes at 50 Hz in a second or so, an hour at 100 Hz in ten times that."""
    make_drive(tmp_path, seed=25, duration_s=720.0, rate_hz=50.0)
    recording, metrics = read(tmp_path)
    began = time.perf_counter()
    gather(recording, metrics)
    assert time.perf_counter() - began < 5.0
