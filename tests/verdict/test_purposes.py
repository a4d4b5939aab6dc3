"""Purposes: shipped files are whole, own files are read, faulty ones are refused by key and line."""

from __future__ import annotations

import json
import re
from importlib import resources
from pathlib import Path

import pytest

from analyzer.drive_files import DriveFiles
from analyzer.errors import UsageError
from analyzer.verdict.channel_names import COLUMNS, PLAIN, lacking_channels, refuse_unknown
from analyzer.verdict.purposes import blank_purpose, limit_95, load_purpose, purpose_of_limit, shipped_purposes
from analyzer.whole_drive import assess_files

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
        (("value = 20", "value = 1e-298"), ("line 7", "value", "minimum")),
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


SECOND = GOOD[GOOD.index("[[limit]]"):].replace("value = 20", "value = 5").replace('"horizontal"', '"vertical"')
CHANNELS = '[required_channels]\nnames = ["speed", "flux capacitor"]\nreason = "r"\nsource = "s"\n'


def plain(key: str, value: object, unit: str) -> str:
    return f'[{key}]\nvalue = {value}\nunit = "{unit}"\nreason = "r"\nsource = "s"\n'


@pytest.mark.parametrize(("text", "place"), [
    (GOOD.replace("= 20", "= inf"), "line 7, key 'limit 1.value': expected a finite number"),
    (GOOD.replace("= 20", "= nan"), "line 7, key 'limit 1.value': expected a finite number"),
    (GOOD.replace("[[limit]]", "margin = nan\n[[limit]]"), "line 4, key 'margin': expected a finite number"),
    (GOOD + SECOND.replace("= 5", "= -inf"), "line 15, key 'limit 2.value'"),
    (GOOD + SECOND.replace("= 5", "= -5"), "line 15, key 'limit 2.value'"),
    (GOOD + SECOND.replace('"cm"', '"km/h"'), "line 16, key 'limit 2.unit' is 'km/h' for position"),
    (GOOD + SECOND.replace('"vertical"', '"speed"'), "line 14, key 'limit 2.axis' is 'speed' for position"),
    (GOOD + SECOND.replace("axis", "axes"), "line 14, key 'axes' is not known in 'limit 2'"),
    (GOOD + SECOND.replace('"vertical"', '"horizontal"'), "line 14, key 'limit 2.axis': limit 1 is on 'horizontal' of position as well"),
    (GOOD + plain("largest_age", 2, "Hz"), "line 14, key 'largest_age.unit'"),
    (GOOD + plain("least_rate", 2, "s"), "line 14, key 'least_rate.unit'"),
    (GOOD + plain("least_satellites", 4.5, "-"), "line 13, key 'least_satellites.value'"),
])
def test_a_fault_is_named_by_line_and_by_the_number_of_its_limit(tmp_path: Path, text: str, place: str) -> None:
    path = tmp_path / "own.toml"
    path.write_text(text)
    with pytest.raises(UsageError) as error:
        load_purpose(path)
    assert place in str(error.value), error.value


def test_channels_go_by_plain_names(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(GOOD + CHANNELS.replace('"flux capacitor"', '"yaw rate", "Age", "course_deg"'))
    purpose = load_purpose(path)
    refuse_unknown(purpose, ())
    assert lacking_channels(purpose, ("speed_mps", "rate_z_radps", "correction_age_s")) == ("course_deg",)
    assert lacking_channels(purpose, ("course_deg",)) == ("speed", "yaw rate", "Age")
    assert {c for columns in PLAIN.values() for c in columns} <= set(COLUMNS)


def test_a_channel_that_nothing_can_have_is_refused_by_line(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(GOOD + CHANNELS)
    purpose = load_purpose(path)
    with pytest.raises(UsageError) as error:
        refuse_unknown(purpose, ("speed_mps", "lid angle"))
    for words in ("own.toml: line 13, key 'required_channels.names': there is no channel 'flux capacitor'", "yaw rate", "speed_mps", "(lid angle)"):
        assert words in str(error.value)
    refuse_unknown(purpose, ("flux capacitor",))  # what the column map of a measurement names may be needed
    assert lacking_channels(purpose, ("speed_mps", "flux capacitor")) == ()


def test_the_file_is_refused_before_a_log_is_read(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(GOOD + CHANNELS)
    with pytest.raises(UsageError, match="flux capacitor"):
        assess_files(DriveFiles(logs=(str(tmp_path / "not there"),)), purpose=load_purpose(path))


def test_the_blank_purpose_is_one_and_shows_every_key(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(blank_purpose(), encoding="utf-8")
    assert load_purpose(path).limits[0].value == 0.2
    path.write_text(re.sub(r"^# (?=\[|\w+ = )", "", blank_purpose(), flags=re.M), encoding="utf-8")
    whole = load_purpose(path)
    assert (len(whole.limits), whole.largest_age_s, whole.least_rate_hz, whole.least_satellites) == (2, 5, 10, 8)
    assert whole.required_channels and whole.margin == 1.5
    schema = json.loads(resources.files("analyzer.verdict").joinpath("schemas", "purpose.json").read_text(encoding="utf-8"))
    keys = [*schema["properties"], *schema["properties"]["limit"]["items"]["properties"], *schema["$defs"]["plain"]["properties"]]
    assert [key for key in keys if key not in blank_purpose()] == []


@pytest.mark.parametrize(("table", "wrong", "right"), [("largest_age", "min", "s"), ("least_rate", "s", "Hz"), ("least_satellites", "Hz", "-")])
def test_the_only_unit_that_is_right_is_named(tmp_path: Path, table: str, wrong: str, right: str) -> None:
    path = tmp_path / "own.toml"
    path.write_text(GOOD + f'[{table}]\nvalue = 2\nunit = "{wrong}"\nreason = "r"\nsource = "s"\n', encoding="utf-8")
    with pytest.raises(UsageError) as refusal:
        load_purpose(path)
    text = str(refusal.value)
    assert f"'{wrong}' is not '{right}'" in text and "postdrive purposes --blank" in text and ".json" not in text


@pytest.mark.parametrize("name", [name for name in shipped_purposes() if name.startswith("agency")])
def test_values_that_were_not_read_again_say_so_and_what_to_do(name: str) -> None:
    sources = [limit.source for limit in load_purpose(name).limits]
    assert all("from memory" in source for source in sources)
    assert all(source.endswith("not compared with the document: check there before you state a class") for source in sources)
