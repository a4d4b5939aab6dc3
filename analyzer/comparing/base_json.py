"""base.json: what other programs and the comparison of runs read."""

from __future__ import annotations

from dataclasses import asdict, fields
from typing import TYPE_CHECKING, Any

import pandas as pd

from analyzer.metrics.base_site_shift import Shift

if TYPE_CHECKING:
    from analyzer.comparing.base_check import BaseCheck
    from analyzer.metrics.base_site_moves import Move

#: What the coordinates of a log at the base stand in.
FRAME_WORDS = "as logged; consistent, and only as absolute as what the receiver was corrected with"


def content(check: BaseCheck) -> dict[str, Any]:
    """Return the content of base.json, JSON-safe."""
    from analyzer.results.summary import json_safe

    out: dict[str, Any] = json_safe(
        {
            "schema_version": 1,
            "sentences": check.sentences,
            "coordinates": _place(check.coordinates) | {"height_type": "ellipsoidal"},
            "covariance_m2": check.covariance_m2,
            "sigma_m": check.sigma_m,
            "frame": {"name": check.frame, "absolute": False, "words": FRAME_WORDS},
            "settled": check.settled,
            "settling": _settling(check),
            "grade": check.grade,
            "fix_state": check.fix_state,
            "start_utc": check.start_utc,
            "end_utc": check.end_utc,
            "n": check.mean.n,
            "n_eff": check.mean.n_eff,
            "satellites": check.satellites,
            "multipath": check.multipath,
            "smallest_detectable_shift_m": check.detectable_m,
            "shift": _shift(check),
            "waiting": check.waiting.to_dict("records"),
            "accuracy_m": check.accuracy_m,
            "wait_s": check.wait_s,
            "entered": None if check.entered is None else _place(check.entered),
            "station_id": check.station_id,
        }
    )
    return out


def _place(place: tuple[float, float, float]) -> dict[str, Any]:
    return dict(zip(("latitude_deg", "longitude_deg", "height_m"), place, strict=True))


def _shift(check: BaseCheck) -> dict[str, Any] | None:
    """Return the shift with what it was held against, what its size fits, the moves within the log and the answer.

    None where the log was held against nothing and did not move; the figures of a shift are None where it only moved.
    """
    moves = [_move(check, move) for move in check.settling.moves]
    if check.shift is None and not moves:
        return None
    figures = dict.fromkeys(f.name for f in fields(Shift)) if check.shift is None else asdict(check.shift)
    told = {"against": check.shift_against or None, "named": check.named, "within_log": moves, "answer": _answer(check)}
    return figures | told


def _move(check: BaseCheck, move: Move) -> dict[str, Any]:
    """Return a step, which happened between two times, or a steady drift from one to the other."""
    return {
        "kind": move.kind,
        "from_utc": check.start_utc + pd.Timedelta(seconds=move.from_s),
        "until_utc": check.start_utc + pd.Timedelta(seconds=move.until_s),
        "vector_m": move.vector_m,
        "half_width_m": move.half_width_m,
    }


def _settling(check: BaseCheck) -> dict[str, Any]:
    """Return the answer on settling, with every size it rests on; a size that was not worked out is None."""
    one, told = check.settling, check.answer
    horizontal, up = one.detectable_m if one.drifts is False else (None, None)
    return {
        "settled": check.settled,
        "answer": {True: "settled_within", False: "unsettled", None: "not_evaluated"}[check.settled],
        "evidence": told.by,
        "signs": dict(check.start.signs),
        "drift_m": one.drift_m,
        "drift_sigma_m": one.drift_sigma_m,
        "decay_s": one.decay_s,
        "log_odds": one.log_odds,
        "p_value": one.p_value,
        "steady_from_utc": check.steady_from_utc,
        "steady_until_utc": check.steady_until_utc,
        "steady_at_end": told.steady_at_end,
        "reason": one.reason,
        "smallest_detectable_drift_m": None if horizontal is None or up is None else max(horizontal, up),
        "smallest_detectable_drift_horizontal_m": horizontal,
        "smallest_detectable_drift_up_m": up,
        "smallest_detectable_drift_decay_s": one.detectable_decay_s,
        "p_value_step": one.p_step,
        "p_value_steady_drift": one.p_steady,
        **_sizes("step_in_middle_half", one.detectable_step_m),
        **_sizes("steady_drift_over_log", one.detectable_steady_m),
    }


def _sizes(kind: str, sizes: tuple[float, float]) -> dict[str, float]:
    return {f"smallest_detectable_{kind}_{axis}_m": value for axis, value in zip(("horizontal", "up"), sizes, strict=True)}


def _answer(check: BaseCheck) -> str:
    """Return ``shifted``, ``moved_within_log``, ``no_shift_above`` (the detectable size) or ``not_evaluated``; never more."""
    if check.shift is not None and check.shift.found:
        return "shifted"
    if check.settling.moves:
        return "moved_within_log"
    return "no_shift_above" if check.grade == "centimetre" else "not_evaluated"
