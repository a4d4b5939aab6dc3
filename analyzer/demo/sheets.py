"""Files the user would write: set-up sheet, windows, check points."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analyzer.demo.draws import Draws
from analyzer.demo.drive import Drive, frame_offset, output_point
from analyzer.demo.route import MARK_NAMES, mark_points, stretch, stretch_names
from analyzer.demo.scenario import BASE_NAME, BASE_STATION_ID, CAR_NAME, convergence_deg, to_geodetic
from analyzer.demo.truth import utc_text
from analyzer.intervals import runs

Array = NDArray[np.float64]

#: Height of the reference point above the ground [m]; a mark lies in the ground.
AXLE_HEIGHT_M = 0.31
BASE_ANTENNA_HEIGHT_M = 1.8
FRAME = "GROUND-2026"


def entered_base(drive: Drive) -> Array:
    """Return the base coordinates as entered, local frame [m]: the shift of every position added to the truth."""
    return np.asarray(drive.base_enu_m + frame_offset(drive.spec, drive.plan))


def write_setup(drive: Drive, path: Path) -> None:
    """Write the set-up sheet."""
    latitude, longitude, height = (float(x[0]) for x in to_geodetic(entered_base(drive)))
    arm = np.array([drive.lever.forward_m, drive.lever.left_m, drive.lever.up_m])
    text = f'''run = "{drive.spec.run}"
vehicle = "{CAR_NAME}"
reference_point = "rear axle centre"
output_point = "{output_point(drive.plan)}"
antenna_forward_m = {arm[0]:.3f}
antenna_left_m = {arm[1]:.3f}
antenna_up_m = {arm[2]:.3f}
frame = "{FRAME}"
height_type = "ellipsoidal"
solution_kind = "{drive.spec.solution_kind}"

[base]
name = "{BASE_NAME}"
latitude_deg = {latitude:.9f}
longitude_deg = {longitude:.9f}
height_m = {height:.4f}
antenna_height_m = {BASE_ANTENNA_HEIGHT_M:.3f}
station_id = {BASE_STATION_ID}

[link]
transport = "radio"
line_rate = {drive.spec.line_rate}
'''
    path.write_text(text, encoding="ascii", newline="\n")


def window_spans(drive: Drive) -> list[tuple[str, float, float, str]]:
    """Return name, start and end [s] and what is driven, of the manoeuvres: passes of stretches of the lap."""
    here = drive.motion.at(drive.time_s)
    spans: list[tuple[float, float, str]] = []
    for name in stretch_names():
        start, end = stretch(name)
        for low, high in runs((here.lap_m >= start) & (here.lap_m < end) & (here.speed_mps > 3.0)):
            first, last = float(drive.time_s[low]), float(drive.time_s[high - 1])
            if last - first >= 5.0:
                spans.append((round(first, 1), round(last, 1), name))
    spans.sort()
    if len(spans) > drive.spec.windows:
        pick = np.linspace(0, len(spans) - 1, drive.spec.windows).round().astype(int)
        spans = [spans[k] for k in pick]
    return [(f"M{k + 1:02d}", a, b, name) for k, (a, b, name) in enumerate(spans)]


def write_windows(drive: Drive, path: Path) -> None:
    """Write the manoeuvre windows."""
    lines = ["name,start_utc,end_utc"]
    lines += [
        f"{name} {what.replace('_', ' ')},{utc_text(drive.start, a)},{utc_text(drive.start, b)}"
        for name, a, b, what in window_spans(drive)
    ]
    path.write_text("\n".join(lines) + "\n", encoding="ascii", newline="\n")


def mark_stands(drive: Drive) -> list[tuple[int, float, float, float]]:
    """Return mark index, start, end [s] and true heading [deg] of every stand on a mark of 5 s and more."""
    here = drive.motion.at(drive.time_s)
    antenna = here.antenna(drive.lever)
    out = []
    for low, high in runs(here.speed_mps == 0.0):
        first, last = float(drive.time_s[low]), float(drive.time_s[high - 1])
        distance = np.hypot(*(mark_points()[:, :2] - antenna[low, :2]).T)
        if last - first >= 5.0 and distance.min() < 0.05:
            heading = here.course_deg[low] + convergence_deg(antenna[low : low + 1])[0]
            out.append((int(np.argmin(distance)), first, last, float(np.mod(heading, 360.0))))
    return out


def write_check_points(drive: Drive, path: Path) -> None:
    """Write the surveyed marks and when the antenna stood above them; the survey itself has 4 mm and 6 mm."""
    names = "name,latitude_deg,longitude_deg,height_m,height_type,frame,epoch_year,sigma_h_m,sigma_v_m"
    lines = [names + ",antenna_above_mark_m,start_utc,end_utc,heading_deg"]
    draws = Draws(20260414, "survey of the marks")
    noise = np.column_stack([draws.normal(3) * 0.003, draws.normal(3) * 0.003, draws.normal(3) * 0.005])
    surveyed = mark_points() - np.array([0.0, 0.0, AXLE_HEIGHT_M]) + noise
    above = drive.lever.up_m + AXLE_HEIGHT_M if output_point(drive.plan) == "antenna" else AXLE_HEIGHT_M
    latitude, longitude, height = to_geodetic(surveyed)
    for mark, start, end, heading in mark_stands(drive):
        lines.append(
            f"{MARK_NAMES[mark]},{latitude[mark]:.9f},{longitude[mark]:.9f},{height[mark]:.4f},ellipsoidal,{FRAME},"
            f"2026.28,0.004,0.006,{above:.3f},{utc_text(drive.start, start + 2.0)},{utc_text(drive.start, end - 2.0)},"
            f"{heading:.1f}"
        )
    path.write_text("\n".join(lines) + "\n", encoding="ascii", newline="\n")
