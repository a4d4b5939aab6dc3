"""Solution against gyros and accelerometer on a drive whose motion is known in closed form."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.ndimage import uniform_filter1d

from analyzer import tables
from analyzer.evidence.chain import worst_in_plan
from analyzer.evidence.evidence_words import unwatched_axes, unwatched_words
from analyzer.evidence.independent import Independent, flattened, independent_motion, running_median
from analyzer.evidence.learnt import Learnt
from analyzer.evidence.sensor_series import at_epochs
from analyzer.evidence.slews import _height_alone, find_slews
from analyzer.evidence.track import Track
from analyzer.recording import Recording
from analyzer.settings import thresholds
from tests.evidence.tracks import weaving

START = pd.Timestamp("2026-05-02T09:00:00", tz="UTC")


def _recording(track: Track, *, inertial: bool = True, heading: bool = False) -> Recording:
    """Return fixes on the epochs of `track`, and noisy inertial data with biases at 100 Hz that follow the same motion."""
    rng = np.random.default_rng(11)
    index = pd.DatetimeIndex(START + pd.to_timedelta(track.t, unit="s")).as_unit("us")
    clean = weaving(white_m=0.0, doppler_mps=0.0)
    course = np.unwrap(np.arctan2(clean.velocity[:, 1], clean.velocity[:, 0]))
    fixes = pd.DataFrame({"heading_deg": np.degrees(np.pi / 2 - course) % 360 if heading else np.nan}, index=index)
    table = tables.INERTIAL.empty()
    if inertial:
        at = np.arange(0, track.t[-1], 0.01)
        speed = np.interp(at, clean.t, np.hypot(*clean.velocity.T))
        moving = np.where(speed > 0, np.interp(at, clean.t, course), 0.6 * np.sin(at / 20))
        slope = np.arctan(2 / 300 * np.cos(np.interp(at, clean.t, clean.places[:, 0]) / 300) * np.cos(moving))
        table = pd.DataFrame({
            "source_id": 0, "acceleration_x_mps2": np.gradient(speed, at) + 9.81 * np.sin(slope) + 0.03 + 0.05 * rng.normal(size=len(at)),
            "rate_y_radps": -np.gradient(slope, at) + 5e-4 + 1e-3 * rng.normal(size=len(at)),
            "rate_z_radps": np.gradient(moving, at) - 7e-4 + 1e-3 * rng.normal(size=len(at)),
        }, index=pd.DatetimeIndex(START + pd.to_timedelta(at, unit="s")).as_unit("us"))
    return Recording(sources=(), fixes=fixes, inertial=table)


def _slewed(step: tuple[float, float, float], first_s: float = 120.0, lasting_s: float = 8.0) -> Track:
    """Return the drive of a filter that takes `step` smoothly, its velocity agreeing."""
    track = weaving(white_m=0.0005, doppler_mps=0.003)
    share = 0.5 - 0.5 * np.cos(np.pi * np.clip((track.t - first_s) / lasting_s, 0, 1))
    rate = np.gradient(share, track.t)
    return replace(track, places=track.places + share[:, None] * np.asarray(step), velocity=track.velocity + rate[:, None] * np.asarray(step[:2]))


def _motion(track: Track, **options: bool) -> Independent:
    return independent_motion(_recording(track, **options), track)


def test_biases_drop_out_and_differences_are_small() -> None:
    motion = _motion(weaving(white_m=0.0005, doppler_mps=0.003))
    assert set(motion.sources) == {"across", "along", "up"}
    for values, most in ((motion.across, 0.03), (motion.along, 0.2), (motion.up, 0.05)):
        assert 1.4826 * np.nanmedian(np.abs(values)) < most


@pytest.mark.parametrize("step", [(0.1, 0.35, 0.0), (0.25, 0.2, 0.6), (0.0, -0.3, -0.5)])
def test_a_slow_step_is_found_where_it_is_and_measured(step: tuple[float, float, float]) -> None:
    slews = find_slews(_slewed(step), _motion(_slewed(step)))
    assert len(slews.spans) == 1
    assert slews.spans[0, 0] < 124.0 < slews.spans[0, 1]
    assert np.hypot(*(slews.step[0, :2] - step[:2])) < 4 * np.sqrt(worst_in_plan(slews.var)[0]) + 0.05
    assert slews.step[0, 2] == pytest.approx(step[2], abs=4 * np.sqrt(slews.var[0, 3]) + 0.05)
    assert abs(slews.step[0, 2]) <= thresholds("analyzer.evidence")["slew.height_sigmas"] * np.sqrt(slews.var[0, 3]) + 1e-12, "height alone decides nothing"


def test_a_step_that_was_taken_at_a_stand_and_left_in_motion_is_found_at_both_ends() -> None:
    """The end in motion is fainter than one nobody knows of; the opposite of a step that a stand shows to millimetres may be."""
    step = np.array([0.05, 0.2, 0.28])
    track = weaving(white_m=0.0005, doppler_mps=0.003)
    at_rest, left = (0.5 - 0.5 * np.cos(np.pi * np.clip((track.t - first) / 8.0, 0, 1)) for first in (15.0, 150.0))
    track = replace(track, places=track.places + (at_rest - left)[:, None] * step, velocity=track.velocity - np.gradient(left, track.t)[:, None] * step[:2])
    seen = _recording(track)
    worse = np.random.default_rng(2).normal(0, 0.006, (len(seen.inertial), 2))
    seen = replace(seen, inertial=seen.inertial.assign(rate_z_radps=seen.inertial["rate_z_radps"] + worse[:, 0], rate_y_radps=seen.inertial["rate_y_radps"] + worse[:, 1]))
    slews = find_slews(track, independent_motion(seen, track))
    assert len(slews.spans) == 2
    assert slews.spans[0, 0] < 19.0 < slews.spans[0, 1] and slews.spans[1, 0] < 154.0 < slews.spans[1, 1]
    assert slews.var[0].max() < 0.02**2 < slews.var[1].max(), "what a stand shows is known as well as before"


def test_a_drive_without_one_shows_none() -> None:
    track = weaving(white_m=0.0005, doppler_mps=0.003)
    assert len(find_slews(track, _motion(track)).spans) == 0


def test_the_heading_shows_a_step_across_and_says_that_it_saw_one_axis() -> None:
    track = _slewed((0.0, 0.4, 0.0))
    motion = _motion(track, inertial=False, heading=True)
    assert set(motion.sources) == {"across"}
    slews = find_slews(track, motion)
    assert len(slews.spans) == 1
    assert not slews.shown.any()
    # known across the track to centimetres, along it not at all
    plan = np.array([[slews.var[0, 0], slews.var[0, 2]], [slews.var[0, 2], slews.var[0, 1]]])
    least, most = np.linalg.eigvalsh(plan)
    assert most > 100.0 and least < 0.05**2
    left = np.linalg.eigh(plan)[1][:, 0]
    assert left @ slews.step[0, :2] == pytest.approx(left @ [0.0, 0.4], abs=4 * np.sqrt(least))


@pytest.mark.parametrize("seen", ["gyro", "heading"])
def test_an_antenna_ahead_of_the_axle_leaves_nothing_across_in_bends(seen: str) -> None:
    """At the antenna the course leads by the lever arm times the yaw rate over the speed (planar rigid body), in every bend."""
    plain, clean = weaving(white_m=0.0005, doppler_mps=0.003), weaving(white_m=0.0, doppler_mps=0.0)
    speed = np.hypot(*clean.velocity.T)
    ahead = clean.velocity / np.maximum(speed, 0.1)[:, None]
    course = np.unwrap(np.arctan2(*clean.velocity[:, ::-1].T))
    turning = np.where(speed > 1.0, np.gradient(course, plain.t), 0.0)
    arm = 2.5 * turning[:, None] * np.column_stack([-ahead[:, 1], ahead[:, 0]])
    track = replace(plain, places=plain.places + 2.5 * np.column_stack([ahead, np.zeros(len(ahead))]), velocity=plain.velocity + arm)
    alike, before = (_motion(x, inertial=seen == "gyro", heading=seen == "heading").across for x in (track, plain))
    fast = speed > 3.0
    spread = [float(np.sqrt(np.nanmean(np.where(fast, x, np.nan) ** 2))) for x in (alike, before)]
    assert np.sqrt((arm[fast] ** 2).sum(axis=1).mean()) > 10 * spread[1], "else there is nothing to take out"
    assert spread[0] < 2 * spread[1]


@pytest.mark.parametrize("rate_hz", [10.0, 50.0])
def test_a_body_that_rears_up_with_every_push_leaves_nothing_in_height(rate_hz: float) -> None:
    """The pitch gyro feels the springs: an angle that goes with the acceleration, whatever noise the velocity has at high rates."""
    plain = weaving(rate_hz=rate_hz, white_m=0.0)
    rng = np.random.default_rng(5)
    at = np.arange(0, plain.t[-1], 0.01)

    def speed_at(t: np.ndarray) -> np.ndarray:
        return 18.0 + 6.0 * np.sin(t / 4) * np.sin(t / 37)

    speed = speed_at(plain.t)
    way = np.r_[0.0, np.cumsum((speed[1:] + speed[:-1]) / 2 / rate_hz)]
    track = replace(plain, places=np.column_stack([way, np.zeros((len(way), 2))]) + [0.0, 0.0, 1.0] * rng.normal(0, 0.0005, (len(way), 1)),
                    velocity=np.column_stack([speed, np.zeros(len(way))]) + rng.normal(0, 0.01, (len(way), 2)), standing=np.zeros(len(way), bool))

    def motion(per_mps2: float) -> Independent:
        body = per_mps2 * np.gradient(speed_at(at), at)
        noise = 1e-3 * rng.normal(size=(2, len(at)))
        table = _recording(plain).inertial.assign(rate_y_radps=-np.gradient(body, at) + 5e-4 + noise[0], rate_z_radps=noise[1],
                                                  acceleration_x_mps2=np.gradient(speed_at(at), at))
        return independent_motion(replace(_recording(plain), inertial=table), track)

    felt = float(np.std(0.005 * np.gradient(speed, plain.t) * speed))
    spread = [float(np.sqrt(np.nanmean(uniform_filter1d(motion(x).up[20:-20], round(rate_hz)) ** 2))) for x in (0.005, 0.0)]
    assert felt > 5 * spread[1], "else there is nothing to take out"
    assert spread[0] < 1.5 * spread[1]


def test_an_antenna_beside_the_middle_leaves_nothing_along_in_bends() -> None:
    """It goes faster on the outside of a bend, by its distance times the yaw rate (planar rigid body); the wheels do not."""
    plain = weaving(white_m=0.0005)
    course = 0.5 * np.sin(plain.t / 4)
    speed = np.hypot(*weaving(doppler_mps=0.0).velocity.T)
    ahead = np.column_stack([np.cos(course), np.sin(course)])
    turning = np.where(speed > 1.0, np.gradient(course, plain.t), 0.0)
    rng = np.random.default_rng(3)
    noise = 0.003 * rng.normal(size=(len(plain), 2))
    recording = replace(_recording(plain, inertial=False), measurement=pd.DataFrame(
        {"speed_mps": speed + 0.002 * rng.normal(size=len(speed))}, index=_recording(plain, inertial=False).fixes.index))
    middle, beside = (replace(plain, velocity=(speed - left * turning)[:, None] * ahead + noise) for left in (0.0, 0.6))
    motion = [independent_motion(recording, x) for x in (beside, middle)]
    assert all(x.sources == {"along": "the wheel speed"} for x in motion)
    fast = (speed > 3.0) & np.isfinite(motion[0].along) & np.isfinite(motion[1].along)
    spread = [float(np.sqrt((x.along[fast] ** 2).mean())) for x in motion]
    extra = float(np.std(0.6 * turning[fast]))
    assert extra > 8 * spread[1], "else there is nothing to take out"
    assert spread[0] < 0.25 * extra


def test_a_crest_of_the_road_is_no_slow_step() -> None:
    """Two metres in height beside a plan that is known to a few centimetres; half a metre with as much in plan is one."""
    sigma = np.array([0.05, 0.05, 0.3])
    assert _height_alone(np.array([0.05, 0.05, 2.0]), sigma)
    assert not _height_alone(np.array([0.05, 0.05, 0.9]), sigma), "no more than three sigma and the ratio allow"
    assert not _height_alone(np.array([0.4, 0.3, 1.2]), sigma) and not _height_alone(np.array([0.0, 0.4, 0.0]), sigma)
    assert not _height_alone(np.array([0.05, 0.0, 2.0]), np.array([0.05, np.nan, 0.3])), "nothing watched the plan"


def test_a_step_that_no_wrong_fix_makes_is_a_bad_moment_of_the_sensor() -> None:
    """Four metres along the track, as a brake test leaves them in the forward acceleration; 0.3 m across at the same time are seen."""
    limits = thresholds("analyzer.evidence")
    for step, ends in ((np.array([4.0, 0.0, 0.0]), 0), (np.array([0.0, 0.3, 0.0]), 1)):
        track = _slewed(tuple(step))
        heading = track.velocity / np.maximum(np.hypot(*track.velocity.T), 0.1)[:, None]
        assert abs(heading[np.searchsorted(track.t, 124.0)] @ [1.0, 0.0]) > 0.8, "the car goes east and weaves"
        slews = find_slews(track, _motion(track))
        assert len(slews.spans) == ends
        assert (np.hypot(*slews.step[:, :2].T) < limits["slew.most"]).all()


def test_without_anything_nothing_is_claimed() -> None:
    track = weaving()
    motion = _motion(track, inertial=False)
    assert motion.sources == {}
    assert len(find_slews(track, motion).spans) == 0


def test_helpers() -> None:
    assert np.isnan(at_epochs(np.array([5.0]), np.array([0.0, 1.0, 9.0, 10.0]), np.arange(4.0))[0])
    assert running_median(np.r_[np.zeros(200), np.ones(9), np.zeros(200)], 30).max() == 0.0
    line = 0.3 * np.arange(2000.0)
    assert np.abs(flattened(line, 50)[300:-300]).max() < 1e-6


@pytest.mark.parametrize(("height_m", "ends"), [(1.2, 2), (0.0, 1)])
def test_with_the_heading_alone_the_slope_finds_the_other_end(height_m: float, ends: int) -> None:
    """A wrong fix taken along the track is not seen by a heading; its height comes and goes by the same step."""
    track = weaving(white_m=0.0005, doppler_mps=0.003)
    share = 0.5 - 0.5 * np.cos(np.pi * np.clip((track.t - 120.0) / 6.0, 0, 1)) + 0.5 * np.cos(np.pi * np.clip((track.t - 200.0) / 6.0, 0, 1)) - 0.5
    step = np.array([0.6, 0.0, height_m])
    wrong = replace(track, places=track.places + share[:, None] * step,
                    velocity=track.velocity + np.gradient(share, track.t)[:, None] * step[:2])
    motion = _motion(wrong, inertial=False, heading=True)
    assert set(motion.sources) == {"across"} and np.isnan(motion.up).all()
    slews = find_slews(wrong, motion)
    assert len(slews.spans) == ends
    assert slews.spans[-1, 0] < 203.0 < slews.spans[-1, 1]
    if ends == 2:
        assert slews.spans[0, 0] < 123.0 < slews.spans[0, 1]
        assert slews.step[0, 2] == pytest.approx(height_m, abs=0.2)
        assert worst_in_plan(slews.var)[0] > 100.0, "what the axis under watch shows is not all of it"


def _watched(track: Track, **changed: object) -> Independent:
    recording = _recording(track)
    return independent_motion(replace(recording, inertial=recording.inertial.assign(**changed)), track)


@pytest.mark.parametrize("kind", ["another day", "another drive", "zeros", "axes exchanged", "degrees", "sign"])
def test_a_sensor_that_does_not_move_with_the_car_has_not_watched_it(kind: str) -> None:
    """Given, it must not count: neither as a witness nor as evidence; why is said."""
    track = weaving(white_m=0.0005, doppler_mps=0.003)
    table = _recording(track).inertial
    yaw, pull = table["rate_z_radps"].to_numpy(), table["acceleration_x_mps2"].to_numpy()
    later = {
        "another drive": {"rate_z_radps": np.roll(yaw[::-1], 3000), "acceleration_x_mps2": np.roll(pull[::-1], 3000)},
        "zeros": dict.fromkeys(("rate_z_radps", "rate_y_radps", "acceleration_x_mps2"), 0.0),
        "axes exchanged": {"rate_z_radps": table["rate_y_radps"], "rate_y_radps": yaw},
        "degrees": {"rate_z_radps": np.radians(yaw)},
        "sign": {"rate_z_radps": -yaw},
    }.get(kind, {})
    changed = table.assign(**later)
    if kind == "another day":
        changed.index = changed.index + pd.Timedelta(days=1)
    motion = independent_motion(replace(_recording(track), inertial=changed), track)
    assert motion.sources == {} and np.isnan(motion.across).all() and np.isnan(motion.along).all() and np.isnan(motion.up).all()
    why = motion.refused[0]
    assert "yaw rate of the inertial data" in why and set(unwatched_axes(motion)) == {"across", "along", "up"}
    (refused, unwatched) = unwatched_words(unwatched_axes(motion), motion)
    assert refused.code == "witness_refused" and why[1:] in refused.text
    assert unwatched.code == "fused_unwatched" and why in unwatched.text and "Give " not in unwatched.text


def test_a_forward_acceleration_of_another_axis_watches_neither_along_nor_in_height() -> None:
    track = weaving(white_m=0.0005, doppler_mps=0.003)
    motion = _watched(track, acceleration_x_mps2=np.random.default_rng(2).normal(size=len(_recording(track).inertial)))
    assert set(motion.sources) == {"across"} and "forward acceleration" in motion.refused[0]


def test_an_axis_that_was_not_recorded_is_no_contradiction() -> None:
    """A car's own yaw rate alone watches across the track, and nothing is said against it."""
    track = weaving(white_m=0.0005, doppler_mps=0.003)
    motion = _watched(track, acceleration_x_mps2=np.nan, rate_y_radps=np.nan)
    assert set(motion.sources) == {"across"} and motion.refused == ()
    motion = _watched(track, rate_z_radps=0.013)
    assert set(motion.sources) == {"along", "up"} and motion.refused == () and np.isfinite(motion.up).any()


