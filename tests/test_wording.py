"""Figures in words never hide a failure."""

from __future__ import annotations

import ast
import math
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer import wording
from analyzer.errors import UsageError
from analyzer.wording import Clock

METRES = {"mm": 1e-3, "cm": 1e-2, "m": 1.0, "km": 1e3}


def metres(text: str) -> float:
    """Return a printed length in metres."""
    number, unit = text.split()[-2:]
    return float(number) * METRES[unit]


@pytest.mark.parametrize(
    ("value_m", "limit_m", "text"),
    [
        (0.104, 0.10, "10.4 cm"),
        (0.1004, 0.10, "10.04 cm"),
        (0.10, 0.10, "10 cm"),
        (0.14, 0.10, "14 cm"),
        (0.0996, 0.10, "9.96 cm"),
        (0.1 + 1e-12, 0.10, "just over 10 cm"),
        (0.03, None, "3 cm"),
        (0.0063, None, "6.3 mm"),
        (1.234, None, "1.2 m"),
        (240_612.0, None, "240.6 km"),
        (0.0, None, "0 mm"),
        (0.0002, None, "under 1 mm"),
        (math.nan, None, "–"),
        (math.inf, None, "unlimited"),
        (None, None, "–"),
    ],
)
def test_length(value_m: float | None, limit_m: float | None, text: str) -> None:
    assert wording.length(value_m, limit_m=limit_m) == text


@given(value=st.floats(0.001, 900.0), limit=st.floats(0.01, 5.0))
def test_a_length_prints_on_its_side_of_the_limit(value: float, limit: float) -> None:
    text = wording.length(value, limit_m=limit)
    if text.startswith("just"):
        assert math.isclose(value, limit, rel_tol=1e-5)
        assert ("over" in text) == (value > limit)
    elif value != limit:
        assert (metres(text) > limit * (1 + 1e-12)) == (value > limit)


@given(value=st.floats(0.001, 900.0))
def test_a_bound_is_never_rounded_down(value: float) -> None:
    assert metres(wording.length(value, up=True)) >= value * (1 - 1e-12)
    assert metres(wording.length(value, up=True)) <= value * 1.12


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (1.0, "100 %"),
        (0.9996, "99.96 %"),
        (0.99999, "99.999 %"),
        (1 - 1e-9, "over 99.9999 %"),
        (0.0, "0 %"),
        (0.0004, "0.04 %"),
        (1e-9, "under 0.0001 %"),
        (0.972, "97.2 %"),
        (0.5, "50 %"),
        (math.nan, "–"),
        (None, "–"),
    ],
)
def test_share(value: float | None, text: str) -> None:
    assert wording.share(value) == text


@given(value=st.floats(0.0, 1.0))
def test_only_everything_is_a_hundred_per_cent(value: float) -> None:
    text = wording.share(value)
    assert (text == "100 %") == (value == 1.0)
    assert (text == "0 %") == (value == 0.0)


@pytest.mark.parametrize(
    ("value_s", "text"),
    [
        (71.0, "71 s"),
        (1.23, "1.2 s"),
        (0.0, "0 s"),
        (119.6, "120 s"),
        (252.0, "4 min 12 s"),
        (3720.0, "1 h 02 min"),
        (3599.9, "1 h 00 min"),
        (None, "–"),
    ],
)
def test_duration(value_s: float | None, text: str) -> None:
    assert wording.duration(value_s) == text


def test_an_age_above_its_limit_prints_above_it() -> None:
    assert wording.duration(10.04, limit_s=10.0) == "10.04 s"


@pytest.mark.parametrize(
    ("start_m", "end_m", "text"),
    [
        (3420.0, 3800.0, "km 3.42–3.80"),
        (3420.0, 3421.0, "km 3.42"),
        (3420.0, math.nan, "km 3.42"),
        (math.nan, math.nan, "–"),
    ],
)
def test_reach(start_m: float, end_m: float, text: str) -> None:
    assert wording.reach(start_m, end_m) == text


@pytest.mark.parametrize(
    ("start", "end", "text"),
    [
        ("2026-11-24T09:12:00Z", "2026-11-24T09:48:10Z", "24 Nov 2026, 09:12–09:48 UTC"),
        ("2026-11-24T23:10:00Z", "2026-11-25T00:20:00Z", "24 Nov 2026, 23:10 to 25 Nov 2026, 00:20 UTC"),
        ("2026-11-24T09:12:00Z", "2026-11-24T09:12:30Z", "24 Nov 2026, 09:12:00–09:12:30 UTC"),
    ],
)
def test_span(start: str, end: str, text: str) -> None:
    assert Clock().span(pd.Timestamp(start), pd.Timestamp(end)) == text


