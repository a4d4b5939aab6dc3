"""The page of a comparison: the answer on frames, places against passes, runs over time."""

from __future__ import annotations

from typing import Any

import pandas as pd

from analyzer import wording
from analyzer.comparing.result import LEVEL_WORDS, Comparison
from analyzer.comparing.rows import records
from analyzer.report.base_page_parts import pictures
from analyzer.report.compare_page_map import spots_map
from analyzer.report.compare_page_precision import precision_part
from analyzer.report.compare_page_runs import over_time_part, runs_part
from analyzer.report.model import Section, Table
from analyzer.report.plain_page import CAUTIONS, Page, render_page

_CLASSES = {
    "comparable": "fit",
    "comparable_after_shift": "fit_with_exclusions",
    "not_evaluated": "not_evaluated",
    "not_comparable": "not_fit",
}
_EVIDENCE = {
    "entered": "entered base coordinates",
    "marks": "stands on common marks",
    "common_stands": "common parking places",
    "fixed_to_car": "fixed to the car (forward, left)",
    "marks_absolute": "marks' own coordinates",
}
#: Symbol and word of a pass of a spot: the word stands beside it, so that nothing hangs on the symbol.
_STATES = {"trouble": "✕ trouble", "clear": "○ clear", "masked": "… lost before"}
_KINDS = {"recurs": "recurs", "one_off": "one-off", "undecided": "undecided", "too_few_to_tell": "too few to tell"}
#: Spots that the place × pass table shows; the rest is counted beside it and stands in recurrence.csv.
MOST_SPOTS = 10


def render_comparison(comparison: Comparison) -> str:
    """Return the page of a comparison."""
    page = Page(
        "Are these runs comparable?",
        _run_line(comparison),
        _class_of(comparison),
        f"Base frames: {LEVEL_WORDS[comparison.level]}",
        comparison.sentences[0],
        tuple(wording.sentence(s) for s in comparison.sentences[1:]),
        (
            _frames(comparison),
            _places(comparison),
            over_time_part(comparison),
            runs_part(comparison),
            precision_part(comparison),
            Section("cautions", "Cautions", items=CAUTIONS),
        ),
    )
    figures = pictures("spots", lambda width: spots_map(comparison, width=width), wide=7.0)
    return render_page("plain.html.jinja", page=page, figures=figures, alternatives={"spots": _map_words(comparison)})


def _class_of(comparison: Comparison) -> str:
    """Return the colour of the answer; one frame is not all well where the antenna offset on the car differs."""
    found = _CLASSES[comparison.level]
    return "fit_with_exclusions" if found == "fit" and comparison.frames.offset_differs_m() else found


def _run_line(comparison: Comparison) -> str:
    """Say how many runs of which days are compared, and with which."""
    runs, clock = comparison.runs, wording.Clock()
    days = runs["day"].nunique()
    line = (
        f"{wording.count(len(runs), 'run')} on {wording.count(days, 'day')}, {clock.day(runs['start_utc'].min())} to "
        f"{clock.day(runs['end_utc'].max())}; reference {comparison.reference}"
    )
    return line + (f"; aligned to {comparison.aligned_to}" if comparison.aligned_to else "")


def _map_words(comparison: Comparison) -> str:
    """Say what the map of trouble spots shows, for readers who do not see it."""
    words = "; ".join(
        f"S{r.spot} at {wording.kilometre(r.along_m)}, {_KINDS[kind]}"
        for r, kind in zip(records(comparison.spots), comparison.spots["class"], strict=True)
    )
    return (
        "Map of the common path with "
        f"{wording.count(len(comparison.spots), 'trouble spot')}{': ' + words if words else ''}. "
        "The table holds the same in figures."
    )


def _frames(comparison: Comparison) -> Section:
    rows = tuple(map(_offset_row, records(comparison.offsets)))
    table = Table(
        "Shift of positions against the reference, by kind of evidence (95 %)",
        ("set-up", "evidence", "east", "north", "height", "smallest detectable", "answer", "remark"),
        rows,
        frozenset({2, 3, 4, 5}),
        wide=frozenset({1, 7}),
    )
    items = tuple(wording.sentence(f.text) for f in comparison.findings)
    note = (
        ()
        if comparison.aligned_to is None
        else (f"Positions were shifted to {comparison.aligned_to} for the parts below; the results stay as logged.",)
    )
    return Section("frames", "Base frames", note, items, (table,) if rows else ())


