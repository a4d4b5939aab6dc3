"""From a recording to an assessment: measure, gather evidence, judge."""

from __future__ import annotations

import platform
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from importlib import metadata
from itertools import chain
from pathlib import Path

import numpy as np
import pandas as pd

from analyzer import wording
from analyzer.assessment import Assessment, BasePlace, Purpose, Verdict, without_words
from analyzer.comparing.base_of_drive import base_of_drive
from analyzer.errors import InputError
from analyzer.evidence.check_points import CheckPointResult, check, nothing
from analyzer.evidence.claim import has_position
from analyzer.evidence.claim_scale import without_wrong_claims
from analyzer.evidence.result import Evidence, checked_kinds
from analyzer.evidence.wheels_against import wheels_against
from analyzer.judging_epochs import Asked, judge_epochs
from analyzer.metrics.result import Metrics
from analyzer.metrics.speed_scale import without_wrong_speed
from analyzer.metrics.whole import measure_whole
from analyzer.recording import Finding, Recording
from analyzer.scratch import Scratch
from analyzer.userfiles.accept import Decision
from analyzer.userfiles.setup_sheet import Setup
from analyzer.userfiles.tabular import WindowFile
from analyzer.verdict.accepted import Applied, apply_decisions
from analyzer.verdict.base_place import base_far, usable_base
from analyzer.verdict.causes import better_causes
from analyzer.verdict.channel_names import lacking_channels, refuse_unknown
from analyzer.verdict.far_marks import marks_far
from analyzer.verdict.further_logs import about_further, refuse_same
from analyzer.verdict.headline import headline
from analyzer.verdict.one_drive import refuse_several_drives, refuse_stepped_clock
from analyzer.verdict.purposes import load_purpose
from analyzer.verdict.range_pattern import range_pattern
from analyzer.verdict.run import judge_run, with_undriven
from analyzer.verdict.setup_check import check_setup
from analyzer.verdict.spans import undriven, window_spans
from analyzer.verdict.unwatched import of_never_fixed, unwatched_words
from analyzer.verdict.windows import judge_windows


def assess(
    recording: Recording,
    *,
    purpose: Purpose | str | Path | None = None,
    setup: Setup | None = None,
    windows: WindowFile | None = None,
    base: tuple[float, float, float] | None = None,
    check_points: pd.DataFrame | None = None,
    decisions: Sequence[Decision] = (),
    base_log: Recording | None = None,
    second_rover: Recording | None = None,
    scratch: Scratch | None = None,
    without: Collection[str] = (),
) -> Assessment:
    """Judge a recording for a purpose.

    Parameters
    ----------
    recording : from `read`.
    purpose : a Purpose, the name of a shipped one, or a TOML file. Default: lane, 0.10 m.
    setup : the set-up sheet.
    windows : windows by time, or crossing lines.
    base : base latitude [deg], longitude [deg], height [m]; default from the set-up sheet, else from the corrections.
    check_points : known marks on which the vehicle stood, from `read_check_points`.
    decisions : windows accepted and stretches excluded by the user, from `read_accept`.
    base_log, second_rover : recordings that help to tell why corrections were lost.
    scratch : temporary files for drives beyond its `Sizes.epochs`, which are judged in overlapping blocks of time.
    without : kinds of evidence to leave out (`evidence.result.KINDS`), to see what each does; the verdict says that it is not the full
        judgement.

    Raises
    ------
    InputError : the recording holds no position, or is of several drives, or its clock was stepped back over other positions, or a log
        of another receiver is its own.
    UsageError : crossing lines between which there is no pass, a purpose that needs a channel which nothing can have, or a name
        in `without` that is no kind of evidence.
    """
    left_out = checked_kinds(without)
    chosen = purpose if isinstance(purpose, Purpose) else load_purpose(purpose or "lane")
    setup = setup or Setup()
    refuse_unknown(chosen, recording.measurement.columns)
    _refuse_empty(recording)
    refuse_several_drives(recording)
    refuse_stepped_clock(recording)
    recording = without_wrong_claims(without_wrong_speed(recording))
    refuse_same(recording, base_log=base_log, second_rover=second_rover)
    spans, about_windows = window_spans(windows, recording.fixes)
    stand, about_base = usable_base(recording, setup, base, by_log=base_log is not None)
    place = stand.place if stand is not None else None
    large = _if_large(recording, scratch)
    metrics = _measured(recording, setup, chosen, spans=spans, base=place, scratch=large)
    marks = check(recording, metrics, setup, check_points) if check_points is not None and "check_point" not in left_out else nothing()
    asked = Asked(chosen, spans, marks, lacking_channels(chosen, _channels(recording)), left_out)
    epochs, evidence = judge_epochs(recording, metrics, asked, large)
    dropouts = better_causes(metrics.dropouts, recording, metrics, base_log=base_log, second_rover=second_rover)
    applied = _decided(epochs, spans, decisions, recording, metrics, chosen, _unwatched(evidence, metrics, chosen))
    interval_s = metrics.epochs["interval_s"].to_numpy(np.float64)
    pattern = range_pattern(dropouts, epochs.assign(interval_s=interval_s), base=place)
    read_beside = about_further(recording, base_log=base_log, second_rover=second_rover)
    # of another place or time it says nothing on the base of this drive
    own_base = () if {f.code for f in (*about_base, *read_beside)} & {"base_log_elsewhere", "further_log_other_time"} else base_of_drive(base_log)
    further = (*about_windows, *about_base, *marks_far(check_points, recording.fixes), *read_beside, *own_base)
    said = evidence.findings if _ever_fixed(recording) else of_never_fixed(evidence.findings)
    parts = (recording.findings, further, metrics.findings, said, wheels_against(recording), marks.findings, applied.findings,
             [pattern] if pattern is not None else [], base_far(stand, metrics.epochs["base_distance_m"].to_numpy(np.float64)))
    judged = _Judged(metrics, marks, evidence, dropouts, applied, stand, left_out)
    return _assessment(recording, chosen, setup, judged, findings=tuple(chain.from_iterable(parts)))


