"""Shifts between days from marks: 200 simulated three-day sets, and what marks can and cannot tell apart."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from run_folders import mark_stands

from analyzer.comparing.adjustment import adjust, lever_separable
from analyzer.comparing.stands import COLUMNS, common_places
from analyzer.metrics.base_site_shift import family_test_level, judge_shift

TRIALS = 200
REPEAT_M = (0.008, 0.008)


def three_days(rng: np.random.Generator, shifts: list[np.ndarray], **how: object) -> tuple[pd.DataFrame, np.ndarray]:
    """Return stands of several days in the layout of the adjustment."""
    days = [mark_stands(rng, **how) for _ in shifts]  # type: ignore[arg-type]
    # columns as they will be, at once: taking tables apart and together costs five times what is tested
    columns = {name: np.concatenate([rows[name].to_numpy() for rows in days]) for name in days[0].columns}
    day = np.repeat(np.arange(len(days)), [len(rows) for rows in days])
    for axis, name in enumerate(("east_m", "north_m", "up_m")):
        columns[name] = columns[name] + np.array(shifts)[day, axis]
    columns |= {"run": day, "place": columns["mark"]}
    values = {"kind": "mark", "var_e_m2": 2e-6, "var_n_m2": 2e-6, "var_u_m2": 4e-6}
    table = {name: columns.get(name, values.get(name, np.nan)) for name in COLUMNS}
    return pd.DataFrame(table, index=range(len(day))), day


@pytest.fixture(scope="module")
def trials() -> dict[str, np.ndarray]:
    """Return, over all trials, what was found at no shift, at the stated size and at twice that size."""
    rng = np.random.default_rng(2026)
    level = family_test_level(2)
    out: dict[str, list[object]] = {k: [] for k in ("stated", "still", "once", "twice", "inside", "half")}
    for _ in range(TRIALS):
        table, day = three_days(rng, [np.zeros(3)] * 3)
        fit = adjust(table, day, reference=0, repeat_m=REPEAT_M)
        judged = [judge_shift(fit.shift_m[k], fit.covariance_m2[k], level=level) for k in (1, 2)]
        out["stated"].append(judged[0].detectable_m)
        out["still"].append(any(j.found for j in judged))
        for name, factor in (("once", 1.0), ("twice", 2.0)):
            way = rng.normal(size=3)
            shift = way / np.linalg.norm(way) * judged[0].detectable_m * factor
            table, day = three_days(rng, [np.zeros(3), shift, shift])
            fit = adjust(table, day, reference=0, repeat_m=REPEAT_M)
            one = judge_shift(fit.shift_m[1], fit.covariance_m2[1], level=level)
            out[name].append(one.found)
            out["inside"].append(np.abs(np.array(one.vector_m) - shift) < one.half_width_m)
            out["half"].append(one.half_width_m)
    return {k: np.array(v) for k, v in out.items()}


def test_smallest_detectable_shift_is_stated_within_three_centimetres(trials: dict[str, np.ndarray]) -> None:
    assert np.median(trials["stated"]) <= 0.03


def test_unmoved_bases_are_seldom_declared_shifted(trials: dict[str, np.ndarray]) -> None:
    assert trials["still"].mean() <= 0.03


def test_shifts_of_the_stated_size_are_found(trials: dict[str, np.ndarray]) -> None:
    assert trials["once"].mean() >= 0.75
    assert trials["twice"].mean() >= 0.98


def test_intervals_cover_and_stay_narrow(trials: dict[str, np.ndarray]) -> None:
    coverage = trials["inside"].mean(axis=0)
    assert (coverage >= 0.92).all()
    assert (coverage <= 0.99).all()
    assert (np.median(trials["half"], axis=0) <= 0.025).all()


def test_wrong_lever_arm_is_told_from_a_knocked_antenna_by_facing_both_ways() -> None:
    rng = np.random.default_rng(3)
    both = [mark_stands(rng, both_ways=True), mark_stands(rng, both_ways=True, lever_m=(0.06, 0.0))]
    table = pd.concat(
        [
            b.assign(run=k, place=b["mark"], kind="mark", var_e_m2=2e-6, var_n_m2=2e-6, var_u_m2=4e-6)
            for k, b in enumerate(both)
        ],
        ignore_index=True,
    ).reindex(columns=list(COLUMNS))
    fit = adjust(table, table["run"].to_numpy(np.int64), reference=0, repeat_m=REPEAT_M, levers=True)
    assert lever_separable(fit, 1)
    assert fit.lever_m[1] == pytest.approx([0.06, 0.0], abs=0.02)
    assert np.abs(fit.shift_m[1]).max() < 0.02


def test_one_heading_does_not_separate_lever_from_base() -> None:
    rng = np.random.default_rng(4)
    table, day = three_days(rng, [np.zeros(3)] * 2)
    table["heading_deg"] = 90.0
    fit = adjust(table, day, reference=0, repeat_m=REPEAT_M, levers=True)
    assert not lever_separable(fit, 1)


def test_day_without_a_common_mark_stays_unknown() -> None:
    table, day = three_days(np.random.default_rng(5), [np.zeros(3)] * 2)
    table.loc[day == 1, "place"] = "elsewhere " + table.loc[day == 1, "place"]
    assert np.isnan(adjust(table, day, reference=0, repeat_m=REPEAT_M).shift_m[1]).all()


def test_rougher_marks_widen_the_interval() -> None:
    rng = np.random.default_rng(6)
    factors = []
    for _ in range(20):
        table, day = three_days(rng, [np.zeros(3)] * 3, repeat_m=0.04)
        factors.append(adjust(table, day, reference=0, repeat_m=REPEAT_M).repeat_m[0])
    assert np.median(factors) == pytest.approx(0.04, rel=0.3)


def test_parking_places_are_matched_after_the_entered_difference() -> None:
    rng = np.random.default_rng(7)
    shift = np.array([40.0, -12.0, 3.0])
    parts = []
    for run in (0, 1):
        rows = mark_stands(rng, named=False, spread_m=0.3)
        rows[["east_m", "north_m", "up_m"]] += shift * run
        parts.append(rows.assign(run=run, place="", kind=""))
    table = pd.concat(parts, ignore_index=True).reindex(columns=list(COLUMNS))
    named = common_places(table, [np.zeros(3), shift])
    assert (named["kind"] == "parking").all()
    assert named["place"].nunique() == 3
    assert (common_places(table, [np.zeros(3), np.zeros(3)])["kind"] == "").all()