def test_local_time_stands_beside_utc() -> None:
    start, end = pd.Timestamp("2026-11-24T09:12:00Z"), pd.Timestamp("2026-11-24T09:48:00Z")
    assert Clock("Europe/Berlin").span(start, end) == "24 Nov 2026, 09:12–09:48 UTC (10:12–10:48 CET)"


@pytest.mark.parametrize("zone", ["Nowhere/Land", "../etc/passwd", ""])
def test_an_unknown_zone_is_one_sentence(zone: str) -> None:
    with pytest.raises(UsageError, match="time zone"):
        Clock(zone)


@pytest.mark.parametrize(
    ("moment", "text"),
    [
        (pd.Timestamp("2026-11-24T09:12:03.250Z"), "09:12:03.25"),
        (pd.Timestamp("2026-11-24T09:12:03.999999Z"), "09:12:03.99"),
        (pd.Timestamp("2026-11-24T09:12:03Z"), "09:12:03"),
        (pd.NaT, "–"),
        (None, "–"),
    ],
)
def test_time_of_day_is_cut_and_not_rounded(moment: object, text: str) -> None:
    assert Clock().time(moment) == text


@pytest.mark.parametrize("value", [None, pd.NA, pd.NaT, float("nan"), np.nan])
def test_missing_is_a_dash(value: object) -> None:
    assert wording.absent(value)
    assert wording.words(value) == wording.ABSENT


@pytest.mark.parametrize(
    ("words", "text"), [([], ""), (["M05"], "M05"), (["M05", "M11"], "M05 and M11"), (["a", "b", "c"], "a, b and c")]
)
def test_listing(words: list[str], text: str) -> None:
    assert wording.listing(words) == text


@given(n=st.integers(0, 10**12))
def test_a_size_keeps_every_digit(n: int) -> None:
    assert re.sub(r"\D", "", wording.size(n)) == str(n)


@given(st.floats(1e-4, 50))
def test_lengths_in_words_never_shrink(size_m: float) -> None:
    value, unit = wording.length_in_words(size_m).split()
    assert float(value) * (0.01 if unit == "cm" else 1) >= size_m * (1 - 1e-9)
    assert float(value) * (0.01 if unit == "cm" else 1) <= size_m * 1.11


def test_shares_never_round_a_remainder_away() -> None:
    assert [wording.share_in_words(x) for x in (0.0, 0.0004, 0.5, 0.9996, 1.0)] == [
        "0 %",
        "less than 0.1 %",
        "50.0 %",
        "more than 99.9 %",
        "100 %",
    ]


def test_no_text_leaves_the_plural_open() -> None:
    """The words "1 time(s)" and "3 stand(s)" are those of a form, not of a report: `wording.count` says either."""
    package = Path(wording.__file__).parent
    texts = [(path.name, node.lineno, node.value) for path in package.rglob("*.py") for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
             if isinstance(node, ast.Constant) and isinstance(node.value, str)]
    assert len(texts) > 5000
    assert not [t for t in texts if re.search(r"[a-z]\(e?s\)", t[2])]


def test_a_duration_below_the_clocks_is_said_to_be_small() -> None:
    assert wording.duration(9.9e-14) == "under 1 µs" and wording.duration(0.0) == "0 s" and wording.duration(0.00002) == "0.00002 s"


def test_times_and_lines_are_plain_english() -> None:
    assert [wording.times(n) for n in (1, 2, 3, 1200)] == ["once", "twice", "3 times", "1 200 times"]
    assert wording.few("ab", 2) == "a, b" and wording.few("", 2) == ""
    assert wording.few("abcd", 2) == "a, b and 2 more" == wording.few("abcd", 2, of=5) and wording.few("abcd", 2, of=4) == "all"
    assert wording.one_line("Drive again: M\r\n01\u2028 x\n") == "Drive again: M 01 x"


def test_names_written_from_right_to_left_do_not_turn_what_stands_beside_them() -> None:
    assert wording.isolated("run 07, Wörth") == "run 07, Wörth"
    assert wording.isolated("שלום") == "\u2068שלום\u2069" and wording.isolated("\u202eevil") == "\u2068\u202eevil\u2069"
