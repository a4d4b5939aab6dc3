"""What passes over marks show, in words."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analyzer import wording
from analyzer.evidence.check_point_latency import HALF, Latency
from analyzer.evidence.check_point_stands import limits
from analyzer.recording import Finding

CODE = "check_point"


def latency(found: Latency, passes: pd.DataFrame, *, framed: bool = True) -> Finding:
    """Return the latency found from passes, with what they do not tell from it."""
    parts = [f"{wording.count(found.passes, 'pass', 'passes')} over known points: {old(found)}" + _weight(found)]
    parts += _behind(found, passes)
    if np.isfinite(found.forward_m):
        parts.append(f"car-fixed offset along {found.forward_m:+z.3f} m{', by the stands on marks' if found.by_stands else ''}")
    parts += _untold(found, framed)
    if found.passes == 1:
        parts.append("one pass alone: a wrong moment or a wrong mark would look the same")
    if not found.consistent:
        parts.append("the passes disagree beyond their uncertainty, and the interval is widened for it: a moment or a mark is wrong, or the latency changes")
    return Finding(f"{CODE}_latency", "warning" if found.significant or not found.consistent else "note", "; ".join(parts) + ".", {
        "latency_s": found.latency_s, "half_s": found.half_s})


def old(found: Latency) -> str:
    """Return "positions are 40 ± 6 ms old"."""
    if found.half_s > limits()["pass.latest"]:
        return "how old positions are is not told"
    return f"positions are {abs(found.latency_s) * 1000:.0f} ± {found.half_s * 1000:.0f} ms {'old' if found.latency_s >= 0 else 'early'}"


def _weight(found: Latency) -> str:
    return "" if found.significant or found.half_s > limits()["pass.latest"] else ", which agrees with none"


def _behind(found: Latency, passes: pd.DataFrame) -> list[str]:
    """Return what a latency that chance does not explain makes at the fastest pass."""
    if not found.significant:
        return []
    speed = float(passes["speed_mps"].max())
    where = "behind" if found.latency_s > 0 else "ahead"
    return [f"{wording.length(abs(found.latency_s) * speed)} {where} at {speed:.0f} m/s",
            f"the bound along the track grows with the speed; a clock of the moments that is {where} by as much looks the same"]


def _untold(found: Latency, framed: bool) -> list[str]:
    """Return which errors count in the interval because the passes do not tell them from latency."""
    limit = limits()
    lacking = [] if np.isfinite(found.forward_m) else ["a car-fixed offset along (pass at other speeds)"]
    lacking += [] if np.isfinite(found.earth_m) else ["an earth-fixed error (pass the other way as well)"]
    if not lacking:
        return []
    said = f"the passes do not tell latency from {' and '.join(lacking)}"
    allowed = f"{HALF * limit['pass.untold']:.2f} m" + ("" if framed or np.isfinite(found.earth_m) else ", and for a difference between frames,")
    return [f"{said}; up to {allowed} {'of each ' if len(lacking) > 1 and framed else ''}is allowed for in the interval"]


def in_short(found: Latency | None, passes: pd.DataFrame) -> str:
    """Return what the passes showed, for the absolute statement; empty without any."""
    if found is None:
        return ""
    names = wording.listing(list(dict.fromkeys(passes["name"].astype(str))))
    text = f"{wording.count(found.passes, 'pass', 'passes')} over {names}: {old(found)}"
    text = "; ".join([text + _weight(found), *_behind(found, passes)[:1]])
    return text if found.consistent else f"{text}; the passes disagree beyond their uncertainty"


def lost(rows: int, used: int) -> list[Finding]:
    """Return that moments of passing are left out: `rows` stand in the file, `used` had a position."""
    if used >= rows:
        return []
    limit = limits()
    return [Finding(f"{CODE}_pass_left_out", "warning", (
        f"{rows - used} of {wording.count(rows, 'moment')} of passing in the check points file {'is' if rows - used == 1 else 'are'} left out: the log has no two "
        f"fixed positions at most {limit['pass.hole']:g} s apart around {'it' if rows - used == 1 else 'them'}, the car was slower than {limit['pass.speed']:g} m/s, or "
        f"the position lay further from the mark than {limit['pass.latest']:g} s of driving. Check time and coordinates."), {"left_out": rows - used})]
