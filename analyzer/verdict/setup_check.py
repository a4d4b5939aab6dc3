"""The set-up sheet against the recording: each item confirmed, contradicted or not checked, with the evidence in words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from analyzer.assessment import SetupItem
from analyzer.evidence.check_point_words import error_in_words
from analyzer.evidence.check_points import CheckPointResult
from analyzer.evidence.solution_kind import WORDS, KindFound
from analyzer.geodesy import distances, to_enu
from analyzer.metrics.base_site_sent import sent_positions
from analyzer.metrics.result import Metrics
from analyzer.recording import Finding, Recording
from analyzer.settings import thresholds
from analyzer.userfiles.setup_sheet import Setup
from analyzer.wording import count, length

NOT_STATED = "not stated"


def check_setup(
    recording: Recording, metrics: Metrics, setup: Setup, kind: KindFound | None = None, *, findings: Sequence[Finding] = (),
    marks: CheckPointResult | None = None,
) -> tuple[SetupItem, ...]:
    """Return every set-up item with what the recording says to it; `kind` is the solution kind that the data show.

    `findings` : what was found; a measurement off the clock of the positions (``source_clock``) and a base that cannot be that of the drive
    (``base_contradicted``) count here, and where the base log stands (``base_log_elsewhere``, ``base_log_there``).
    `marks` : what check points showed of the antenna offset and of the frame.
    """
    return (
        _base_position(recording, setup, findings),
        _station(recording, setup),
        _reference_point(setup, marks),
        _frame(setup, marks),
        _solution(setup, kind),
        _rate(metrics, setup),
        _clock(recording, setup, findings),
    )


def _base_position(recording: Recording, setup: Setup, findings: Sequence[Finding]) -> SetupItem:
    label = "base as stated"
    stated = setup.base.position
    sent = sent_positions(recording.corrections)
    if stated is None:
        return SetupItem(
            "base_position", label, NOT_STATED, "not_checked", "the set-up sheet gives no base coordinates"
        )
    tall = f"{stated[2]:.3f} m" if np.isfinite(stated[2]) else "height not stated"
    words = f"{stated[0]:.8f}°, {stated[1]:.8f}°, {tall}"
    far = next((f for f in findings if f.code == "base_contradicted"), None)
    if far is not None:
        away = f"{float(far.evidence['nearest_m']) / 1000:.0f} km"  # type: ignore[arg-type]
        return SetupItem("base_position", label, words, "contradicted", f"positions were fixed {away} from there and more, where no base serves a car")
    if not len(sent):
        return SetupItem("base_position", label, words, *_unsent_base(recording, stated, findings))
    places = np.array([(s.latitude_deg, s.longitude_deg, s.height_m) for s in sent])
    level = stated[2] if np.isfinite(stated[2]) else float(places[0, 2])
    east, north, up = (np.asarray(x, dtype=np.float64) for x in to_enu(*places.T, origin=(stated[0], stated[1], level)))
    same = max(np.abs(east).max(), np.abs(north).max()) <= thresholds("analyzer.verdict")["setup.same_base"]
    same_height, about_height = _base_height(float(up[np.argmax(np.abs(up))]), recording, setup)
    why = f"corrections carry a base position {np.hypot(east, north).max():.3f} m off in plan{about_height}"
    return SetupItem("base_position", label, words, "confirmed" if same and same_height else "contradicted", why)


def _unsent_base(recording: Recording, stated: tuple[float, float, float], findings: Sequence[Finding]) -> tuple[str, str]:
    """Return status and words of a base position that no correction carries: by its own log, which shows the place but no centimetres, else by heights."""
    log = next((f for f in findings if f.code in ("base_log_elsewhere", "base_log_there")), None)
    away = "" if log is None else length(float(log.evidence["away_m"]))  # type: ignore[arg-type]
    if log is not None and log.code == "base_log_elsewhere":
        return "contradicted", f"the base log stands {away} from there: another base, or wrong coordinates"
    steep = _too_steep(recording, stated)
    if steep:
        return "contradicted", steep
    if log is not None:
        return "confirmed", f"the base log stands {away} from there in plan, which shows the place and not its centimetres"
    return "not_checked", "no base position (message 1005 or 1006) in what was recorded"


def _too_steep(recording: Recording, stated: tuple[float, float, float]) -> str:
    """Return in words that the car drove higher or lower than the base as stated than its distance and any geoid allow; empty where it did not."""
    limits, fixes = thresholds("analyzer.verdict"), recording.fixes
    rows = np.flatnonzero(((fixes["fix_state"] == "fixed") & fixes["height_m"].notna()).to_numpy())
    if not len(rows) or not np.isfinite(stated[2]):
        return ""
    some = fixes.iloc[rows[:: max(1, len(rows) // 1000)]]
    away = distances(some["latitude_deg"].to_numpy(np.float64), some["longitude_deg"].to_numpy(np.float64), stated[0], stated[1])
    nearest = int(np.nanargmin(away))
    rise = float(some["height_m"].iloc[nearest]) - stated[2]
    if abs(rise) <= limits["setup.largest_geoid"] + limits["setup.steepest"] * away[nearest]:
        return ""
    zero = "; leave the height out where it is not known" if stated[2] == 0 else ""
    return f"a fixed position {length(float(away[nearest]))} away is {abs(rise):.0f} m {'above' if rise > 0 else 'below'} the height stated{zero}"


def _base_height(up_m: float, recording: Recording, setup: Setup) -> tuple[bool, str]:
    """Return whether the height that was sent, `up_m` above the one stated, agrees with it as far as the two can be compared, and that in words."""
    limits, base = thresholds("analyzer.verdict"), setup.base
    if base.height_m is None:
        return True, "; no height is stated, so none was compared"
    logged = recording.fixes["geoid_separation_m"].to_numpy(np.float64)
    geoid = float(np.nanmedian(logged)) if np.isfinite(logged).any() else float("nan")
    if setup.height_type == "geoid" and np.isnan(geoid):
        return True, "; the height stated is above a geoid and the one sent above the ellipsoid, so the two were not compared"
    if setup.height_type == "geoid":
        rest = abs(up_m - geoid)
        return rest <= limits["setup.coarse_geoid"], (
            f"; the height sent, above the ellipsoid, is {up_m:.3f} m above the one stated, above a geoid; the geoid separation of the log is {geoid:.3f} m, "
            f"so that {rest:.3f} m are left, and a geoid of a receiver is good to {limits['setup.coarse_geoid']:g} m")
    same = abs(up_m) <= limits["setup.same_base"]
    return same, f", {abs(up_m):.3f} m in height" + ("" if same else _named_height(up_m, base.antenna_height_m, geoid))


def _named_height(up_m: float, antenna_m: float | None, geoid_m: float) -> str:
    """Return what a height that was sent `up_m` above the one stated has the size of, or an empty text."""
    limits = thresholds("analyzer.verdict")
    if antenna_m and abs(abs(up_m) - antenna_m) <= limits["setup.same_base"]:
        which = "stated is the mark's and the one sent the antenna's" if up_m > 0 else "sent is the mark's and the one stated the antenna's"
        return f", the height of the base antenna above its mark: the height {which}"
    if abs(geoid_m) > limits["setup.coarse_geoid"] and abs(up_m - geoid_m) <= limits["setup.coarse_geoid"]:
        return f", about the geoid separation of the log ({geoid_m:.3f} m): the height stated is above a geoid; say so with height_type"
    return ""


def _station(recording: Recording, setup: Setup) -> SetupItem:
    label = "station id"
    fixes = recording.fixes
    # by mask, not by time: looking times up builds a table of all of them, half a gigabyte on a drive of two days
    used = fixes["station_id"].notna().to_numpy() & fixes["fix_state"].isin(["fixed", "float", "differential"]).to_numpy()
    ids = sorted({int(x) for x in pd.unique(fixes["station_id"].array[used])})
    stated = setup.base.station_id
    words = NOT_STATED if stated is None else str(stated)
    if stated is None:
        why = f"the log names station {', '.join(map(str, ids))}" if ids else "the log names no station"
        return SetupItem("station_id", label, words, "not_checked", why)
    if not ids:
        return SetupItem("station_id", label, words, "not_checked", "the log names no station")
    if ids == [stated]:
        return SetupItem("station_id", label, words, "confirmed", f"the log names station {stated} throughout")
    why = f"the log names station {', '.join(map(str, ids))}"
    return SetupItem("station_id", label, words, "contradicted", why)


def _reference_point(setup: Setup, marks: CheckPointResult | None) -> SetupItem:
    label = "reference point and antenna offsets"
    offsets = (setup.antenna_forward_m, setup.antenna_left_m, setup.antenna_up_m)
    given = ", ".join(f"{v:g} m {n}" for v, n in zip(offsets, ("forward", "left", "up"), strict=True) if v is not None)
    stated = "; ".join(
        x
        for x in (
            setup.reference_point,
            f"output at the {setup.output_point.replace('_', ' ')}" if setup.output_point else "",
            given,
        )
        if x
    )
    return SetupItem("reference_point", label, stated or NOT_STATED, *_of_antenna(marks, setup, stated=bool(given or setup.output_point)))


def _of_antenna(marks: CheckPointResult | None, setup: Setup, *, stated: bool) -> tuple[str, str]:
    """Return status and words of the antenna offset in plan by stands on marks facing different ways."""
    car = marks.car_fixed if marks is not None else None
    if marks is None or not marks.used:
        return "not_checked", "only stands on one mark facing both ways, or a tape measure, show an offset that is wrong"
    if car is None and marks.headless:
        return "not_checked", f"the heading is not known at {marks.headless} of {count(marks.used, 'stand')} on marks: state heading_deg in the check points file"
    if car is None:
        return "not_checked", f"{count(marks.used, 'stand')} on marks faced too much the same way to show an offset that is wrong: face both ways"
    shown = f"{count(car.stands, 'stand')} on marks facing different ways show a car-fixed error of {error_in_words(car)}"
    if not marks.consistent:
        return "not_checked", f"{shown}, but they disagree beyond their uncertainty"
    if car.significant:
        return ("contradicted" if stated else "not_checked"), f"{shown}, which chance does not explain"
    words = f"{shown}, none beyond chance; less than {car.unseen_m:.3f} m would not have shown"
    return ("confirmed" if stated else "not_checked"), f"{words}{_of_point(marks, setup)}; the height of the antenna is not told apart from that of the base"


def _of_point(marks: CheckPointResult, setup: Setup) -> str:
    """Say which offset that checks: another point of the car may have stood over the marks, and an antenna's position has no offset in it."""
    if any(f.code == "check_point_point_assumed" for f in marks.findings):
        return "; that holds if the other point of the car stood over them, as was assumed"
    return "; positions are of the antenna, so that this checks the point that is put out, not the offsets from it" if setup.output_point == "antenna" else ""


