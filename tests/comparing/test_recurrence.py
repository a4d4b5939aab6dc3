"""Does trouble come back at the place: planted sites and single losses over many passes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from run_folders import loop, run_folder
from scipy import stats

from analyzer.comparing.compare import compare
from analyzer.comparing.recurrence import binomial_interval

LAP_M = 3000.0


def stretch(path: np.ndarray, start_m: float, length_m: float) -> np.ndarray:
    """Return the epochs whose place on the lap lies in a stretch."""
    along = np.r_[0.0, np.cumsum(np.hypot(*np.diff(path, axis=1)))] % LAP_M
    return np.asarray((along >= start_m) & (along < start_m + length_m))


def test_planted_sites_and_single_losses_are_told_apart(tmp_path: Path) -> None:
    right, count = 0, 0
    for seed in range(8):
        rng = np.random.default_rng(100 + seed)
        sites = np.sort(rng.choice(np.arange(300.0, 2700.0, 400.0), 2, replace=False))
        free = [p for p in np.arange(100.0, 2900.0, 350.0) if np.abs(sites - p).min() > 180.0]
        singles = rng.choice(free, 2, replace=False)
        folders = []
        for run in range(4):
            path = loop(2.0)
            lost = np.zeros(path.shape[1], dtype=bool)
            for site in sites:
                lost |= stretch(path, site + rng.uniform(-20, 20), rng.uniform(60, 150))
            if run < 2:
                first_lap = np.arange(path.shape[1]) < path.shape[1] // 2
                lost |= stretch(path, singles[run], 120.0) & first_lap
            folders.append(
                run_folder(tmp_path / f"{seed}_{run}", path, run=f"run {run}", seed=10 * seed + run, lost=lost)
            )
        spots = compare(folders).spots
        for place, expected in [(s, "recurs") for s in sites] + [(s, "one_off") for s in singles]:
            near = spots[(spots["along_m"] - place).abs() < 100.0]
            count += 1
            right += int(expected in near["class"].tolist())
    assert count == 32
    assert right / count >= 0.95


def test_few_passes_are_too_few_to_tell(tmp_path: Path) -> None:
    path = loop(1.0)
    lost = stretch(path, 1000.0, 100.0)
    folders = [run_folder(tmp_path / f"{k}", path, run=f"run {k}", seed=k, lost=lost) for k in range(3)]
    spots = compare(folders).spots
    assert spots["class"].tolist() == ["too_few_to_tell"]
    assert spots["words"].iloc[0] == "3 of 3 passes: too few to tell, 6 passes are needed (95 % interval 29 to 100 %)"
    assert spots["p_value"].isna().all(), "no word of chance beside it"


def test_a_place_with_two_kinds_of_trouble_names_both(tmp_path: Path) -> None:
    """A bridge that took the fix is no outage of the radio, though both happened at one place."""
    path = loop(1.0)
    lost = stretch(path, 1000.0, 100.0)
    losses = ("correction_outage", "fix_loss", "fix_loss")
    folders = [run_folder(tmp_path / f"{k}", path, run=f"run {k}", seed=k, lost=lost, loss=loss) for k, loss in enumerate(losses)]
    spot = compare(folders).spots.iloc[0]
    assert spot["kind"] == "fix_loss"
    assert spot["words"].endswith("; 2 fix loss, 1 correction outage")


def test_trouble_in_all_of_five_passes_recurs_and_one_in_five_is_too_few_to_tell(tmp_path: Path) -> None:
    path = loop(1.0)
    site, once = stretch(path, 1000.0, 100.0), stretch(path, 2000.0, 100.0)
    folders = [run_folder(tmp_path / f"{k}", path, run=f"run {k}", seed=k, lost=site | once if k == 2 else site) for k in range(5)]
    spots = compare(folders).spots
    assert spots["class"].tolist() == ["recurs", "too_few_to_tell"]
    assert spots["words"].iloc[0] == "recurs: 5 of 5 passes (95 % interval 48 to 100 %)"
    assert spots["p_value"].iloc[0] < 1e-6 and np.isnan(spots["p_value"].iloc[1])


def test_the_length_of_a_place_is_that_of_its_longest_trouble(tmp_path: Path) -> None:
    path = loop(1.0)
    folders = []
    for k, length in enumerate((100.0, 300.0)):
        lost = stretch(path, 1000.0, length)
        folders.append(run_folder(tmp_path / f"{k}", path, run=f"run {k}", seed=k, lost=lost))
    spots = compare(folders).spots
    assert spots["length_m"].tolist() == pytest.approx([300.0], abs=15.0)


def test_a_pass_that_arrives_in_trouble_is_masked(tmp_path: Path) -> None:
    path = loop(1.0)
    site = stretch(path, 1500.0, 100.0)
    folders = [run_folder(tmp_path / f"{k}", path, run=f"run {k}", seed=k, lost=site) for k in range(6)]
    folders.append(run_folder(tmp_path / "masked", path, run="run 6", seed=6, lost=stretch(path, 1000.0, 900.0)))
    spots = compare(folders).spots
    at_site = spots[(spots["along_m"] - 1500.0).abs() < 60.0].iloc[0]
    assert (at_site["troubled"], at_site["passes"], at_site["masked"]) == (6, 6, 1)
    assert at_site["class"] == "recurs" and at_site["words"].endswith("; 1 pass arrived in trouble already")


@pytest.mark.parametrize(("k", "n"), [(0, 6), (1, 6), (3, 10), (12, 12)])
def test_interval_is_the_exact_one(k: int, n: int) -> None:
    """Against the exact interval of scipy, and its defining tail areas of 2.5 %."""
    low, high = binomial_interval(k, n)
    exact = stats.binomtest(k, n).proportion_ci(0.95, method="exact")
    assert (low, high) == pytest.approx((exact.low, exact.high), abs=1e-9)
    if k:
        assert stats.binom.sf(k - 1, n, low) == pytest.approx(0.025, abs=1e-6)
    if k < n:
        assert stats.binom.cdf(k, n, high) == pytest.approx(0.025, abs=1e-6)
