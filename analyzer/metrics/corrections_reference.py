"""What a correction stream brings: the reference position it states, its stations, the messages a fix needs."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analyzer import geodesy
from analyzer.metrics.corrections_findings import at_place
from analyzer.recording import Finding
from analyzer.settings import thresholds

#: Messages with code and carrier phase, from which a rover can fix integers.
_FULL_LEGACY = (1001, 1002, 1003, 1004, 1009, 1010, 1011, 1012)
_POSITION = (1005, 1006)
_STATE_SPACE = (*range(1057, 1069), *range(1240, 1271))
_COLUMNS = [
    "time_utc", "message_s", "station_id", "x_m", "y_m", "z_m", "latitude_deg", "longitude_deg", "height_m",
    "antenna_height_m", "change_m", "change_horizontal_m", "change_vertical_m",
]


def _limits() -> dict[str, float]:
    """Return the limits of this part."""
    return dict(thresholds("analyzer.metrics", "thresholds_link.toml"))


def reference_positions(messages: pd.DataFrame) -> pd.DataFrame:
    """Return every distinct position that each station states, in order of time.

    Parameters
    ----------
    messages : timed messages of one place.

    Returns
    -------
    One row per station at first and whenever its position changes: ``time_utc message_s station_id x_m y_m z_m
    latitude_deg longitude_deg height_m antenna_height_m`` and the size of the step from the position before
    ``change_m change_horizontal_m change_vertical_m`` (NaN in the first row of a station). The antenna height of 1006
    is stated beside the position and is not part of it.
    """
    least = _limits()["reference.change"]
    parts = []
    stated = messages[messages["message_type"].isin(_POSITION) & messages["x_m"].notna()]
    for _, rows in stated.groupby("station_id", sort=False):
        place = rows[["x_m", "y_m", "z_m"]].to_numpy(dtype=np.float64)
        step = np.r_[np.nan, np.linalg.norm(np.diff(place, axis=0), axis=1)]
        part = rows[np.isnan(step) | (step > least)].copy()
        part["change_m"] = step[np.isnan(step) | (step > least)]
        parts.append(_geodetic(part))
    if not parts:
        return pd.DataFrame(columns=_COLUMNS)
    out = pd.concat(parts).sort_values("message_s", kind="stable")
    out.index.name = "time_utc"
    return out.reset_index()[_COLUMNS]


def _geodetic(rows: pd.DataFrame) -> pd.DataFrame:
    """Add geodetic coordinates and the horizontal and vertical part of each step."""
    place = rows[["x_m", "y_m", "z_m"]].to_numpy(dtype=np.float64)
    rows["latitude_deg"], rows["longitude_deg"], rows["height_m"] = geodesy.from_ecef(*place.T)
    step = np.vstack([np.full((1, 3), np.nan), np.diff(place, axis=0)])
    latitude = np.radians(rows["latitude_deg"].to_numpy(dtype=np.float64))
    longitude = np.radians(rows["longitude_deg"].to_numpy(dtype=np.float64))
    up = np.column_stack([np.cos(latitude) * np.cos(longitude), np.cos(latitude) * np.sin(longitude), np.sin(latitude)])
    vertical = (step * up).sum(axis=1)
    rows["change_vertical_m"] = vertical
    rows["change_horizontal_m"] = np.sqrt(np.maximum((step**2).sum(axis=1) - vertical**2, 0.0))
    return rows


def main_station(messages: pd.DataFrame) -> int | None:
    """Return the station with the most observation messages, the lower id on a tie; None without any."""
    observed = messages.loc[messages["system"].notna(), "station_id"].dropna()
    if not len(observed):
        observed = messages["station_id"].dropna()
    ids, counts = np.unique(observed.to_numpy(dtype=np.int64), return_counts=True)
    return int(ids[np.argmax(counts)]) if len(ids) else None


def station_findings(
    messages: pd.DataFrame, place: str, *, station_id: int | None, fixes: pd.DataFrame | None,
) -> list[Finding]:
    """Return findings on stations: more than one interleaved, another than expected, another than the rover used."""
    out = []
    counts = messages.loc[messages["system"].notna(), "station_id"].dropna().astype(np.int64).value_counts()
    main = main_station(messages)
    expected = main if station_id is None else station_id
    foreign = counts[counts.index != expected]
    if expected is not None and main is not None and expected not in counts.index and len(counts):
        text = f"The corrections recorded {at_place(place)} are of station {main}, not of station {expected} as stated."
        out.append(Finding("corrections_other_station", "problem", text, {"stated": expected, "found": main}))
    elif len(foreign):
        names = ", ".join(f"{s} ({n} messages)" for s, n in foreign.items())
        text = (f"Corrections of other stations are mixed into those of station {expected} {at_place(place)}: {names}. "
                f"A rover that takes them in turn loses its fix; check radio channel and station settings.")
        out.append(Finding("corrections_foreign_station", "warning", text, {"stations": foreign.to_dict()}))
    used = fixes["station_id"].dropna() if fixes is not None and "station_id" in fixes else pd.Series(dtype="Int32")
    if len(used) and main is not None and place != "base":
        stray = used[(used != main) & (used != 0)]
        if len(stray) > len(used) / 2:
            text = (f"The rover log names station {stray.mode().iloc[0]} as its reference, the recorded "
                    f"corrections come from station {main}; not every receiver writes ids above 1023.")
            out.append(Finding("corrections_station_differs", "note", text))
    return out


def content_findings(messages: pd.DataFrame, place: str) -> list[Finding]:
    """Return findings on message types that a fix needs and that never come."""
    types = {int(t) for t in messages["message_type"].unique()}
    msm = {t % 10 for t in types if 1071 <= t <= 1137 and 1 <= t % 10 <= 7}
    out = []
    if not msm & {3, 4, 5, 6, 7} and not types & set(_FULL_LEGACY) and not {1, 2} <= msm:
        extra = " It brings state-space corrections, which serve precise point positioning."
        text = (f"No observation message with code and carrier phase came {at_place(place)}, so no fix can be made from "
                f"it.{extra if types & {*_STATE_SPACE} else ''}")
        out.append(Finding("corrections_no_observations", "problem", text, {"types": sorted(types)}))
    if not types & set(_POSITION):
        text = (f"The station position (message 1005 or 1006) never came {at_place(place)}: a rover cannot place itself "
                f"relative to this stream unless it knows the position otherwise.")
        out.append(Finding("corrections_no_reference_position", "problem", text, {"types": sorted(types)}))
    return out


def position_findings(positions: pd.DataFrame, messages: pd.DataFrame, place: str) -> list[Finding]:
    """Return findings on the stated reference position: changed, impossible, or late."""
    out, limits = [], _limits()
    for row in positions[positions["change_m"].notna()].to_dict("records"):
        sideways, up = row["change_horizontal_m"], row["change_vertical_m"]
        when = f"{row['time_utc']:%H:%M:%S} UTC" if pd.notna(row["time_utc"]) else f"second {row['message_s']:.0f}"
        text = (f"The stated position of station {row['station_id']} changed by {row['change_m']:.3f} m ({place}) at "
                f"{when}: {sideways:.3f} m horizontally, {up:+.3f} m in height; "
                f"all positions move with it. A base set up anew does this, so do virtual stations.")
        out.append(Finding("corrections_reference_changed", "problem", text, {
            "change_m": row["change_m"], "horizontal_m": sideways, "vertical_m": up}))
    radius = np.linalg.norm(positions[["x_m", "y_m", "z_m"]].to_numpy(dtype=np.float64), axis=1)
    wrong = (radius < limits["reference.least_radius"]) | (radius > limits["reference.largest_radius"])
    if wrong.any():
        name = positions["station_id"].iloc[int(np.argmax(wrong))]
        text = f"Station {name} states a position that is not on the ground ({place})."
        out.append(Finding("corrections_reference_impossible", "problem", text, {"radius_m": float(radius[wrong][0])}))
    if len(positions) and len(messages):
        wait = float(positions["message_s"].iloc[0] - messages["message_s"].min())
        if wait > limits["reference.wait"]:
            text = (f"The station position first came {wait:.0f} s after the corrections ({place}); no fix was "
                    f"possible before it.")
            out.append(Finding("corrections_reference_late", "note", text, {"wait_s": wait}))
    return out
