"""Logs of several drives are not judged as one."""

from __future__ import annotations

from pathlib import Path

import pytest

import analyzer


def test_a_folder_of_several_drives_is_refused_by_name_and_day(shared_data: Path) -> None:
    recording = analyzer.read(shared_data / "drives")
    with pytest.raises(analyzer.InputError, match=r"long_gap_over_midnight\.nmea ends on 2005-09-26 and .*2010-04-03.*several drives"):
        analyzer.assess(recording)
