"""Slow swings: the closed form against plain linear algebra, no alarm without one, size where there is one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter

from analyzer.evidence import noise as noise_of
from analyzer.evidence import wave_fit
from analyzer.evidence import waves as module
from analyzer.evidence.displacement import residual
from analyzer.evidence.noise import Noise
from analyzer.evidence.road import Seconds
from analyzer.evidence.track import Track
from analyzer.evidence.waves import Waves, find_waves
from analyzer.evidence.whitening import Whitening, whitened, whitening_of
from analyzer.settings import thresholds
from tests.evidence.tracks import weaving

Floats = NDArray[np.float64]


def _waves(track: Track, *, doubtful: bool = True) -> Waves:
    left, extra, truncated = residual(track)
    noise = noise_of.learn_moving(left, track.fixed, track)
    return find_waves(track, left, noise, usable=track.fixed, coarse=np.ones(len(track)), lost_var=extra + truncated, doubtful=doubtful)


def _swung(track: Track, first: float, last: float, size: float) -> Track:
    inside = np.clip((track.t - first) / (last - first), 0, 1)
    return replace(track, places=track.places + (size * np.sin(np.pi * inside))[:, None] * [0.8, 0.6, 0.0])


@pytest.mark.parametrize("seed", range(8))
def test_a_clean_drive_shows_no_swing(seed: int) -> None:
    found = _waves(weaving(600.0, seed=seed))
    assert len(found.spans) == 0
    assert found.size.max() < thresholds("analyzer.evidence")["wave.matters"]


@pytest.mark.parametrize(("first", "last"), [(150.0, 240.0), (280.0, 340.0)])
def test_a_swing_is_found_where_it_is_and_measured(first: float, last: float) -> None:
    track = _swung(weaving(600.0, doppler_mps=0.01), first, last, 0.25)
    found = _waves(track)
    assert len(found.spans) >= 1
    middle = np.abs(track.t - (first + last) / 2) < 5
    assert found.size[middle] == pytest.approx(0.25, abs=0.1)
    assert found.certain(track.t)[middle].all()
    assert found.size[(track.t < first - 100) | (track.t > last + 100)].max() < 0.05


def test_a_swing_at_rest_is_seen_however_poor_the_velocity() -> None:
    track = weaving(600.0, doppler_mps=0.3)
    standing = np.ones(len(track), dtype=bool)
    still = replace(track, places=np.random.default_rng(3).normal(size=(len(track), 3)) * 0.002, velocity=track.velocity, standing=standing)
    still.velocity[:] = 0.0
    left, extra, truncated = residual(_swung(still, 200.0, 300.0, 0.15))
    noise = Noise(0.002, 9e-3, 0.01, 25.0, learnt=True, seconds=300.0)
    found = find_waves(_swung(still, 200.0, 300.0, 0.15), left, noise, usable=track.fixed, coarse=np.ones(len(track)), lost_var=extra + truncated)
    assert found.size[np.abs(track.t - 250) < 5] == pytest.approx(0.15, abs=0.03)


def test_where_a_filter_may_follow_only_what_is_certain_counts() -> None:
    for size_m, certain in ((0.4, True), (0.2, False)):
        track = _swung(weaving(600.0, seed=3), 250.0, 340.0, size_m)
        found, open_to = (_waves(track, doubtful=doubtful) for doubtful in (False, True))
        assert (len(found.spans) > 0) == (len(open_to.spans) > 0) == certain
        assert open_to.size.max() > 0.1, "else there was nothing to leave out"
        assert found.size.max() > 0.3 if certain else found.size.max() == 0.0


def test_a_swing_counts_for_less_where_the_car_is_fast_and_velocity_has_heavy_tails(monkeypatch: pytest.MonkeyPatch) -> None:
    """At 15 m/s reflections average out; the same residual at walking pace, or with a stop in it, is multipath."""
    track = _swung(weaving(600.0, seed=3), 250.0, 340.0, 0.25)
    stopped = replace(track, velocity=np.where((np.abs(track.t - 290.0) < 10.0)[:, None], 0.5, track.velocity))
    pulses = np.where(track.t % 20 < 0.5, 0.5 * (-1.0) ** (track.t // 20), 0.0)[:, None] * [0.6, -0.8]
    disturbed = replace(track, velocity=track.velocity + pulses)
    assert module._heavy_tails(track, residual(track)[0], track.fixed) == 0.0
    assert module._heavy_tails(disturbed, residual(disturbed)[0], track.fixed) == 1.0

    def size(moving: Track) -> float:
        left, extra, truncated = residual(track)
        noise = noise_of.learn_moving(left, track.fixed, track)
        return float(find_waves(moving, left, noise, usable=track.fixed, coarse=np.ones(len(track)), lost_var=extra + truncated).size.max())

    assert size(track) > 0.1
    monkeypatch.setattr(module, "_heavy_tails", lambda *_: 1.0)
    assert size(track) < thresholds("analyzer.evidence")["wave.matters"]
    assert size(replace(track, velocity=track.velocity / 5)) > 0.1 and size(stopped) > 0.1


def _bumped(track: Track, first: float, last: float, size: float) -> Track:
    inside = np.clip((track.t - first) / (last - first), 0, 1)
    return replace(track, places=track.places + (size * np.sin(np.pi * inside) ** 2)[:, None] * [0.8, 0.6, 0.0])


def test_one_bump_shows_beside_a_velocity_too_noisy_for_swings_of_any_shape(monkeypatch: pytest.MonkeyPatch) -> None:
    """Walk of 3 cm/s at 10 Hz: sigma of a bump of 100 s is 4.3 cm by the matched filter, sqrt(2 L q) / pi (closed form)."""
    size = []
    for kinds in (("sines", "plateau", "bump"), ("sines", "plateau")):
        for place in (module, wave_fit):
            monkeypatch.setattr(place, "KINDS", kinds)
        found = [_waves(_bumped(weaving(600.0, seed=seed, doppler_mps=0.03), 250.0, 350.0, 0.25)).size[2900:3100].min() for seed in range(4)]
        size.append(float(np.median(found)))
    assert size[0] > 0.1 > 2 * size[1]


def test_a_bump_that_is_small_or_hardly_seen_is_not_looked_for() -> None:
    track = _bumped(weaving(600.0, doppler_mps=0.01), 250.0, 350.0, 0.3)
    left, extra, truncated = residual(track)
    noise = noise_of.learn_moving(left, track.fixed, track)
    for seen, size in ((track.fixed, 1.0), (np.abs(track.t - 300.0) > 30.0, 1.0), (track.fixed, 0.2)):
        grid = whitening_of(track, size * left, noise, usable=seen, coarse=np.ones(len(track)), lost_var=extra + truncated)
        tried = wave_fit.scan(grid, whitened(grid, grid.value), wave_fit.heights_of(grid, None, 0.0), 100)[wave_fit.KINDS.index("bump")]
        best = int(np.argmin(np.abs(tried.first + 50 - 300)))
        assert (tried.plan[best] == wave_fit.RULED_OUT) == (size < 1.0 or not seen.all())


def test_noise_that_is_overstated_by_the_filter_is_seen_as_it_is() -> None:
    track = weaving(900.0, doppler_mps=0.05)
    left, extra, truncated = residual(track)
    noise = noise_of.learn_moving(left, track.fixed, track)
    for times in (1.0, 2.0, 9.0):
        large = replace(noise, walk_m2ps=times * noise.walk_m2ps)
        grid = whitening_of(track, left, large, usable=track.fixed, coarse=np.ones(len(track)), lost_var=extra + truncated)
        least = thresholds("analyzer.evidence")["wave.least_overstated"]
        assert module._overstated(module._seen_noise(grid, track)) == pytest.approx(max(times**-0.5, least), abs=0.2)


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_velocity_errors_of_a_second_or_two_are_no_swings(seed: int) -> None:
    """A walk over minutes that is more than one over seconds: sums of what the filter leaves scatter more than they should, and count less."""
    rng, track = np.random.default_rng(seed), weaving(900.0, doppler_mps=0.0)
    slow = lfilter([0.03 * np.sqrt(1 - np.exp(-0.2 / 1.5))], [1, -np.exp(-0.1 / 1.5)], rng.normal(size=(len(track), 2)), axis=0)
    found = _waves(replace(track, velocity=track.velocity + slow * ~track.standing[:, None]))
    assert not len(found.spans) and np.quantile(found.size, 0.95) < 0.06


def test_nothing_is_looked_for_without_learnt_noise() -> None:
    track = weaving(60.0)
    left, extra, truncated = residual(track)
    noise = Noise(0.003, 1e-4, 0.01, 25.0, learnt=False)
    found = find_waves(track, left, noise, usable=track.fixed, coarse=np.ones(len(track)), lost_var=extra + truncated)
    assert not found.size.any()


def _covariance(grid: Whitening, noise: Noise, white: Floats, usual_time_s: float) -> Floats:
    """Return the covariance of the grid values by summing the parts of the model one after the other."""
    count = len(grid.t)
    rate = noise.unsure * noise.rate_mps
    at = np.arange(count)
    slow = rate**2 * np.exp(-np.abs(at[:, None] - at[None, :]) * grid.moving[0] / noise.time_s)
    sums = np.tril(np.ones((count, count)), -1) * grid.moving[0]
    steps = np.tril(np.ones((count, count)), -1)
    usual = grid.usual[:, None] * grid.usual[None, :] * np.exp(-np.abs(at[:, None] - at[None, :]) / usual_time_s)
    walk = noise.unsure**2 * noise.walk_m2ps * grid.moving[0]
    return np.asarray(1e8 + sums @ slow @ sums.T + walk * steps @ steps.T + usual + np.diag(white))


def test_the_bayes_factor_is_that_of_plain_linear_algebra() -> None:
    """Normal linear model: ln N(y; 0, C + S V S') - ln N(y; 0, C), by numpy's own determinants and solves."""
    rng = np.random.default_rng(7)
    track = replace(weaving(80.0, 1.0), standing=np.zeros(80, dtype=bool))
    noise = Noise(0.003, 1e-4, 0.003, 25.0, learnt=True, seconds=300.0)
    value = np.cumsum(rng.normal(size=(80, 2)), axis=0) * 0.01
    grid = whitening_of(track, value, noise, usable=track.fixed, coarse=np.ones(80), lost_var=np.zeros(79))
    tried = wave_fit.scan(grid, whitened(grid, grid.value), wave_fit.heights_of(grid, None, 0.0), 40)[wave_fit.KINDS.index("sines")]
    k = int(np.flatnonzero(tried.first == tried.first[(tried.first >= 0) & (tried.first + 40 <= 80)][0])[0])
    limits = thresholds("analyzer.evidence")
    white = np.full(80, 1.57 * noise.white_m**2 + limits["knot.floor"] ** 2)
    base = _covariance(grid, noise, white, limits["wave.usual_time"])
    shapes, var = wave_fit._shapes(40, 1.0, "sines")
    spread = np.zeros((80, shapes.shape[1]))
    spread[tried.first[k]:tried.first[k] + 40] = shapes
    more = base + var * spread @ spread.T
    expected = sum(0.5 * (y @ np.linalg.solve(base, y) - y @ np.linalg.solve(more, y)) for y in value.T)
    expected += np.linalg.slogdet(base)[1] - np.linalg.slogdet(more)[1]
    # the tail behind the swing is followed for `TAIL_S` only, and 1e8 stands for not known
    assert tried.odds[k] == pytest.approx(expected, abs=0.05)


def test_shapes_at_all_begins_are_whitened_as_each_alone() -> None:
    """Also those that begin before the drive or end behind it, and where nothing is known."""
    track = weaving(120.0, 1.0)
    noise = Noise(0.003, 1e-4, 0.01, 25.0, learnt=True, seconds=300.0)
    usable = np.abs(track.t - 70.0) > 4.0
    grid = whitening_of(track, np.zeros((120, 2)), noise, usable=usable, coarse=np.ones(120), lost_var=np.zeros(119))
    shapes = np.random.default_rng(5).normal(size=(30, 2))
    first = np.array([-12, 0, 55, 101])
    rows = grid.of_shapes(first, shapes, 50)
    for k, begin in enumerate(first):
        alone = np.zeros((120, 2))
        inside = (begin + np.arange(30) >= 0) & (begin + np.arange(30) < 120)
        alone[(begin + np.arange(30))[inside]] = shapes[inside]
        reached = begin + np.arange(50)
        kept = (reached >= 0) & (reached < 120)
        assert rows[k, kept] == pytest.approx(whitened(grid, alone)[reached[kept]], abs=1e-12)
        assert not rows[k, ~kept].any()


def test_whitened_values_are_white() -> None:
    """Innovations of the right model are independent with unit variance: their mean square lies in its chi-square bounds."""
    rng = np.random.default_rng(5)
    track = replace(weaving(2000.0, 1.0), standing=np.zeros(2000, dtype=bool))
    noise = Noise(0.003, 1e-4, 0.0, 25.0, learnt=True, seconds=1e9)
    limits = thresholds("analyzer.evidence")
    usual = max(limits["wave.usual"], limits["wave.usual_white"] * noise.white_m)
    decay = np.exp(-1 / limits["wave.usual_time"])
    slow = np.zeros((2000, 2))
    for i in range(1, 2000):
        slow[i] = decay * slow[i - 1] + usual * np.sqrt(1 - decay**2) * rng.normal(size=2)
    white = np.sqrt(1.57 * noise.white_m**2 + limits["knot.floor"] ** 2)
    value = np.cumsum(0.01 * rng.normal(size=(2000, 2)), axis=0) + slow + white * rng.normal(size=(2000, 2))
    grid = whitening_of(track, value, noise, usable=track.fixed, coarse=np.ones(2000), lost_var=np.zeros(1999))
    seen = whitened(grid, grid.value)[10:]
    assert (seen**2).mean() == pytest.approx(1.0, abs=4 * np.sqrt(2 / seen.size))
    assert abs((seen[1:] * seen[:-1]).mean()) < 4 / np.sqrt(seen.size)


def test_weights_beyond_what_shapes_can_tell_are_blunted_together() -> None:
    middle = np.array([100.0, 150.0, 5000.0])
    blunt = module._blunted(middle, np.array([500.0, 400.0, 6.0]))
    sharpest = thresholds("analyzer.evidence")["wave.sharpest"]
    assert blunt == pytest.approx([sharpest, 0.8 * sharpest, 6.0])


def test_a_swing_seen_to_rise_at_rest_is_doubted_on_while_the_car_drives() -> None:
    """At rest it rises to 0.2 m; then the car drives off with a poor velocity, and nothing shows its end."""
    track = weaving(400.0, doppler_mps=0.02)
    standing = track.t < 120
    velocity = np.where(standing[:, None], 0.0, track.velocity + np.random.default_rng(5).normal(size=(1, 2)) * 0.02)
    still = replace(track, velocity=velocity, standing=standing, places=np.column_stack([
        np.vstack([np.zeros((1, 2)), np.cumsum(velocity[:-1] * 0.1, axis=0)]) + np.random.default_rng(6).normal(size=(len(track), 2)) * 0.002,
        np.zeros(len(track))]))
    swung = _swung(still, 80.0, 240.0, 0.2)
    left, extra, truncated = residual(swung)
    noise = Noise(0.002, 1e-4, 0.012, 25.0, learnt=True, seconds=300.0)
    found = find_waves(swung, left, noise, usable=track.fixed, coarse=np.ones(len(track)), lost_var=extra + truncated)
    assert found.size[(track.t > 130) & (track.t < 180)].min() > thresholds("analyzer.evidence")["wave.matters"]


def _seconds(at_s: Floats, off_m: Floats, other_s: Floats | None = None) -> Seconds:
    count = len(at_s)
    return Seconds(at_s, off_m, np.full(count, 0.025), np.ones(count, dtype=np.int64), np.full(count, np.nan) if other_s is None else other_s)


def _seen_by_road(track: Track, road: Seconds) -> Waves:
    """Return the swings where nothing is known in plan, as in a fused solution."""
    noise = Noise(0.003, 1e-4, 0.003, 25.0, learnt=False)
    nothing = np.full((len(track), 2), np.nan)
    return find_waves(track, nothing, noise, usable=np.zeros(len(track), dtype=bool), coarse=np.ones(len(track)), lost_var=np.zeros(len(track) - 1), road=road)


def test_heights_of_the_road_show_a_swing_where_nothing_is_known_in_plan() -> None:
    track = weaving(600.0)
    at = np.arange(5.0, 595.0, 5.0)
    off = np.where((at > 200) & (at < 290), 0.3, 0.002)
    found = _seen_by_road(track, _seconds(at, off))
    inside = (track.t > 215) & (track.t < 275)
    assert found.certain(track.t)[inside].all() and found.high[inside] == pytest.approx(0.3, abs=0.06)
    away = (track.t < 150) | (track.t > 340)
    assert not found.certain(track.t)[away].any() and found.size[away].max() < 0.03
    calm = _seen_by_road(track, _seconds(at, np.full(len(at), 0.01)))
    assert len(calm.spans) == 0 and calm.size.max() < thresholds("analyzer.evidence")["wave.matters"]


def test_of_two_passes_that_disagree_both_are_doubted_and_none_is_certain() -> None:
    track = weaving(1200.0)
    first, second = np.arange(200.0, 260.0), np.arange(900.0, 960.0)
    road = _seconds(np.r_[first, second], np.r_[np.full(60, 0.3), np.full(60, -0.3)], np.r_[second, first])
    found = _seen_by_road(track, road)
    assert len(found.spans) == 0
    matters = thresholds("analyzer.evidence")["wave.matters"]
    for middle in (230.0, 930.0):
        assert found.size[np.abs(track.t - middle) < 15].min() > 2 * matters
    assert found.size[np.abs(track.t - 580.0) < 100].max() < matters


def test_what_a_swing_explains_counts_no_more_nor_does_its_mirror() -> None:
    grid = whitening_of(weaving(100.0), np.zeros((1000, 2)), Noise(0.003, 1e-4, 0.003, 25.0, learnt=True), usable=np.ones(1000, dtype=bool),
                        coarse=np.ones(1000), lost_var=np.zeros(999))
    heights = wave_fit.heights_of(grid, _seconds(np.array([10.0, 50.0, 80.0]), np.array([0.3, -0.3, 0.0]), np.array([50.0, 10.0, np.nan])), 0.0)
    limits = thresholds("analyzer.evidence")
    assert heights.score[[10, 50, 80]].tolist() == pytest.approx([limits["road.differs"], limits["road.differs"], limits["road.agrees"]], abs=0.03)
    heights.explained(5, 20)
    assert heights.score[10] == heights.score[50] == 0.0 and heights.score[80] < 0


def test_ten_seconds_with_a_pass_count_once() -> None:
    grid = whitening_of(weaving(100.0), np.zeros((1000, 2)), Noise(0.003, 1e-4, 0.003, 25.0, learnt=True), usable=np.ones(1000, dtype=bool),
                        coarse=np.ones(1000), lost_var=np.zeros(999))
    heights = wave_fit.heights_of(grid, _seconds(np.arange(20.0, 40.0), np.full(20, 0.5)), 0.0)
    assert heights.score.sum() == pytest.approx(2 * thresholds("analyzer.evidence")["road.differs"])


def test_a_pause_of_the_log_carries_nothing_that_digits_cannot_hold() -> None:
    """Beside the 10⁸ m² of a position that is not known variances of hours of driving leave no millimetres: begun anew there."""
    track = weaving(600.0)
    left, extra, truncated = residual(track)
    noise = noise_of.learn_moving(left, track.fixed, track)
    late = replace(track, t=track.t + np.where(track.t > 300.0, 1200.0, 0.0))
    lost = extra + truncated + np.where(np.diff(late.t) > 1.0, 1e11, 0.0)
    both = [whitening_of(x, left, noise, usable=x.fixed, coarse=np.ones(len(x)), lost_var=v)
            for x, v in ((late, lost), (replace(track, t=track.t), extra + truncated))]
    assert np.isfinite(both[0].gain).all() and np.isfinite(both[0].scale).all()
    white = whitened(both[0], both[0].value)
    assert np.isfinite(white).all()
    end = both[0].known & (both[0].t > 1600.0)
    assert both[0].scale[end] == pytest.approx(both[1].scale[both[1].known & (both[1].t > 400.0)], rel=0.05)


def test_a_swing_behind_a_pause_is_found_as_without_it() -> None:
    track = _swung(weaving(600.0, doppler_mps=0.01), 400.0, 480.0, 0.25)
    left, extra, truncated = residual(track)
    noise = noise_of.learn_moving(left, track.fixed, track)
    late = replace(track, t=track.t + np.where(track.t > 100.0, 1200.0, 0.0))
    lost = extra + truncated + np.where(np.diff(late.t) > 1.0, 1e11, 0.0)
    found = find_waves(late, left, noise, usable=late.fixed, coarse=np.ones(len(late)), lost_var=lost)
    assert found.size[np.abs(track.t - 440.0) < 5] == pytest.approx(0.25, abs=0.1)
