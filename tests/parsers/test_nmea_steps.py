"""Times that a log gives twice: to other positions after a step of the clock, to the same ones where they are repeated or late."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from nmea_lines import read_lines, sentence

from analyzer.parsers.nmea_epochs import EpochResult, build_epochs
from analyzer.recording import Finding

#: One minute of latitude is a nautical mile.
MINUTES_PER_M = 1 / 1852.0


def lines(time_s: np.ndarray, way_m: np.ndarray) -> list[str]:
    """Return GGA of a car that drives north; hundredths of a second, positions to 0.2 mm."""
    out = []
    for at, way in zip(time_s, way_m, strict=True):
        second, hundredth = divmod(round(at * 100), 100)
        clock = f"{second // 3600:02d}{second // 60 % 60:02d}{second % 60:02d}.{hundredth:02d}"
        out.append(sentence(f"GNGGA,{clock},48{7 + way * MINUTES_PER_M:010.7f},N,01131.0000000,E,4,10,0.9,545.4,M,46.9,M,1.0,0031"))
    return out


def build(text: Sequence[str]) -> EpochResult:
    found = read_lines(text)
    found["GGA"].decimals = np.full(len(found["GGA"]), 7, dtype=np.int8)
    return build_epochs(found, source_id=0, date=None)


def step(result: EpochResult) -> Finding | None:
    found = [f for f in result.findings if f.code == "clock_stepped"]
    return found[0] if found else None


@settings(max_examples=25, deadline=None)
@given(rate=st.sampled_from([1, 5, 20]), back=st.integers(1, 100), speed=st.floats(2.0, 40.0), at=st.integers(150, 250))
def test_a_clock_stepped_back_in_motion_is_found_with_the_distance(rate: int, back: float, speed: float, at: int) -> None:
    """Not of whole seconds, which may be leap seconds; at constant speed the positions of one time are step times speed apart."""
    true_s = 40_000.0 + np.arange(500) / rate
    back_s = min(back, 100 // rate) + 0.37
    clock_s = np.where(np.arange(500) < at, true_s, true_s - back_s)
    text = lines(clock_s, speed * (true_s - true_s[0]))
    found = step(build(text))
    assert found is not None
    assert found.evidence["largest_m"] == pytest.approx(back_s * speed, rel=1e-3, abs=0.01)
    assert found.evidence["byte"] == sum(len(line) + 2 for line in text[:at])


@settings(max_examples=25, deadline=None)
@given(rate=st.sampled_from([1, 5, 20]), data=st.data())
def test_repeated_late_and_swapped_epochs_are_no_step(rate: int, data: st.DataObject) -> None:
    """The same sentences in any damaged order: a block again, a block late, neighbours swapped, in a car that brakes and starts."""
    time_s = 40_000.0 + np.arange(200) / rate
    text = lines(time_s, 100.0 * np.sin((time_s - time_s[0]) / 10))
    first = data.draw(st.integers(5, 100))
    last = data.draw(st.integers(first + 1, 150))
    again = [*text[:last], *text[first:]]
    late = [*text[:first], *text[last:], *text[first:last]]
    swapped = [*text[:first], text[first + 1], text[first], *text[first + 2:]]
    assert all(step(build(order)) is None for order in (text, again, late, swapped))


def test_two_recordings_in_one_are_found_though_the_second_ends_earlier() -> None:
    time_s = 40_000.0 + np.arange(100)
    found = step(build([*lines(time_s, 15.0 * np.arange(100)), *lines(time_s[30:60], 700.0 + 15.0 * np.arange(30))]))
    assert found is not None and found.level == "problem"
    assert "30 epochs" in found.text and found.evidence["largest_m"] == pytest.approx(250.0, rel=1e-3)


def test_one_repeated_time_elsewhere_is_said_and_is_no_step() -> None:
    time_s = 40_000.0 + np.arange(100)
    text = lines(time_s, 15.0 * np.arange(100))
    other = lines(time_s[50:51], np.array([700.0]))
    result = build([*text[:53], *other, *text[53:]])
    assert step(result) is None
    repeated = next(f for f in result.findings if f.code == "duplicate_epochs")
    assert "1 of them with another position, up to 50.0" in repeated.text
