"""Change between days and trends over runs: found where planted, quiet where not."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.signal import lfilter

from analyzer.comparing.changes import QUANTITIES, changes, direction, holm, sample_run
from analyzer.comparing.trends import trends
from analyzer.report.compare_page_runs import over_time_part


def epochs(rng: np.random.Generator, *, age_factor: float = 1.0, count: int = 900, phi: float = 0.97) -> pd.DataFrame:
    """Return epochs whose figures are strongly autocorrelated."""
    noise = lfilter([np.sqrt(1 - phi**2)], [1.0, -phi], rng.normal(size=(3, count + 300)), axis=1)[:, 300:]
    return pd.DataFrame(
        {
            "trust": np.where(noise[0] < 1.0, "trusted", "doubtful"),
            "fix_state": np.where(noise[1] < 1.5, "fixed", "float"),
            "horizontal_bound_m": 0.03 * np.exp(0.4 * noise[0]),
            "correction_age_s": age_factor * np.exp(0.3 * noise[2]),
            "satellites_used": np.round(20 + 2 * noise[1]),
        }
    )


def test_equal_days_are_seldom_called_different() -> None:
    rng = np.random.default_rng(1)
    alarms = []
    for _ in range(100):
        samples = [sample_run(k, epochs(rng), np.arange(900)) for k in range(4)]
        alarms.append(bool(changes(samples, ["a", "a", "b", "b"])["found"].any()))
    assert np.mean(alarms) <= 0.08


def test_days_of_one_run_each_are_held_by_the_effective_sample_size() -> None:
    rng = np.random.default_rng(2)
    alarms, words = [], ""
    for _ in range(60):
        table = changes([sample_run(k, epochs(rng), np.arange(900)) for k in range(2)], ["a", "b"])
        alarms.append(bool(table["found"].any()))
        assert table.set_index("quantity").loc["age_p95_s", "n_eff_from"] < 200
    table = changes(
        [sample_run(0, epochs(rng), np.arange(900)), sample_run(1, epochs(rng, age_factor=3.0), np.arange(900))],
        ["a", "b"],
    )
    words = table["words"].iloc[0]
    assert np.mean(alarms) <= 0.12
    assert "between runs rather than days" in words


def test_the_size_is_a_chance_whatever_other_days_show() -> None:
    """Counted pair by pair: with three days, two of them far apart, ranks pooled over all had made 1.2 of it."""
    rng = np.random.default_rng(8)
    tables = [epochs(rng, age_factor=factor, count=300) for factor in (1.0, 1.2, 40.0)]
    table = changes([sample_run(k, x, np.arange(300)) for k, x in enumerate(tables)], ["a", "b", "c"]).set_index(["quantity", "from_day"])
    for number, day in enumerate("ab"):
        earlier, later = (x["correction_age_s"].to_numpy() for x in tables[number:number + 2])
        pairs = np.mean(later[:, None] > earlier[None, :]) + np.mean(later[:, None] == earlier[None, :]) / 2
        assert table.loc[("age_p95_s", day), "effect"] == pytest.approx(pairs, abs=0.02)
    assert table["effect"].between(0.0, 1.0).all()


def test_a_worse_day_comes_first_and_its_size_is_the_chance_of_being_larger() -> None:
    rng = np.random.default_rng(3)
    samples = [sample_run(k, epochs(rng, age_factor=1.0 if k < 3 else 2.5), np.arange(900)) for k in range(6)]
    table = changes(samples, ["a"] * 3 + ["b"] * 3)
    assert table["quantity"].iloc[0] == "age_p95_s"
    assert table["worse"].iloc[0]
    assert table["effect"].iloc[0] > 0.9


def test_a_change_of_the_rest_is_not_told_as_one_of_the_figure() -> None:
    """Nine satellites in one epoch of ten, or in all: the fifth percentile is nine both times, and yet all the rest changed."""
    rng = np.random.default_rng(6)
    days = [
        epochs(rng, phi=0.0).assign(satellites_used=np.where(np.arange(900) % 10 == 0, 9.0, 14.0 if k < 3 else 9.0)) for k in range(6)
    ]
    table = changes([sample_run(k, day, np.arange(900)) for k, day in enumerate(days)], ["a"] * 3 + ["b"] * 3)
    row = table.set_index("quantity").loc["satellites_p5"]
    assert row["from_value"] == row["to_value"] == 9.0 and row["found"] and "worse over all epochs" in row["words"]
    assert direction(False, True, alike=True) == "no change beyond chance"


def test_trend_over_runs_is_found_and_too_few_runs_have_none() -> None:
    rng = np.random.default_rng(4)
    samples = [sample_run(k, epochs(rng, age_factor=1.0 + 0.15 * k), np.arange(900)) for k in range(14)]
    days = np.arange(14.0)
    table = trends(samples, days).set_index("quantity")
    assert table.loc["age_p95_s", "found"]
    assert table.loc["age_p95_s", "worse"]
    assert not table.loc["satellites_p5", "found"]
    assert table.loc["age_p95_s", "slope_low"] > 0
    assert len(trends(samples[:7], days)) == 0


def test_holm_agrees_with_the_textbook_example() -> None:
    """Holm's step-down on p = 0.01, 0.04, 0.03, 0.005: 0.03, 0.06, 0.06, 0.02 (any statistics text)."""
    assert holm(np.array([0.01, 0.04, 0.03, 0.005])) == pytest.approx([0.03, 0.06, 0.06, 0.02])


def test_intervals_of_shares_cover() -> None:
    rng = np.random.default_rng(5)
    inside = []
    for _ in range(150):
        sample = sample_run(0, epochs(rng), np.arange(900))
        low, high = sample.interval["share_trusted"]
        inside.append(low <= 0.8413 <= high)
    assert 0.88 <= np.mean(inside) <= 1.0


def test_figures_of_epochs_in_motion_are_not_named_as_those_of_the_whole_time() -> None:
    """A batch gives the share of the recorded time under the same key; who holds one against the other must see that stands are left out here."""
    assert all(quantity.label.endswith(", in motion") for quantity in QUANTITIES)


@pytest.mark.parametrize(("found", "shown"), [(0, 12), (3, 12), (20, 20)])
def test_a_page_lists_what_was_found_and_not_every_pair_of_days(found: int, shown: int) -> None:
    rows = pd.DataFrame([{
        "label": "share trusted", "from_day": f"d{k}", "to_day": f"d{k + 1}", "from_value": 1.0, "to_value": 0.9, "unit": "1", "found": k < found,
        "worse": True, "p_holm": 1.0, "n_eff_from": 10.0, "n_eff_to": 10.0, "words": f"change {k}"} for k in range(32)])
    part = over_time_part(SimpleNamespace(changes=rows, trends=rows.iloc[:0].assign(words=[])))  # type: ignore[arg-type]
    (table,) = part.tables
    assert len(table.rows) == shown and f"{32 - shown} further comparisons" in table.note
