"""Windows from a marker channel through the command line: the clock is proved, and what is wrong is said in one sentence."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from cli_runs import Ran, Result, run

import analyzer
from analyzer.demo import make_drive


@pytest.fixture(scope="module")
def drive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_drive(tmp_path_factory.mktemp("marked") / "drive", seed=5, duration_s=240.0, start_rest_s=40.0, faults=("logger_gap",),
                      outputs=("measurement_csv", "measurement_parquet", "measurement_mf4"))


def assessed(drive: Path, out: Path, *more: object) -> Ran:
    return run("assess", drive / "rover.nmea", "--quiet", "--out", out, *more)


def own(drive: Path, tmp_path: Path, name: str = "own.parquet", **columns: object) -> Path:
    """The measurement with columns replaced, or left out where None."""
    table = pd.read_parquet(drive / "measurement.parquet")
    for column, values in columns.items():
        table = table.drop(columns=column) if values is None else table.assign(**{column: values})
    table.to_parquet(tmp_path / name, index=False)
    return tmp_path / name


def planned(drive: Path) -> pd.DataFrame:
    table = pd.read_csv(drive / "windows.csv")
    return table.assign(**{c: pd.to_datetime(table[c], utc=True) for c in ("start_utc", "end_utc")})


def apart_s(drive: Path, result: Result) -> float:
    """Largest distance of a window's start from that of the manoeuvre as it was driven [s]."""
    starts = pd.to_datetime(result.csv("windows")["start_utc"], utc=True, format="ISO8601")
    return float(np.abs((starts - planned(drive)["start_utc"]).dt.total_seconds()).max())


@pytest.mark.parametrize("kind", ["csv", "parquet", "mf4"])
@pytest.mark.parametrize("named", [True, False], ids=["channel named", "by the column map"])
def test_windows_are_those_that_were_driven(drive: Path, tmp_path: Path, kind: str, named: bool) -> None:
    if kind == "mf4":
        pytest.importorskip("asammdf", reason="the extra mdf4 is not installed")
    source = f"{drive / f'measurement.{kind}'}{':marker' if named else ''}"
    done = assessed(drive, tmp_path / "r", "--windows-from", source, "--columns", drive / f"measurement_{kind}_columns.toml")
    assert (done.code, done.err) == (0, "")
    result = Result(tmp_path / "r")
    table = result.csv("windows")
    assert table["name"].tolist() == [f"marker {k}" for k in range(1, len(planned(drive)) + 1)]
    assert apart_s(drive, result) < 0.12
    finding = result.finding("windows_from_marker")
    assert "UTC by its own stamps, and its speed agrees with the recording: apart by" in finding["text"] and "95 %" in finding["text"]
    low, high = finding["evidence"]["interval_s"]
    assert low < 0.0 < high and high - low < 0.05


def test_they_behave_like_windows_by_hand(drive: Path, tmp_path: Path) -> None:
    """Verdict, worst bound, share and what to drive again are those of a windows file with the same times."""
    assessed(drive, tmp_path / "a", "--windows-from", f"{drive / 'measurement.csv'}:marker")
    first = Result(tmp_path / "a").csv("windows")
    first[["name", "start_utc", "end_utc"]].to_csv(tmp_path / "w.csv", index=False)
    assessed(drive, tmp_path / "b", "--windows", tmp_path / "w.csv")
    second = Result(tmp_path / "b").csv("windows")
    pd.testing.assert_frame_equal(first, second)
    assert (first["verdict"] != "").all() and (first["worst_horizontal_bound_m"] != "").any()
    assert "fit" in set(first["verdict"])


def test_a_clock_that_is_leap_seconds_ahead_is_found_and_taken_out(drive: Path, tmp_path: Path) -> None:
    ahead = own(drive, tmp_path, time_utc=pd.read_parquet(drive / "measurement.parquet")["time_utc"] + pd.Timedelta(seconds=18))
    assert assessed(drive, tmp_path / "r", "--windows-from", f"{ahead}:marker").code == 0
    result = Result(tmp_path / "r")
    finding = result.finding("windows_from_marker")
    assert (finding["level"] == "warning" and "ahead by +18.0" in finding["text"]) or "ahead by +17.99" in finding["text"]
    assert apart_s(drive, result) < 0.15


