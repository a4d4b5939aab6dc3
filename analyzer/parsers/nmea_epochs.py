"""Epochs from NMEA sentences: all sentences of one instant form one row of `FIXES`.

An epoch needs at least one of GGA, GNS, RMC and GLL. GST, GBS and GRS of the same instant join it wherever they stand
in the stream; alone they open none and are reported. Of several epochs with one time the first complete one stays.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import tables
from analyzer.parsers import nmea_clock, nmea_fields, nmea_findings
from analyzer.parsers.nmea_dating import Dating, date_runs, nominal_interval_us
from analyzer.parsers.nmea_days import observed_days
from analyzer.parsers.nmea_groups import (
    POSITION_BITS,
    POSITION_KINDS,
    TIMED_KINDS,
    UNTIMED_KINDS,
    Stream,
    gather,
    place_untimed,
)
from analyzer.parsers.nmea_instants import (
    DUPLICATE,
    LEAP_SECOND,
    Resolved,
    repeats_content,
    resolve,
    runs_with_position,
)
from analyzer.parsers.nmea_layouts import ERROR_ESTIMATES
from analyzer.parsers.nmea_satellites import Seen, Used, known_dilution, read_seen, read_used, satellites_table
from analyzer.parsers.nmea_steps import find_steps
from analyzer.parsers.sentences import Sentences
from analyzer.recording import Finding
from analyzer.scratch import Keeper, Scratch, keeper
from analyzer.tables import FIX_STATES
from analyzer.timebase import DAY_US, SECOND_US, time_of_day_us, utc_index

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class SetAside:
    """Sentences of one tag that the ledger counts as `kind` (``duplicate_epoch`` or ``leap_second``): byte ranges."""

    kind: str
    tag: str
    start: Ints
    end: Ints


@dataclass(frozen=True)
class EpochResult:
    """Tables of one stream.

    Attributes
    ----------
    fixes, satellites : tables of the schemas `FIXES` and `SATELLITES`; times unique and increasing in `fixes`.
    findings : what a reader must know, in words.
    set_aside : sentences to be moved in the ledger.
    undated : the log holds no date and none was given. The index then counts from an unknown midnight, written as
        1970-01-01, so that spans and rates are right and dates are not.
    """

    fixes: pd.DataFrame
    satellites: pd.DataFrame
    findings: tuple[Finding, ...]
    set_aside: tuple[SetAside, ...]
    undated: bool


def build_epochs(
    sentences: Mapping[str, Sentences], *, source_id: int, date: date | None, scratch: Scratch | None = None
) -> EpochResult:
    """Form the epochs of one stream.

    Parameters
    ----------
    sentences : accepted sentences by kind, each in stream order.
    source_id : index of the source, copied to the tables.
    date : date of the first epoch, for logs without any.
    scratch : takes the columns of long streams.
    """
    stream = gather(sentences, scratch)
    keep = keeper(scratch)
    stream.run_time_us = keep(stream.run_time_us)
    dating = _date(sentences, stream, date)
    resolved = resolve(stream, dating.instant_us)
    resolved = replace(resolved, **{name: keep(getattr(resolved, name)) for name in ("instant_us", "winner", "start", "epoch_of_group")})
    steps = find_steps(sentences, stream, dating.instant_us)
    findings = (*dating.findings, *nmea_findings.epoch_findings(stream, resolved, dating.instant_us, steps))
    origin, undated = dating.origin[stream.group_run[resolved.winner]], dating.undated
    groups_of = dict(stream.group_of)
    for kind in UNTIMED_KINDS:
        if kind in sentences and len(sentences[kind]):
            groups_of[kind] = place_untimed(sentences[kind], stream)[0]
    set_aside = _set_aside(sentences, groups_of, resolved)
    epoch_of = {kind: keep(_at(resolved.epoch_of_group, group, missing=-1)) for kind, group in groups_of.items()}
    del stream, groups_of, dating  # as large as the tables that follow
    epochs = len(resolved.instant_us)
    seen = read_seen(sentences["GSV"], epoch_of["GSV"], epochs) if "GSV" in epoch_of else None
    used = read_used(sentences["GSA"], epoch_of["GSA"], epochs) if "GSA" in epoch_of else None
    fixes, unlisted = _fixes(sentences, epoch_of, resolved, seen=seen, used=used, scratch=scratch)
    fixes["source_id"] = np.int16(source_id)
    fixes["time_origin"] = nmea_fields.categorical(origin, nmea_clock.ORIGINS)
    content = nmea_findings.content_findings(sentences, epoch_of, fixes, unlisted=unlisted, undated=undated)
    satellites = tables.SATELLITES.empty() if seen is None else satellites_table(
        seen, used, resolved.instant_us, source_id
    )
    return EpochResult(
        fixes=tables.FIXES.conform(fixes), satellites=satellites, findings=(*findings, *content),
        set_aside=set_aside, undated=undated,
    )


def _date(sentences: Mapping[str, Sentences], stream: Stream, given: date | None) -> Dating:
    """Date all runs; those without a time keep a negative instant and are used by nothing."""
    timed = _where(stream.run_time_us >= 0)
    has_position = runs_with_position(sentences, stream)
    days, disagreeing = observed_days(sentences, stream, has_position)
    dating = date_runs(stream.run_time_us[timed], days[timed], has_position[timed], given=given)
    instant_us, origin = dating.instant_us, dating.origin
    if not isinstance(timed, slice):
        instant_us, origin = np.full(len(stream.run_time_us), -1, dtype=np.int64), np.zeros(len(stream.run_time_us), dtype=np.uint8)
        instant_us[timed], origin[timed] = dating.instant_us, dating.origin
    findings = (*disagreeing, *dating.findings)
    opening = np.zeros(len(instant_us), dtype=bool)
    opening[stream.group_run[_where((stream.group_bits & POSITION_BITS) > 0)]] = True
    opening &= (stream.run_time_us >= 0) & (stream.run_time_us < DAY_US)
    opens = instant_us[_where(opening)]
    if not (opens[1:] < opens[:-1]).any():
        return Dating(instant_us, origin, findings, dating.undated, dating.interval_us)
    runs = np.flatnonzero(opening)
    step = nmea_clock.late_leap_step(
        instant_us[runs], nominal_interval_us(np.diff(instant_us[runs])),
        repeats=lambda earlier, later: repeats_content(sentences, stream, runs[earlier], runs[later]),
    )
    if step is not None:
        at, seconds = step
        early = np.flatnonzero((stream.run_time_us >= 0) & (np.arange(len(instant_us)) <= runs[at]))
        findings = (*findings, nmea_clock.leap_finding(int(instant_us[runs[at]]), seconds, at + 1))
        instant_us[early] -= seconds * SECOND_US
        origin[early] = nmea_clock.RETIMED
    return Dating(instant_us, origin, findings, dating.undated, dating.interval_us)


def _where(flags: NDArray[np.bool_]) -> slice | Ints:
    """Return which rows are flagged, as a slice where all are: that copies nothing."""
    return slice(None) if flags.all() else np.flatnonzero(flags)


def _fixes(
    sentences: Mapping[str, Sentences], epoch_of: Mapping[str, Ints], resolved: Resolved, *,
    seen: Seen | None, used: Used | None, scratch: Scratch | None,
) -> tuple[pd.DataFrame, int]:
    """Return the columns of `FIXES` but source and time origin, and the number of unlisted GGA qualities."""
    epochs = len(resolved.instant_us)
    keep = keeper(scratch)
    picks = _picks(sentences, epoch_of, epochs, keep)
    take = _Taker(sentences, picks, epochs)
    states, latitude, longitude, unlisted = _states_and_places(sentences, picks, epochs)
    latitude, longitude = keep(latitude), keep(longitude)
    height_msl, separation = (keep(x) for x in nmea_fields.heights(sentences, picks, epochs))
    columns: dict[str, object] = {
        "byte_offset": keep(_first_bytes(sentences, epoch_of, resolved)),
        "latitude_deg": latitude, "longitude_deg": longitude,
        "height_m": keep(height_msl + separation), "height_msl_m": height_msl, "geoid_separation_m": separation,
        **states,
        "station_id": nmea_fields.station_ids(take("station_id", "GGA", "GNS", "GNS companion"), keep),
        "correction_age_s": keep(take("correction_age_s", "GGA", "GNS", "GNS companion")),
        "satellites_used": keep(_else(take("satellites_used", "GGA", "GNS"), used.count if used else None)),
        "hdop": keep(_else(known_dilution(take("hdop", "GGA", "GNS").astype(np.float32)), used.hdop if used else None)),
        "speed_mps": keep(take("speed_mps", "RMC", "VTG")), "course_deg": keep(take("course_deg", "RMC", "VTG")),
        "heading_deg": keep(nmea_fields.headings(sentences, picks, epochs)),
        **_heading_mode(sentences, picks),
        "yaw_rate_radps": keep(nmea_fields.yaw_rates(sentences, picks, epochs)),
        "solution_kind": nmea_fields.categorical(np.full(epochs, 2, dtype=np.int8), ("gnss", "fused", "unknown")),
    }
    nothing = np.full(epochs, np.nan, dtype=np.float32)
    columns |= {name: keep(getattr(seen, name) if seen else nothing) for name in ("satellites_in_view", "cn0_median_dbhz")}
    columns |= {name: keep(getattr(used, name) if used else nothing) for name in ("vdop", "pdop")}
    columns |= {name: keep(take(name, "GST").astype(np.float32, copy=False)) for name in ERROR_ESTIMATES}
    return pd.DataFrame(columns, index=utc_index(resolved.instant_us), copy=False), unlisted


def _states_and_places(
    sentences: Mapping[str, Sentences], picks: nmea_fields.Picks, epochs: int,
) -> tuple[dict[str, object], NDArray[np.float64], NDArray[np.float64], int]:
    """Return the columns of the fix state, latitude and longitude [deg], and the number of unlisted GGA qualities."""
    latitude, longitude = nmea_fields.positions(sentences, picks, epochs)
    state, reported, unlisted = nmea_fields.fix_states(sentences, picks, np.isfinite(latitude))
    no_fix = FIX_STATES.index("no_fix")
    # receivers without a position may write zeros instead of leaving the fields empty
    zeros = (state == no_fix) & (latitude == 0.0) & (longitude == 0.0)
    latitude[zeros], longitude[zeros] = np.nan, np.nan
    columns: dict[str, object] = {
        "fix_state": nmea_fields.categorical(state, FIX_STATES),
        "fix_state_source": nmea_fields.categorical((~reported).astype(np.int8), ("reported", "derived")),
    }
    return columns, latitude, longitude, unlisted


def _heading_mode(sentences: Mapping[str, Sentences], picks: nmea_fields.Picks) -> dict[str, object]:
    """Return the column of the heading's mode, none where no THS was logged."""
    modes = nmea_fields.heading_modes(sentences, picks)
    return {} if modes is None else {"heading_mode": modes}


