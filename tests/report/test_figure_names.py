"""Every figure that the report shows has a name that its readers know, from the lists and not from its key."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import analyzer
from analyzer.demo import make_drive
from analyzer.parsers.column_map import load_column_map
from analyzer.report.figure_names import NAMES, PATTERNS, listed, name

METRICS = Path(__file__).resolve().parents[2] / "analyzer" / "metrics"


def literal_keys() -> set[str]:
    """Return every whole key in the code: the first argument of a metric, or what is called `key`."""
    found = set()
    for path in METRICS.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") in ("Metric", "missing") and node.args:
                first = node.args[0]
                found |= {first.value} if isinstance(first, ast.Constant) else set()
            if isinstance(node, ast.Assign) and "key" in ast.unparse(node.targets[0]).lower().replace("(", "").split(", ")[0:1]:
                value = node.value.elts[0] if isinstance(node.value, ast.Tuple) else node.value
                found |= {value.value} if isinstance(value, ast.Constant) and isinstance(value.value, str) else set()
    return found


def test_no_figure_in_the_code_lacks_a_name() -> None:
    keys = literal_keys()
    assert len(keys) > 25
    assert not sorted(k for k in keys if listed(k) is None)


def test_no_figure_of_a_whole_drive_lacks_a_name(tmp_path: Path) -> None:
    folder = make_drive(tmp_path / "drive", seed=4, duration_s=240.0, outputs=("inertial", "corrections", "measurement_csv"))
    recording = analyzer.read(
        folder / "rover.nmea", inertial=[folder / "inertial.csv"], measurement=[folder / "measurement.csv"],
        corrections=[(folder / f"corrections_{place}.rtcm3", place) for place in ("base", "rover")],
        maps=[load_column_map(p) for p in sorted(folder.glob("*_columns.toml"))])
    windows = analyzer.read_windows(folder / "windows.csv") if (folder / "windows.csv").exists() else None
    keys = [m.key for m in analyzer.assess(recording, windows=windows).metrics.values]
    assert len(keys) > 80
    assert not sorted(k for k in keys if listed(k) is None)
    names = [name(k) for k in keys]
    assert len(set(names)) == len(names), "two figures of one name cannot be told apart"
    assert not [n for n in names if "_" in n or " p5" in n or " p9" in n or "{" in n]


@pytest.mark.parametrize(("key", "words"), [
    ("refix_max_s", "from fixed lost to fixed again, longest"), ("hdop_p95", "HDOP, 95 % of the time at most"),
    ("cn0_median_p5_dbhz", "carrier-to-noise density of the middle satellite, lower for 5 % of the time"),
    ("age_p95_float_s", "age of corrections while float, 95 % of the time at most"),
    ("inertial_bias_rate_z_radps", "bias at rest of the angular rate, z axis"),
    ("corrections_rover_rate_1074_hz", "rate of message 1074 at the rover"), ("nobody_knows_s", "nobody knows")])
def test_names_are_words(key: str, words: str) -> None:
    assert name(key) == words


def test_the_lists_hold_each_name_once() -> None:
    assert len({w for _, w in PATTERNS}) == len(PATTERNS) and len(set(NAMES.values())) == len(NAMES)
