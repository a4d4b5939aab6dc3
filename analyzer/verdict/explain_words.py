"""Words and numbers for the explanation of one moment."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import ROUND_CEILING, Decimal
from typing import Any

import numpy as np
import pandas as pd

from analyzer.settings import thresholds
from analyzer.wording import single

#: What each part of a bound stands for; the vertical parts say the same of height.
PART_MEANING = {
    "bound_claim_m": "the receiver's own claim (GST) as a 95 % figure",
    "bound_class_m": "class value of the fix state, where no claim was logged, and a floor under claims",
    "bound_base_m": "where the bound starts from: claim or class value, enlarged where this drive showed claims to be too small",
    "bound_ageing_m": "corrections older than usual",
    "bound_baseline_m": "distance from the base",
    "bound_scatter_m": "positions against the motion of the car, heights against other passes of the road",
    "bound_segment_m": "offset of this stretch against its neighbours: a wrong fix, or another frame",
    "bound_standstill_m": "movement of the position while the car stood",
    "bound_sky_m": "fewer satellites or worse geometry than usual on this drive",
    "bound_frozen_m": "position unchanged while the car moved",
    "bound_check_point_m": "disagreement with a known mark",
    "bound_bridge_m": "deviation from the way between fixed stretches",
    "bound_alignment_m": "reference point beside the true one while the heading is not aligned",
    "bound_settling_m": "what a fused solution has not yet made good after sensors alone carried it",
}
RULE_FIXED = ("the root of base², baseline², sky² and ageing² together, plus the largest of scatter, segment, standstill, frozen, alignment and settling, "
              "plus check point; claim and class are what base starts from")
RULE_NOT_FIXED = ("the largest of bridge, segment and alignment, with base in the place of a bridge that is nothing, plus frozen and check point; claim and "
                  "class are what base starts from")
KINDS = {
    "missing_epochs": "missing epochs", "correction_outage": "lost corrections", "fix_loss": "lost fix",
    "no_fix_despite_corrections": "no fix despite corrections",
}
DECIDED = {"accept": "accepted", "exclude": "excluded"}
TRUST_MEANING = {
    "trusted": "every bound the purpose asks for, with margin, is within its limit and nothing contradicts",
    "doubtful": "the bound exceeds the limit only for lack of evidence, or two sources disagree and nothing decides",
    "rejected": "independent evidence contradicts the position, there is none, or the bound shown by evidence exceeds the limit",
    "not_evaluated": "a quantity that the purpose needs is not recorded",
}


def value(row: Mapping[Any, Any], key: str) -> float:
    """Return a number of a row, NaN where it is missing or not there."""
    found = row.get(key)
    if found is None or found is pd.NA or isinstance(found, str):
        return float("nan")
    return float(found)


def text(row: Mapping[Any, Any], key: str) -> str:
    """Return a text of a row, empty where it is missing or not there."""
    found = row.get(key)
    return "" if found is None or found is pd.NA or found is pd.NaT or (isinstance(found, float) and np.isnan(found)) else str(found)


def flag(row: Mapping[Any, Any], key: str) -> bool:
    """Return a flag of a row, also where a file holds it as a word."""
    return text(row, key) == "True"


def epochs_of(dropout: Mapping[Any, Any], epochs: pd.DataFrame) -> pd.DataFrame:
    """Return the epochs of a dropout as ``dropout_id`` has them: the one that ends it is no longer in it.

    Missing epochs have no number of theirs; what was logged between two of their gaps lies within.
    """
    if text(dropout, "kind") != "missing_epochs":
        own = epochs["dropout_id"] == dropout["dropout_id"]
        return epochs.iloc[np.flatnonzero(own.fillna(value=False).to_numpy(dtype=bool))]
    times = pd.DatetimeIndex(epochs.index)
    return epochs.iloc[times.searchsorted(dropout["start_utc"], side="right"):times.searchsorted(dropout["end_utc"])]


def waiting_of(dropout: Mapping[Any, Any], epochs: pd.DataFrame) -> pd.DataFrame:
    """Return the epochs from the end of a dropout until it was fixed again, that one not included."""
    again, times = dropout.get("fixed_again_utc"), pd.DatetimeIndex(epochs.index)
    if pd.isna(again):
        return epochs.iloc[:0]
    return epochs.iloc[times.searchsorted(dropout["end_utc"]):times.searchsorted(again)]


def kept_fixed(dropout: Mapping[Any, Any], epochs: pd.DataFrame) -> bool:
    """Return whether every epoch of a dropout is fixed, so that there was nothing to be fixed again."""
    states = epochs_of(dropout, epochs)["fix_state"]
    return text(dropout, "kind") != "missing_epochs" and len(states) > 0 and bool((states == "fixed").all())


def left_out(row: Mapping[Any, Any]) -> bool:
    """Return whether a decision took the whole of a window out: it is neither usable nor to be driven again."""
    return "exclude" in text(row, "decision") and not flag(row, "repeat") and text(row, "verdict_with_decisions").startswith("not_")


def length(metres: float) -> str:
    """Return a length with millimetres below 10 m, or ``unknown``."""
    if not np.isfinite(metres):
        return "unknown"
    return f"{metres:.3f} m" if abs(metres) < 10 else f"{metres:.0f} m"


def bound(size: float, unit: str = "m") -> str:
    """Return a bound with thousandths below 10, rounded upwards as the report does, or ``unknown``."""
    if not np.isfinite(size):
        return "unknown"
    step = Decimal("0.001") if size < 10 else Decimal(1)
    return f"{Decimal(repr(single(size))).quantize(step, ROUND_CEILING)} {unit}"


def step_size(row: Mapping[Any, Any]) -> str:
    """Return the size of a step with its sigma, or that nobody knows it: a speed times a pause is no step."""
    if value(row, "sigma_m") >= thresholds("analyzer.verdict")["explain.step_unknown"]:
        return "its size is not known, since nothing bridges the time before it"
    size = ", ".join(f"{axis} {figure(value(row, name), '{:+.3f} m')}" for axis, name in (("east", "de_m"), ("north", "dn_m"), ("up", "du_m")))
    return f"{size}, sigma {length(value(row, 'sigma_m'))} in plan, {length(value(row, 'sigma_u_m'))} in height"


def figure(number: float, pattern: str) -> str:
    """Return a number in `pattern`, or ``not logged``."""
    return pattern.format(number) if np.isfinite(number) else "not logged"


def km(metres: float) -> str:
    """Return a distance along the route as ``km 3.42``."""
    return f"km {metres / 1000:.2f}" if np.isfinite(metres) else "an unknown place"


def clock(time: object) -> str:
    """Return a UTC time of day to the millisecond, as short as it is exact."""
    moment = pd.Timestamp(str(time))
    if pd.isna(moment):
        return "never"
    digits = f"{moment:%H:%M:%S.%f}"[:12].rstrip("0").rstrip(".")
    return f"{digits} UTC"


def plain(code: str) -> str:
    """Return a code as words."""
    return code.replace("_", " ")


def share(part: float) -> str:
    """Return a share as per cent, or ``unknown``."""
    return f"{100 * part:.1f} %" if np.isfinite(part) else "unknown"
