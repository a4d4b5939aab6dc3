"""Crossing lines through the command line on a simulated drive: passes, their numbers and direction, and wrong files."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from cli_runs import Ran, Result, run

from analyzer.demo import make_drive
from analyzer.userfiles.tabular import CHECK_POINT_COLUMNS

pytestmark = pytest.mark.usefixtures("no_pictures")

HEADER = "name,from_latitude_deg,from_longitude_deg,to_latitude_deg,to_longitude_deg\n"
METRES_PER_DEGREE = 111_300.0


@pytest.fixture(scope="module")
def drive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a drive that turns round after each lap."""
    return make_drive(tmp_path_factory.mktemp("lines") / "drive", seed=8, duration_s=900.0, rate_hz=5.0, start_rest_s=30.0, both_ways=True)


def gate(drive: Path, after_m: float) -> tuple[str, np.ndarray]:
    """Return a line of 30 m across the true way, `after_m` beyond the start, and its middle."""
    truth = pd.read_csv(drive / "truth.csv")
    latitude, longitude = truth["lat_deg"].to_numpy(), truth["lon_deg"].to_numpy()
    scale = np.array([METRES_PER_DEGREE, METRES_PER_DEGREE * np.cos(np.radians(latitude[0]))])
    way = np.column_stack([latitude - latitude[0], longitude - longitude[0]]) * scale
    gone = np.cumsum(np.r_[0.0, np.hypot(*np.diff(way, axis=0).T)])
    at = int(np.searchsorted(gone, after_m))
    ahead = way[at + 5] - way[at - 5]
    across = np.array([-ahead[1], ahead[0]]) / np.hypot(*ahead) * 15.0 / scale
    ends = [(latitude[at], longitude[at]) + sign * across for sign in (-1, 1)]
    return ",".join(f"{x:.8f}" for end in ends for x in end), way[at]


def assessed(drive: Path, tmp_path: Path, text: str, *more: object) -> Ran:
    (tmp_path / "lines.csv").write_text(text)
    return run("assess", drive / "rover.nmea", "--quiet", "--windows", tmp_path / "lines.csv", *more, "--out", tmp_path / "r")


def test_passes_are_numbered_with_their_direction(drive: Path, tmp_path: Path) -> None:
    first, second = gate(drive, 600.0)[0], gate(drive, 900.0)[0]
    done = assessed(drive, tmp_path, f"{HEADER}straight,{first}\nstraight,{second}\n")
    assert (done.code, done.err) == (0, "")
    table = Result(tmp_path / "r").csv("windows")
    assert table["name"].tolist()[:2] == ["straight 1", "straight 2 (opposite)"]
    length = table["end_distance_m"].astype(float) - table["start_distance_m"].astype(float)
    assert length.to_numpy() == pytest.approx(300.0, abs=12.0)
    assert (table["verdict"] != "").all() and set(table["repeat"]) <= {"True", "False"}


def test_a_name_that_is_never_passed_is_told(drive: Path, tmp_path: Path) -> None:
    first, second = gate(drive, 600.0)[0], gate(drive, 900.0)[0]
    assert assessed(drive, tmp_path, f"{HEADER}straight,{first}\nstraight,{second}\nfar,47.0,9.0,47.0,9.001\n").code == 0
    finding = Result(tmp_path / "r").finding("lines_not_crossed")
    assert finding["evidence"]["names"] == ["far"] and finding["level"] == "warning"
    verdict = Result(tmp_path / "r").summary["verdict"]
    assert verdict["level"] != "fit", "what was planned and not driven is missing"
    assert any("not driven: far" in words for words in verdict["sentences"])
    page = (tmp_path / "r" / "report.html").read_text()
    assert "Not driven: " in page and "Nothing to drive again." not in page


def test_a_header_alone_costs_no_drive(drive: Path, tmp_path: Path) -> None:
    """A script writes the same files for every drive, also for one without manoeuvres or marks."""
    marks = tmp_path / "marks.csv"
    marks.write_text(",".join(CHECK_POINT_COLUMNS) + "\n")
    assert assessed(drive, tmp_path, HEADER, "--check-points", marks).code == 0
    found = Result(tmp_path / "r")
    assert found.finding("windows_empty")["level"] == found.finding("check_points_empty")["level"] == "warning"
    done = run("assess", drive / "rover.nmea", "--brief", "--windows", tmp_path / "lines.csv")
    assert "holds no window, only a header: no manoeuvre was judged by itself." in done.err, "on the screen too"
    assert found.summary["windows"] == [] and found.summary["frame"]["absolute"].startswith("not checked")


def test_times_and_lines_in_one_file_are_refused(drive: Path, tmp_path: Path) -> None:
    done = assessed(drive, tmp_path, f"{HEADER.strip()},start_utc,end_utc\na,48.0,11.0,48.0,11.1,2026-03-24T09:00:10Z,2026-03-24T09:00:20Z\n")
    assert done.code == 2 and "line 1: it has columns of times and of crossing lines; give one kind in a file" in done.sentence


@pytest.mark.parametrize(("rows", "words"), [
    ("far,47.0,9.0,47.0,9.001\n", "no pass lies between the crossing lines: far is never crossed (the route comes within"),
    ("a,48.0,11.0,48.0,11.0\n", "line 2: both ends are the same place"),
    ("a,48.0,11.0,48.0,11.1\n" * 3, "3 lines are called 'a'; one or two lines make a pass"),
    ("a,98.0,11.0,48.0,11.1\n", "line 2: from_latitude_deg is '98.0'; expected a number within ±90"),
    (",48.0,11.0,48.0,11.1\n", "line 2: the name is empty"),
    ("a,48.0,11.0,48.0\n", "line 2: 4 cells where the header has 5"),
])
def test_wrong_lines_are_refused_in_one_sentence(drive: Path, tmp_path: Path, rows: str, words: str) -> None:
    done = assessed(drive, tmp_path, HEADER + rows)
    assert done.code == 2 and words in done.sentence
    assert not (tmp_path / "r").exists()
