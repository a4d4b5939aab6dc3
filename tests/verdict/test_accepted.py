"""Decisions of a person: what they change, what they cannot, and that they stay visible."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analyzer import tables
from analyzer.errors import UsageError
from analyzer.metrics.metric import Metric
from analyzer.metrics.result import Metrics
from analyzer.userfiles.accept import Decision
from analyzer.verdict.accepted import Applied, apply_decisions
from analyzer.verdict.purposes import load_purpose
from analyzer.verdict.run import judge_run
from analyzer.verdict.windows import judge_windows

START = pd.Timestamp("2026-04-14T08:00:00Z")
PURPOSE = load_purpose("lane")


def at(seconds: float) -> pd.Timestamp:
    return START + pd.Timedelta(seconds=seconds)


def run_of(trust: str) -> tuple[pd.DataFrame, pd.DataFrame, Metrics]:
    """Return epochs at 10 Hz, 10 s per letter of `trust` (t d r n), windows of 10 s each, and metrics."""
    words = {"t": "trusted", "d": "doubtful", "r": "rejected", "n": "not_evaluated"}
    values = np.repeat([words[c] for c in trust], 100)
    index = pd.DatetimeIndex(START + pd.to_timedelta(np.arange(len(values)) * 0.1, unit="s"))
    epochs = tables.EPOCHS.conform(pd.DataFrame({
        "fix_state": pd.Categorical(["fixed"] * len(values)), "trust": pd.Categorical(values, categories=tables.TRUST),
        "reasons": pd.Categorical(np.where(values == "trusted", "", "bridge")), "horizontal_bound_m": 0.05,
        "distance_m": np.arange(len(values)) * 1.0,
    }, index=index))
    spans = pd.DataFrame([(f"W{i}", at(10.0 * i), at(10.0 * i + 9.9)) for i in range(len(trust))],
                         columns=["name", "start_utc", "end_utc"])
    metrics = Metrics((Metric("rate_hz", 10.0, "Hz", len(values), "test"),),
                      pd.DataFrame({"interval_s": np.full(len(values), 0.1)}, index=index),
                      *[pd.DataFrame() for _ in range(5)])
    return epochs, judge_windows(spans, epochs, 0.1, PURPOSE), metrics


def applied(trust: str, *decisions: Decision, windows: bool = True) -> Applied:
    epochs, judged, metrics = run_of(trust)
    return apply_decisions(epochs, judged if windows else judged.iloc[:0], decisions, metrics=metrics, purpose=PURPOSE)


def accept(name: str) -> Decision:
    return Decision("accept", "the test lead", "seen on the video", window=name)


def exclude(start: float, end: float) -> Decision:
    return Decision("exclude", "the driver", "turning round", start_utc=at(start), end_utc=at(end))


def test_nothing_decided_changes_nothing() -> None:
    epochs, judged, metrics = run_of("tdr")
    found = apply_decisions(epochs, judged, (), metrics=metrics, purpose=PURPOSE)
    assert found.windows["verdict_with_decisions"].tolist() == judged["verdict"].tolist()
    assert found.windows[list(judged.columns)].equals(judged)
    assert found.verdict == judge_run(epochs, judged, metrics, PURPOSE)


def test_an_accepted_doubtful_window_is_usable_and_keeps_its_verdict() -> None:
    found = applied("td", accept("W1"))
    row = found.windows.iloc[1]
    assert row["verdict"] == "not_fit", "what evidence says stays readable"
    assert row["verdict_with_decisions"] == "fit_with_exclusions" and not row["repeat"]
    assert row["accepted_by"] == "the test lead" and row["accepted_reason"] == "seen on the video"
    assert "judged not fit" in row["reason"] and "by that decision only" in row["reason"]
    assert found.verdict.level == "fit_with_exclusions", "a decision never makes a run fit"
    assert "the test lead" in " ".join(found.verdict.sentences)
    assert (found.epochs["trust"] == run_of("td")[0]["trust"]).all(), "trust is evidence, not opinion"


@pytest.mark.parametrize("letter", ["r", "n"])
def test_what_is_contradicted_or_lacking_cannot_be_accepted(letter: str) -> None:
    found = applied(f"t{letter}", accept("W1"))
    row = found.windows.iloc[1]
    assert row["verdict_with_decisions"] not in ("fit", "fit_with_exclusions") and row["repeat"]
    assert row["accepted_by"] == "the test lead" and "what remains is not" in row["reason"]
    assert "do not" in found.findings[0].text


def test_an_excluded_stretch_leaves_the_rest_of_its_window() -> None:
    epochs, _, metrics = run_of("tdt")
    whole = pd.DataFrame([("W", at(0), at(29.9))], columns=["name", "start_utc", "end_utc"])
    judged = judge_windows(whole, epochs, 0.1, PURPOSE)
    assert judged["verdict"].tolist() == ["not_fit"]
    found = apply_decisions(epochs, judged, (exclude(9.9, 20.0),), metrics=metrics, purpose=PURPOSE)
    assert found.windows["verdict_with_decisions"].tolist() == ["fit_with_exclusions"]
    marked = found.epochs["reasons"].astype(str).str.contains("excluded")
    assert marked.sum() == 102 and marked.loc[at(9.9):at(20.0)].all()
    assert (found.epochs["reasons"].astype(str)[epochs["trust"] == "doubtful"] == "bridge,excluded").all()


def test_an_excluded_window_counts_out_and_needs_no_repeat() -> None:
    found = applied("tr", Decision("exclude", "the driver", "wrong manoeuvre", window="W1"))
    assert found.verdict.level == "fit_with_exclusions"
    assert found.windows["verdict"].tolist() == ["fit", "not_fit"] and not found.windows["repeat"].any()
    assert "excluded by the driver" in found.windows["reason"].iloc[1]


def test_a_window_excluded_by_its_time_is_left_out_as_one_excluded_by_name() -> None:
    by_time, by_name = applied("tr", exclude(10.0, 19.9)), applied("tr", Decision("exclude", "B", "r", window="W1"))
    for found in (by_time, by_name):
        assert found.windows["verdict_with_decisions"].tolist()[1] == "not_evaluated" and not found.windows["repeat"].any()
        assert found.verdict.level == "fit_with_exclusions" and "what remains" not in found.windows["reason"].iloc[1]


def test_a_manoeuvre_of_which_hardly_anything_is_left_was_not_driven() -> None:
    most = applied("t", exclude(0.0, 8.0))
    assert most.windows["verdict_with_decisions"].tolist() == ["not_fit"] and most.windows["repeat"].all()
    assert "exclusions leave 19.2 % of it" in most.windows["reason"].iloc[0]
    assert applied("t", exclude(0.0, 3.0)).windows["verdict_with_decisions"].tolist() == ["fit_with_exclusions"]


def test_what_remains_of_an_accepted_window_is_said_as_it_is() -> None:
    """The window is accepted in part: what remains is doubtful, neither rejected nor missing."""
    epochs, judged, metrics = run_of("td")
    part = Decision("accept", "B", "r", start_utc=at(10.0), end_utc=at(14.0))
    reason = apply_decisions(epochs, judged, (part,), metrics=metrics, purpose=PURPOSE).windows["reason"].iloc[1]
    assert "what remains is not fit" in reason and "rejected" not in reason and "missing" not in reason


def test_an_exclusion_of_everything_beside_a_window_that_was_never_recorded() -> None:
    epochs, judged, metrics = run_of("t")
    spans = pd.DataFrame([("W0", at(0), at(9.9)), ("W9", at(900), at(910))], columns=["name", "start_utc", "end_utc"])
    judged = judge_windows(spans, epochs, 0.1, PURPOSE)
    found = apply_decisions(epochs, judged, (exclude(0, 9.9),), metrics=metrics, purpose=PURPOSE)
    assert found.verdict.level == "not_evaluated"
    assert found.windows["verdict_with_decisions"].tolist() == ["not_evaluated", "not_evaluated"]


def test_everything_excluded_is_not_evaluated() -> None:
    assert applied("t", Decision("exclude", "B", "all", window="W0")).verdict.level == "not_evaluated"
    assert applied("t", exclude(0, 10), windows=False).verdict.level == "not_evaluated"


def test_without_windows_time_counts_the_same_way() -> None:
    assert applied("tttr", windows=False).verdict.level == "fit_with_exclusions"
    assert applied("rrrt", windows=False).verdict.level == "not_fit"
    found = applied("rrrt", exclude(0, 29.95), windows=False)
    assert found.verdict.level == "fit_with_exclusions" and "100 %" in found.verdict.sentences[0]
    eased = applied("dddt", Decision("accept", "A", "why not", start_utc=at(0), end_utc=at(30)), windows=False)
    assert eased.verdict.level == "fit_with_exclusions"


def test_the_audit_trail_names_who_why_and_what() -> None:
    found = applied("tdr", accept("W1"), exclude(20.0, 30.0))
    first, second = found.findings
    assert (first.evidence["by"], first.evidence["reason"]) == ("the test lead", "seen on the video")
    assert first.evidence["trust"] == {"doubtful": 100} and first.evidence["windows_changed"] == ["W1", "W2"]
    assert "the driver" in second.text and "turning round" in second.text


def test_unknown_windows_and_times_are_refused() -> None:
    with pytest.raises(UsageError, match="no window 'W9'; the windows of this run are W0, W1"):
        applied("td", accept("W9"))
    with pytest.raises(UsageError, match="outside the run"):
        applied("td", exclude(500, 600))
