"""Whether a solution is of satellites alone or fused with inertial data, found where the set-up sheet does not say it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analyzer import intervals
from analyzer.evidence.displacement import lagged, residual, robust_sigma
from analyzer.evidence.track import Track
from analyzer.recording import Finding
from analyzer.settings import thresholds


@dataclass(frozen=True)
class KindFound:
    """`kind` is ``fused``, ``gnss`` or ``unknown``; `reasons` in words."""

    kind: str
    reasons: tuple[str, ...]

    def finding(self) -> Finding:
        """Return what was found in words."""
        if self.kind == "unknown":
            return Finding("solution_kind_unknown", "note", "Nothing in the log tells whether the solution is fused with inertial data; "
                           "it is judged as one of satellites alone: state solution_kind in the set-up sheet.")
        word = "fused with inertial data" if self.kind == "fused" else "of satellites alone"
        return Finding("solution_kind_found", "note", f"The set-up sheet does not state the solution kind; the data show one {word}: "
                       f"{'; '.join(self.reasons)}.", {"kind": self.kind})


def stated_kind(fixes: pd.DataFrame) -> str:
    """Return the kind the fixes carry, ``unknown`` where none or several."""
    column = fixes["solution_kind"].astype("category").cat
    kinds = {str(column.categories[code]) for code in np.unique(column.codes) if code >= 0} - {"unknown"}
    return kinds.pop() if len(kinds) == 1 else "unknown"


def find_kind(fixes: pd.DataFrame, track: Track) -> KindFound:
    """Return the solution kind that the data show.

    A filter with inertial data gives velocities that agree with its own differenced positions to a fraction of a
    millimetre per step, holds positions still to a tenth of a millimetre at rest, and goes on without satellites; satellites
    alone do neither: carrier-phase positions carry millimetres of white noise.
    """
    limits = thresholds("analyzer.evidence")
    agrees = limits["kind.agrees"] + limits["kind.agrees_rate"] * track.nominal_s
    differs = limits["kind.differs"] + limits["kind.differs_rate"] * track.nominal_s
    signs: list[str] = []
    against: list[str] = []
    if not track.from_places and np.isfinite(track.velocity).any():
        usable = track.fixed & ~track.standing & np.isfinite(track.velocity).all(axis=1)
        step = robust_sigma(lagged(residual(track)[0], 1, usable).ravel()) / np.sqrt(2)
        if np.isfinite(step) and track.nominal_s <= limits["kind.slowest"]:
            if step < agrees:
                signs.append(f"velocity agrees with differenced positions to {1000 * step:.1f} mm")
            elif step > differs:
                against.append(f"positions carry {1000 * step:.1f} mm of noise that velocity does not share")
    still = _scatter_at_rest(track)
    if np.isfinite(still):
        if still < limits["kind.pinned"]:
            signs.append(f"positions at rest hold still to {1000 * still:.2f} mm")
        elif still > differs and track.nominal_s <= limits["kind.slowest"]:
            against.append(f"positions at rest scatter by {1000 * still:.1f} mm from epoch to epoch")
    estimated = float((fixes["fix_state"] == "estimated").sum()) * track.nominal_s
    if estimated > limits["kind.estimated"]:
        signs.append(f"the solution went on for {estimated:.0f} s by dead reckoning")
    if signs and len(signs) >= len(against):
        return KindFound("fused", tuple(signs))
    return KindFound("gnss", tuple(against)) if against else KindFound("unknown", ())


def _scatter_at_rest(track: Track) -> float:
    """Return sigma of the white noise of fixed positions at rest [m], from steps between epochs; NaN without a rest."""
    spans = [(a, b) for a, b in intervals.runs(track.standing & track.fixed) if b - a >= 20]
    if not spans:
        return float("nan")
    steps = np.concatenate([np.diff(track.places[a:b, :2], axis=0).ravel() for a, b in spans])
    return float(np.std(np.clip(steps, *np.nanquantile(steps, [0.01, 0.99]))) / np.sqrt(2))