@dataclass(frozen=True)
class _Judged:
    """What measuring, gathering evidence and judging gave."""

    metrics: Metrics
    marks: CheckPointResult
    evidence: Evidence
    dropouts: pd.DataFrame
    applied: Applied
    base: BasePlace | None
    without: tuple[str, ...]


def _assessment(
    recording: Recording, purpose: Purpose, setup: Setup, judged: _Judged, *, findings: tuple[Finding, ...]
) -> Assessment:
    """Put the parts of an assessment together."""
    metrics, applied, evidence = judged.metrics, judged.applied, judged.evidence
    marked = metrics.standstills["standstill_id"].map(judged.marks.marks)
    interval_s = metrics.epochs["interval_s"].to_numpy(np.float64)
    return Assessment(
        recording=recording,
        metrics=metrics,
        purpose=purpose,
        epochs=applied.epochs,
        segments=evidence.segments,
        verdict=with_undriven(_said(applied.verdict, judged.without), undriven(findings)),
        jumps=evidence.jumps,
        dropouts=judged.dropouts,
        windows=applied.windows,
        standstills=metrics.standstills.assign(check_point=marked),
        setup=setup.stated,
        setup_items=check_setup(recording, metrics, setup, evidence.kind, findings=findings, marks=judged.marks),
        findings=findings,
        headline=headline(applied.epochs, interval_s, judged.dropouts, purpose),
        cannot_show=_blind_spots(evidence, judged.marks, recording, judged.dropouts),
        absolute=judged.marks.absolute,
        versions=versions(),
        base=judged.base,
        without=judged.without,
    )


def _if_large(recording: Recording, scratch: Scratch | None) -> Scratch | None:
    """Return the temporary files where the drive is long enough to need them."""
    held = scratch if scratch is not None else Scratch()
    return held if len(recording.fixes) > held.sizes.epochs else None


def _said(verdict: Verdict, left_out: tuple[str, ...]) -> Verdict:
    """Return the verdict with the sentence that kinds of evidence were left out."""
    words = without_words(left_out)
    return replace(verdict, sentences=(*verdict.sentences, words)) if words else verdict


def _measured(
    recording: Recording,
    setup: Setup,
    purpose: Purpose,
    *,
    spans: pd.DataFrame,
    base: tuple[float, float, float] | None,
    scratch: Scratch | None,
) -> Metrics:
    limit = purpose.limit("horizontal")
    return measure_whole(
        recording,
        windows=spans if len(spans) else None,
        base=base,
        asked_rate_hz=setup.asked_rate_hz,
        position_limit_m=limit.value if limit else None,
        line_rate=setup.line_rate,
        station_id=setup.base.station_id,
        scratch=scratch,
    )


