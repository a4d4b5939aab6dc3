"""Logs of several drives are not judged as one."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import analyzer
from analyzer.verdict.one_drive import several_drives
from tests.cli.cli_runs import run

#: How a log with a pause goes on: seconds to the next epoch, and whether it is another drive (own limit: half a day).
PAUSES = [(60, False), (3 * 3600, False), (11 * 3600, False), (13 * 3600, True), (86_400 + 300, True), (30 * 86_400 + 300, True)]


def log(folder: Path, clock_us: np.ndarray, way_m: np.ndarray) -> Path:
    """Write RMC of a car that drives north."""
    text = ""
    for moment, way in zip(clock_us.astype("datetime64[us]").tolist(), way_m, strict=True):
        body = f"GNRMC,{moment:%H%M%S}.{moment.microsecond // 10_000:02d},A,48{7 + way / 1852:010.7f},N,01131.0000000,E,29.16,0.0,{moment:%d%m%y},,,R"
        text += f"${body}*{np.bitwise_xor.reduce(np.frombuffer(body.encode(), np.uint8)):02X}\r\n"
    path = folder / "rover.nmea"
    path.write_text(text, newline="")
    return path


@pytest.mark.parametrize(("pause_s", "several"), PAUSES)
def test_a_pause_within_one_file_is_judged_like_one_between_files(tmp_path: Path, pause_s: int, several: bool) -> None:
    second = np.arange(80)
    path = log(tmp_path, np.datetime64("2026-03-24T09:00:00", "us") + (second + np.where(second < 40, 0, pause_s - 1)) * np.timedelta64(1, "s"), 15.0 * second)
    recording = analyzer.read(path)
    assert bool(several_drives(recording)) == several
    if several:
        with pytest.raises(analyzer.InputError, match=r"rover\.nmea holds nothing from 2026-03-24 09:00:39 .*these are several drives; cut"):
            analyzer.assess(recording)


def test_a_date_that_jumps_ahead_is_named_as_such_by_inspect_too(tmp_path: Path) -> None:
    second = np.arange(80)
    path = log(tmp_path, np.datetime64("2026-03-24T09:00:00", "us") + (second + np.where(second < 40, 0, 365 * 86_400)) * np.timedelta64(1, "s"), 15.0 * second)
    with pytest.raises(analyzer.InputError, match=r"to 2027-03-24 09:00:40 \(byte (\d+)\).*time of day runs on.*wrong in one part") as refused:
        analyzer.assess(analyzer.read(path))
    assert f"byte {path.read_bytes().index(b'$GNRMC,090040')}" in str(refused.value)
    assert "several drives" in run("inspect", str(path)).out


def test_a_stepped_clock_is_refused_and_not_put_down_to_the_fix(tmp_path: Path) -> None:
    """Half the log 0.3 s late at 15 m/s: one epoch only falls between others, 4.5 m off."""
    tick = np.arange(200)
    clock = np.datetime64("2026-03-24T09:00:00", "us") + (200_000 * tick - np.where(tick < 100, 0, 300_000)).astype("timedelta64[us]")
    with pytest.raises(analyzer.InputError, match=r"1 epoch behind it is 4\.50 m from .*clock was stepped, or two recordings.*Cut the file there"):
        analyzer.assess(analyzer.read(log(tmp_path, clock, 3.0 * tick)))


def test_a_folder_of_several_drives_is_refused_by_name_and_day(shared_data: Path) -> None:
    recording = analyzer.read(shared_data / "drives")
    with pytest.raises(analyzer.InputError, match=r"long_gap_over_midnight\.nmea ends on 2005-09-26 and .*2010-04-03.*several drives"):
        analyzer.assess(recording)
