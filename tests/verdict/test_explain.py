"""The explanation of one moment holds the numbers of the result, and says in one sentence what it cannot find."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analyzer import tables
from analyzer.errors import UsageError
from analyzer.metrics.dropout_table import COLUMNS as DROPOUTS
from analyzer.metrics.standstill import COLUMNS as STANDSTILLS
from analyzer.verdict.explain import Facts, explain_dropout, explain_time, explain_window
from analyzer.verdict.explain_words import PART_MEANING, clock

START = pd.Timestamp("2026-04-14T08:00:00Z")


def at(seconds: float) -> pd.Timestamp:
    return START + pd.Timedelta(seconds=seconds)


def facts(**columns: object) -> Facts:
    """Return 60 s at 1 Hz without the seconds 30 to 39; columns replace those of every epoch."""
    seconds = np.r_[0:30, 40:60].astype(float)
    base: dict[str, object] = {
        "latitude_deg": 47.0, "longitude_deg": 20.0, "height_m": 130.0, "fix_state": "fixed", "fix_state_source": "reported",
        "solution_kind": "gnss", "correction_age_s": 33.0, "satellites_used": 17.0, "speed_mps": 12.5,
        "claimed_horizontal_m": 0.021, "claimed_vertical_m": 0.036, "horizontal_bound_m": 0.156, "vertical_bound_m": 0.281,
        "bound_claim_m": 0.05, "bound_ageing_m": 0.098, "vertical_bound_ageing_m": 0.177, "trust": "rejected", "reasons": "age",
        "distance_m": 1000.0 + seconds, "segment_id": 1, "standstill_id": 1,
    }
    index = pd.DatetimeIndex(START + pd.to_timedelta(seconds, unit="s"))
    base["dropout_id"] = np.where((seconds >= 10) & (seconds < 15), 1.0, np.nan)
    epochs = tables.EPOCHS.conform(pd.DataFrame(base | columns, index=index))
    segment = {"segment_id": 1, "fix_state": "fixed", "start_utc": at(0), "end_utc": at(59), "n": 50, "offset_e_m": 0.01,
               "offset_n_m": -0.02, "offset_u_m": np.nan, "sigma_e_m": 0.012, "sigma_n_m": 0.012, "sigma_u_m": 0.02,
               "decision": "doubtful", "evidence": "a step of 8 cm that nothing explains"}
    jump = {"time_utc": at(20), "from_state": "float", "to_state": "fixed", "de_m": 0.137, "dn_m": 0.185, "du_m": 0.0,
            "sigma_m": 0.084, "decision": "none within its uncertainty"}
    dropout = dict.fromkeys(DROPOUTS, np.nan) | {
        "dropout_id": 1, "kind": "correction_outage", "cause": "correction_link", "start_utc": at(10), "end_utc": at(15),
        "fixed_again_utc": pd.NaT, "duration_s": 5.0, "start_distance_m": 1010.0, "end_distance_m": 1015.0,
        "satellites_before": 17.0, "evidence": "the base sent 5 epochs", "advice": "raise the antenna"}
    window = dict.fromkeys(tables.WINDOWS.names) | {
        "name": "M1", "start_utc": at(5), "end_utc": at(25), "verdict": "not_fit", "worst_horizontal_bound_m": 0.156,
        "share_trusted": 0.25, "reason": "corrections 33 s old", "repeat": True}
    still = dict.fromkeys(STANDSTILLS, np.nan) | {
        "standstill_id": 1, "start_utc": at(0), "end_utc": at(59), "n": 50, "n_eff": 6.5, "r95_m": 0.008, "check_point": "Mark A"}
    limit = {"key": "position_horizontal", "quantity": "position", "axis": "horizontal", "value": 0.1, "unit": "m",
             "read_as": "95", "reason": "r", "source": "s"}
    frames = [pd.DataFrame([row]) for row in (segment, jump, dropout, window, still)]
    frames[2]["fixed_again_utc"] = pd.to_datetime(frames[2]["fixed_again_utc"], utc=True)
    return Facts("run 07", epochs, *frames, purpose={"title": "lane 0.10 m", "margin": 1.52, "limits": [limit]})


def test_a_moment_is_told_with_all_its_numbers() -> None:
    text = explain_time(facts(), at(19))
    for word in ("run 07", "47.000000000", "130.000 m", "age 33.0 s", "17 satellites", "0.021 m", "0.156 m", "0.238 m",
                 "beyond the limit of 0.100 m", "corrections older than usual", "0.098 m, 0.177 m", "trust: rejected",
                 "reason age: the corrections in use are too old", "doubtful: a step of 8 cm", "east +0.137 m",
                 "on Mark A", "window M1: not fit", "drive again", "dropout: none here", "km 1.02"):
        assert word in text, word
    assert "heading not logged" in text and "nan" not in text.lower()


def test_a_moment_inside_a_dropout_names_cause_evidence_and_advice() -> None:
    text = explain_time(facts(), at(12))
    for word in ("dropout 1: lost corrections", "cause: correction link", "the base sent 5 epochs", "raise the antenna"):
        assert word in text


def test_a_moment_without_an_epoch_says_so() -> None:
    text = explain_time(facts(), at(33))
    assert "No epoch was recorded at 08:00:33 UTC" in text and "08:00:29 UTC, is shown" in text
    assert "No epoch" not in explain_time(facts(), at(19.4))


def test_a_moment_within_the_limit_says_so() -> None:
    text = explain_time(facts(horizontal_bound_m=0.02, trust="trusted", reasons=""), at(19))
    assert "within the limit of 0.100 m" in text and "reason " not in text


@pytest.mark.parametrize("bound_m", [0.02612, 0.0334801, 0.4, 0.0301, 9.99901, 41.2])
def test_no_bound_is_told_smaller_than_it_is(bound_m: float) -> None:
    held = facts(horizontal_bound_m=bound_m, bound_ageing_m=bound_m)
    held = replace(held, windows=held.windows.assign(worst_horizontal_bound_m=bound_m))
    for text in (explain_time(held, at(19)), explain_window(held, "M1"), explain_dropout(held, 1)):
        told = [float(n) for n in re.findall(r"(?:horizontal: |ageing: |worst bound |largest horizontal bound: )(\d+(?:\.\d+)?)", text)]
        assert len(told) >= 2 and all(bound_m <= n < bound_m + (0.001 if bound_m < 10 else 1) for n in told)


def test_an_epoch_without_position_is_told_without_numbers() -> None:
    text = explain_time(facts(latitude_deg=np.nan, height_m=np.nan, horizontal_bound_m=np.nan, vertical_bound_m=np.nan,
                              fix_state="no_fix", trust="rejected", reasons="no_position", segment_id=pd.NA), at(19))
    assert "position: none was logged" in text and "no position was logged" in text and "nan" not in text.lower()


@pytest.mark.parametrize(("kind", "states", "words"), [
    ("correction_outage", "fixed", "fixed again: fixed was never lost in it"),
    ("fix_loss", "float", "fixed again at 08:00:15 UTC, at its end"),
    ("missing_epochs", "fixed", "fixed again at 08:00:15 UTC, at its end"),
])
def test_what_was_never_lost_is_not_said_to_be_fixed_again(kind: str, states: str, words: str) -> None:
    lost = pd.Series("fixed", index=facts().epochs.index).mask((facts().epochs.index >= at(10)) & (facts().epochs.index < at(15)), states)
    held = facts(fix_state=lost.to_numpy())
    row = {"kind": kind, "refix_s": 0.0, "fixed_again_utc": at(15)}
    assert words in explain_dropout(replace(held, dropouts=held.dropouts.assign(**row)), 1)
    assert "6.0 s after its end" in explain_dropout(replace(held, dropouts=held.dropouts.assign(**row | {"refix_s": 6.0})), 1)


def test_the_epoch_that_ends_a_dropout_is_not_counted_in_it() -> None:
    bounds = np.where(np.arange(50) == 15, 0.9, 0.5)  # the largest bound is that of the first epoch behind the dropout
    held = facts(horizontal_bound_m=bounds, fix_state=np.where((np.arange(50) >= 10) & (np.arange(50) < 17), "float", "fixed"),
                 trust=np.where(np.arange(50) == 15, "doubtful", "rejected"))
    held = replace(held, dropouts=held.dropouts.assign(fixed_again_utc=at(17), refix_s=2.0))
    text = explain_dropout(held, 1)
    inside, waiting = text.split("in the dropout: ")[1].split("from its end until fixed again: ")
    assert "5 epochs" in inside and "float 100.0 %" in inside and "rejected 100.0 %" in inside and "0.500 m at 08:00:10" in inside
    assert "2 epochs" in waiting and "float 100.0 %" in waiting and "doubtful 50.0 %" in waiting and "0.900 m at 08:00:15" in waiting
    assert "dropout 1" in explain_time(held, at(16)) and "dropout: none here" in explain_time(held, at(17))


def test_missing_epochs_hold_what_was_logged_between_their_gaps_only() -> None:
    gap = {"kind": "missing_epochs", "start_utc": at(29), "end_utc": at(40), "duration_s": 11.0}
    held = facts()
    assert "in the dropout" not in explain_dropout(replace(held, dropouts=held.dropouts.assign(**gap)), 1)
    joined = {"kind": "missing_epochs", "start_utc": at(27), "end_utc": at(40)}
    assert "in the dropout: 2 epochs" in explain_dropout(replace(held, dropouts=held.dropouts.assign(**joined)), 1)


def test_a_dropout_to_the_end_of_the_log_holds_its_last_moment() -> None:
    held = facts()
    held = replace(held, dropouts=held.dropouts.assign(end_utc=at(59)))
    assert "dropout 1" in explain_time(held, at(59)) and "never within it" in explain_time(held, at(59))


def test_a_dropout_and_a_window_are_told() -> None:
    text = explain_dropout(facts(), 1)
    assert "largest age of corrections: 33.0 s" in text and "window M1" in text and "never within it" in text
    text = explain_window(facts(), "M1")
    assert "trusted for 25.0 % of its time" in text and "trust by epochs: rejected 100" in text and "its worst moment" in text and "reason age in 21 of 21 epochs" in text


@pytest.mark.parametrize(("ask", "word"), [
    (lambda f: explain_time(f, at(-1)), "lies outside the run, which lasts from"),
    (lambda f: explain_time(f, at(60)), "lies outside the run"),
    (lambda f: explain_dropout(f, 4), "there is no dropout 4 in run 07; its dropouts are 1 to 1"),
    (lambda f: explain_window(f, "M9"), "there is no window 'M9' in run 07; its windows are M1"),
])
def test_what_is_not_there_is_said_in_one_sentence(ask: object, word: str) -> None:
    with pytest.raises(UsageError) as caught:
        ask(facts())  # type: ignore[operator]
    assert word in str(caught.value) and "\n" not in str(caught.value)


def test_two_windows_of_one_name_are_told_apart() -> None:
    held = facts()
    other = held.windows.assign(start_utc=at(40), end_utc=at(50))
    with pytest.raises(UsageError, match=r"2 windows of run 07 are called 'M1', from 08:00:05 UTC and 08:00:40 UTC on; .* by --at"):
        explain_window(replace(held, windows=pd.concat([held.windows, other], ignore_index=True)), "M1")


def test_every_part_of_the_bound_has_a_meaning() -> None:
    assert set(PART_MEANING) == set(tables.BOUND_PARTS)


def test_times_are_as_short_as_they_are_exact() -> None:
    assert clock(at(0.25)) == "08:00:00.25 UTC" and clock(at(10)) == "08:00:10 UTC" and clock(pd.NaT) == "never"


def test_a_step_that_nothing_bridges_has_no_size() -> None:
    """A speed times ten minutes had been printed as a step of seven kilometres."""
    one = facts()
    far = replace(one, jumps=one.jumps.assign(de_m=-5064.8, sigma_m=10_000.0))
    assert "east +0.137 m" in explain_time(one, at(20))
    said = explain_time(far, at(20))
    assert "its size is not known" in said and "5064" not in said
