"""One recording counts once, whatever the number of its results."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from run_folders import loop, run_folder

from analyzer.comparing.compare import compare
from analyzer.errors import UsageError

PATH = loop(1.0)


def drive(place: Path, *, recording: str, purpose: str = "0", day: int = 14) -> Path:
    """Write the result of a lap with an outage of 100 m."""
    along = np.r_[0.0, np.cumsum(np.hypot(*np.diff(PATH, axis=1)))]
    lost = (along >= 1000.0) & (along < 1100.0)
    return run_folder(place, PATH, start=f"2026-04-{day}T08:00:00Z", lost=lost, recording=recording, purpose=purpose)


def test_one_result_twice_is_no_comparison(tmp_path: Path) -> None:
    one = drive(tmp_path / "a", recording="ab")
    with pytest.raises(UsageError, match="was named more than once; expected results of two or more drives"):
        compare([one, one])
    with pytest.raises(UsageError, match="holds the same recording, judged for the same purpose, as"):
        compare([one, drive(tmp_path / "b", recording="ab")])


def test_a_repeated_result_is_left_out_and_said(tmp_path: Path) -> None:
    one, other = drive(tmp_path / "a", recording="ab"), drive(tmp_path / "b", recording="cd", day=15)
    found = compare([one, other, one])
    assert len(found.runs) == 2 and found.spots["passes"].tolist() == [2]
    assert f"{one} was named more than once and was left out: a drive counts once." in found.sentences


def test_two_purposes_of_one_recording_tell_nothing_of_frames_and_places(tmp_path: Path) -> None:
    folders = [drive(tmp_path / str(k), recording="ab", purpose=str(k)) for k in range(6)]
    found = compare(folders)
    assert found.level == "not_evaluated" and set(found.runs["frames"]) == {"not_evaluated"} and len(found.runs) == 6
    assert found.spots["words"].tolist() == ["1 of 1 pass: too few to tell, 6 passes are needed (95 % interval 2 to 100 %)"], "six passes would recur"
    assert "All results are of one recording" in found.sentences[1] and set(found.runs["share_common_cells"]) == {0.0}


def test_another_purpose_beside_another_drive_counts_once(tmp_path: Path) -> None:
    found = compare([drive(tmp_path / "a", recording="ab"), drive(tmp_path / "b", recording="ab", purpose="1"),
                     drive(tmp_path / "c", recording="cd")])
    assert found.level == "not_evaluated" and found.spots["passes"].tolist() == [2]
    assert found.frames.group.tolist() == [0, 0, 1]
    assert sum("come from one recording; it counts once" in s for s in found.sentences) == 1
