"""Was the base fit to start from: settled, enough sky, not shifted against what is expected or was there before."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from html import escape
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import geodesy
from analyzer.comparing.base_evidence import Held, Stated, detectable_sizes, hold_against, sky_figures
from analyzer.comparing.base_words import Facts, gap_words, judged_words
from analyzer.errors import InputError, UsageError
from analyzer.evidence.claim import has_position
from analyzer.metrics.base_site import (
    SiteMean,
    grade_of,
    least_move,
    multipath_period,
    site_mean,
    time_to_repeat,
    waiting_curve,
)
from analyzer.metrics.base_site_drift import block_means
from analyzer.metrics.base_site_sent import sent_positions
from analyzer.metrics.base_site_settling import Answer, Settling, answer, settling
from analyzer.metrics.base_site_shift import Shift, limits
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
    steady_until_utc: pd.Timestamp
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

    @property
    def few(self) -> bool:
        """Whether satellites are fewer than wanted most of the time."""
        return 1.0 - self.satellites["share_ge_12"] > limits()["sky.few_share"]

    def to_dict(self) -> dict[str, Any]:
        """Return the content of base.json."""
        from analyzer.comparing.base_json import content

        return content(self)

    def _repr_html_(self) -> str:
        """Show the answer compactly, as notebooks do."""
        word = {True: "settled", False: "not settled throughout", None: "not evaluated"}[self.settled]
        word = "moved within the log" if self.settling.moves else f"{word}, few satellites" if self.few else word
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
    _refuse_options(expected, previous, accuracy_m)
    record = recording if isinstance(recording, Recording) else _read(recording)
    log = _static_log(record.fixes)
    mean = site_mean(log.steady_points, log.steady_seconds)
    coordinates = _coordinates(log, mean)
    before = previous.to_dict() if isinstance(previous, BaseCheck) else previous
    stated = Stated(expected, before, antenna_height_m, neighbours or {})
    held = hold_against(stated, coordinates, mean, grade=log.grade, fixes=log.fixes)
    facts = _facts(log, mean, held, accuracy_m)
    alone = _by_itself(log, facts, coordinates)
    entered, station = _entered(record)
    return replace(
        alone,
        shift=held.shift,
        shift_against=held.against,
        named=tuple(s.key for s in held.named),
        entered=entered,
        station_id=station,
        frame=frame,
    )


def _refuse_options(expected: Place | None, previous: object, accuracy_m: float | None) -> None:
    """Refuse two places to hold the log against, and an accuracy that is no length."""
    if expected is not None and previous is not None:
        raise UsageError("base: both expected coordinates and an earlier result are given; pass one of them.")
    if accuracy_m is not None and not accuracy_m > 0:
        raise UsageError(f"base: accuracy is {accuracy_m}; expected a length above 0 m.")


@dataclass(frozen=True)
class _StaticLog:
    """The epochs of a log at rest that have its main fix state: where (3, n) [m] about `origin`, when, how settled."""

    fixes: pd.DataFrame
    state: str
    grade: str
    origin: Place
    points: Array
    seconds: Array
    settling: Settling
    start: StartUp
    answer: Answer

    @property
    def steady_points(self) -> Array:
        """East, north, up [m] (3, n) of the steady part."""
        return self.points[:, self.answer.steady_from : self.answer.steady_until]

    @property
    def steady_seconds(self) -> Array:
        """When the epochs of the steady part are, in seconds since the first of the log."""
        return self.seconds[self.answer.steady_from : self.answer.steady_until]


def _static_log(all_fixes: pd.DataFrame) -> _StaticLog:
    """Return the log of a receiver at rest with what it says on settling; refuse one in motion."""
    fixes, state = _one_state(all_fixes)
    origin, points = _local(fixes)
    seconds = np.asarray((fixes.index - fixes.index[0]) / pd.Timedelta(seconds=1), dtype=np.float64)
    _refuse_motion(points, state)
    grade = grade_of(state) or "metre"
    found = settling(points, seconds, least_m=least_move(grade))
    start = start_up(all_fixes, state)
    since_start = seconds + (fixes.index[0] - all_fixes.index[0]) / pd.Timedelta(seconds=1)
    return _StaticLog(fixes, state, grade, origin, points, seconds, found, start, answer(found, start, since_start))


def _coordinates(log: _StaticLog, mean: SiteMean) -> Place:
    """Return latitude, longitude [deg] and ellipsoidal height [m] of the mean."""
    latitude, longitude, height = geodesy.from_enu(*mean.mean_m, origin=log.origin)
    return float(latitude), float(longitude), float(height)


def _facts(log: _StaticLog, mean: SiteMean, held: Held, accuracy_m: float | None) -> Facts:
    """Return what the answer in words is made from."""
    return Facts(
        log.settling,
        log.start,
        log.answer,
        mean,
        log.state,
        log.grade,
        float(log.seconds[-1]),
        log.fixes.index[0],
        log.fixes.index[log.answer.steady_from],
        log.fixes.index[log.answer.steady_until - 1],
        len(log.fixes),
        sky_figures(log.fixes),
        multipath_period(log.steady_points, log.steady_seconds),
        held.shift, held.against, tuple(s.words for s in held.named),
        accuracy_m,
        None if accuracy_m is None else time_to_repeat(log.steady_points, mean, accuracy_m),
        gap_words(pd.DatetimeIndex(log.fixes.index), log.state),
    )


def _by_itself(log: _StaticLog, facts: Facts, coordinates: Place) -> BaseCheck:
    """Return what the log says by itself: all but what it is held against and what was entered at the base."""
    mean, (period_s, amplitude_m, reason) = facts.mean, facts.period
    return BaseCheck(
        facts.answer.settled,
        judged_words(facts),
        coordinates,
        mean.covariance_m2,
        mean.sigma_m,
        log.grade,
        log.state,
        log.fixes.index[0],
        log.fixes.index[-1],
        facts.steady_from,
        facts.steady_until,
        facts.settling,
        facts.start,
        facts.answer,
        mean,
        facts.sky,
        {"period_s": period_s, "amplitude_m": amplitude_m, "reason": reason},
        waiting_curve(log.steady_points, mean, reached_s=facts.length_s),
        _thin(log.points, log.seconds),
        detectable_m=detectable_sizes(mean, log.grade),
        accuracy_m=facts.accuracy_m,
        wait_s=facts.wait_s,
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
            f"the base log moves: its positions spread over {spread:.0f} m while the state is {state}; expected the log of a receiver at rest."
        )


def _entered(record: Recording) -> tuple[Place | None, int | None]:
    """Return what the base sends as its position, where corrections were recorded."""
    sent = sent_positions(record.corrections)
    return (sent[0].place, sent[0].station_id) if sent else (None, None)


def _thin(points: Array, seconds: Array) -> pd.DataFrame:
    """Return the track for a picture: at most 600 block means."""
    means, edges = block_means(points, seconds, max(float(seconds[-1]) / 600.0, 1e-3))
    return pd.DataFrame({"seconds": seconds[edges], "east_m": means[0], "north_m": means[1], "up_m": means[2]})
