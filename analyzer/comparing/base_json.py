"""base.json: what other programs and the comparison of runs read."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from analyzer.comparing.base_check import BaseCheck

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
    """Return the shift with what it was held against, what its size fits and the answer; None without one."""
    if check.shift is None:
        return None
    return asdict(check.shift) | {"against": check.shift_against, "named": check.named, "answer": _answer(check)}


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
        "steady_at_end": told.steady_at_end,
        "reason": one.reason,
        "smallest_detectable_drift_m": None if horizontal is None or up is None else max(horizontal, up),
        "smallest_detectable_drift_horizontal_m": horizontal,
        "smallest_detectable_drift_up_m": up,
        "smallest_detectable_drift_decay_s": one.detectable_decay_s,
    }


def _answer(check: BaseCheck) -> str:
    """Return ``shifted``, ``no_shift_above`` (the detectable size) or ``not_evaluated``; never more."""
    assert check.shift is not None
    if check.shift.found:
        return "shifted"
    return "no_shift_above" if check.grade == "centimetre" else "not_evaluated"
