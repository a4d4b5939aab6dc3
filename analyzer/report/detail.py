"""The parts that follow the first screen: tables and the words around them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from analyzer import wording
from analyzer.assessment import Assessment
from analyzer.report import view
from analyzer.report.limits import axis_limits
from analyzer.report.losses import age_unknown
from analyzer.report.model import Jump, Section, Table
from analyzer.report.summary import corrected
from analyzer.verdict.explain_words import DECIDED, kept_fixed
from analyzer.verdict.headline import Availability, Headline, headline_of
from analyzer.verdict.judge import reason_texts
from analyzer.verdict.why import code_weights
from analyzer.wording import Clock

_STEP = pd.Timedelta(milliseconds=1)
_EPOCH = pd.Timestamp("1970-01-01", tz="UTC")
#: What makes the text of one column from a row.
Cell = Callable[[pd.Series], str]


def milliseconds(moment: pd.Timestamp) -> float:
    """Return `moment` as milliseconds since 1970 UTC."""
    return float((moment - _EPOCH) / _STEP)


def text(value: object) -> str:
    """Return a cell as text, a dash for nothing."""
    return wording.ABSENT if wording.absent(value) or value == "" else str(value)


def real(value: object) -> float | None:
    """Return a cell as a float, None for nothing."""
    return None if wording.absent(value) else float(value)  # type: ignore[arg-type]


def whole(value: object) -> str:
    """Return a cell that counts something."""
    number = real(value)
    return wording.ABSENT if number is None or not np.isfinite(number) else wording.size(round(number))


def jump_of(row: pd.Series, label: str) -> Jump | None:
    """Return where the row's stretch of time leads."""
    start, end = row.get("start_utc"), row.get("end_utc")
    if not isinstance(start, pd.Timestamp) or not isinstance(end, pd.Timestamp) or pd.isna(end - start):
        return None
    return Jump(milliseconds(start), milliseconds(end), label)


def rows_of(
    frame: pd.DataFrame,
    caption: str,
    cells: dict[str, Cell],
    *,
    numeric: tuple[str, ...] = (),
    label: Callable[[pd.Series], str] | None = None,
    wide: tuple[str, ...] = (),
) -> Table:
    """Return the table of `frame` with one function per column; `label` makes its rows lead to the linked view."""
    head = tuple(cells)
    records = [row for _, row in frame.iterrows()]
    rows = tuple(tuple(cell(row) for cell in cells.values()) for row in records)
    jumps = tuple(jump_of(row, label(row)) for row in records) if label else ()
    return Table(caption, head, rows, frozenset(map(head.index, numeric)), jumps, frozenset(map(head.index, wide)))


def dropouts(assessment: Assessment, clock: Clock) -> Section:
    """Return every dropout with its cause, the evidence for it, and advice."""
    frame = assessment.dropouts
    if not len(frame):
        unknown = age_unknown(assessment) if corrected(assessment) else None
        note = f" Outages of corrections could not be looked for: {unknown}." if unknown else ""
        return Section("dropouts", "Dropouts", (f"None was found of a second or longer.{note}",))
    table = rows_of(
        frame,
        "Dropouts along the route",
        _dropout_cells(clock, assessment.epochs),
        numeric=("length", "fixed again, after its end"),
        wide=("what, and its cause", "evidence", "advice"),
        label=lambda r: f"D{text(r.get('dropout_id'))}",
    )
    return Section("dropouts", "Dropouts: where, how long and why", tables=(table,))


def _dropout_cells(clock: Clock, epochs: pd.DataFrame) -> dict[str, Cell]:
    """Return the columns of the table of dropouts."""
    return {
        "dropout": lambda r: f"D{text(r.get('dropout_id'))}",
        "place": lambda r: wording.reach(real(r.get("start_distance_m")), real(r.get("end_distance_m"))),
        "from, UTC": lambda r: clock.time(r.get("start_utc")),
        "length": lambda r: wording.duration(real(r.get("duration_s"))),
        "what, and its cause": lambda r: f"{wording.words(r.get('kind'))}: {wording.words(r.get('cause'))}",
        "fixed again, after its end": lambda r: _fixed_again(r, epochs),
        "satellites, before → least": lambda r: (
            f"{whole(r.get('satellites_before'))} → {whole(r.get('satellites_min'))}"
        ),
        "evidence": lambda r: text(r.get("evidence")),
        "advice": lambda r: text(r.get("advice")),
    }


