"""Sharp steps in height of a fused solution nobody watches: when it took or left a wrong fix."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analyzer import Recording, assess, read
from analyzer.demo import DriveSpec, make_drive
from analyzer.evidence.heights import Leaps
from analyzer.evidence.sharp_heights import leap_words, with_leaps
from analyzer.evidence.slews import none_found
from analyzer.evidence.track import Track
from tests.evidence.tracks import weaving


def stepped(size_m: float, *, at: int = 1500, settles: int = 10) -> Track:
    track = weaving()
    up = size_m * np.clip((np.arange(len(track)) - at) / settles, 0.0, 1.0)
    return replace(track, places=track.places + np.column_stack([np.zeros((len(track), 2)), up]))


def leaps(*at: int) -> Leaps:
    return Leaps(np.array(at, dtype=np.int64), np.zeros((len(at), 3)), np.ones((len(at), 2)))


@pytest.mark.parametrize("size_m", [0.9, -4.0])
def test_a_step_that_no_road_makes_is_one_of_unknown_size_in_plan(size_m: float) -> None:
    track = stepped(4.0 * size_m)
    found = with_leaps(none_found(len(track)), leaps(1502), track)
    assert found.step[0] == pytest.approx([0.0, 0.0, 4.0 * size_m], abs=0.2)
    assert np.sqrt(found.var[0, 0]) >= 0.5 and found.inside[1500:1510].all() and not found.inside[:1490].any()
    (finding,) = leap_words(none_found(len(track)), found, blind=False)
    assert finding.level == "warning" and "stepped once by more" in finding.text


@pytest.mark.parametrize("size_m", [0.0, 0.2, 0.7])
def test_kerbs_and_steep_streets_are_none(size_m: float) -> None:
    """At 15 m/s a street of 6 % rises by 2.5 m in the time a filter takes to settle."""
    track = stepped(size_m)
    nothing = none_found(len(track))
    assert with_leaps(nothing, leaps(1502), track) is nothing and leap_words(nothing, nothing, blind=False) == ()


def test_what_independent_motion_measured_is_not_counted_twice() -> None:
    track = stepped(4.0)
    once = with_leaps(none_found(len(track)), leaps(1502), track)
    assert with_leaps(once, leaps(1502), track) is once


@pytest.fixture(scope="module")
def fused(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """Return a slow fused drive that steps by five metres in height for a minute while its velocity goes on."""
    place: Path = tmp_path_factory.mktemp("leap") / "drive"
    make_drive(place, DriveSpec(seed=5, duration_s=300.0, rate_hz=10.0, solution_kind="fused"))
    log = read(place / "rover.nmea", solution_kind="fused")
    fixes = log.fixes.copy()
    held = (np.arange(len(fixes)) >= 1500) & (np.arange(len(fixes)) < 2100)
    fixes["height_m"] += np.where(held, 5.0, 0.0)
    return replace(log, fixes=fixes)


def test_the_side_between_two_steps_is_wrong_and_said_so(fused: Recording) -> None:
    whole = assess(fused)
    assert "height_steps" in {f.code for f in whole.findings}
    trust = whole.epochs["trust"].astype(str).to_numpy()
    assert not (trust[1560:2040] == "trusted").any()
    assert (trust[200:1400] == "trusted").mean() >= (trust[1560:2040] == "trusted").mean()
    jumps = whole.jumps[pd.to_numeric(whole.jumps["du_m"]).abs() > 1.0]
    assert len(jumps) >= 2


def test_without_any_speed_a_step_in_height_parts_what_nothing_else_does(tmp_path: Path) -> None:
    """At 2 Hz the way of the car hides a third of a metre in plan; half a metre of height between two epochs is no road."""
    make_drive(tmp_path, DriveSpec(seed=6, duration_s=420.0, rate_hz=2.0, rmc=False))
    log = read(tmp_path / "rover.nmea")
    plain = assess(log)
    assert "height_steps" not in {f.code for f in plain.findings}
    fixes = log.fixes.copy()
    behind = (np.arange(len(fixes)) >= 500) & (fixes["fix_state"] == "fixed").to_numpy()
    fixes.loc[behind, "height_m"] -= 0.5
    fixes.loc[behind, "latitude_deg"] += 0.3 / 111_200.0
    whole = assess(replace(log, fixes=fixes))
    (said,) = [f for f in whole.findings if f.code == "height_steps"]
    assert "no speed was logged" in said.text
    row = whole.jumps.loc[(whole.jumps["time_utc"] - fixes.index[500]).abs().idxmin()]
    assert row["decision"] == "one side is wrong in height; in plan not known: nothing bridges the gap"
    trusted = whole.epochs["trust"].astype(str).to_numpy() == "trusted"
    assert not (trusted[250:490].any() and trusted[510:].any())