def _frame(setup: Setup, marks: CheckPointResult | None) -> SetupItem:
    stated = ", ".join(x for x in (setup.frame, f"{setup.height_type} height" if setup.height_type else "") if x)
    return SetupItem("frame", "frame and height type", stated or NOT_STATED, *_of_frame(marks, stated=bool(setup.frame)))


def _of_frame(marks: CheckPointResult | None, *, stated: bool) -> tuple[str, str]:
    """Return status and words of the frame: known marks in the frame that is stated show whether positions lie in it."""
    earth = marks.earth_fixed if marks is not None else None
    if marks is not None and marks.used and earth is None:
        return "not_checked", "the heading at the stands on marks is not known: state heading_deg in the check points file"
    if marks is None or earth is None:
        return "not_checked", "a log says nothing of the frame behind the base coordinates; a known mark would"
    if marks.refused_horizontal:
        return "not_checked", f"stands on known marks cannot tell: {marks.refused_horizontal}"
    shown = f"{count(earth.stands, 'stand')} on known marks of that frame show an error of {error_in_words(earth)}"
    if not marks.consistent:
        return "not_checked", f"{shown}, but they disagree beyond their uncertainty"
    tall = "" if marks.height is None or marks.refused_vertical else f", in height {marks.height.value_m:+z.3f} ± {marks.height.half_m:.3f} m"
    if earth.significant and marks.car_fixed is None:
        return "not_checked", f"{shown}{tall}, which chance does not explain, but frame and base are not told from the antenna offset of the car: stand facing both ways"
    off = earth.significant or (bool(tall) and marks.height is not None and marks.height.significant)
    if off:
        return ("contradicted" if stated else "not_checked"), f"{shown}{tall}, which chance does not explain: frame, base coordinates or base antenna"
    height = f"; the height is not checked: {marks.refused_vertical}" if marks.refused_vertical else ""
    return ("confirmed" if stated else "not_checked"), f"{shown}{tall}, none beyond chance{height}"


