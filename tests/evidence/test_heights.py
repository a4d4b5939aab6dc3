"""Steps in height: inside fixed and across losses, listed with size and direction; roads, spikes and slow rises are none."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analyzer import tables
from analyzer.demo import Fault, make_drive
from analyzer.evidence import noise as noise_of
from analyzer.evidence.chain import Posterior, infer
from analyzer.evidence.consensus import RIGHT_SIGMA_M, Chain
from analyzer.evidence.displacement import residual
from analyzer.evidence.gather import gather
from analyzer.evidence.heights import Leaps, find_leaps, step_between
from analyzer.evidence.knots import Knots
from analyzer.evidence.noise import Noise
from analyzer.evidence.parts import jump_words
from analyzer.evidence.second_opinion import form
from analyzer.evidence.slews import none_found
from analyzer.evidence.stretches import Stretches, measure_height_steps
from analyzer.evidence.track import Track
from analyzer.metrics.measure import measure
from analyzer.metrics.result import Metrics
from analyzer.recording import Recording
from tests.evidence.drives import read
from tests.evidence.tracks import weaving

ONE_WAY = "none within its uncertainty"


def _leaps(track: Track, stretches: Stretches | None = None) -> Leaps:
    left, *_ = residual(track)
    noise = noise_of.learn(left, track.fixed, track.nominal_s)
    count = len(track)
    whole = Stretches(np.array([[0, count]]), np.zeros(1, bool), np.zeros(count, np.int64))
    return find_leaps(track, left, noise, stretches or whole, coarse=np.ones(count))


def _raised(track: Track, up: np.ndarray) -> Track:
    return replace(track, places=track.places + np.column_stack([np.zeros((len(track), 2)), up]))


@pytest.mark.parametrize("rate_hz", [1.0, 10.0, 50.0])
@pytest.mark.parametrize("size", [0.6, -0.35])
def test_a_step_in_height_inside_fixed_has_size_and_direction(size: float, rate_hz: float) -> None:
    track = weaving(rate_hz=rate_hz)
    at = int(150 * rate_hz)
    found = _leaps(_raised(track, np.where(np.arange(len(track)) >= at, size, 0.0)))
    assert len(found.at) == 1 and abs(found.at[0] - at) <= 1
    assert abs(found.step[0, 2] - size) < 4 * np.sqrt(found.var[0, 1]) + 0.005
    assert np.hypot(*found.step[0, :2]) < 0.03 and 0.0 < np.sqrt(found.var[0, 1]) < 0.08


def test_at_rest_a_step_is_found_too() -> None:
    track = weaving()
    assert track.standing[50] and track.standing[250]
    found = _leaps(_raised(track, np.where(np.arange(len(track)) >= 150, 0.2, 0.0)))
    assert found.at.tolist() == [150]


def test_roads_spikes_and_slow_rises_are_no_steps() -> None:
    track = weaving()
    count = np.arange(len(track))
    assert not len(_leaps(track).at)
    assert not len(_leaps(_raised(track, np.where(count == 1500, 3.0, 0.0))).at)
    assert not len(_leaps(_raised(track, 0.6 * np.clip((count - 1000) / 100, 0, 1))).at), "ten seconds"
    assert not len(_leaps(_raised(track, np.full(len(track), np.nan))).at), "no height is logged"


def test_steps_of_an_hour_of_rough_heights_are_none() -> None:
    """Heights that wander as an exponentially correlated error of 3 cm over 20 s beside a centimetre of white noise."""
    rng = np.random.default_rng(5)
    track = weaving(3600.0)
    keep = np.exp(-0.1 / 20.0)
    wander = np.zeros(len(track))
    for k, kick in enumerate(rng.normal(size=len(track) - 1), 1):
        wander[k] = keep * wander[k - 1] + 0.03 * np.sqrt(1 - keep**2) * kick
    assert not len(_leaps(_raised(track, wander + 0.01 * rng.normal(size=len(track)))).at)


def _fixes(heights: list[float], speed: float, gap_s: float = 10.0) -> pd.DataFrame:
    half = len(heights) // 2
    t = [*range(half), *(half - 1 + gap_s + k for k in range(half))]
    index = pd.Timestamp("2025-05-06T08:00", tz="UTC") + pd.to_timedelta(t, unit="s")
    return tables.FIXES.conform(pd.DataFrame({"height_m": heights, "speed_mps": speed, "fix_state": "fixed"},
                                             index=pd.DatetimeIndex(index, name="time_utc").as_unit("us")))


def test_an_unlearnt_step_grows_with_time_and_speed_and_is_exact_at_rest() -> None:
    heights = [100.0] * 5 + [100.5] * 5
    rest, slow, fast = (step_between(_fixes(heights, v), 4, 5, None) for v in (0.0, 5.0, 20.0))
    long = step_between(_fixes(heights, 20.0, gap_s=60.0), 4, 5, None)
    assert [x[0] for x in (rest, slow, fast, long)] == pytest.approx([0.5] * 4)
    assert np.sqrt(rest[1]) == pytest.approx(0.028, abs=0.001)
    assert rest[1] < slow[1] < fast[1] < long[1]
    learnt = Noise(0.01, 1e-4, 0.05, 25.0, learnt=True)
    assert step_between(_fixes(heights, 20.0), 4, 5, learnt)[1] == pytest.approx(learnt.wander(12.0) ** 2 + 2 * 0.02**2)
    # beyond what can be learnt the road counts
    assert step_between(_fixes(heights, 20.0, gap_s=60.0), 4, 5, learnt)[1] == long[1]
    assert np.isnan(step_between(_fixes([np.nan] * 10, 5.0), 4, 5, learnt)).all()


@pytest.mark.parametrize(("lost_s", "known"), [(20.0, True), (60.0, False)])
def test_heights_that_were_learnt_on_a_quiet_road_are_not_carried_over_a_minute(lost_s: float, known: bool) -> None:
    """A car that creeps on the level and then drives up a hill while nobody looks has not changed its frame."""
    track = weaving(400.0)
    up = np.where(track.t > 200, 0.6, 0.0) + 0.004 * np.random.default_rng(2).normal(size=len(track))
    lost = (track.t > 200) & (track.t < 200 + lost_s)
    hill = replace(track, places=np.column_stack([track.places[:, :2], up]), fixed=~lost)

    def decide(chain: Chain, _: object) -> Posterior:
        return infer(chain.steps, chain.variances, np.full(len(chain.stretches), 0.01), right_sigma_m=RIGHT_SIGMA_M)

    opinion = form(hill, fresh=hill.fixed, breaks=np.zeros(len(track), bool), rough=np.ones(len(track)), slews=none_found(len(track)), prior_wrong=None,  # type: ignore[arg-type]
                   decide=decide)
    assert (opinion.up_var[0] < 1.0) == known
    assert (opinion.wrong[~lost].max() > 0.4) == known


@pytest.mark.parametrize(("step", "sigma", "sigma_u", "words"), [
    ((0.01, 0.0, 0.02), 0.01, 0.01, ONE_WAY), ((0.3, 0.0, 0.02), 0.01, 0.01, "one side is wrong"),
    ((0.01, 0.0, 0.6), 0.01, 0.01, "one side is wrong in height"), ((0.01, 0.0, 0.6), 0.01, 0.5, ONE_WAY),
    ((0.01, 0.0, np.nan), 0.01, np.nan, ONE_WAY), ((0.0, 0.0, 0.0), 9.0, 0.01, "not known: nothing bridges the gap"),
    ((0.0, 0.0, 0.6), 9.0, 0.01, "one side is wrong in height; in plan not known: nothing bridges the gap")])
def test_height_counts_in_what_a_step_means(step: tuple[float, ...], sigma: float, sigma_u: float, words: str) -> None:
    assert jump_words(step, sigma, sigma_u) == words
    cleared = "beyond its uncertainty, but both sides fit the other stretches" if words.startswith("one side") else words
    assert jump_words(step, sigma, sigma_u, right=True) == cleared


@pytest.fixture(scope="module")
def lossy(tmp_path_factory: pytest.TempPathFactory) -> tuple[Recording, Metrics]:
    folder = make_drive(tmp_path_factory.mktemp("lossy"), seed=5, duration_s=420.0, faults=(Fault("radio_loss", start_s=200.0, duration_s=30.0),))
    return read(Path(folder))


def test_heights_of_steps_and_stretches_are_given(lossy: tuple[Recording, Metrics]) -> None:
    """Half a metre in height alone from one moment inside fixed to another: the steps are listed."""
    recording, metrics = lossy
    before = gather(recording, metrics)
    fixed = (recording.fixes["fix_state"] == "fixed").to_numpy()
    t = (recording.fixes.index - recording.fixes.index[0]).total_seconds().to_numpy()
    assert fixed[(t > 90) & (t < 170)].all()
    raised = recording.fixes.assign(height_m=recording.fixes["height_m"] + np.where((t >= 100.0) & (t < 160.0), 0.5, 0.0))
    changed = replace(recording, fixes=raised)
    jumps = gather(changed, measure(changed)).jumps
    tall = jumps[jumps["decision"] == "one side is wrong in height"]
    seconds = (tall["time_utc"] - recording.fixes.index[0]).dt.total_seconds().to_numpy()
    assert seconds == pytest.approx([100.0, 160.0], abs=0.11)
    assert tall["du_m"].to_numpy() == pytest.approx([0.5, -0.5], abs=0.05)
    assert (tall["decision"] == "one side is wrong in height").all() and (tall["from_state"] == "fixed").all()
    assert jumps["time_utc"].is_monotonic_increasing and not jumps[["du_m", "sigma_u_m"]].isna().any().any()
    assert not (before.jumps["decision"] == "one side is wrong in height").any()
    assert before.segments[["offset_u_m", "sigma_u_m"]].notna().all().all() and len(before.segments) >= 2


def test_without_heights_they_are_missing_and_nothing_else(lossy: tuple[Recording, Metrics]) -> None:
    recording, _ = lossy
    bare = replace(recording, fixes=recording.fixes.assign(height_m=np.nan))
    found = gather(bare, measure(bare))
    assert len(found.segments) >= 2 and found.segments[["offset_u_m", "sigma_u_m"]].isna().all().all()
    assert len(found.jumps) and found.jumps[["du_m", "sigma_u_m"]].isna().all().all()
    assert found.jumps[["de_m", "dn_m", "sigma_m"]].notna().all().all()


def test_a_hill_on_a_flat_drive_is_no_step_in_height() -> None:
    """Medians learn the flat road; beside a gap on its only hill the filter is surprised, and so is its sigma."""
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 600.0, 0.5)
    slope = np.where((t > 270) & (t < 330), 0.4, 0.0)  # m/s, 4 % at 10 m/s
    up = np.cumsum(slope * 0.5) + 0.01 * rng.normal(size=len(t))
    count = len(t)
    knots = Knots(t, np.arange(count), np.column_stack([up, up]), up, np.full(count, 5.0), np.ones(count), np.full(count - 1, 1e-6), np.full(count - 1, 0.5))
    gap = (t > 298) & (t < 302)
    ids = np.where(gap, -1, np.where(t < 300, 0, 1))
    spans = np.array([[0, int(np.argmax(gap))], [int(np.argmax(gap)) + int(gap.sum()), count]])
    flat = Noise(0.01, 1e-5, 0.002, 25.0, learnt=True, seconds=500.0)
    step, var = measure_height_steps(Stretches(spans, np.zeros(2, dtype=bool), ids), knots, flat)
    assert abs(step[0]) < 3 * np.sqrt(var[0]) and np.sqrt(var[0]) > 0.05
    hilly = Noise(0.01, 1e-5, 0.4, 25.0, learnt=True, seconds=500.0)
    step, _ = measure_height_steps(Stretches(spans, np.zeros(2, dtype=bool), ids), knots, hilly)
    assert abs(step[0]) < 0.05
