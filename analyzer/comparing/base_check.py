"""Was the base fit to start from: settled, enough sky, not shifted against what is expected or was there before."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from html import escape
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import geodesy
from analyzer.comparing.base_evidence import detectable_sizes, log_shift, named_shift, other_place, sky_figures
from analyzer.comparing.base_words import Facts, judged_words
from analyzer.errors import InputError, UsageError
from analyzer.evidence.claim import has_position
from analyzer.metrics.base_site import (
    SiteMean,
    grade_of,
    multipath_period,
    site_mean,
    time_to_repeat,
    waiting_curve,
)
from analyzer.metrics.base_site_drift import block_means
from analyzer.metrics.base_site_sent import sent_positions
from analyzer.metrics.base_site_settling import Answer, Settling, answer, settling
from analyzer.metrics.base_site_shift import Shift
from analyzer.metrics.base_site_start import StartUp, start_up
from analyzer.recording import Recording

Array = NDArray[np.float64]
Place = tuple[float, float, float]


@dataclass(frozen=True)
class BaseCheck:
    """What a static log at the base says.

    Attributes
    ----------
    settled : True (a drift that matters would have been found), False, or None where it cannot be told.
    sentences : the answer in words, most important first; the advice that matters is among them.
    coordinates : latitude, longitude [deg], ellipsoidal height [m] of the steady part: what may be entered.
    covariance_m2 : of their mean (east, north, up), autocorrelation counted; `sigma_m` its roots.
    grade : ``metre``, ``half_metre``, ``decimetre`` or ``centimetre``: what such a log repeats to from day to day.
    shift : move of the antenna against `expected` or the log before, None without one; `named` what its size fits.
    detectable_m : smallest detectable shift by kind of evidence [m]; None where it cannot show a moved antenna.
    waiting : how well the mean repeats after waiting (repeatability only).
    """

    settled: bool | None
    sentences: tuple[str, ...]
    coordinates: Place
    covariance_m2: tuple[tuple[float, ...], ...]
    sigma_m: tuple[float, float, float]
    grade: str
    fix_state: str
    start_utc: pd.Timestamp
    end_utc: pd.Timestamp
    steady_from_utc: pd.Timestamp
    settling: Settling
    start: StartUp
    answer: Answer
    mean: SiteMean
    satellites: Mapping[str, float]
    multipath: Mapping[str, object]
    waiting: pd.DataFrame
    track: pd.DataFrame
    shift: Shift | None = None
    shift_against: str = ""
    named: tuple[str, ...] = ()
    detectable_m: Mapping[str, float | None] = field(default_factory=dict)
    accuracy_m: float | None = None
    wait_s: float | None = None
    entered: Place | None = None
    station_id: int | None = None
    frame: str | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the content of base.json."""
        from analyzer.comparing.base_json import content

        return content(self)

    def _repr_html_(self) -> str:
        """Show the answer compactly, as notebooks do."""
        word = {True: "settled", False: "not settled throughout", None: "not evaluated"}[self.settled]
        words = "".join(f"<li>{escape(s)}</li>" for s in self.sentences[:7])
        return f"<div><p><b>Base: {word}</b></p><ul>{words}</ul></div>"


