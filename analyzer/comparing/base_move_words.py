"""Movements within a static log in words: when, how far, and which part its coordinates are from."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analyzer.metrics.base_site_moves import Move
from analyzer.metrics.base_site_settling import Answer, Settling


def size(value_m: float) -> str:
    """Return a length in cm below one metre."""
    return f"{value_m * 100:.1f} cm" if abs(value_m) < 1.0 else f"{value_m:.2f} m"


def move_words(move: Move, begin: pd.Timestamp) -> str:
    """Return a movement with its size per axis and its time; `begin` is when the log began."""
    axes = zip(move.vector_m, move.half_width_m, ("east", "north", "up"), strict=True)
    parts = ", ".join(f"{round(value, 3) + 0.0:+.3f} ± {half:.3f} m {name}" for value, half, name in axes)
    start, end = begin + pd.Timedelta(seconds=move.from_s), begin + pd.Timedelta(seconds=move.until_s)
    far = size(float(np.linalg.norm(move.vector_m)))
    if move.kind == "step":
        middle = start + (end - start) / 2
        half_s = max(0.5 * (move.until_s - move.from_s), 1.0)
        return f"stepped by {far} at {middle:%H:%M:%S} UTC ± {half_s:.0f} s ({parts}, 95 %)"
    rate = size(float(np.linalg.norm(move.vector_m)) * 3600.0 / (move.until_s - move.from_s))
    return f"moved steadily by {far} from {start:%H:%M:%S} to {end:%H:%M:%S} UTC, {rate} an hour ({parts}, 95 %)"


def all_moves(moves: tuple[Move, ...], begin: pd.Timestamp) -> str:
    """Return every movement, in order of time."""
    return ", then ".join(move_words(move, begin) for move in moves)


def which_part(told: Answer, count: int, times: tuple[pd.Timestamp, pd.Timestamp]) -> str:
    """Return which part of a log that moved its coordinates are from; `times` of its first and last epoch."""
    if not told.steady_at_end:
        return "No part of it is shown to be steady for long enough, so do not enter its coordinates; log again"
    if told.steady_until >= count:
        return f"The coordinates below are from {times[0]:%H:%M:%S} UTC on only: use nothing before"
    return (
        f"The coordinates below are from {times[0]:%H:%M:%S} to {times[1]:%H:%M:%S} UTC only, its longest steady part, "
        "and not of where it stands afterwards: log there again"
    )


def detectable_words(one: Settling) -> str:
    """Return the sizes above which each kind of movement would have been found, in four of five cases."""
    return (
        f"a drift above {_both(one.detectable_m)} at the start that dies out with a time constant of {one.detectable_decay_s:.0f} s; "
        f"a step above {_both(one.detectable_step_m)} in the middle half of the log; a steady drift above "
        f"{_both(one.detectable_steady_m)} over the log"
    )


def _both(sizes: tuple[float, float]) -> str:
    return f"{size(sizes[0])} horizontally or {size(sizes[1])} in height"