@dataclass(frozen=True)
class _Taker:
    """Takes a number column from the first kind that has it."""

    sentences: Mapping[str, Sentences]
    picks: nmea_fields.Picks
    epochs: int

    def __call__(self, name: str, *kinds: str) -> NDArray[np.float64]:
        return nmea_fields.first_known(self.sentences, self.picks, name, kinds, epochs=self.epochs)


def _picks(
    sentences: Mapping[str, Sentences], epoch_of: Mapping[str, Ints], epochs: int, keep: Keeper
) -> dict[str, nmea_fields.Pick]:
    """Return the row of each kind that stands for each epoch."""
    picks: dict[str, nmea_fields.Pick] = {}
    for kind in (*POSITION_KINDS, "GST", "VTG", "HDT", "THS", "ROT"):
        if kind not in epoch_of:
            continue
        if kind == "GNS":
            main, companion = nmea_fields.gns_picks(sentences["GNS"], epoch_of["GNS"], epochs)
            picks["GNS"], picks["GNS companion"] = nmea_fields.Pick(main), nmea_fields.Pick(companion)
        else:
            picks[kind] = nmea_fields.Pick(keep(nmea_fields.pick_rows(epoch_of[kind], epochs)))
    return picks


def _first_bytes(sentences: Mapping[str, Sentences], epoch_of: Mapping[str, Ints], resolved: Resolved) -> Ints:
    """Return where the first sentence of each epoch starts."""
    first = resolved.start.copy()
    for kind in UNTIMED_KINDS:
        if kind in epoch_of:
            held = epoch_of[kind] >= 0
            np.minimum.at(first, epoch_of[kind][held], sentences[kind].start[held])
    return first