@pytest.mark.parametrize("stopped", ["ends", "freezes"])
def test_half_a_drive_is_not_watched(stopped: str) -> None:
    track = weaving(white_m=0.0005, doppler_mps=0.003)
    table = _recording(track).inertial
    half = len(table) // 2
    if stopped == "ends":
        table = table.iloc[:half]
    else:
        table.iloc[half:] = table.iloc[half].to_numpy()
    motion = independent_motion(replace(_recording(track), inertial=table), track)
    assert set(motion.sources) == {"across", "along", "up"} and all(0.3 < share < 0.7 for share in motion.watched.values())
    assert np.isnan(motion.across[track.t > track.t[-1] * 0.55]).all()
    assert set(unwatched_axes(motion)) == {"across", "along", "up"} and motion.refused == ()
    assert " % of the time in motion" in next(iter(unwatched_words(unwatched_axes(motion), motion))).text


def test_a_heading_that_covers_the_drive_is_better_than_half_a_yaw_rate() -> None:
    track = weaving(white_m=0.0005, doppler_mps=0.003)
    both = _recording(track, heading=True)
    motion = independent_motion(replace(both, inertial=both.inertial.iloc[:len(both.inertial) // 2]), track)
    assert "heading" in motion.sources["across"] and motion.watched["across"] > 0.9 > motion.watched["along"]
    assert unwatched_axes(motion) == ("along", "up")


@pytest.mark.parametrize(("kind", "counts"), [("right", True), ("scale", True), ("zeros", False), ("constant", False), ("another drive", False)])
def test_a_wheel_speed_counts_where_it_goes_with_the_car(kind: str, counts: bool) -> None:
    track = weaving(white_m=0.0005, doppler_mps=0.003)
    recording = _recording(track, inertial=False)
    speed = np.hypot(*weaving(doppler_mps=0.0).velocity.T)
    rolled = {"right": speed, "scale": 1.02 * speed, "zeros": 0.0 * speed, "constant": 0.0 * speed + 12.3, "another drive": np.roll(speed[::-1], 700)}[kind]
    seen = pd.DataFrame({"source_id": 0, "speed_mps": rolled}, index=recording.fixes.index)
    motion = independent_motion(replace(recording, measurement=seen), track)
    assert (motion.sources.get("along") == "the wheel speed") == counts
    assert (motion.refused == ()) == counts and ("along" in unwatched_axes(motion)) != counts


def test_blocks_in_which_the_car_is_parked_have_no_say() -> None:
    """One block in motion knows the sensor; two at rest know nothing, and do not outvote it."""
    track = weaving(white_m=0.0005, doppler_mps=0.003)
    parked = replace(track, velocity=np.zeros_like(track.velocity), standing=np.ones(len(track), dtype=bool))
    blocks = [replace(one, learnt=Learnt(noting=True)) for one in (parked, track, parked)]
    for one in blocks:
        independent_motion(_recording(track), one)
    whole = replace(track, learnt=Learnt.pooled([one.learnt for one in blocks]))
    assert set(independent_motion(_recording(track), whole).sources) == {"across", "along", "up"}
