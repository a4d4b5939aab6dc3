"""The parts of the bound, the rule that combines them, and that each can be switched off."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter

import analyzer
from analyzer import intervals, tables
from analyzer.demo import Fault, make_drive
from analyzer.evidence.claim import RADIUS_95, carried_claim
from analyzer.evidence.claimed_sigma import (
    AtRest,
    fixed_base,
    places_at_rest,
    shown_at_rest,
    unseen_at_rest,
    with_other_states,
)
from analyzer.evidence.claims import claims_table, off_stands, ratio_beside
from analyzer.evidence.gather import gather
from analyzer.evidence.noise import Noise
from analyzer.evidence.parts import _lasts, _standstill
from analyzer.evidence.result import KINDS
from analyzer.evidence.road import road_of
from analyzer.evidence.second_opinion import SecondOpinion
from analyzer.evidence.stations import foreign
from analyzer.evidence.track import Track
from analyzer.metrics.measure import measure
from analyzer.metrics.result import Metrics
from analyzer.recording import Recording
from tests.evidence.drives import read
from tests.evidence.tracks import weaving


@pytest.fixture(scope="module")
def spoiled(tmp_path_factory: pytest.TempPathFactory) -> tuple[Recording, Metrics]:
    """Return a drive with a wrong fix and stale corrections."""
    folder = make_drive(tmp_path_factory.mktemp("spoiled"), seed=3, duration_s=420.0, faults=(
        Fault("wrong_fix", start_s=150.0, duration_s=60.0, size=0.5), Fault("stale_corrections", start_s=270.0, duration_s=90.0, size=3.0)))
    return read(Path(folder))


def test_bounds_are_finite_and_no_part_is_negative(spoiled: tuple[Recording, Metrics]) -> None:
    bounds = gather(*spoiled).bounds
    placed = spoiled[0].fixes["latitude_deg"].notna()
    assert np.isfinite(bounds.loc[placed, "horizontal_bound_m"]).all()
    parts = [c for c in bounds if c.startswith("bound_")]
    assert (bounds[parts].fillna(0.0) >= 0).all().all()
    assert {f"vertical_{c}" for c in parts} <= set(bounds)


@pytest.mark.parametrize("kind", ["ageing", "segment", "scatter", "baseline", "sky", "bridge", "standstill", "frozen", "alignment", "settling"])
def test_a_kind_that_is_switched_off_leaves_no_part(spoiled: tuple[Recording, Metrics], kind: str) -> None:
    assert kind in KINDS
    bounds = gather(*spoiled, without=(kind,)).bounds
    assert (bounds[f"bound_{kind}_m"] == 0).all()


def test_ageing_and_segment_widen_what_they_should(spoiled: tuple[Recording, Metrics]) -> None:
    whole = gather(*spoiled).bounds["horizontal_bound_m"]
    for kind in ("ageing", "segment"):
        less = gather(*spoiled, without=(kind,)).bounds["horizontal_bound_m"]
        assert (less - whole).max() <= 1e-9
        assert (less < whole - 0.02).any()


@pytest.mark.parametrize(("used", "dilution", "seconds", "hidden"), [
    (0.8, 1.3, 13, True), (0.8, 1.1, 13, False), (0.9, 1.3, 13, False), (0.8, 1.3, 9, False),
])
def test_what_hides_a_part_of_the_sky_for_long_also_reflects(
    spoiled: tuple[Recording, Metrics], used: float, dilution: float, seconds: int, hidden: bool
) -> None:
    recording, metrics = spoiled
    fixes = recording.fixes.copy()
    beside = slice(1200, 1200 + 10 * seconds)
    fixes["satellites_used"], fixes["hdop"] = 20.0, 0.7
    fixes.iloc[beside, fixes.columns.get_loc("satellites_used")] = round(20 * used)
    fixes.iloc[beside, fixes.columns.get_loc("hdop")] = 0.7 * dilution
    part = gather(replace(recording, fixes=fixes), metrics).bounds["bound_sky_m"].to_numpy()
    fixed = (fixes["fix_state"] == "fixed").to_numpy()
    assert fixed[beside].all() and (part[fixed][:100] == 0).all()
    assert (part[beside] >= 0.08).all() if hidden else (part[beside] < 0.05).all()


def test_hidden_seconds_between_houses_of_one_street_are_one_stretch() -> None:
    track = weaving(300.0, 10.0)
    def long(*spans: tuple[float, float]) -> int:
        hidden = np.zeros(len(track), dtype=bool)
        for start, end in spans:
            hidden |= (track.t >= start) & (track.t < end)
        return int((_lasts(track, hidden) & hidden).sum()) if not (_lasts(track, hidden) & ~hidden).any() else -1

    assert long((40.0, 46.0), (49.0, 55.0)) == 120
    assert long((40.0, 46.0), (51.0, 57.0)) == 0
    assert long((40.0, 46.0), (49.0, 55.0), (100.0, 111.0)) == 120 and long() == 0


@pytest.mark.parametrize(("dilution", "grown", "noticed"), [(2.5, 2.6, True), (2.5, 1.5, False), (1.3, 1.4, False), (3.5, 2.2, False)])
def test_a_claim_that_has_grown_as_much_as_the_dilution_stands(
    spoiled: tuple[Recording, Metrics], dilution: float, grown: float, noticed: bool
) -> None:
    recording, metrics = spoiled
    fixes = recording.fixes.copy()
    beside = slice(1200, 1330)
    fixes["satellites_used"], fixes["hdop"] = 20.0, 0.7
    for name, value in (("satellites_used", 10.0), ("hdop", 0.7 * dilution)):
        fixes.iloc[beside, fixes.columns.get_loc(name)] = value
    for name in ("sigma_north_m", "sigma_east_m"):
        fixes[name] = 0.006
        fixes.iloc[beside, fixes.columns.get_loc(name)] = 0.006 * grown
    part = gather(replace(recording, fixes=fixes), metrics).bounds["bound_sky_m"].to_numpy()[beside]
    assert (part < 0.08).all() if noticed else (part >= 0.08).all()


def test_white_noise_stands_for_no_more_than_long_stands_showed() -> None:
    """Most of the error may be white: 3.5 times 8 mm are no 2.9 cm where two minutes of stands show 1 cm (1 sigma per axis)."""
    noise, claimed = Noise(0.008, 1e-5, 0.002, 25.0, learnt=True), np.full(2, 0.004)

    def base(seconds: float, sigma_m: float = 0.01) -> float:
        return float(fixed_base(claimed, 2 * claimed, np.full(2, 0.025), noise=noise, rest=AtRest(sigma_m, sigma_m / 0.004, seconds),
                                told_ratio=np.nan, fused=False, nominal_s=0.1)[0][0])

    assert base(25.0) == pytest.approx(3.5 * RADIUS_95 * 0.008), "a short stand shows little but white noise"
    assert base(120.0) == pytest.approx(1.3 * RADIUS_95 * 0.01)
    assert base(120.0, 0.0061) == pytest.approx(RADIUS_95 * 0.008), "never below white noise itself"


def test_the_base_bound_follows_claims_not_below_the_class() -> None:
    """1 cm per axis is a radius of 2.4 cm (NOAA NGS guidelines: about 1 cm + 1 ppm, from memory, not re-read)."""
    noise = Noise(0.003, 1e-5, 0.002, 25.0, learnt=True)
    claimed = np.array([0.007, 0.02])

    def base(rest_ratio: float, claimed: np.ndarray = claimed, fused: bool = False, told_ratio: float = np.nan) -> np.ndarray:
        return fixed_base(claimed, 2 * claimed, np.full(len(claimed), 0.025), noise=noise, rest=AtRest(np.nan, rest_ratio, np.nan),
                          told_ratio=told_ratio, fused=fused, nominal_s=0.1)[0]

    assert base(np.nan)[0] == pytest.approx(0.0255)
    assert base(np.nan)[1] == pytest.approx(1.3 * RADIUS_95 * 0.02)
    # a stand that disproves the claims counts for more in motion
    assert base(3.0)[1] == pytest.approx(3 * 1.3 * RADIUS_95 * 0.02)
    # what other states tell does not
    assert base(np.nan, told_ratio=3.0)[1] == pytest.approx(3 * RADIUS_95 * 0.02)
    assert base(np.nan, np.full(2, 0.001), told_ratio=3.0)[0] == pytest.approx(max(0.0185, 2.3 * RADIUS_95 * 0.003)), "white noise is a part of the error"
    assert base(1.4)[1] == pytest.approx(1.4 * RADIUS_95 * 0.02)
    # small claims lower the floor by degrees, and never without end
    floors = base(np.nan, np.array([0.001, 0.0045, 0.0055, 0.0065]))
    assert floors == pytest.approx([0.0185, 0.0185, 0.022, 0.0255])
    # still smaller ones where stands confirm them: not of a filter, which stands still there
    small = np.array([0.001, 0.003, 0.00375, 0.0045])
    assert base(1.0, small) == pytest.approx([0.0135, 0.0135, 0.016, 0.0185])
    for doubted in (base(1.3, small), base(1.0, small, fused=True), base(np.nan, small)):
        assert doubted[:2] == pytest.approx([0.0185, 0.0185])


def test_what_a_stand_does_not_show_shrinks_with_its_length() -> None:
    factors = [unseen_at_rest(s) for s in (30.0, 60.0, 300.0, 3000.0)]
    assert factors == sorted(factors, reverse=True)
    assert factors[-1] == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize("seconds", [30.0, 60.0])
def test_a_stand_enlarges_slow_errors_and_not_white_noise(seconds: float) -> None:
    """White noise, and what changes within a second or two, is all seen in a stand; of an error that wanders over minutes a part hides in the mean."""
    rng = np.random.default_rng(5)
    count, shown, quick, mixed = int(seconds * 10), [], [], []

    def correlated(time_s: float) -> NDArray[np.float64]:
        keeps = np.exp(-0.1 / time_s)
        noise = np.sqrt(1 - keeps**2) * rng.standard_normal((count + 1000, 2))
        return np.asarray(lfilter([1.0], [1.0, -keeps], noise, axis=0)[1000:])

    for _ in range(60):
        white = 0.014 * rng.standard_normal((count, 2))
        shown.append(shown_at_rest(white, seconds, nominal_s=0.1))
        quick.append(shown_at_rest(0.010 * correlated(1.0), seconds, nominal_s=0.1))
        mixed.append(shown_at_rest(0.3 * white + 0.008 * correlated(60.0), seconds, nominal_s=0.1))
    assert np.median(shown) == pytest.approx(0.014, rel=0.05)
    assert np.median(quick) == pytest.approx(0.010, rel=0.15)
    assert np.median(mixed) == pytest.approx(np.hypot(0.0042, 0.008), rel=0.25)


def test_claims_and_innovations_come_along(spoiled: tuple[Recording, Metrics]) -> None:
    evidence = gather(*spoiled)
    assert set(evidence.claims["fix_state"]) >= {"fixed"}
    assert len(evidence.innovations) == 1
    assert any("whole day" in words for words in evidence.cannot_show)
    assert isinstance(evidence.segments, pd.DataFrame)
    assert isinstance(analyzer.__all__, (list, tuple))


def test_places_that_were_frozen_say_nothing_of_the_claim(tmp_path: Path) -> None:
    """A car that stops while its output is frozen stands, by its speed, where it does not; the claim has no part in that."""
    recording, _ = read(make_drive(tmp_path / "drive", seed=5, duration_s=420.0, rate_hz=10.0, long_rest_s=60.0, faults=()))
    fixes = recording.fixes.copy()
    slow = (fixes["speed_mps"] < 0.2).to_numpy() & (fixes["fix_state"] == "fixed").to_numpy() & (np.arange(len(fixes)) > 1000)
    stops = [s for s, e in intervals.runs(slow) if e - s > 250]
    held = slice(stops[0] - 80, stops[0] + 60)
    for name in ("latitude_deg", "longitude_deg", "height_m"):
        fixes.iloc[held, fixes.columns.get_loc(name)] = fixes[name].iloc[held.start]
    spoiled = replace(recording, fixes=fixes)
    row = gather(spoiled, measure(spoiled)).claims.set_index("fix_state").loc["fixed"]
    assert row["shown_m"] < 0.05


def test_measuring_twice_changes_nothing(spoiled: tuple[Recording, Metrics]) -> None:
    first = gather(*spoiled).bounds
    again = gather(spoiled[0], measure(spoiled[0])).bounds
    assert (first["contradicted"] == again["contradicted"]).mean() > 0.999


@pytest.mark.parametrize(("rest", "beside", "expected"), [
    (1.3, 3.0, (1.3 * 3.0**2) ** (1 / 3)), (np.nan, 3.0, (1.3 * 3.0**2) ** (1 / 3)), (np.nan, 0.5, 1.3 ** (1 / 3)), (0.8, 3.0, np.nan), (2.5, 3.0, np.nan),
    (1.3, 1.8, np.nan), (1.3, np.nan, np.nan), (np.nan, np.nan, np.nan)])
def test_claims_disproved_in_other_states_count_where_stands_leave_it_open(rest: float, beside: float, expected: float) -> None:
    assert with_other_states(rest, beside) == pytest.approx(expected, nan_ok=True)


def test_claims_outside_fixed_are_joined_by_their_samples() -> None:
    table = pd.DataFrame({"fix_state": ["fixed", "float", "autonomous"], "ratio": [9.0, 4.0, 2.0], "n_eff": [900.0, 50.0, 500.0]})
    assert ratio_beside(table, weaving(60.0)) == pytest.approx(np.sqrt(8.0)), "fixed does not count, and no state alone decides"
    assert np.isnan(ratio_beside(table.iloc[[0, 2]].assign(n_eff=1.0), weaving(60.0))), "few samples, and their interval reaches down to honest claims"
    assert ratio_beside(table.assign(n_eff=5.0), weaving(60.0)) == pytest.approx(np.sqrt(8.0)), "few, but far off"
    assert np.isnan(ratio_beside(table.iloc[:0], weaving(60.0)))


def test_a_single_outlier_is_no_scatter_at_rest() -> None:
    track = weaving(60.0)
    quiet = places_at_rest(track, 0, 250)
    track.places[100, 0] += 1.8
    assert len(quiet) == 250 and len(places_at_rest(track, 0, 250)) == 249
    assert places_at_rest(track, 0, 250).std(axis=0) == pytest.approx(quiet.std(axis=0), rel=0.05)


def test_a_claim_holds_until_the_next_within_one_state() -> None:
    """GST once a second beside positions ten times as fast; after five seconds, or in another state, nothing is claimed."""
    count = 120
    claims = np.full(count, np.nan)
    claims[[0, 10, 20]] = [0.01, 0.02, 0.03]
    states = np.where(np.arange(count) < 40, "fixed", "float")
    fixes = tables.FIXES.conform(pd.DataFrame(
        {"fix_state": states, "sigma_north_m": claims, "sigma_east_m": claims, "sigma_up_m": 2 * claims},
        index=pd.date_range("2025-05-06T08:00", periods=count, freq="100ms", tz="UTC", name="time_utc")))
    held, up = carried_claim(fixes)
    assert held[[5, 15, 25, 39]] == pytest.approx([0.01, 0.02, 0.03, 0.03], rel=1e-6)
    assert np.isnan(held[40:]).all() and up[:40] == pytest.approx(2 * held[:40], rel=1e-6)
    lasting = tables.FIXES.conform(fixes.assign(fix_state="fixed"))
    assert np.isfinite(carried_claim(lasting)[0]).sum() == 20 + 51


def test_float_of_the_stand_where_the_fix_came_is_held_against_it() -> None:
    """Positions a metre beside the later fix of the same stand, claimed to a decimetre, whatever velocity says."""
    track = weaving(120.0)
    places, fixed = track.places.copy(), track.fixed.copy()
    places[:200, 0] += 1.0
    fixed[:200] = False
    stood = replace(track, places=places, fixed=fixed)
    unknown = np.full(len(track), np.nan)
    deviation, sigma = off_stands(stood, np.ones(len(track), bool), np.full((len(track), 2), np.nan), unknown)
    assert deviation[:200, 0] == pytest.approx(1.0, abs=0.02) and (sigma[:200] < 0.02).all()
    moving = ~stood.standing
    assert np.isnan(sigma[moving]).all()
    states = np.where(fixed, "fixed", "float")
    table = claims_table(states, stood, np.where(fixed, 0.01, 0.1), deviation=np.full((len(track), 2), np.nan), sigma=unknown, right=np.ones(len(track), bool))
    row = table.set_index("fix_state").loc["float"]
    assert row["ratio"] == pytest.approx(np.sqrt(0.5) / 0.1, rel=0.05)
    # fixed for too short a time nothing is known
    late = replace(stood, fixed=stood.fixed & ((track.t > 28) | (track.t < 0)))
    assert np.isnan(off_stands(late, np.ones(len(track), bool), deviation * np.nan, unknown)[1][:200]).all()


def test_what_old_corrections_add_adds_by_squares(spoiled: tuple[Recording, Metrics]) -> None:
    """Independent errors: variances add (textbook), so do squares of figures that stand for the same share of cases."""
    whole, fresh = gather(*spoiled).bounds, gather(*spoiled, without=("ageing",)).bounds
    quiet = (whole[[f"bound_{k}_m" for k in ("scatter", "segment", "standstill", "frozen", "alignment", "settling")]] == 0).all(axis=1)
    aged = (spoiled[0].fixes["fix_state"] == "fixed") & (whole["bound_ageing_m"] > 0.01) & quiet
    assert aged.sum() > 50
    assert np.hypot(fresh["horizontal_bound_m"], whole["bound_ageing_m"])[aged].to_numpy() == pytest.approx(whole["horizontal_bound_m"][aged].to_numpy(), rel=1e-3)
    assert (fresh["horizontal_bound_m"][aged] < whole["horizontal_bound_m"][aged]).all()


def test_passes_under_a_strangers_base_are_no_witnesses(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = make_drive(tmp_path, seed=7, duration_s=420.0, faults=(Fault("second_base", start_s=180.0, duration_s=80.0, size=0.8),))
    recording, metrics = read(folder)
    asked: list[np.ndarray] = []
    monkeypatch.setattr("analyzer.evidence.gather.road_of", lambda track, usable, worse: asked.append(usable) or road_of(track, usable, worse))
    gather(recording, metrics)
    fixed = (recording.fixes["fix_state"] == "fixed").to_numpy()
    other = foreign(recording.fixes, fixed)
    assert (fixed & other).sum() > 100 and not (asked[0] & other).any() and asked[0].any()


@pytest.mark.parametrize(("swing_s", "whole"), [(100.0, False), (700.0, True)])
def test_a_swing_of_a_minute_makes_no_hour_of_a_stand_worse(swing_s: float, whole: bool) -> None:
    """Twenty minutes at rest with a swing of 0.2 m: minutes away from it stay as they are, unless it is so long that the middle may be wrong."""
    t = np.arange(1200.0)
    places = 0.003 * np.random.default_rng(2).normal(size=(1200, 3))
    inside = (t > 300) & (t < 300 + swing_s)
    places[inside, 0] += 0.2 * np.sin(np.pi * (t[inside] - 300) / swing_s) ** 2
    still = np.ones(1200, dtype=bool)
    track = Track(t=t, places=places, velocity=np.zeros((1200, 2)), fixed=still, placed=still, standing=still, age=np.ones(1200), nominal_s=1.0)
    opinion = cast(SecondOpinion, SimpleNamespace(stretches=SimpleNamespace(id=np.zeros(1200, dtype=np.int64)), strayed=np.zeros((1200, 2))))
    out = _standstill(track, opinion)
    assert (out[inside] >= np.hypot(*places[inside, :2].T) - 0.06).all() and out[inside].max() > 0.14  # held against the middle of the stand
    assert bool((out[(t < 230) | (t > 370 + swing_s)] > 0.1).all()) == whole
    assert whole or out[(t < 230) | (t > 370 + swing_s)].max() == 0.0


@pytest.mark.parametrize(("stray_m", "counted"), [(0.02, False), (0.2, True)])
def test_to_stray_at_a_stand_by_less_than_the_base_bound_adds_nothing(
    spoiled: tuple[Recording, Metrics], monkeypatch: pytest.MonkeyPatch, stray_m: float, counted: bool,
) -> None:
    monkeypatch.setattr("analyzer.evidence.parts._standstill", lambda track, opinion: np.full(len(track), stray_m))
    bounds = gather(*spoiled).bounds[(spoiled[0].fixes["fix_state"] == "fixed").to_numpy()]
    assert (bounds["bound_base_m"] > 0.02).all()
    assert bounds["bound_standstill_m"].to_numpy() == pytest.approx(stray_m if counted else 0.0)