def _fixed_again(row: pd.Series, epochs: pd.DataFrame) -> str:
    """Return how long after its end a dropout was fixed again, or that it was so at once or all the time."""
    if real(row.get("refix_s")) != 0:
        return wording.duration(real(row.get("refix_s")))
    return "never lost" if kept_fixed(row.to_dict(), epochs) else "at its end"


def manoeuvres(assessment: Assessment, clock: Clock) -> Section:
    """Return every manoeuvre with its verdict, or say that none was named."""
    frame = assessment.windows
    if not len(frame):
        note = (
            "No manoeuvres were named, so the run is judged as a whole. A windows file (--windows) gives a verdict "
            "for each manoeuvre."
        )
        return Section("manoeuvres", "Manoeuvres", (note,))
    cells = _manoeuvre_cells(clock, axis_limits(assessment.purpose).get("horizontal"))
    if view.column(frame, "accepted_by").notna().any():
        cells["decided"] = _accepted
    table = rows_of(
        frame,
        "Verdict by manoeuvre",
        cells,
        numeric=("largest bound (95 %)", "trusted"),
        wide=("reason",),
        label=lambda r: text(r.get("name")),
    )
    return Section("manoeuvres", "Manoeuvres", tables=(table,))


def _manoeuvre_cells(clock: Clock, limit_m: float | None) -> dict[str, Cell]:
    """Return the columns of the table of manoeuvres, bounds told against the horizontal limit [m]."""
    return {
        "manoeuvre": lambda r: text(r.get("name")),
        "place": lambda r: wording.reach(real(r.get("start_distance_m")), real(r.get("end_distance_m"))),
        "from, UTC": lambda r: clock.time(r.get("start_utc")),
        "verdict": _verdict,
        "largest bound (95 %)": lambda r: wording.length(
            real(r.get("worst_horizontal_bound_m")), limit_m=limit_m, up=True
        ),
        "trusted": lambda r: wording.share(real(r.get("share_trusted"))),
        "reason": lambda r: text(r.get("reason")),
    }


def _verdict(row: pd.Series) -> str:
    """Return what evidence says of a manoeuvre, and what a person made of it."""
    done = [DECIDED.get(d, d) for d in str(row.get("decision") or "").split(", ") if d]
    return wording.words(row.get("verdict")) + (f", {' and '.join(done)} by the user" if done else "")


def _accepted(row: pd.Series) -> str:
    """Say who overruled the verdict and why."""
    who, why = row.get("accepted_by"), row.get("accepted_reason")
    return wording.ABSENT if wording.absent(who) or who == "" else f"by {who}: {text(why)}"


def reason_words(code: str) -> str:
    """Return what a reason code says."""
    return reason_texts().get(code, wording.words(code))


def unusable(assessment: Assessment, run: view.View, clock: Clock, *, most: int = 12) -> Section:
    """Return the stretches that are not trusted, longest first; how many are left out is said."""
    runs = run.stretches("trust")
    runs = runs[runs["value"] != "trusted"]
    if not len(runs):
        return Section("not-trusted", "Stretches not trusted", ("None: every epoch is trusted.",))
    runs = runs.assign(lasting_s=(runs["end_utc"] - runs["start_utc"]).dt.total_seconds())
    shown = runs.sort_values("lasting_s", ascending=False, kind="stable").head(most)
    note = _left_out(runs.drop(shown.index))
    worst = [_worst(run, int(r["start"]), int(r["end"])) for _, r in shown.iterrows()]
    shown = shown.assign(worst_m=np.array([w[0] for w in worst], dtype=float), why=[w[1] for w in worst])
    table = rows_of(
        shown,
        f"Stretches not trusted for {assessment.purpose.title}, longest first",
        _unusable_cells(clock, axis_limits(assessment.purpose).get("horizontal")),
        numeric=("length", "largest bound (95 %)"),
        wide=("why",),
        label=lambda r: wording.reach(real(r["start_m"]), real(r["end_m"])),
    )
    return Section("not-trusted", "Stretches not trusted", note, tables=(table,))


def _left_out(rest: pd.DataFrame) -> tuple[str, ...]:
    """Say how many stretches are not listed and how long they are in all; nothing where none is left."""
    if not len(rest):
        return ()
    return (
        f"{wording.count(len(rest), 'shorter stretch', 'shorter stretches')}, "
        f"{wording.duration(float(rest['lasting_s'].sum()))} in all, are not listed here; "
        "epochs.parquet holds every epoch.",
    )