def _solution(setup: Setup, kind: KindFound | None) -> SetupItem:
    stated = {"gnss": "satellites alone", "fused": "satellites and inertial in one filter"}.get(
        setup.solution_kind or "", NOT_STATED
    )
    label = "kind of solution"
    if kind is None or kind.kind == "unknown":
        return SetupItem("solution_kind", label, stated, "not_checked", "the data do not tell" if kind else "taken as stated")
    why = "; ".join(kind.reasons)
    if setup.solution_kind in (None, "", "unknown"):
        return SetupItem("solution_kind", label, stated, "not_checked", f"the data show a solution {WORDS[kind.kind]}: {why}")
    return SetupItem("solution_kind", label, stated, "confirmed" if kind.kind == setup.solution_kind else "contradicted", why)


def _rate(metrics: Metrics, setup: Setup) -> SetupItem:
    seen = metrics["rate_hz"].value
    found = f"{seen:g} Hz found" if isinstance(seen, (int, float)) else "no rate found"
    if setup.asked_rate_hz is None:
        return SetupItem("rate", "output rate", NOT_STATED, "not_checked", found)
    same = isinstance(seen, (int, float)) and abs(seen / setup.asked_rate_hz - 1) < 0.02
    return SetupItem(
        "rate", "output rate", f"{setup.asked_rate_hz:g} Hz", "confirmed" if same else "contradicted", found
    )


def _clock(recording: Recording, setup: Setup, findings: Sequence[Finding]) -> SetupItem:
    stated = ", ".join(setup.channels) or NOT_STATED
    off = next((str(f.evidence["words"]) for f in findings if f.code == "source_clock"), None)
    if off is not None:
        return SetupItem("clock", "common clock and channels", stated, "contradicted" if setup.channels else "not_checked", off)
    why = (
        "no measurement was given, so no clock could be compared"
        if recording.measurement.empty
        else ("a measurement was given; compare its clock when the quality is attached to it")
    )
    return SetupItem("clock", "common clock and channels", stated, "not_checked", why)
