"""Trust of an epoch, as the contract defines it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.assessment import Limit, Purpose
from analyzer.verdict.judge import judge, reason_texts
from analyzer.verdict.purposes import load_purpose, purpose_of_limit

TIMES = pd.date_range("2026-03-24T09:00Z", periods=1, freq="s", unit="us")


def one(
    bound: float,
    shown: float | None = None,
    *,
    state: str = "fixed",
    contradicted: bool = False,
    undecided: bool = False,
    age: float = 1.0,
    satellites: float = 14.0,
    **parts: float,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    bounds = pd.DataFrame(
        {
            "horizontal_bound_m": [bound],
            "vertical_bound_m": [2 * bound],
            "along_bound_m": [0.8 * bound],
            "across_bound_m": [0.8 * bound],
            "speed_bound_mps": [0.02],
            "heading_bound_deg": [np.nan],
            "shown_horizontal_m": [bound if shown is None else shown],
            "shown_vertical_m": [2 * bound],
            "contradicted": [contradicted],
            "undecided": [undecided],
            **{k: [v] for k, v in parts.items()},
        },
        index=TIMES,
    )
    epochs = pd.DataFrame(
        {"fix_state": pd.Categorical([state]), "correction_age_s": [age], "satellites_used": [satellites]}, index=TIMES
    )
    return bounds, epochs


@pytest.mark.parametrize(
    ("case", "trust", "reasons"),
    [
        (one(0.05), "trusted", ""),
        (one(0.0657), "trusted", ""),  # 0.0657 x 1.52 = 0.0999
        (one(0.0659), "doubtful", "claim"),  # within the limit but not with the margin
        (one(0.12, 0.03, bound_ageing_m=0.09), "doubtful", "age"),
        (one(0.12, 0.12, bound_scatter_m=0.11), "rejected", "scatter"),
        (one(0.3, 0.03, undecided=True, bound_alignment_m=0.27), "doubtful", "alignment"),
        (one(0.05, contradicted=True), "rejected", "claim"),
        (one(0.05, undecided=True), "doubtful", "claim"),
        (one(1.2, 1.2, state="float"), "rejected", "state"),
        (one(np.nan), "rejected", "no_position"),
        (one(10.0, state="no_fix"), "rejected", "no_position"),
    ],
)
def test_trust_and_reasons(case: tuple[pd.DataFrame, pd.DataFrame], trust: str, reasons: str) -> None:
    found, codes = judge(*case, load_purpose("lane"))
    assert (found[0], codes[0]) == (trust, reasons)


def test_a_quantity_that_is_not_recorded_is_not_a_pass() -> None:
    found, codes = judge(*one(0.01), load_purpose("vehicle_dynamics"))
    assert found[0] == "not_evaluated" and codes[0] == "not_recorded"


def test_the_purposes_own_limits_count() -> None:
    lane = load_purpose("agency_class_4")
    assert judge(*one(0.05, satellites=4), lane)[0][0] == "doubtful"
    assert judge(*one(0.05, satellites=4), lane)[1][0] == "satellites_limit"
    assert judge(*one(0.05, satellites=5), lane)[0][0] == "trusted"


def own(**more: object) -> Purpose:
    return replace(purpose_of_limit(0.1), **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(("purpose", "case"), [
    (own(largest_age_s=2.0), {"age": np.nan}),
    (own(least_satellites=5), {"satellites": np.nan}),
])
def test_what_the_log_cannot_answer_is_no_pass(purpose: Purpose, case: dict[str, float]) -> None:
    found, codes = judge(*one(0.05, **case), purpose)  # type: ignore[arg-type]
    assert (found[0], codes[0]) == ("not_evaluated", "not_recorded")
    found, codes = judge(*one(1.2, 1.2, state="float", **case), purpose)  # type: ignore[arg-type]
    assert found[0] == "rejected", "a contradiction outweighs a lack"
    assert judge(*one(0.05, **case), load_purpose("lane"))[0][0] == "trusted", "who does not ask needs no answer"  # type: ignore[arg-type]


def test_a_required_channel_that_is_missing_reaches_every_epoch() -> None:
    found, codes = judge(*one(0.05), own(), lacking=("yaw rate",))
    assert (found[0], codes[0]) == ("not_evaluated", "not_recorded")
    assert judge(*one(1.2, 1.2, state="float"), own(), lacking=("yaw rate",))[0][0] == "rejected"


def limited(axis: str, value: float, unit: str) -> Purpose:
    lane = purpose_of_limit(0.1)
    quantity = axis if axis in ("speed", "heading") else "position"
    return replace(lane, limits=(*lane.limits, Limit(f"{quantity}_{axis}", quantity, axis, value, unit, "95", "r", "s")))


@pytest.mark.parametrize(("case", "purpose", "reasons"), [
    # the horizontal bound of 3 cm is nearly all distance from the base, and within its limit
    ({"bound_baseline_m": 0.029}, limited("speed", 0.01, "m/s"), "speed"),
    ({"bound_baseline_m": 0.029, "heading_bound_deg": 0.5}, limited("heading", 0.1, "deg"), "heading"),
    ({"bound_baseline_m": 0.029, "vertical_bound_ageing_m": 0.05}, limited("vertical", 0.05, "m"), "age"),
    ({"bound_baseline_m": 0.029}, limited("vertical", 0.05, "m"), "claim"),
    ({"bound_baseline_m": 0.029}, limited("along", 0.01, "m"), "baseline"),
])
def test_the_reason_is_that_of_the_quantity_that_fails(case: dict[str, float], purpose: Purpose, reasons: str) -> None:
    heading = case.pop("heading_bound_deg", 0.01)
    bounds, epochs = one(0.03, **case)  # type: ignore[arg-type]
    bounds["heading_bound_deg"] = heading
    bounds["shown_vertical_m"] = bounds["shown_horizontal_m"] = 0.001
    found, codes = judge(bounds, epochs, purpose)
    assert (found[0], codes[0]) == ("doubtful", reasons)


@given(st.floats(0.001, 5), st.floats(0.001, 5), st.floats(0.01, 3))
def test_a_smaller_bound_never_lowers_trust(first: float, second: float, limit: float) -> None:
    small, large = sorted([first, second])
    order = {"trusted": 0, "doubtful": 1, "rejected": 2}
    purpose = purpose_of_limit(limit)
    assert order[judge(*one(small), purpose)[0][0]] <= order[judge(*one(large), purpose)[0][0]]


def test_every_reason_has_words() -> None:
    assert all(text and text == text.strip() for text in reason_texts().values())
