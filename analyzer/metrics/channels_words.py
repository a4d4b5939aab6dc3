"""Findings about recorded channels in plain words, each with the purposes the channel still serves."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd

from analyzer.metrics.inertial_timing import FILE
from analyzer.recording import Finding
from analyzer.settings import thresholds


def channel_findings(channels: pd.DataFrame, *, source_name: str) -> Iterator[Finding]:
    """Yield findings for the rows of `channels.channel_table`."""
    for row in _rows(channels):
        evidence = {"source": source_name, **row}
        where = f"{source_name}, channel {row['channel']}: "
        if row["update"] == "constant":
            yield _constant(row, where, evidence)
            continue
        yield from _coarse(row, where, evidence)
        yield from _slow(row, where, evidence)
        if row["frozen_share"] > thresholds(*FILE)["channels.frozen_share"]:
            yield Finding("channel_frozen", "warning" if np.isfinite(row["speed_p95_mps"]) else "note",
                          where + f"repeats one value for {row['frozen_share']:.0%} of the "
                          f"{'driving ' if np.isfinite(row['speed_p95_mps']) else ''}time in stretches of more "
                          "than a second: "
                          "not usable there for any limit.", evidence)


def _rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of `table` by column name."""
    return [{str(k): v for k, v in row.items()} for row in table.to_dict("records")]


def _constant(row: dict[str, Any], where: str, evidence: dict[str, object]) -> Finding:
    """Return the finding of a channel that never changes."""
    if row["zero_share"] == 1.0:
        return Finding("channel_zero", "problem", where + "is zero in every row: it was not recorded or not connected; "
                       "not usable for any purpose.", evidence)
    return Finding("channel_constant", "note", where + "has one value in all rows; it shows no change and serves no limit "
                   "while driving.", evidence)


def _coarse(row: dict[str, Any], where: str, evidence: dict[str, object]) -> Iterator[Finding]:
    """Yield the finding of a position or time channel with a coarse step."""
    limit = thresholds(*FILE)
    step_m = row["resolution_m"]
    needed = 0.5 * step_m * limit["channels.rule_of_ten"]
    if not needed > limit["channels.tightest_limit_m"]:
        return
    level = "warning" if needed > limit["channels.lane_limit_m"] else "note"
    if evidence["channel"] == "time_utc":
        text = (f"times stand in steps of {row['resolution']:.3g} s, {step_m:.3f} m at {row['speed_p95_mps']:.1f} "
                "m/s: positions "
                f"that go with them serve limits from {_up(needed)} m.")
    else:
        text = (f"values stand in steps of {row['resolution']:.3g}, {step_m:.3f} m on the ground: usable for "
                "limits from "
                f"{_up(needed)} m, ten times the largest rounding error.")
    yield Finding("channel_resolution", level, where + text, evidence)


def _slow(row: dict[str, Any], where: str, evidence: dict[str, object]) -> Iterator[Finding]:
    """Yield the finding of a channel that is slower than its rows."""
    kind = evidence["update"]
    if kind not in ("held", "interpolated"):
        return
    rate = row["update_rate_hz"]
    text = f"{row['row_rate_hz']:.3g} rows per second but only {rate:.3g} values per second, "
    if kind == "held":
        text += "each held until the next: "
        if np.isfinite(row["usable_from_m"]) and np.isfinite(row["speed_p95_mps"]):
            miss = row["speed_p95_mps"] / rate
            text += (f"between updates the position is up to {miss:.2f} m old at {row['speed_p95_mps']:.1f} m/s; "
                     "keep only the rows "
                     f"with a new value, or use it for limits from {_up(row['usable_from_m'])} m.")
        else:
            text += "differentiate or filter only the rows with a new value."
    else:
        text += "straight lines between them: the rows in between are not measured; "
        if np.isfinite(row["usable_from_m"]):
            miss = thresholds(*FILE)["channels.acceleration_mps2"] / rate**2 / 8.0
            text += (f"they may miss the path by {miss:.3f} m at full braking, usable for limits from "
                     f"{_up(row['usable_from_m'])} m.")
        else:
            text += f"nothing faster than {0.5 * rate:.3g} Hz is in it."
    yield Finding(f"channel_{kind}", "warning", where + text, evidence)


def latency_findings(delays: pd.DataFrame, *, source_name: str, speed_mps: float) -> Iterator[Finding]:
    """Yield findings for the rows of `channels_latency.latencies` that differ from zero beyond chance."""
    limit = thresholds(*FILE)
    for row in _rows(delays):
        late, spread = row["latency_s"], row["spread_s"]
        if abs(late) < limit["channels.least_lag_s"] or not abs(late) > limit["channels.lag_spreads"] * spread:
            continue
        word = "later" if late > 0 else "earlier"
        text = f"{source_name}: {row['channel']} is {abs(late):.2f} s {word} than {row['against']}"
        if np.isfinite(speed_mps):
            text += (f", {abs(late) * speed_mps:.2f} m at {speed_mps:.1f} m/s: used together without shifting they "
                     "serve limits "
                     f"from {_up(abs(late) * speed_mps)} m")
        yield Finding("channel_latency", "warning", text + ".", {"source": source_name, **row})


def _up(value_m: float) -> str:
    """Return a limit [m] rounded up to two digits, so that the words never promise more than the figure."""
    if not value_m > 0:
        return "0"
    digits = 1 - int(np.floor(np.log10(value_m)))
    return f"{np.ceil(value_m * 10.0**digits - 1e-9) / 10.0**digits:.{max(digits, 0)}f}"
