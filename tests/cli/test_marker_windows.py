"""Windows from a marker channel through the command line: the clock is proved, and what is wrong is said in one sentence."""

from __future__ import annotations

import gzip
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from cli_runs import Ran, Result, run

import analyzer
from analyzer.demo import make_drive
from analyzer.parsers.column_map import parse_column_map
from analyzer.recording import Finding, Recording

pytestmark = pytest.mark.usefixtures("no_pictures")


@dataclass(frozen=True)
class Recorded:
    """A simulated drive and what is read of its log."""

    folder: Path
    recording: Recording


@pytest.fixture(scope="module")
def drive(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    folder = make_drive(tmp_path_factory.mktemp("marked") / "drive", seed=5, duration_s=240.0, start_rest_s=40.0, faults=("logger_gap",),
                      outputs=("measurement_csv", "measurement_parquet", "measurement_mf4"))
    return Recorded(folder, analyzer.read(folder / "rover.nmea"))


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


def apart_s(drive: Path, windows: pd.DataFrame) -> float:
    """Largest distance of a window's start from that of the manoeuvre as it was driven [s]."""
    starts = pd.to_datetime(windows["start_utc"], utc=True, format="ISO8601").reset_index(drop=True)
    assert len(starts) == len(planned(drive))
    return float(np.abs((starts - planned(drive)["start_utc"]).dt.total_seconds()).max())


def marked(drive: Recorded, source: Path, channel: str | None = None, map_text: str = "") -> tuple[pd.DataFrame, Finding]:
    """Return windows and finding through the library."""
    maps = [parse_column_map(map_text)] if map_text else []
    found = analyzer.read_marker_windows(drive.recording, source, channel, maps=maps)
    (finding,) = found.findings
    return found.times, finding


@pytest.mark.parametrize(("source", "kind"), [("measurement.csv:marker", "csv"), ("measurement.mf4", "mf4")])
def test_windows_are_those_that_were_driven(drive: Recorded, tmp_path: Path, source: str, kind: str) -> None:
    """The channel named behind a colon, or the one that the column map calls marker."""
    if kind == "mf4":
        pytest.importorskip("asammdf", reason="the extra mdf4 is not installed")
    done = assessed(drive.folder, tmp_path / "r", "--windows-from", drive.folder / source, "--columns",
                    drive.folder / f"measurement_{kind}_columns.toml")
    assert (done.code, done.err) == (0, "")
    result = Result(tmp_path / "r")
    table = result.csv("windows")
    assert table["name"].tolist() == [f"marker {k}" for k in range(1, len(planned(drive.folder)) + 1)]
    assert apart_s(drive.folder, table) < 0.12
    finding = result.finding("windows_from_marker")
    assert "UTC by its own stamps, and its speed agrees with the recording: apart by" in finding["text"] and "95 %" in finding["text"]
    low, high = finding["evidence"]["interval_s"]
    assert low < 0.0 < high and high - low < 0.05


@pytest.mark.parametrize("name", ["measurement.csv", "measurement.parquet", "measurement.mf4"])
@pytest.mark.parametrize("channel", ["marker", None], ids=["channel named", "by names"])
def test_every_format_gives_the_same_windows(drive: Recorded, name: str, channel: str | None) -> None:
    if name.endswith("mf4"):
        pytest.importorskip("asammdf", reason="the extra mdf4 is not installed")
    times, finding = marked(drive, drive.folder / name, channel)
    assert apart_s(drive.folder, times) < 0.12 and finding.level == "note"


def test_they_behave_like_windows_by_hand(drive: Recorded, tmp_path: Path) -> None:
    """Verdict, worst bound, share and what to drive again are those of a windows file with the same times."""
    windows = analyzer.read_marker_windows(drive.recording, drive.folder / "measurement.csv", "marker")
    windows.times.to_csv(tmp_path / "w.csv", index=False)
    first = analyzer.assess(drive.recording, windows=windows)
    second = analyzer.assess(drive.recording, windows=analyzer.read_windows(tmp_path / "w.csv"))
    pd.testing.assert_frame_equal(first.windows, second.windows)
    assert any(f.code == "windows_from_marker" for f in first.findings)
    assert first.windows["worst_horizontal_bound_m"].notna().any() and "fit" in set(first.windows["verdict"])


def test_a_clock_that_is_leap_seconds_ahead_is_found_and_taken_out(drive: Recorded, tmp_path: Path) -> None:
    """GPS time is 18 s ahead of UTC since 2017 (IERS Bulletin C 52, from memory, not re-read)."""
    ahead = pd.read_parquet(drive.folder / "measurement.parquet")["time_utc"] + pd.Timedelta(seconds=18)
    times, finding = marked(drive, own(drive.folder, tmp_path, time_utc=ahead), "marker")
    assert finding.level == "warning" and "GPS time" in finding.text and "taken out" in finding.text
    assert finding.evidence["offset_s"] == pytest.approx(18.0, abs=0.01)
    assert apart_s(drive.folder, times) < 0.15


def test_a_clock_that_is_a_little_off_is_not_said_to_agree(drive: Recorded, tmp_path: Path) -> None:
    late = pd.read_parquet(drive.folder / "measurement.parquet")["time_utc"] + pd.Timedelta(milliseconds=60)
    times, finding = marked(drive, own(drive.folder, tmp_path, time_utc=late), "marker")
    assert finding.level == "warning" and "but off by +0.06" in finding.text and "agrees" not in finding.text
    assert finding.evidence["taken_out"] is False and apart_s(drive.folder, times) < 0.2


def test_a_clock_that_is_no_utc_is_placed_by_the_speed_or_refused(drive: Recorded, tmp_path: Path) -> None:
    table = pd.read_parquet(drive.folder / "measurement.parquet")
    seconds = (table.pop("time_utc") - pd.Timestamp("2026-04-14T08:00:00Z")).dt.total_seconds() + 1234.5
    table.insert(0, "clock_s", seconds)
    table.to_csv(tmp_path / "own.csv", index=False)
    head = 'files = ["own.csv"]\ntable = "measurement"\n[time]\ncolumn = "clock_s"\nscale = "relative"\n[columns]\n'
    speed = 'speed_mps = { column = "wheel_speed", unit = "km/h" }\n'
    marker = 'marker = { column = "marker" }\n'
    times, finding = marked(drive, tmp_path / "own.csv", map_text=head + speed + marker)
    assert "placed by its speed, certain to" in finding.text
    assert apart_s(drive.folder, times) < 0.15
    (tmp_path / "m.toml").write_text(head + marker)
    refused = assessed(drive.folder, tmp_path / "n", "--windows-from", tmp_path / "own.csv", "--columns", tmp_path / "m.toml")
    assert refused.code == 6 and "nothing ties it to the recording" in refused.sentence
    assert not (tmp_path / "n").exists()


def test_utc_that_nothing_checks_is_taken_at_its_word_with_a_warning(drive: Recorded, tmp_path: Path) -> None:
    bare = own(drive.folder, tmp_path, **dict.fromkeys(("wheel_speed", "yaw_rate", "acceleration_x", "acceleration_y"), None))
    _, finding = marked(drive, bare, "marker")
    assert finding.level == "warning" and "taken at its word: the recording and the measurement share no signal" in finding.text


def test_text_names_the_windows(drive: Recorded, tmp_path: Path) -> None:
    number = pd.read_parquet(drive.folder / "measurement.parquet")["marker"]
    words = number.map({1: "straight", 2: "straight", 3: "lane change"}).fillna("")
    times, _ = marked(drive, own(drive.folder, tmp_path, marker=words), "marker")
    assert times["name"].tolist()[:2] == ["straight", "lane change"]
    broken = np.where(number.isin([1]) & (number.index % 4000 < 2000), "", words)
    times, _ = marked(drive, own(drive.folder, tmp_path, marker=broken), "marker")
    assert "straight (2)" in times["name"].tolist()


@pytest.mark.parametrize(("spec", "code", "words"), [
    ("measurement.csv:nonsense", 2, "has no column 'nonsense'"),
    ("measurement.parquet:nonsense", 2, "has no column 'nonsense'"),
    ("measurement.csv:wheel_speed", 2, "different values and is no marker"),
    ("measurement.csv:", 2, "no channel stands behind the colon"),
    ("", 2, "an argument is empty (after --windows-from)"),
    ("missing.csv:marker", 2, "there is no such file"),
    ("rover.nmea:marker", 3, "is no measurement that can be joined"),
    ("none.parquet:marker", 2, "holds no level"),
    ("unmapped.parquet", 2, "names no marker"),
])
def test_wrong_channels_are_refused_in_one_sentence(drive: Recorded, tmp_path: Path, spec: str, code: int, words: str) -> None:
    own(drive.folder, drive.folder, "none.parquet", marker=0)
    own(drive.folder, drive.folder, "unmapped.parquet", marker=None)
    done = assessed(drive.folder, tmp_path / "r", "--windows-from", f"{drive.folder}/{spec}" if spec else "")
    assert done.code == code and words in done.sentence, done.err
    assert not (tmp_path / "r").exists()


def test_a_packed_measurement_and_maps_of_other_files(drive: Recorded, tmp_path: Path) -> None:
    packed = tmp_path / "day.csv.gz"
    packed.write_bytes(gzip.compress((drive.folder / "measurement.csv").read_bytes()))
    text = (drive.folder / "measurement_csv_columns.toml").read_text()
    maps = [parse_column_map(text.replace("measurement*.csv*", pattern)) for pattern in ("other*.csv", "day.csv")]
    found = analyzer.read_marker_windows(drive.recording, packed, maps=maps)
    assert apart_s(drive.folder, found.times) < 0.12


def test_windows_from_two_places_are_refused(drive: Recorded, tmp_path: Path) -> None:
    done = assessed(drive.folder, tmp_path / "r", "--windows-from", drive.folder / "measurement.csv", "--windows", drive.folder / "windows.csv")
    assert done.code == 2 and "not allowed with" in done.err