def _unusable_cells(clock: Clock, limit_m: float | None) -> dict[str, Cell]:
    """Return the columns of the table of stretches not trusted, bounds told against the horizontal limit [m]."""
    return {
        "place": lambda r: wording.reach(real(r["start_m"]), real(r["end_m"])),
        "from, UTC": lambda r: clock.time(r["start_utc"]),
        "length": lambda r: wording.duration(real(r["lasting_s"])),
        "trust": lambda r: wording.words(r["value"]),
        "largest bound (95 %)": lambda r: wording.length(real(r["worst_m"]), limit_m=limit_m, up=True),
        "why": lambda r: text(r["why"]),
    }


def _worst(run: view.View, start: int, end: int) -> tuple[float, str]:
    """Return the largest bound [m] of the epochs from `start` to `end` and the reasons in them, commonest first, with the share of each that is not of all."""
    part = run.frame.iloc[start:end]
    bound = part["horizontal_bound_m"].to_numpy(dtype=float)
    top = float(np.nanmax(bound)) if np.isfinite(bound).any() else np.nan
    words = (reason_words(code) + ("" if held == len(part) else f" ({wording.share_in_words(held / len(part))} of it)")
             for code, held in code_weights(part["reasons"]).items())
    return top, "; ".join(words)


def availability(assessment: Assessment) -> Section:
    """Return how much of the run has a bound within the limit, by axis, and within the limit over the margin."""
    figures = headline_of(assessment)
    rows = tuple(_available(entry) for entry in figures.availability)
    margin = f"{assessment.purpose.margin:g}"
    head = (
        "axis",
        "limit (95 %)",
        "50 % of the time",
        "75 % of the time",
        "95 % of the time",
        "time within the limit",
        "distance within the limit",
        f"time within limit / {margin}",
        f"distance within limit / {margin}",
    )
    table = Table("Error bound by axis", head, rows, frozenset(range(1, len(head))))
    return Section(
        "availability",
        "Bound along, across and in height",
        (
            "How much of the run has an error bound of at most a given length. The bounds for 50, 75 and 95 % of the "
            "time speak of the time that has a bound; the shares count time without a position as outside.",
            *_of_trusted(figures),
            "These are percentiles of the bound. Percentiles of the error itself, the accuracy of EN 16803, would take a reference "
            "trajectory.",
        ),
        tables=(table, _availability_table(figures.availability)),
        figures=("availability",),
    )


def _of_trusted(figures: Headline) -> tuple[str, ...]:
    """Return the percentiles of the horizontal bound of the trusted time in words."""
    if not np.isfinite(figures.bound_p50_m):
        return ()
    half, most, nearly = (wording.length(x, up=True) for x in (figures.bound_p50_m, figures.bound_p75_m, figures.bound_p95_m))
    return (f"Of the trusted time, 50 % has a horizontal bound of at most {half}, 75 % of at most {most} and 95 % of at most {nearly}.",)


def _availability_table(entries: tuple[Availability, ...]) -> Table:
    """Return the shares of time and distance with a bound of at most each length, by axis; lengths that any axis knows."""
    known = [entry for entry in entries if len(entry.curve)]
    lengths = sorted({float(x) for entry in known for x in entry.table["limit_m"]})
    columns = {
        f"{entry.axis}, {kind}": dict(zip(entry.table["limit_m"].tolist(), entry.table[f"share_{kind}"].tolist(), strict=True))
        for entry in known for kind in ("time", "distance")}
    rows = tuple((wording.length(x), *(wording.share(shares.get(x)) for shares in columns.values())) for x in lengths)
    head = ("bound at most", *columns)
    return Table("Availability: time and distance against the limit", head, rows, frozenset(range(len(head))))


def _available(entry: Availability) -> tuple[str, ...]:
    """Return the row of one axis."""
    bounds = [wording.length(value, up=True) for value in (entry.bound_p50_m, entry.bound_p75_m, entry.bound_p95_m)]
    shares = [
        wording.share(value)
        for value in (
            entry.share_time_within_limit,
            entry.share_distance_within_limit,
            entry.share_time_within_margin,
            entry.share_distance_within_margin,
        )
    ]
    return (entry.axis, wording.length(entry.limit_m), *bounds, *shares)
