"""Purposes: shipped files are whole, own files are read, faulty ones are refused by key and line."""

from __future__ import annotations

from pathlib import Path

import pytest

from analyzer.errors import UsageError
from analyzer.verdict.purposes import limit_95, load_purpose, purpose_of_limit, shipped_purposes

GOOD = """
name = "own"
title = "own 0.2 m"
[[limit]]
quantity = "position"
axis = "horizontal"
value = 20
unit = "cm"
read_as = "rms"
reason = "because"
source = "here"
"""


@pytest.mark.parametrize("name", shipped_purposes())
def test_every_shipped_purpose_has_reasons_and_sources(name: str) -> None:
    purpose = load_purpose(name)
    assert purpose.limits and purpose.margin == pytest.approx(1.52)
    for limit in purpose.limits:
        assert len(limit.reason) > 10 and len(limit.source) > 5


def test_car_to_car_limits_are_those_of_the_protocol() -> None:
    # Euro NCAP AEB Car-to-Car v4.3.1 (Feb 2024), section 4.2.1: 0.03 m, 0.1 km/h, 0.1 degree.
    limits = {x.axis: (x.value, x.unit) for x in load_purpose("vehicle_dynamics").limits}
    assert limits == {"along": (0.03, "m"), "across": (0.03, "m"), "speed": (0.1, "km/h"), "heading": (0.1, "deg")}


def test_limits_become_95_percent_figures(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(GOOD)
    # R95 = 1.7308 x DRMS, National Map Accuracy closed form -2 ln(0.05) (facts of the circular normal).
    assert limit_95(load_purpose(path).limits[0]) == pytest.approx(0.2 * 1.73082, rel=1e-5)
    # A 95 % radius of 0.03 m holds only up to 0.012 m per axis.
    assert pytest.approx(0.01226, abs=1e-5) == 0.03 / 2.44775
    across = next(x for x in load_purpose("vehicle_dynamics").limits if x.axis == "across")
    assert limit_95(across) == pytest.approx(0.03 * 1.95996, rel=1e-5)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("value = 20", "value = -1"), ("line 7", "value")),
        (('unit = "cm"', 'unit = "inch"'), ("line 8", "unit")),
        (('axis = "horizontal"', 'axis = "speed"'), ("axis", "position")),
        (('reason = "because"\n', ""), ("reason",)),
        (("name", "nome"), ("nome",)),
        (("[[limit]]", "[[limit]"), ("TOML",)),
    ],
)
def test_a_faulty_file_is_refused_by_key_and_line(
    tmp_path: Path, change: tuple[str, str], words: tuple[str, ...]
) -> None:
    path = tmp_path / "own.toml"
    path.write_text(GOOD.replace(*change))
    with pytest.raises(UsageError) as error:
        load_purpose(path)
    assert all(w in str(error.value) for w in ("own.toml", *words))


def test_an_unknown_name_lists_what_there_is() -> None:
    with pytest.raises(UsageError, match="lane"):
        load_purpose("nothing")


def test_a_single_limit_makes_a_purpose() -> None:
    purpose = purpose_of_limit(0.25)
    assert limit_95(purpose.limits[0]) == 0.25
    for wrong in (0.0, -1.0, float("nan"), float("inf")):
        with pytest.raises(UsageError):
            purpose_of_limit(wrong)