def check_base(
    recording: Recording | str | Path,
    *,
    expected: Place | None = None,
    previous: str | Path | BaseCheck | None = None,
    accuracy_m: float | None = None,
    antenna_height_m: float | None = None,
    neighbours: Mapping[str, Place] | None = None,
    frame: str | None = None,
) -> BaseCheck:
    """Judge a static log at the base.

    Parameters
    ----------
    recording : from `analyzer.read`, or the log itself.
    expected : latitude, longitude [deg], ellipsoidal height [m] where the antenna should stand.
    previous : an earlier result of this check, or its folder.
    accuracy_m : horizontal repeatability (95 %) that the mean shall reach [m]; the waiting time to it is given.
    antenna_height_m : of the base above its mark [m]; a shift of that size is named.
    neighbours : other marks and bases by name; a shift onto one of them is named.
    frame : name of the frame that the coordinates stand in, where it is stated.

    Raises
    ------
    InputError : no position, or a log in motion.
    UsageError : both `expected` and `previous`, or a value out of range.
    """
    if expected is not None and previous is not None:
        raise UsageError("base: both expected coordinates and an earlier result are given; pass one of them.")
    if accuracy_m is not None and not accuracy_m > 0:
        raise UsageError(f"base: accuracy is {accuracy_m}; expected a length above 0 m.")
    record = recording if isinstance(recording, Recording) else _read(recording)
    fixes, state = _one_state(record.fixes)
    origin, points = _local(fixes)
    seconds = np.asarray((fixes.index - fixes.index[0]) / pd.Timedelta(seconds=1), dtype=np.float64)
    _refuse_motion(points, state)
    grade = grade_of(state) or "metre"
    found = settling(points, seconds)
    start = start_up(record.fixes, state)
    since_start = seconds + (fixes.index[0] - record.fixes.index[0]) / pd.Timedelta(seconds=1)
    settled = answer(found, start, since_start)
    steady = slice(settled.steady_from, None)
    mean = site_mean(points[:, steady], seconds[steady])
    place = tuple(float(v) for v in geodesy.from_enu(*mean.mean_m, origin=origin))
    coordinates = (place[0], place[1], place[2])
    before = previous.to_dict() if isinstance(previous, BaseCheck) else previous
    there, against = other_place(expected, before)
    shift = None if there is None else log_shift(coordinates, there, mean, grade, both_logs=previous is not None)
    named = (
        ()
        if shift is None or there is None
        else named_shift(shift, there["place"], fixes, antenna_height_m=antenna_height_m, neighbours=neighbours or {})
    )
    period = multipath_period(points[:, steady], seconds[steady])
    wait = None if accuracy_m is None else time_to_repeat(points[:, steady], mean, accuracy_m)
    sky = sky_figures(fixes)
    entered, station = _entered(record)
    facts = Facts(
        found,
        start,
        settled,
        mean,
        state,
        grade,
        float(seconds[-1]),
        fixes.index[settled.steady_from],
        sky,
        period,
        shift,
        against,
        tuple(s.words for s in named),
        accuracy_m,
        wait,
    )
    return BaseCheck(
        settled.settled,
        judged_words(facts),
        coordinates,
        mean.covariance_m2,
        mean.sigma_m,
        grade,
        state,
        fixes.index[0],
        fixes.index[-1],
        fixes.index[settled.steady_from],
        found,
        start,
        settled,
        mean,
        sky,
        {"period_s": period[0], "amplitude_m": period[1], "reason": period[2]},
        waiting_curve(points[:, steady], mean, reached_s=float(seconds[-1])),
        _thin(points, seconds),
        shift,
        against,
        tuple(s.key for s in named),
        detectable_sizes(mean, grade),
        accuracy_m,
        wait,
        entered,
        station,
        frame,
    )


def _read(path: str | Path) -> Recording:
    from analyzer.parsers.reading import read

    return read(path)


def _one_state(fixes: pd.DataFrame) -> tuple[pd.DataFrame, str]:
    """Return the epochs of the fix state that most of the log has."""
    placed = fixes[has_position(fixes) & fixes["height_m"].notna().to_numpy()]
    if len(placed) < 2:
        raise InputError(
            "the base log holds fewer than two positions with an ellipsoidal height; expected a static log with "
            "GGA or GNS."
        )
    state = str(placed["fix_state"].astype(object).mode().iloc[0])
    return placed[(placed["fix_state"] == state).to_numpy()], state


def _local(fixes: pd.DataFrame) -> tuple[Place, Array]:
    latitude, longitude, height = (fixes[c].to_numpy(np.float64) for c in ("latitude_deg", "longitude_deg", "height_m"))
    origin = float(np.median(latitude)), float(np.median(longitude)), float(np.median(height))
    return origin, np.stack(geodesy.to_enu(latitude, longitude, height, origin=origin))


def _refuse_motion(points: Array, state: str) -> None:
    """Refuse a log in motion: a drive is no base."""
    spread = float(np.hypot(*(np.quantile(points[:2], 0.9, axis=1) - np.quantile(points[:2], 0.1, axis=1))))
    if spread > (2.0 if state in ("fixed", "float", "precise") else 40.0):
        raise InputError(
            f"the base log moves: its positions spread over {spread:.0f} m while the state is {state}; "
            "expected the log of a receiver at rest."
        )


def _entered(record: Recording) -> tuple[Place | None, int | None]:
    """Return what the base sends as its position, where corrections were recorded."""
    sent = sent_positions(record.corrections)
    return (sent[0].place, sent[0].station_id) if sent else (None, None)


def _thin(points: Array, seconds: Array) -> pd.DataFrame:
    """Return the track for a picture: at most 600 block means."""
    means, edges = block_means(points, seconds, max(float(seconds[-1]) / 600.0, 1e-3))
    return pd.DataFrame({"seconds": seconds[edges], "east_m": means[0], "north_m": means[1], "up_m": means[2]})
