"""What a reader must know beside the answer of a comparison: which run used what, and which stands out."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from run_folders import loop, run_folder

from analyzer.comparing.car_points import Logged
from analyzer.comparing.cautions import _mountings, _standing_out
from analyzer.comparing.changes import changes, sample_run
from analyzer.comparing.compare import compare

DAYS = ("2026-04-14T08:00:00Z", "2026-04-15T08:00:00Z")


def car(name: str, *arm_m: float, point: str | None = "antenna", vehicle: str = "car a") -> SimpleNamespace:
    return SimpleNamespace(name=name, logged=Logged(point, "axle", vehicle, (*arm_m,)))  # type: ignore[arg-type]


def test_stations_are_named_with_the_runs_that_used_them_among_the_sentences(tmp_path: Path) -> None:
    folders = [run_folder(tmp_path / name, loop(1.0), run=name, start=DAYS[k], seed=k, station=17 + 82 * k) for k, name in enumerate("ab")]
    assert "The runs used different stations: 17 in a; 99 in b." in compare(folders).sentences


def test_antennas_that_the_sheets_state_apart_are_said_and_what_nobody_looked_for_is_no_zero(tmp_path: Path) -> None:
    """Both sheets said so, 1.5 m apart, and the comparison said that the offset differed by 0.0 m."""
    sheets = [{"vehicle": "car a", "output_point": "antenna", "antenna_forward_m": x, "antenna_left_m": 0.0, "antenna_up_m": u} for x, u in ((0.9, 1.5), (2.4, 1.9))]
    found = compare([run_folder(tmp_path / name, loop(1.0), run=name, start=DAYS[k], seed=k, car=sheets[k]) for k, name in enumerate("ab")])
    assert any(s.startswith("In b the antenna is stated 1.5 m further forward and 0.4 m higher than in a: ") for s in found.sentences)
    content = found.to_dict()
    assert content["antenna_offset_differs_m"] is None
    assert content["setups"][0]["half_width_95_m"] is None and content["setups"][0]["smallest_detectable_shift_m"] is None


@pytest.mark.parametrize(("other", "words"), [
    (car("b", 0.6, -0.2, 1.5), "0.3 m further back and 0.2 m further right than in a"), (car("b", 0.92, 0.0, np.nan), ""),
    (car("b", 2.4, 0.0, 1.5, point=None), ""), (car("b", 2.4, 0.0, 1.5, point="reference point"), ""), (car("b", 2.4, 0.0, 1.5, vehicle="car b"), ""),
], ids=["moved", "by a tape reading", "not stated which", "the reference point", "another car"])
def test_only_antennas_that_are_logged_on_one_car_are_held_against_each_other(other: SimpleNamespace, words: str) -> None:
    first = car("a", 0.9, 0.0, 1.5)
    found = _mountings([first, other], first)  # type: ignore[list-item,arg-type]
    assert [words in f.text for f in found] == [True] * bool(words)


def test_a_run_of_which_far_less_is_trusted_is_named() -> None:
    runs = [SimpleNamespace(name=name) for name in "abcd"]
    samples = [SimpleNamespace(run=k, value={"share_trusted": share}) for k, share in enumerate((0.94, 0.93, 0.7, 0.11))]
    (found,) = _standing_out(runs, SimpleNamespace(samples=samples))  # type: ignore[arg-type]
    assert found.text == "Of d 11 % of the driving is trusted, of the other runs 93 % in the middle"
    assert not _standing_out(runs, SimpleNamespace(samples=samples[2:]))  # type: ignore[arg-type]


@pytest.mark.parametrize(("per_day", "scarce"), [(2, True), (3, False)])
def test_no_change_among_few_runs_a_day_is_no_proof_of_none(per_day: int, scarce: bool) -> None:
    rng = np.random.default_rng(3)
    rows = [pd.DataFrame({"trust": np.where(rng.random(900) < 0.9, "trusted", "doubtful"), "fix_state": "fixed", "horizontal_bound_m": rng.normal(0.03, 0.001, 900),
                          "correction_age_s": rng.normal(1.0, 0.1, 900), "satellites_used": 20.0}) for _ in range(2 * per_day)]
    table = changes([sample_run(k, row, np.arange(900)) for k, row in enumerate(rows)], ["a"] * per_day + ["b"] * per_day)
    said = table.loc[~table["found"], "words"]
    assert len(said) and (said.str.contains("so few runs a day show large changes only") == scarce).all()
