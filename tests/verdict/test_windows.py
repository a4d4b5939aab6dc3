"""Windows: verdict, share, reason; passes from crossing lines."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer import tables, wording
from analyzer.assessment import Limit, Purpose
from analyzer.verdict.held import held_time
from analyzer.verdict.passes import crossings, passes
from analyzer.verdict.purposes import load_purpose
from analyzer.verdict.run import judge_run
from analyzer.verdict.why import Rows, reason_words
from analyzer.verdict.windows import judge_windows, window_of

START = pd.Timestamp("2026-03-24T09:00Z")


def epochs(trust: list[str], *, step_s: float = 0.1, drop: slice | None = None) -> pd.DataFrame:
    index = START + pd.to_timedelta(np.arange(len(trust)) * step_s, unit="s")
    frame = tables.EPOCHS.conform(
        pd.DataFrame(
            {
                "trust": pd.Categorical(trust, categories=list(tables.TRUST)),
                "horizontal_bound_m": 0.03,
                "reasons": pd.Categorical([{"trusted": "", "not_evaluated": "not_recorded"}.get(t, "age") for t in trust]),
                "correction_age_s": 38.0,
                "fix_state": pd.Categorical(["fixed"] * len(trust)),
                "distance_m": np.arange(len(trust), dtype=float),
            },
            index=index,
        )
    )
    return frame if drop is None else frame.drop(frame.index[drop])


def judged(frame: pd.DataFrame, end_s: float = 19.9) -> pd.Series:
    spans = pd.DataFrame({"name": ["M01"], "start_utc": [START], "end_utc": [START + pd.Timedelta(seconds=end_s)]})
    return judge_windows(spans, frame, 0.1, load_purpose("lane")).iloc[0]


@pytest.mark.parametrize(
    ("bad", "verdict", "repeat"),
    [(0, "fit", False), (5, "fit_with_exclusions", False), (20, "not_fit", True), (200, "not_fit", True)],
)
def test_verdict_by_the_longest_hole(bad: int, verdict: str, repeat: bool) -> None:
    row = judged(epochs(["doubtful"] * bad + ["trusted"] * (200 - bad)))
    assert (row["verdict"], row["repeat"]) == (verdict, repeat)
    assert row["share_trusted"] == pytest.approx(1 - bad / 200, abs=0.006)
    assert ("corrections 38 s old" in row["reason"]) == (bad > 0)


@pytest.mark.parametrize(("oldest_s", "most_s", "said"), [
    (1.3, 1.25, "corrections up to 1.3 s old where the purpose allows 1.25 s"), (1.04, 1.0, "corrections up to 1.04 s old where the purpose allows 1 s"),
    (38.2, 10.0, "corrections up to 38 s old where the purpose allows 10 s")])
def test_an_age_beyond_its_limit_is_not_rounded_to_one_within(oldest_s: float, most_s: float, said: str) -> None:
    bad = pd.DataFrame({"correction_age_s": np.array([0.9, oldest_s], dtype=np.float32)})
    purpose = replace(load_purpose("lane"), largest_age_s=most_s)
    assert reason_words("age_limit", Rows(bad, np.ones(2, dtype=bool)), purpose, within=True) == said
    assert reason_words("age", Rows(bad.iloc[1:], np.ones(1, dtype=bool)), purpose) == f"corrections {wording.faithful(oldest_s)} s old"


@pytest.mark.parametrize(("trust", "start_s", "end_s", "verdict", "share"), [
    (["doubtful", "rejected"], 0, 1, "not_fit", 0.0),  # shorter than one and a half intervals, not one trusted epoch
    (["rejected"] * 20, 0, 19, "not_fit", 0.0),
    (["rejected"] * 20, 4.5, 5.5, "not_fit", 0.0),
    (["not_evaluated"] * 3, 0, 1, "not_evaluated", 0.0),
    (["trusted", "doubtful"], 0, 1, "not_fit", 0.5),
    (["trusted"] * 20, 0.4, 18.6, "fit", 1.0),
    (["trusted"] * 20, 4.9, 5.1, "fit", 1.0),
    (["trusted"] * 20 + ["rejected"] * 20, 0, 39, "not_fit", 0.5),
])
def test_only_trusted_epochs_hold_trusted_time(trust: list[str], start_s: float, end_s: float, verdict: str, share: float) -> None:
    spans = pd.DataFrame({"name": ["M01"], "start_utc": [START + pd.Timedelta(seconds=start_s)],
                          "end_utc": [START + pd.Timedelta(seconds=end_s)]})
    row = judge_windows(spans, epochs(trust, step_s=1.0), 1.0, load_purpose("lane")).iloc[0]
    assert (row["verdict"], row["share_trusted"]) == (verdict, pytest.approx(share, abs=1e-9))


def test_a_window_between_two_epochs_is_not_evaluated() -> None:
    spans = pd.DataFrame({"name": ["M01"], "start_utc": [START + pd.Timedelta("3.2s")], "end_utc": [START + pd.Timedelta("3.7s")]})
    row = judge_windows(spans, epochs(["trusted"] * 9, step_s=1.0), 1.0, load_purpose("lane")).iloc[0]
    assert row["verdict"] == "not_evaluated" and row["repeat"] and row["reason"] == "no epoch lies in this window"


@given(st.lists(st.booleans(), min_size=1, max_size=40), st.lists(st.floats(0.01, 3), min_size=41, max_size=41), st.floats(0, 2))
def test_the_time_of_a_window_is_held_once(good: list[bool], steps: list[float], after: float) -> None:
    at = np.cumsum(steps[: len(good)])
    trusted = np.array(good)
    held, other = (held_time(flags, at, float(at[-1]) + after, 0.5) for flags in (trusted, ~trusted))
    assert held.missing_s == other.missing_s
    assert held.share + other.share == pytest.approx(1 - held.missing_s / (at[-1] + after), abs=1e-9)
    assert held.whole == (trusted.all() and held.missing_s == 0) and (held.share == 1) == held.whole
    assert (held.share == 0) == (not trusted.any()) and (held.hole_s == 0) == held.whole


def needing(**more: object) -> Purpose:
    return replace(load_purpose("lane"), **more)  # type: ignore[arg-type]


def test_a_window_follows_a_missing_channel_and_says_which() -> None:
    frame = epochs(["not_evaluated"] * 200).assign(reasons=pd.Categorical(["not_recorded"] * 200))
    spans = pd.DataFrame({"name": ["M01"], "start_utc": [START], "end_utc": [START + pd.Timedelta("9s")]})
    row = judge_windows(spans, frame, 0.1, needing(required_channels=("yaw rate",)), lacking=("yaw rate",)).iloc[0]
    assert row["verdict"] == "not_evaluated" and row["repeat"]
    assert row["reason"].startswith("not recorded but needed: yaw rate")


@pytest.mark.parametrize(("step_s", "nominal_s", "verdict"), [
    (0.1, 0.1, "not_fit"),  # 10 Hz, asked 20
    (0.1, 0.05, "not_fit"),  # the run is at 20 Hz, this window is not
    (0.05, 0.05, "fit"),
    (0.05, 0.1, "fit"),  # the run is at 10 Hz, this window is faster
])
def test_a_window_answers_for_its_own_rate(step_s: float, nominal_s: float, verdict: str) -> None:
    spans = pd.DataFrame({"name": ["M01"], "start_utc": [START], "end_utc": [START + pd.Timedelta("9s")]})
    row = judge_windows(spans, epochs(["trusted"] * 400, step_s=step_s), nominal_s, needing(least_rate_hz=20.0)).iloc[0]
    assert (row["verdict"], row["repeat"]) == (verdict, verdict != "fit")
    assert ("positions came at 10 Hz; the purpose asks for at least 20 Hz" in row["reason"]) == (verdict != "fit")


def test_a_rate_that_is_not_known_is_no_pass() -> None:
    spans = pd.DataFrame({"name": ["M01"], "start_utc": [START], "end_utc": [START + pd.Timedelta("1s")]})
    row = judge_windows(spans, epochs(["trusted"]), None, needing(least_rate_hz=20.0)).iloc[0]
    assert row["verdict"] == "not_evaluated" and "rate of positions is not known" in row["reason"]
    metrics = {"rate_hz": type("M", (), {"value": None})}
    found = judge_run(epochs(["trusted"]), judge_windows(spans, epochs(["trusted"]), None, load_purpose("lane")), metrics,  # type: ignore[arg-type]
                      needing(least_rate_hz=20.0))
    assert any("not known" in s for s in found.sentences)


@pytest.mark.parametrize(("axis", "value", "unit", "column", "bound", "words"), [
    ("horizontal", 0.1, "m", "horizontal_bound_m", 0.32, "position good to 32 cm (95 %), you need 6.57 cm (limit 10 cm / margin 1.52)"),
    ("vertical", 0.05, "m", "vertical_bound_m", 0.14, "height good to 14 cm (95 %), you need 3.28 cm (limit 5 cm / margin 1.52)"),
    ("speed", 0.5, "km/h", "speed_bound_mps", 0.25, "speed good to 0.9 km/h (95 %), you need 0.328 km/h (limit 0.5 km/h / margin 1.52)"),
    ("heading", 0.1, "deg", "heading_bound_deg", 0.42, "heading good to 0.42° (95 %), you need 0.0657° (limit 0.1° / margin 1.52)"),
    # what just misses is never shown as what is needed
    ("horizontal", 0.1, "m", "horizontal_bound_m", 0.0658, "position good to 6.6 cm (95 %), you need 6.57 cm"),
])
def test_figures_are_those_of_the_quantity_that_fails(
    axis: str, value: float, unit: str, column: str, bound: float, words: str
) -> None:
    quantity = axis if axis in ("speed", "heading") else "position"
    lane = load_purpose("lane")
    more = () if axis == "horizontal" else (Limit("k", quantity, axis, value, unit, "95", "r", "s"),)
    frame = epochs(["doubtful"] * 200).assign(**{column: bound})
    spans = pd.DataFrame({"name": ["M01"], "start_utc": [START], "end_utc": [START + pd.Timedelta("9s")]})
    row = judge_windows(spans, frame, 0.1, replace(lane, limits=(*lane.limits, *more))).iloc[0]
    assert words in row["reason"] and row["reason"].count("good to") == 1


def test_missing_epochs_are_a_hole() -> None:
    row = judged(epochs(["trusted"] * 200, drop=slice(50, 80)))
    assert row["verdict"] == "not_fit" and "3.0 s of positions missing" in row["reason"]
    row = judged(epochs(["trusted"] * 200), end_s=25)
    assert row["verdict"] == "not_fit" and "missing" in row["reason"]


def test_nothing_recorded_and_not_evaluated_are_no_pass() -> None:
    spans = pd.DataFrame(
        {"name": ["M01"], "start_utc": [START + pd.Timedelta("1h")], "end_utc": [START + pd.Timedelta("2h")]}
    )
    row = judge_windows(spans, epochs(["trusted"]), 0.1, load_purpose("lane")).iloc[0]
    assert row["verdict"] == "not_evaluated" and not row["repeat"]
    row = judged(epochs(["not_evaluated"] * 200))
    assert row["verdict"] == "not_evaluated" and row["repeat"]


def test_windows_of_epochs() -> None:
    index = epochs(["trusted"] * 10).index
    spans = pd.DataFrame({"name": ["A", "B"], "start_utc": [index[1], index[3]], "end_utc": [index[4], index[6]]})
    assert [x if isinstance(x, str) else "-" for x in window_of(spans, index)] == list("-AAAABB---")


def test_crossing_lines_make_passes() -> None:
    t = np.arange(0.0, 400.0)
    angle = 2 * np.pi * t / 100
    places = np.column_stack([100 * np.cos(angle), 100 * np.sin(angle)])
    line = np.array([0.0, -0.1, 200.0, -0.1])
    assert crossings(line, t, places) == pytest.approx([99.984, 199.984, 299.984, 399.984][:3], abs=0.01)
    lines = pd.DataFrame([("lap", *line)], columns=["name", "from_east_m", "from_north_m", "to_east_m", "to_north_m"])
    laps = passes(lines, t, places, START)
    assert laps["name"].tolist() == ["lap 1", "lap 2"]
    assert ((laps["end_utc"] - laps["start_utc"]).dt.total_seconds() - 100).abs().max() < 0.01
    two = pd.DataFrame([("half", *line), ("half", -200.0, -0.1, 0.0, -0.1)], columns=lines.columns)
    halves = passes(two, t, places, START)
    assert halves["name"].tolist() == ["half 1", "half 2", "half 3"], "side by side: from the first line to the second"
    assert ((halves["end_utc"] - halves["start_utc"]).dt.total_seconds()).between(49.8, 50.2).all()


def test_run_verdict_by_windows() -> None:
    def level(*verdicts: str) -> str:
        frame = tables.WINDOWS.conform(
            pd.DataFrame(
                {
                    "name": list("ABCD")[: len(verdicts)],
                    "verdict": verdicts,
                    "repeat": [v.startswith("not") for v in verdicts],
                }
            )
        )
        return judge_run(
            epochs(["trusted"]), frame, {"rate_hz": type("M", (), {"value": 10.0})}, load_purpose("lane")
        ).level  # type: ignore[arg-type]

    assert level("fit", "fit") == "fit"
    assert level("fit", "not_fit") == "fit_with_exclusions"
    assert level("not_evaluated", "not_fit") == "not_fit"
    assert level("not_evaluated", "not_evaluated") == "not_evaluated"
    assert level("fit", "not_evaluated") == "fit_with_exclusions"


def test_the_sentence_on_many_windows_names_a_few() -> None:
    frame = tables.WINDOWS.conform(pd.DataFrame({
        "name": [f"M{n}" for n in range(40)], "verdict": ["fit"] + ["not_fit"] * 39, "repeat": [False] + [True] * 39}))
    found = judge_run(epochs(["trusted"]), frame, {"rate_hz": type("M", (), {"value": 10.0})}, load_purpose("lane"))  # type: ignore[arg-type]
    assert found.sentences == ("1 of 40 manoeuvres usable. Drive again: M1, M2, M3, M4, M5 and 34 more",)


def test_a_run_without_windows_says_why_it_is_not_fit() -> None:
    frame = epochs(["trusted"] * 50 + ["rejected"] * 100 + ["doubtful"] * 50)
    frame["reasons"] = pd.Categorical([""] * 50 + ["baseline"] * 100 + ["baseline,bridge"] * 50)
    frame["base_distance_m"], frame["horizontal_bound_m"] = 81_000.0, np.where(np.arange(200) < 50, 0.03, 0.4)
    found = judge_run(frame, tables.WINDOWS.empty(), Metered(pd.DataFrame({"interval_s": np.full(200, 0.1)})), load_purpose("lane"))  # type: ignore[arg-type]
    assert found.level == "not_fit" and found.sentences[0].startswith("25.0 % of the time")
    # counted by hand: 150 of 200 epochs have one reason, 50 the other
    for words in ("the base is 81 km away, too far (75.0 % of the time)", "since the last loss (25.0 % of the time)",
                  "; there the position is good to 40 cm (95 %, median), you need 6.57 cm"):
        assert words in found.sentences[1], found.sentences[1]
    assert "; some of it for several of these reasons" in found.sentences[1]
    half = epochs(["trusted"] * 190 + ["rejected"] * 10).assign(reasons=pd.Categorical([""] * 190 + ["scatter"] * 10))
    some = judge_run(half, tables.WINDOWS.empty(), Metered(pd.DataFrame({"interval_s": np.full(200, 0.1)})), load_purpose("lane"))  # type: ignore[arg-type]
    assert some.sentences[-1].startswith("where it is not trusted: ") and "several of these" not in some.sentences[1]
    whole = judge_run(frame[50:], tables.WINDOWS.empty(), Metered(pd.DataFrame({"interval_s": np.full(150, 0.1)})), load_purpose("lane"))  # type: ignore[arg-type]
    assert "; position good to 40 cm (95 %, median)" in whole.sentences[1], "nothing is trusted, so there is no other place"


def test_reasons_that_have_no_room_are_counted() -> None:
    frame = epochs(["rejected"] * 200).assign(reasons=pd.Categorical(["age,baseline,scatter,segment,bridge"] * 200))
    found = judge_run(frame, tables.WINDOWS.empty(), Metered(pd.DataFrame({"interval_s": np.full(200, 0.1)})), load_purpose("lane"))  # type: ignore[arg-type]
    assert "2 more reasons" in found.sentences[1]


class Metered:
    """The metrics that a verdict looks at."""

    def __init__(self, epochs: pd.DataFrame) -> None:
        self.epochs, self.gaps = epochs, pd.DataFrame()

    def __getitem__(self, key: str) -> SimpleNamespace:
        return SimpleNamespace(value={"rate_hz": 10.0}[key])
