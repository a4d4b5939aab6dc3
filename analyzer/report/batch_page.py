"""The page of a batch: which runs stand, what is to be driven again, and what cost the fix over all of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

import pandas as pd

from analyzer import tables, wording
from analyzer.report.model import Section, Table
from analyzer.report.plain_page import CAUTIONS, Page, render_page


@dataclass(frozen=True)
class Again:
    """A manoeuvre that is to be driven again: its run, its row of windows.csv, and the folder of the run below that of the batch."""

    run: str
    folder: str
    window: Mapping[str, Any]


@dataclass(frozen=True)
class Loss:
    """What one cause cost over all runs: dropouts, their time [s], the runs it touched, and what to do about it."""

    cause: str
    times: int
    seconds: float
    runs: tuple[str, ...]
    advice: str


@dataclass(frozen=True)
class Overview:
    """What a batch found.

    Attributes
    ----------
    name : of the folder of results.
    runs : rows of runs.parquet, in order of time.
    again : in order of time.
    losses : the dearest first.
    failed : name and sentence of each drive without a result.
    notes : sentences on what was left out or found twice.
    elsewhere : manoeuvres with their runs that lie beside the recording of these.
    """

    name: str
    runs: tuple[Mapping[str, Any], ...]
    again: tuple[Again, ...]
    losses: tuple[Loss, ...]
    failed: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()
    elsewhere: tuple[str, ...] = ()


def render_batch(overview: Overview) -> str:
    """Return the page of a batch."""
    page = Page(
        "Which runs stand, and what is to be driven again?",
        _run_line(overview),
        _class_of(overview),
        _answer(overview),
        _counted(overview),
        tuple(_sentences(overview)),
        (_again(overview), _runs(overview), _losses(overview), *_left(overview), Section("cautions", "Cautions", items=CAUTIONS)),
    )
    return render_page("plain.html.jinja", page=page, figures={}, alternatives={})


def _run_line(overview: Overview) -> str:
    runs = overview.runs
    if not runs:
        return f"No run in {overview.name}"
    first, last = (_day(pick(str(r["date"]) for r in runs)) for pick in (min, max))
    purposes = wording.listing(sorted({str(r["purpose"]) for r in runs if r.get("purpose")}))
    days = wording.count(len({str(r["date"]) for r in runs}), "day")
    return f"{wording.count(len(runs), 'run')} on {days}, {first}{'' if first == last else f' to {last}'}; purpose {purposes or wording.ABSENT}"


def _day(date: str) -> str:
    return wording.Clock().day(pd.Timestamp(date))


def _class_of(overview: Overview) -> str:
    """Return the colour of the answer: that of the worst run, and no better than not evaluated where a drive has no result."""
    worst = max((tables.VERDICTS.index(str(r["verdict"])) for r in overview.runs), default=0)
    return tables.VERDICTS[max(worst, tables.VERDICTS.index("not_evaluated") if overview.failed or not overview.runs else 0)]


def _answer(overview: Overview) -> str:
    count = len(overview.again)
    if count:
        runs = wording.count(len({a.run for a in overview.again}), "run")
        return f"{wording.count(count, 'manoeuvre')} of {runs} {'is' if count == 1 else 'are'} to be driven again"
    return "No manoeuvre is to be driven again" if any(r.get("windows") for r in overview.runs) else "No manoeuvres were given"


def _counted(overview: Overview) -> str:
    """Return how many runs have which verdict."""
    verdicts = [str(r["verdict"]) for r in overview.runs]
    parts = [f"{verdicts.count(v)} {wording.words(v)}" for v in tables.VERDICTS if v in verdicts]
    return wording.sentence(f"Of {wording.count(len(verdicts), 'run')}: {wording.listing(parts)}") if parts else "There is no run to judge."


def _sentences(overview: Overview) -> list[str]:
    out = []
    if overview.failed:
        out.append(wording.sentence(f"{wording.count(len(overview.failed), 'drive')} could not be assessed: {wording.few([n for n, _ in overview.failed], 6)}"))
    if overview.elsewhere:
        out.append(wording.sentence(f"Not in their recordings, check day and time zone in the windows files: {wording.few(overview.elsewhere, 6)}"))
    bare = [str(r["run"]) for r in overview.runs if not r.get("windows") and r["verdict"] != "fit"]
    if bare:
        out.append(wording.sentence(f"Without manoeuvres, so that only the run as a whole is judged, and not fit throughout: {wording.few(bare, 6)}"))
    damaged = [str(r["run"]) for r in overview.runs if r.get("damage")]
    if damaged:
        out.append(wording.sentence(f"Judged without what is damaged or was not read: {wording.few(damaged, 6)}"))
    return out


def _again(overview: Overview) -> Section:
    rows = tuple(
        (f"{a.window['name']}", a.run, _moment(a.window["start_utc"]), wording.reach(a.window["start_distance_m"], a.window["end_distance_m"]),
         wording.words(a.window["verdict"]), wording.share(a.window["share_trusted"]),
         wording.length(a.window["worst_horizontal_bound_m"], up=True), wording.sentence(str(a.window["reason"] or "")))
        for a in overview.again
    )
    if not rows:
        return Section("again", "Drive again", ("No manoeuvre of these runs is to be driven again.",))
    head = ("manoeuvre", "run", "begins (UTC)", "place", "verdict", "trusted", "worst bound (95 %)", "why")
    table = Table("Manoeuvres to drive again, in order of time", head, rows, frozenset({5, 6}), wide=frozenset({7}),
                  links=tuple(_address(a.folder) for a in overview.again))
    return Section("again", "Drive again", tables=(table,))


def _moment(time: object) -> str:
    moment = pd.Timestamp(str(time))
    return f"{moment:%Y-%m-%d} {wording.Clock().time(moment, digits=0)}"


def _address(folder: str) -> str:
    """Return the address of the report in a folder, as a page beside it must write it."""
    return quote(f"{folder}/report.html")


def _runs(overview: Overview) -> Section:
    rows = tuple(
        (str(r["run"]), _moment(r["start_utc"]), wording.duration(r["duration_s"]), wording.words(r["verdict"]) + (" *" if r.get("damage") else ""),
         wording.share(r["share_trusted"]), wording.share(r.get("share_time_fixed")), wording.duration(r.get("age_p95_s")), str(r["dropouts"]),
         f"{r['windows_to_repeat']} of {r['windows']}" if r["windows"] else wording.ABSENT, str(r.get("sentence") or ""))
        for r in overview.runs
    )
    head = ("run", "begins (UTC)", "lasts", "verdict", "trusted", "fixed", "age of corrections, 95 %", "dropouts", "again", "in words")
    note = "* without what is damaged or was not read" if any(r.get("damage") for r in overview.runs) else ""
    table = Table("All runs, in order of time", head, rows, frozenset({2, 4, 5, 6, 7}), wide=frozenset({9}), note=note,
                  links=tuple(_address(str(r["folder"])) for r in overview.runs))
    return Section("runs", "Runs", tables=(table,) if rows else ())


def _losses(overview: Overview) -> Section:
    rows = tuple((wording.words(x.cause), str(x.times), wording.duration(x.seconds), wording.few(x.runs, 4), x.advice) for x in overview.losses)
    if not rows:
        return Section("losses", "What was lost, by cause", ("No dropout was found in any run.",))
    table = Table("Dropouts of all runs by cause, the longest in all first", ("cause", "times", "time in all", "runs", "what to do"), rows,
                  frozenset({1, 2}), wide=frozenset({3, 4}))
    return Section("losses", "What was lost, by cause", tables=(table,))


def _left(overview: Overview) -> list[Section]:
    """Return the drives without a result and what was left out, where there are any."""
    out = []
    if overview.failed:
        out.append(Section("failed", "Without a result", items=tuple(f"{name}: {sentence}" for name, sentence in overview.failed)))
    if overview.notes:
        out.append(Section("notes", "Left out", items=overview.notes))
    return out