def test_a_clock_that_is_no_utc_is_placed_by_the_speed(drive: Path, tmp_path: Path) -> None:
    table = pd.read_parquet(drive / "measurement.parquet")
    seconds = (table.pop("time_utc") - pd.Timestamp("2026-04-14T08:00:00Z")).dt.total_seconds() + 1234.5
    table.insert(0, "clock_s", seconds)
    table.to_csv(tmp_path / "own.csv", index=False)
    (tmp_path / "m.toml").write_text(
        'files = ["own.csv"]\ntable = "measurement"\n[time]\ncolumn = "clock_s"\nscale = "relative"\n'
        '[columns.speed_mps]\ncolumn = "wheel_speed"\nunit = "km/h"\n[columns.marker]\ncolumn = "marker"\n')
    done = assessed(drive, tmp_path / "r", "--windows-from", tmp_path / "own.csv", "--columns", tmp_path / "m.toml")
    assert (done.code, done.err) == (0, "")
    result = Result(tmp_path / "r")
    assert "placed by its speed, certain to" in result.finding("windows_from_marker")["text"]
    assert apart_s(drive, result) < 0.15
    (tmp_path / "m.toml").write_text(
        'files = ["own.csv"]\ntable = "measurement"\n[time]\ncolumn = "clock_s"\nscale = "relative"\n[columns.marker]\ncolumn = "marker"\n')
    refused = assessed(drive, tmp_path / "n", "--windows-from", tmp_path / "own.csv", "--columns", tmp_path / "m.toml")
    assert refused.code == 6 and "nothing ties it to the recording" in refused.sentence
    assert not (tmp_path / "n").exists()


def test_utc_that_nothing_checks_is_taken_at_its_word_with_a_warning(drive: Path, tmp_path: Path) -> None:
    bare = own(drive, tmp_path, **dict.fromkeys(("wheel_speed", "yaw_rate", "acceleration_x", "acceleration_y"), None))
    assert assessed(drive, tmp_path / "r", "--windows-from", f"{bare}:marker").code == 0
    finding = Result(tmp_path / "r").finding("windows_from_marker")
    assert finding["level"] == "warning" and "taken at its word: the recording and the measurement share no signal" in finding["text"]


def test_text_names_the_windows(drive: Path, tmp_path: Path) -> None:
    number = pd.read_parquet(drive / "measurement.parquet")["marker"]
    words = number.map({1: "straight", 2: "straight", 3: "lane change"}).fillna("")
    source = own(drive, tmp_path, marker=np.where(number.isin([1]) & (number.index % 400 < 200), "", words))
    text = own(drive, tmp_path, "text.csv.parquet", marker=words)
    assert assessed(drive, tmp_path / "r", "--windows-from", f"{text}:marker").code == 0
    assert Result(tmp_path / "r").csv("windows")["name"].tolist()[:2] == ["straight", "lane change"]
    assert assessed(drive, tmp_path / "s", "--windows-from", f"{source}:marker").code == 0
    assert "straight (2)" in Result(tmp_path / "s").csv("windows")["name"].tolist()


@pytest.mark.parametrize(("spec", "code", "words"), [
    ("measurement.csv:nonsense", 2, "has no column 'nonsense'"),
    ("measurement.parquet:nonsense", 2, "has no column 'nonsense'"),
    ("measurement.csv:wheel_speed", 2, "different values and is no marker"),
    ("measurement.csv:", 2, "no channel stands behind the colon"),
    ("", 2, "there is no such file"),
    ("missing.csv:marker", 2, "there is no such file"),
    ("rover.nmea:marker", 3, "is no measurement that can be joined"),
    ("none.parquet:marker", 2, "holds no level"),
    ("unmapped.parquet", 2, "names no marker"),
])
def test_wrong_channels_are_refused_in_one_sentence(drive: Path, tmp_path: Path, spec: str, code: int, words: str) -> None:
    own(drive, drive, "none.parquet", marker=0)
    own(drive, drive, "unmapped.parquet", marker=None)
    done = assessed(drive, tmp_path / "r", "--windows-from", f"{drive}/{spec}" if spec else "")
    assert done.code == code and words in done.sentence, done.err
    assert not (tmp_path / "r").exists()


def test_a_packed_measurement_and_maps_of_other_files(drive: Path, tmp_path: Path) -> None:
    packed = tmp_path / "day.csv.gz"
    packed.write_bytes(gzip.compress((drive / "measurement.csv").read_bytes()))
    text = (drive / "measurement_csv_columns.toml").read_text()
    (tmp_path / "day.toml").write_text(text.replace("measurement*.csv*", "day.csv"))
    (tmp_path / "other.toml").write_text(text.replace("measurement*.csv*", "other*.csv"))
    done = assessed(drive, tmp_path / "r", "--windows-from", packed, "--columns", tmp_path / "other.toml", "--columns", tmp_path / "day.toml")
    assert (done.code, done.err) == (0, "") and apart_s(drive, Result(tmp_path / "r")) < 0.12


def test_windows_from_two_places_are_refused(drive: Path, tmp_path: Path) -> None:
    done = assessed(drive, tmp_path / "r", "--windows-from", drive / "measurement.csv", "--windows", drive / "windows.csv")
    assert done.code == 2 and "not allowed with" in done.err


def test_the_library_does_the_same(drive: Path) -> None:
    recording = analyzer.read(drive / "rover.nmea")
    windows = analyzer.read_marker_windows(recording, drive / "measurement.parquet", "marker")
    found = analyzer.assess(recording, windows=windows)
    assert len(found.windows) == len(planned(drive)) and any(f.code == "windows_from_marker" for f in found.findings)
