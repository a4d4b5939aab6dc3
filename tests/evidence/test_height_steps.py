"""Heights decide where plan alone cannot: stretches are cut at steps of height, jumps measured beside them, bounds of height hold them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analyzer.demo import make_drive
from analyzer.evidence.gather import gather
from analyzer.evidence.height_steps import UNMEASURED, cut_at_leaps, height_steps, off_level, stepped
from analyzer.evidence.heights import Leaps, find_leaps
from analyzer.evidence.knots import Knots
from analyzer.evidence.noise import Noise
from analyzer.evidence.result import Evidence
from analyzer.evidence.stretches import Stretches
from analyzer.evidence.track import Track
from analyzer.metrics.measure import measure
from analyzer.recording import Recording
from tests.evidence.drives import read
from tests.evidence.tracks import weaving

QUIET = Noise(0.01, 1e-4, 0.01, 25.0, learnt=True)


def _stretches(count: int, *starts: int) -> Stretches:
    first = np.array([0, *starts])
    ids = np.searchsorted(first, np.arange(count), side="right") - 1
    return Stretches(np.column_stack([first, [*starts, count]]), np.arange(len(first)) > 0, ids)


def _leaps(*rows: tuple[int, float], sigma: float = 0.01) -> Leaps:
    at = np.array([k for k, _ in rows], dtype=np.int64)
    step = np.column_stack([np.zeros((len(rows), 2)), [up for _, up in rows]])
    return Leaps(at, step, np.tile([1e-4, sigma**2], (len(rows), 1)))


@pytest.mark.parametrize("rate_hz", [1.0, 10.0])
@pytest.mark.parametrize("slope", [-0.05, 0.0, 0.05])
def test_a_step_on_a_slope_is_found_at_its_epoch(slope: float, rate_hz: float) -> None:
    """Down a street the height changes by more between two epochs than many a wrong fix makes it step."""
    track = weaving(rate_hz=rate_hz)
    way = np.r_[0.0, np.cumsum(np.hypot(*np.diff(track.places[:, :2], axis=0).T))]
    at = int(150 * rate_hz)
    up = slope * way + np.where(np.arange(len(track)) >= at, 0.36, 0.0) + 0.005 * np.random.default_rng(4).normal(size=len(track))
    steep = replace(track, places=np.column_stack([track.places[:, :2], up]))
    found = find_leaps(steep, np.zeros((len(track), 2)), QUIET, _stretches(len(track)), coarse=np.ones(len(track)))
    driving = np.abs(found.at - at) < 100 * rate_hz  # this car sets off and stops at once, and so does its slope
    assert found.at[driving].tolist() == [at] and found.step[driving][0, 2] == pytest.approx(0.36, abs=0.05)


def _level(count: int, *steps: tuple[int, float]) -> Track:
    """Return a drive with level heights but for `steps`."""
    track = weaving(count / 10)
    up = sum((np.where(np.arange(len(track)) >= at, size, 0.0) for at, size in steps), np.zeros(len(track)))
    return replace(track, places=np.column_stack([track.places[:, :2], up]))


def test_stretches_are_cut_where_no_car_drives_over_the_step() -> None:
    whole = _stretches(100, 40)
    assert cut_at_leaps(whole, _leaps((20, 0.1)), _level(100, (20, 0.1))) is whole, "a kerb"
    assert cut_at_leaps(whole, _leaps((40, 0.5)), _level(100, (40, 0.5))) is whole, "cut there already"
    assert cut_at_leaps(whole, _leaps((60, 0.5)), _level(100, (60, 0.5), (63, -0.5))) is whole, "a spike"
    by_degrees = _level(100, *((58 + k, 0.1) for k in range(5)))
    assert cut_at_leaps(whole, _leaps((60, 0.5)), by_degrees) is whole
    found = cut_at_leaps(whole, _leaps((20, 0.5), (30, 0.1), (70, -0.4)), _level(100, (20, 0.5), (30, 0.1), (70, -0.4)))
    assert found.spans.tolist() == [[0, 20], [20, 40], [40, 70], [70, 100]]
    assert found.by_jump.tolist() == [False, True, True, True]
    assert np.bincount(found.id).tolist() == [20, 20, 30, 30] and (np.diff(found.id) >= 0).all()
    lost = replace(whole, spans=np.array([[0, 35], [40, 100]]), id=np.where(np.arange(100) < 35, 0, np.where(np.arange(100) < 40, -1, 1)),
                   by_jump=np.zeros(2, bool))
    found = cut_at_leaps(lost, _leaps((20, 0.5), (37, 0.5)), _level(100, (20, 0.5), (37, 0.5)))
    assert found.spans.tolist() == [[0, 20], [20, 35], [40, 100]] and (found.id[35:40] == -1).all()
    assert found.by_jump.tolist() == [False, True, False]


def test_to_brake_on_a_slope_at_one_epoch_per_second_is_no_step() -> None:
    """From 27 m/s up a slope of 3 % the climb ends within five epochs."""
    climb = np.r_[np.full(60, 0.79), 0.66, 0.48, 0.30, 0.07, np.zeros(60)]
    track = weaving(len(climb), rate_hz=1.0)
    count = min(len(track), len(climb))
    slope = replace(track, places=np.column_stack([track.places[:, :2], np.r_[np.cumsum(climb[:count]), np.zeros(len(track) - count)]]))
    whole = Stretches(np.array([[0, count]]), np.zeros(1, bool), np.where(np.arange(len(track)) < count, 0, -1))
    assert not len(find_leaps(slope, np.zeros((len(track), 2)), QUIET, whole, coarse=np.ones(len(track))).at)


def test_a_spike_of_a_few_epochs_is_no_step() -> None:
    track = _level(3000, (1500, 1.7), (1503, -1.7))
    assert not len(find_leaps(track, np.zeros((len(track), 2)), QUIET, _stretches(len(track)), coarse=np.ones(len(track))).at)


def test_a_jump_is_measured_beside_it_and_a_gap_is_not() -> None:
    """A hilly road is known to decimetres over the seconds that filters look across; from one epoch to the next there is no road."""
    track = weaving(rate_hz=1.0)
    count, rng = len(track), np.random.default_rng(6)
    up = 0.4 * np.sin(track.t / 15) + np.where(track.t >= 150, 0.3, 0.0) + 0.005 * rng.normal(size=count)
    hilly = replace(track, places=np.column_stack([track.places[:, :2], up]))
    knots = Knots(track.t, np.arange(count), np.column_stack([up, up]), up, np.ones(count), np.ones(count), np.full(count - 1, 1e-4), np.ones(count - 1))
    road = Noise(0.005, 0.02, 0.3, 25.0, learnt=True, seconds=300.0)
    at_once = _stretches(count, 150)
    step, var = height_steps(at_once, knots, road, hilly, coarse=np.ones(count))
    after_gap = replace(at_once, by_jump=np.zeros(2, dtype=bool))
    vague, vague_var = height_steps(after_gap, knots, road, hilly, coarse=np.ones(count))
    assert step[0] == pytest.approx(0.3, abs=0.08) and np.sqrt(var[0]) < 0.1 < np.sqrt(vague_var[0])
    assert stepped(step, var).all() and not stepped(vague, vague_var).any()
    unknown, huge = height_steps(at_once, knots, replace(road, learnt=False), hilly, coarse=np.ones(count))
    assert unknown.tolist() == [0.0] and huge.tolist() == [UNMEASURED]


def test_heights_are_off_by_what_they_stepped_from_the_level_that_lasts() -> None:
    t = np.arange(100.0)
    away = off_level(_leaps((30, 0.12), (50, -0.12)), _stretches(100), t)
    assert (away[:30] == 0).all() and (away[50:] == 0).all()
    assert away[30:50] == pytest.approx(0.12 + 1.96 * 0.01, abs=1e-4)
    assert not off_level(_leaps((30, 0.12), sigma=0.05), _stretches(100), t).any(), "no more than chance"
    assert off_level(_leaps((30, 0.12)), _stretches(100), t)[:30] == pytest.approx(0.14, abs=0.01), "the shorter side"
    assert not off_level(_leaps((40, 0.5)), _stretches(100, 40), t).any(), "a step between stretches is weighed with them"


@pytest.fixture(scope="module", params=[1.0, 10.0])
def clean(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Recording:
    recording, _ = read(Path(make_drive(tmp_path_factory.mktemp("clean"), seed=5, duration_s=420.0, rate_hz=request.param)))
    return recording


def _changed(recording: Recording, north_m: float, up_m: float, *, slope_mps: float = 0.0) -> tuple[Evidence, np.ndarray]:
    """Return the evidence with positions from 150 to 210 s moved, and which epochs these are."""
    t = (recording.fixes.index - recording.fixes.index[0]).total_seconds().to_numpy()
    inside = (t >= 150) & (t < 210)
    fixes = recording.fixes
    moved = replace(recording, fixes=fixes.assign(
        latitude_deg=fixes["latitude_deg"] + np.where(inside, north_m / 111_200.0, 0.0),
        height_m=fixes["height_m"] + np.where(inside, up_m, 0.0) + slope_mps * np.clip(t - 100, 0, 160)))
    return gather(moved, measure(moved)), inside


def test_a_wrong_fix_on_a_slope_is_told_from_its_neighbours(clean: Recording) -> None:
    found, inside = _changed(clean, 0.16, 0.36, slope_mps=-0.4)
    bound = found.bounds["horizontal_bound_m"].to_numpy()
    assert (bound[inside] > 0.16).mean() > 0.95 and (found.bounds["vertical_bound_m"].to_numpy()[inside] > 0.36).mean() > 0.95
    beside = ~inside & (np.arange(len(bound)) > len(bound) / 6)  # fixed by then
    assert (bound[beside] < 0.1).mean() > 0.95


def test_a_step_of_height_alone_is_in_the_bound_of_heights(clean: Recording) -> None:
    before, inside = _changed(clean, 0.0, 0.0)
    for size in (0.13, 0.5):
        found, _ = _changed(clean, 0.0, size)
        vertical = found.bounds["vertical_bound_m"].to_numpy()
        assert (vertical[inside] > size).mean() > 0.95
        assert np.nanmedian(vertical[~inside]) == pytest.approx(np.nanmedian(before.bounds["vertical_bound_m"].to_numpy()[~inside]), rel=0.1)
    kerb = pd.Series(_changed(clean, 0.0, 0.13)[0].bounds["horizontal_bound_m"].to_numpy())
    assert (kerb / before.bounds["horizontal_bound_m"].to_numpy()).median() == pytest.approx(1.0, abs=0.02), "what a car drives over says nothing of plan"