def _decided(
    epochs: pd.DataFrame,
    spans: pd.DataFrame,
    decisions: Sequence[Decision],
    recording: Recording,
    metrics: Metrics,
    purpose: Purpose,
    unwatched: str,
) -> Applied:
    """Return epochs, windows and verdict, with what the user accepted or excluded."""
    rate = metrics["rate_hz"].value
    channels = _channels(recording)
    lacking = lacking_channels(purpose, channels)
    judged = judge_windows(spans, epochs, 1 / float(rate) if rate else None, purpose, lacking=lacking, unwatched=unwatched)
    if not decisions:
        return Applied(epochs, judged, judge_run(epochs, judged, metrics, purpose, channels=channels, unwatched=unwatched), ())
    return apply_decisions(epochs, judged, decisions, metrics=metrics, purpose=purpose, channels=channels, unwatched=unwatched)


def _unwatched(evidence: Evidence, metrics: Metrics, purpose: Purpose) -> str:
    """Return why nothing can be called fit where nothing watched a fused solution; at rest the stand itself watches."""
    driven = metrics["route_length_m"].value
    return "" if driven == 0 else unwatched_words(evidence.unwatched, purpose)


def _blind_spots(evidence: Evidence, marks: CheckPointResult, recording: Recording, dropouts: pd.DataFrame) -> tuple[str, ...]:
    """Return what the recording cannot show; a mark with known coordinates takes away the offset of the whole day."""
    stated = marks.earth_fixed is not None and not marks.refused_horizontal
    kept = [x for x in evidence.cannot_show if not (stated and x.startswith("a constant offset"))]
    if not _ever_fixed(recording):
        kept = [x.replace(" while fixed", "", 1).replace("a wrong fix", "an error", 1) for x in kept]
    return (*kept, *_cannot_show(recording, dropouts))


def _ever_fixed(recording: Recording) -> bool:
    return bool((recording.fixes["fix_state"] == "fixed").any())


def _refuse_empty(recording: Recording) -> None:
    if not has_position(recording.fixes).any():
        failed = sum(s.ledger.count("checksum") for s in recording.sources)
        more = f" ({wording.count(failed, 'sentence')} failed the checksum)" if failed else ""
        more += "; its numbers are written with decimal commas, where NMEA 0183 has points" if _has(recording, "decimal_commas") else ""
        raise InputError(
            f"no position in {', '.join(s.name for s in recording.sources) or 'what was given'}{more}: "
            "expected at least one GGA, GNS, RMC or GLL with a position; inspect shows what was read."
        )


def _has(recording: Recording, code: str) -> bool:
    return any(f.code == code for f in recording.findings)


def versions() -> dict[str, str]:
    """Return the versions a result depends on."""
    names = ("postdrive", "numpy", "pandas", "pyarrow", "scipy", "pyproj")
    found = {}
    for name in names:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = "not installed"
    return found | {"python": platform.python_version()}


def _channels(recording: Recording) -> tuple[str, ...]:
    """Return the names of all quantities that were recorded, for required channels of a purpose."""
    found: list[str] = []
    for name in ("fixes", "attitude", "inertial", "measurement"):
        table: pd.DataFrame = getattr(recording, name)
        found += [c for c in table.columns if len(table) and table[c].notna().any()]
    return tuple(dict.fromkeys(found))


def _cannot_show(recording: Recording, dropouts: pd.DataFrame) -> tuple[str, ...]:
    words = []
    outages = dropouts[dropouts["kind"].astype(str) == "correction_outage"]
    left_open = int(outages["cause"].astype(str).isin(("corrections_stopped", "unknown")).sum())
    if left_open and not recording.corrections.empty:
        words.append(f"on which side corrections were lost in {left_open} of {wording.count(len(outages), 'outage')}: "
                     "no recording at the base or of another rover reaches over them")
    elif recording.corrections.empty and (left_open or not len(outages)):
        words.append(
            "on which side corrections were lost: neither a recording at the base nor one at the rover was given"
        )
    if recording.inertial.empty:
        words.append("short errors that the receiver's own velocity shares: no independent inertial data were given")
    if recording.fixes["sigma_north_m"].notna().sum() == 0:
        words.append("the receiver's own error estimate: no GST sentences that can be used were logged; class values stand in")
    return tuple(words)