def _offset_row(row: Any) -> tuple[str, ...]:
    """Return the row of one kind of evidence on one set-up."""
    code = str(row.evidence)
    sizes = ((row.east_m, row.half_e_m), (row.north_m, row.half_n_m), (row.up_m, row.half_u_m))
    answer = wording.ABSENT if pd.isna(row.found) else "shift found" if row.found else "none found"
    return (
        row.day,
        _EVIDENCE.get(code, code.replace("base_log_none", "log at the base").replace("_", " ")),
        *(_signed(value, half) for value, half in sizes),
        wording.length(row.smallest_detectable_m, up=True),
        answer,
        "" if pd.isna(row.note) else str(row.note),
    )


def _signed(value: float, half: float) -> str:
    if pd.isna(value):
        return wording.ABSENT
    return f"{value:+z.3f} m" + ("" if pd.isna(half) else f" ± {half:.3f}")


def _places(comparison: Comparison) -> Section:
    spots = comparison.spots
    lines = [comparison.route]
    if not len(spots):
        return Section(
            "places", "The same places", (*lines, "No trouble began anywhere on the common path."), figures=("spots",)
        )
    rows = tuple(
        (
            f"S{row['spot']}",
            wording.kilometre(row["along_m"]),
            _KINDS[row["class"]],
            wording.words(row["kind"]),
            f"{row['troubled']} of {row['passes']}",
            f"{100 * row['share_low']:.0f}–{100 * row['share_high']:.0f} %",
            wording.duration(row["longest_s"]),
            str(row["words"]),
        )
        for _, row in spots.iterrows()
    )
    table = Table(
        "Trouble spots: where trouble begins, and how often",
        ("spot", "place", "answer", "kind", "passes", "95 % interval", "longest", "in words"),
        rows,
        frozenset({4, 5, 6}),
        wide=frozenset({7}),
    )
    tables = [table, _crossed(comparison)]
    if len(comparison.disagreements):
        tables.append(_disagreements(comparison))
    return Section("places", "The same places", tuple(lines), tables=tuple(tables), figures=("spots",))


def _crossed(comparison: Comparison) -> Table:
    """Return the place × pass table: one row per run and pass, one column per spot."""
    order = {"recurs": 0, "undecided": 1, "too_few_to_tell": 2, "one_off": 3}
    rated = comparison.spots.assign(rank=comparison.spots["class"].map(order)).sort_values(
        ["rank", "troubled"], ascending=[True, False]
    )
    shown = rated["spot"].head(MOST_SPOTS).sort_values().tolist()
    seen = comparison.spot_passes[comparison.spot_passes["spot"].isin(shown)]
    wide = seen.assign(text=seen["state"].map(_STATES)).pivot_table(
        index=["run", "pass"], columns="spot", values="text", aggfunc="first", observed=True
    )
    rows = tuple(
        (
            f"{run}, pass {number}",
            *(str(v) if isinstance(v, str) else "not passed" for v in wide.loc[(run, number)].reindex(shown)),
        )
        for run, number in wide.index
    )
    places = comparison.spots.set_index("spot")["along_m"]
    left = len(comparison.spots) - len(shown)
    note = f"{wording.count(left, 'further spot')} in recurrence.csv and spot_passes.csv." if left else ""
    return Table(
        "Places against passes",
        ("run and pass", *(f"S{s}, {wording.kilometre(places[s])}" for s in shown)),
        rows,
        note=note,
    )


def _disagreements(comparison: Comparison) -> Table:
    rows = tuple(
        (
            str(r.run),
            wording.kilometre(r.along_m),
            wording.length(r.length_m),
            wording.length(r.largest_m),
            str(r.words),
        )
        for r in records(comparison.disagreements)
    )
    return Table(
        "Fixed, yet in disagreement with the other fixed passes",
        ("run", "place", "length", "largest", "in words"),
        rows,
        frozenset({2, 3}),
        wide=frozenset({4}),
    )
