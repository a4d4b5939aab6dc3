"""base.json: what other programs and the comparison of runs read."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from analyzer.comparing.base_check import BaseCheck


def content(check: BaseCheck) -> dict[str, Any]:
    """Return the content of base.json, JSON-safe."""
    from analyzer.results.summary import json_safe

    drift = _settling(check)
    place = check.coordinates
    out: dict[str, Any] = json_safe(
        {
            "schema_version": 1,
            "sentences": check.sentences,
            "coordinates": {
                "latitude_deg": place[0],
                "longitude_deg": place[1],
                "height_m": place[2],
                "height_type": "ellipsoidal",
            },
            "covariance_m2": check.covariance_m2,
            "sigma_m": check.sigma_m,
            "frame": {
                "name": check.frame,
                "absolute": False,
                "words": "as logged; consistent, and only as absolute as what the receiver was corrected with",
            },
            "settled": check.settled,
            "settling": drift,
            "grade": check.grade,
            "fix_state": check.fix_state,
            "start_utc": check.start_utc,
            "end_utc": check.end_utc,
            "n": check.mean.n,
            "n_eff": check.mean.n_eff,
            "satellites": check.satellites,
            "multipath": check.multipath,
            "smallest_detectable_shift_m": check.detectable_m,
            "shift": None
            if check.shift is None
            else asdict(check.shift) | {"against": check.shift_against, "named": check.named, "answer": _answer(check)},
            "waiting": check.waiting.to_dict("records"),
            "accuracy_m": check.accuracy_m,
            "wait_s": check.wait_s,
            "entered": None
            if check.entered is None
            else dict(zip(("latitude_deg", "longitude_deg", "height_m"), check.entered, strict=True)),
            "station_id": check.station_id,
        }
    )
    return out


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