def _set_aside(
    sentences: Mapping[str, Sentences], groups_of: Mapping[str, Ints], resolved: Resolved
) -> tuple[SetAside, ...]:
    """List the sentences of duplicate epochs and leap seconds by kind."""
    out: list[SetAside] = []
    aside = bool(np.isin(resolved.status, (DUPLICATE, LEAP_SECOND)).any())
    for kind in (*TIMED_KINDS, *UNTIMED_KINDS) if aside else ():
        if kind not in groups_of:
            continue
        status = _at(resolved.status, groups_of[kind], missing=0)
        for name, code in (("duplicate_epoch", DUPLICATE), ("leap_second", LEAP_SECOND)):
            rows = np.flatnonzero(status == code)
            if len(rows):
                out.append(SetAside(name, kind, sentences[kind].start[rows], sentences[kind].end[rows]))
    if "ZDA" in sentences:
        zda = sentences["ZDA"]
        rows = np.flatnonzero(time_of_day_us(zda.columns["time_of_day_s"]) >= DAY_US)
        if len(rows):
            out.append(SetAside("leap_second", "ZDA", zda.start[rows], zda.end[rows]))
    return tuple(out)


def _at(values: Ints | NDArray[np.uint8], group: Ints, *, missing: int) -> Ints:
    """Return values of groups, `missing` where a sentence has no group."""
    padded = np.concatenate([values, np.array([missing], dtype=values.dtype)])
    return padded[group].astype(np.int64, copy=False)


def _else(values: NDArray[np.floating], other: NDArray[np.float32] | None) -> NDArray[np.float32]:
    """Return values, where missing those of `other`."""
    out = values.astype(np.float32, copy=False)
    return out if other is None else np.where(np.isnan(out), other, out)
