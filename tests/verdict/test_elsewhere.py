"""Windows beside the recording, and those that reach beyond its ends."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analyzer import tables
from analyzer.verdict.elsewhere import NOT_HERE, not_here
from analyzer.verdict.purposes import load_purpose
from analyzer.verdict.run import _by_windows
from analyzer.verdict.windows import judge_windows

START = pd.Timestamp("2026-03-24T09:00:00Z")


def judged(*spans_s: tuple[float, float]) -> pd.DataFrame:
    """Return the windows of these seconds, judged on 480 s of trusted epochs."""
    index = START + pd.to_timedelta(np.arange(481), unit="s")
    frame = tables.EPOCHS.conform(pd.DataFrame({
        "trust": pd.Categorical(["trusted"] * 481, categories=list(tables.TRUST)), "horizontal_bound_m": 0.03, "reasons": pd.Categorical([""] * 481),
        "fix_state": pd.Categorical(["fixed"] * 481), "distance_m": np.arange(481, dtype=float)}, index=index))
    spans = pd.DataFrame([(f"M{n}", *(START + pd.Timedelta(seconds=s) for s in span)) for n, span in enumerate(spans_s)], columns=["name", "start_utc", "end_utc"])
    return judge_windows(spans, frame, 1.0, load_purpose("lane"))


def test_a_window_beside_the_recording_is_nothing_to_drive_again() -> None:
    """Nobody drives a manoeuvre again for a wrong day in the sheet."""
    found = judged((60.0, 90.0), (86_400.0, 86_430.0), (-60.0, -30.0))
    assert found["verdict"].tolist() == ["fit", "not_evaluated", "not_evaluated"] and not found["repeat"].any()
    assert not_here(found).tolist() == [False, True, True]
    assert _by_windows(found) == ("fit_with_exclusions", ["1 of 3 manoeuvres usable. Not in this recording: M1, M2"])
    assert _by_windows(found.iloc[[1]])[1] == ["0 of 1 manoeuvre usable. Not in this recording: M1"]


@pytest.mark.parametrize(("hours", "words"), [(1, "; 1 h earlier all windows would lie in it"), (-2, "; 2 h later all windows would lie in it"), (30, "")])
def test_the_one_shift_that_puts_all_windows_into_the_recording_is_named(hours: int, words: str) -> None:
    found = judged(*((a + 3600 * hours, a + 3600 * hours + 30) for a in (60, 400)))
    assert all(reason.startswith(NOT_HERE) and (words in reason) and ("h earlier" in reason or "h later" in reason) == bool(words) for reason in found["reason"])


def test_no_shift_is_named_where_not_all_windows_follow_it() -> None:
    assert "all windows would" not in judged((60, 90), (3660, 3690))["reason"].iloc[1]


@pytest.mark.parametrize(("span", "words"), [((450, 570), "the recording ends 90 s before this window does"), ((-30, 60), "the recording begins 30 s after this window does")])
def test_a_window_across_an_end_of_the_recording_is_told_so(span: tuple[float, float], words: str) -> None:
    (row,) = judged(span).to_dict("records")
    assert row["repeat"] and words in row["reason"] and row["verdict"] == "not_fit"
