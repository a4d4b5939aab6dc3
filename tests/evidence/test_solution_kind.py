"""The solution kind found from the log: velocity against position noise, rest, dead reckoning; and silence where nothing tells."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import analyzer
from analyzer.demo import make_drive
from analyzer.evidence.gather import gather
from analyzer.evidence.solution_kind import KindFound, find_kind, shared_noise, stated_kind
from analyzer.evidence.track import Track
from analyzer.metrics.measure import measure
from tests.evidence.tracks import weaving
from tests.metrics.metric_tables import METRES_PER_DEGREE
from tests.metrics.metric_tables import fixes as table


def logged(track: Track, digit_m: float = 1e-4, **columns: object) -> tuple[pd.DataFrame, Track]:
    """Return fixes and track as a log with this last digit gives them."""
    places = np.column_stack([np.round(track.places[:, :2] / digit_m) * digit_m, track.places[:, 2]])
    values = {"latitude_deg": 48.0 + places[:, 1] / METRES_PER_DEGREE, "longitude_deg": 11.0, "satellites_used": 14.0}
    return table(track.t, **(values | columns)), replace(track, places=places)


def claims(sigma_m: float) -> dict[str, float]:
    """Return the columns of a GST that claims `sigma_m` per axis."""
    return {"sigma_north_m": sigma_m, "sigma_east_m": sigma_m, "sigma_up_m": 1.5 * sigma_m}


def filtered(track: Track, white_m: float, *, seed: int = 5, tau_s: float = 0.25) -> Track:
    """Return the exact track with noise through a first-order filter, and the velocity of that same noise."""
    rng = np.random.default_rng(seed)
    noise = white_m * rng.normal(size=(len(track), 2))
    weight = 1 - np.exp(-track.nominal_s / tau_s)
    for k in range(1, len(noise)):
        noise[k] = noise[k - 1] + weight * (noise[k] - noise[k - 1])
    velocity = track.velocity + np.gradient(noise, track.nominal_s, axis=0) + 0.003 * rng.normal(size=noise.shape)
    places = track.places.copy()
    places[:, :2] += noise
    return replace(track, places=places, velocity=velocity)


@pytest.mark.parametrize("rate_hz", [5.0, 10.0, 50.0])
@pytest.mark.parametrize("white_m", [0.001, 0.003, 0.012])
def test_independent_noise_of_position_and_velocity_is_of_satellites_alone(rate_hz: float, white_m: float) -> None:
    found = find_kind(*logged(weaving(rate_hz=rate_hz, white_m=white_m), **claims(3 * white_m)))
    assert found.kind == "gnss" and not found.against
    said = float(found.reasons[0].split("carry ")[1].split(" mm")[0])
    assert said == pytest.approx(1000 * white_m, rel=0.15, abs=0.06), "the size of the noise is told apart from that of the velocity"


@pytest.mark.parametrize("rate_hz", [5.0, 10.0, 50.0])
@pytest.mark.parametrize("white_m", [0.002, 0.005, 0.012])
def test_a_velocity_that_follows_the_noise_of_positions_is_fused(rate_hz: float, white_m: float) -> None:
    exact = weaving(rate_hz=rate_hz, white_m=0.0, doppler_mps=0.0)
    found = find_kind(*logged(filtered(exact, white_m)))
    assert found.kind == "fused" and "follows the noise" in found.reasons[0]


def test_slope_and_correlation_are_one_for_the_same_noise_and_zero_for_another() -> None:
    track = weaving(white_m=0.004, doppler_mps=0.0)
    usable = np.ones(len(track), bool)
    own = np.column_stack([np.gradient(track.places[:, k], track.nominal_s) for k in (0, 1)])
    slope, correlation, count = shared_noise(replace(track, velocity=own), usable)
    assert slope == pytest.approx(1.0, abs=0.02) and correlation > 0.98 and count > 5000
    slope, correlation, _ = shared_noise(weaving(white_m=0.004, doppler_mps=0.03), usable)
    assert abs(slope) < 0.1 and abs(correlation) < 0.06
    assert shared_noise(track, np.zeros(len(track), bool))[2] == 0


def test_a_coarse_last_digit_is_no_noise_and_pins_nothing() -> None:
    """Four decimals of a minute are 0.185 m."""
    coarse, track = logged(weaving(white_m=0.002), digit_m=0.185)
    assert find_kind(coarse, track) == KindFound("unknown", ())


def test_at_one_epoch_per_second_only_a_pinned_rest_tells() -> None:
    slow = weaving(rate_hz=1.0, seconds=600.0)
    assert find_kind(*logged(slow)).kind == "unknown"
    pinned = slow.places.copy()
    pinned[slow.standing] = pinned[np.flatnonzero(slow.standing)[0]]
    found = find_kind(*logged(replace(slow, places=pinned)))
    assert found.kind == "fused" and "hold still" in found.reasons[0]


def test_motion_rules_over_rest_and_the_other_sign_is_told() -> None:
    """A receiver of satellites alone may hold its position at rest as well."""
    track = weaving()
    pinned = track.places.copy()
    pinned[track.standing] = pinned[0]
    found = find_kind(*logged(replace(track, places=pinned)))
    assert found.kind == "gnss" and len(found.against) == 1
    assert "against it speaks that positions at rest hold still" in found.finding().text


def test_positions_that_agree_better_than_carrier_phase_can_are_fused() -> None:
    found = find_kind(*logged(weaving(white_m=0.0001, doppler_mps=0.002)))
    assert found.kind == "fused" and "agrees with differenced positions" in found.reasons[0]


@pytest.mark.parametrize("rate_hz", [10.0, 50.0])
def test_white_noise_of_a_tenth_of_the_claim_is_what_an_inertial_filter_leaves(rate_hz: float) -> None:
    """Of satellites alone such claims come with 1 to 3 mm; without claims nothing is said of 0.8 mm."""
    fixes, track = logged(weaving(rate_hz=rate_hz, white_m=0.0008, doppler_mps=0.01))
    assert find_kind(fixes, track).kind == "unknown"
    found = find_kind(fixes.assign(**claims(0.009)), track)
    assert found.kind == "fused" and "agrees with differenced positions" in found.reasons[0]
    assert find_kind(fixes.assign(**claims(0.003)), track).kind == "gnss"


def test_going_on_without_satellites_is_fused() -> None:
    slow = weaving(rate_hz=1.0)
    states = np.where((slow.t >= 100) & (slow.t < 110), "estimated", "fixed").astype(object)
    assert "dead reckoning" in find_kind(*logged(slow, fix_state=states)).reasons[0]
    few = np.where((slow.t >= 100) & (slow.t < 110), 1.0, 12.0)
    assert "fewer than 3 satellites" in find_kind(*logged(slow, satellites_used=few)).reasons[0]
    short = np.where((slow.t >= 100) & (slow.t < 102), 1.0, 12.0)
    assert find_kind(*logged(slow, satellites_used=short)).kind == "unknown"


def test_nothing_is_said_of_a_log_without_speed() -> None:
    track = weaving()
    assert find_kind(*logged(replace(track, standing=np.zeros(len(track), bool), from_places=True))).kind == "unknown"


def test_the_stated_kind_is_that_of_all_epochs() -> None:
    fixes, _ = logged(weaving(seconds=90.0), solution_kind="fused")
    assert stated_kind(fixes) == "fused"
    fixes["solution_kind"] = pd.Categorical(np.where(np.arange(len(fixes)) < 5, "gnss", "fused"))
    assert stated_kind(fixes) == "unknown"


@pytest.mark.parametrize("options", [
    {"rate_hz": 10.0, "noise_factor": 0.5}, {"rate_hz": 5.0, "noise_factor": 2.0}, {"rate_hz": 100.0, "duration_s": 200.0},
    {"rate_hz": 20.0, "noise_factor": 3.0},
], ids=["half noise", "5 Hz, double noise", "100 Hz", "20 Hz, triple noise"])
@pytest.mark.parametrize("kind", ["gnss", "fused"])
def test_simulated_drives_are_told_apart(tmp_path: Path, options: dict[str, float], kind: str) -> None:
    make_drive(tmp_path, seed=41, solution_kind=kind, **({"duration_s": 300.0} | options))
    recording = analyzer.read(tmp_path / "rover.nmea")
    evidence = gather(recording, measure(recording))
    (finding,) = [f for f in evidence.findings if f.code.startswith("solution_kind")]
    assert finding.evidence.get("kind") == kind, finding.text


@pytest.mark.parametrize(("stated", "status"), [("gnss", "contradicted"), ("fused", "confirmed"), (None, "not_checked")])
def test_the_set_up_sheet_is_held_against_the_data(tmp_path: Path, stated: str | None, status: str) -> None:
    make_drive(tmp_path, seed=41, solution_kind="fused", duration_s=240.0)
    recording = analyzer.read(tmp_path / "rover.nmea", solution_kind=stated or "unknown")
    found = analyzer.assess(recording, setup=analyzer.Setup(solution_kind=stated))
    (item,) = [i for i in found.setup_items if i.key == "solution_kind"]
    assert item.status == status and "follows the noise" in item.evidence
    warned = [f for f in found.findings if f.code == "solution_kind_contradicted"]
    assert len(warned) == (status == "contradicted")
    assert all(f.level == "warning" and "judged as such; the data show one fused" in f.text for f in warned)
