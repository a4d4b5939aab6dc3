"""The page of a base check."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from analyzer import wording
from analyzer.comparing.base_check import BaseCheck
from analyzer.comparing.base_move_words import move_words
from analyzer.comparing.rows import records
from analyzer.report.base_page_parts import pictures
from analyzer.report.figures import TEXT, plain_axes
from analyzer.report.model import Section, Table
from analyzer.report.palette import colour
from analyzer.report.plain_page import CAUTIONS, Page, render_page

#: Where a base may lie, what counts as settled, and words for both.
_LEVELS = {
    True: ("fit", "Settled"),
    False: ("fit_with_exclusions", "Not settled throughout"),
    None: ("not_evaluated", "Not evaluated"),
}
_SIGNS = {
    "no_position": "no position at the beginning",
    "fix_state": "a lower fix state at the beginning",
    "satellites": "satellites that build up",
    "claim": "the receiver's own claim that falls",
}
_MOVED = {"drift": "a drift that dies out", "step": "a step", "steady_drift": "a steady drift"}
_KINDS = {
    "base_log_metre": "an autonomous log at the base, held against another",
    "base_log_half_metre": "a code-differential log at the base",
    "base_log_decimetre": "a float log at the base",
    "base_log_centimetre": "a log at the base fixed against a network",
    "three_marks_a_day": "three marks visited once a day",
    "one_common_parking_place": "one parking place without a mark",
    "entered_coordinates": "the coordinates that are sent (1005, 1006)",
    "station_id": "the station id",
}


def render_base(check: BaseCheck) -> str:
    """Return the page of a base check."""
    level, words = _level(check)
    clock = wording.Clock()
    page = Page(
        "Was the base fit to start from?",
        f"{clock.span(check.start_utc, check.end_utc)}, mainly {wording.words(check.fix_state)}, "
        f"{wording.count(check.mean.n, 'position')} in the steady part",
        level,
        words,
        check.sentences[0],
        check.sentences[1:],
        (
            _coordinates(check),
            _track(check),
            _evidence(check),
            _waiting(check),
            Section("cautions", "Cautions", items=CAUTIONS),
        ),
    )
    alternative = {
        "track": "East, north and height of the log over time about the mean of its steady part, with the start "
        "of that part. "
        "The sentences above hold the drift in figures."
    }
    return render_page(
        "plain.html.jinja",
        page=page,
        figures=pictures("track", lambda w: track_figure(check, width=w)),
        alternatives=alternative,
    )


def _level(check: BaseCheck) -> tuple[str, str]:
    """Return class and words of the answer; few satellites and a move within the log stand beside settled or instead."""
    if check.settling.moves:
        return "not_fit", "Moved within the log"
    if check.settled and check.few:
        return "fit_with_exclusions", "Settled, but few satellites"
    return _LEVELS[check.settled]


def _coordinates(check: BaseCheck) -> Section:
    latitude, longitude, height = check.coordinates
    rows = (
        ("latitude", f"{latitude:.9f}°", wording.length(1.96 * check.sigma_m[1])),
        ("longitude", f"{longitude:.9f}°", wording.length(1.96 * check.sigma_m[0])),
        ("ellipsoidal height", f"{height:.4f} m", wording.length(1.96 * check.sigma_m[2])),
    )
    return Section(
        "coordinates",
        "Coordinates of the steady part",
        tables=(
            Table(
                "The mean, with what it repeats to within this log (95 %, autocorrelation counted)",
                ("", "value", "±"),
                rows,
                frozenset({1, 2}),
            ),
        ),
    )


def _track(check: BaseCheck) -> Section:
    rows = (*_movements(check), *((_SIGNS[key], text, "–", "–") for key, text in check.start.signs))
    return Section(
        "drift",
        "Position over time",
        figures=("track",),
        tables=(
            Table(
                "What speaks for and against a settled base",
                ("evidence", "found", "horizontal", "height"),
                rows,
                frozenset({2, 3}),
                wide=frozenset({0, 1}),
            ),
        ),
    )


def _movements(check: BaseCheck) -> list[tuple[str, str, str, str]]:
    """Return a row for each kind of movement: what was found, or the size that would have been."""
    one = check.settling
    if one.drifts is None:
        return [("a movement of the position", f"not evaluated: {one.reason}", "–", "–")]
    kinds = {
        "drift": f"a drift that dies out with a time constant of {one.detectable_decay_s:.0f} s",
        "step": "a step in the middle half of the log",
        "steady_drift": "a steady drift over the log",
    }
    sizes = {"drift": one.detectable_m, "step": one.detectable_step_m, "steady_drift": one.detectable_steady_m}
    found = [("step" if m.kind == "step" else "steady_drift", move_words(m, check.start_utc), m.vector_m) for m in one.moves]
    if one.drifts:
        found.append(("drift", "found, of this size", one.drift_m))
    rows = []
    for kind, (horizontal, up) in sizes.items():
        seen = [(words, vector) for name, words, vector in found if name == kind]
        rows += [(_MOVED[kind], words, _length(np.hypot(v[0], v[1])), _length(abs(v[2]))) for words, v in seen]
        if not seen and np.isfinite(horizontal) and not found:
            none = "none found; one of this size would have been in four of five cases"
            rows.append((kinds[kind], none, wording.length(horizontal, up=True), wording.length(up, up=True)))
    return rows


def _length(value_m: float) -> str:
    return wording.length(float(value_m))


def _evidence(check: BaseCheck) -> Section:
    rows = tuple(
        (_KINDS[kind], "cannot show where the antenna stands" if size is None else wording.length(size, up=True))
        for kind, size in check.detectable_m.items()
    )
    return Section(
        "what-shows",
        "What would show a moved antenna",
        ("Below these sizes the answer is never that nothing moved.",),
        tables=(
            Table(
                "Smallest shift that is found in four of five cases, by kind of evidence",
                ("evidence", "smallest detectable shift"),
                rows,
                frozenset({1}),
                wide=frozenset({0}),
            ),
        ),
    )


def _waiting(check: BaseCheck) -> Section:
    rows = tuple(
        (
            wording.duration(r.waited_s),
            wording.length(r.repeat_95_m),
            wording.length(r.repeat_up_95_m),
            "extrapolated" if r.extrapolated else "",
        )
        for r in records(check.waiting)
    )
    return Section(
        "waiting",
        "How waiting helps",
        (
            "Repeatability of the mean within a log like this one; autonomous positions converge to a biased "
            "value, so waiting makes them "
            "repeat, not true.",
        ),
        tables=(
            Table(
                "Repeatability of the mean (95 %)", ("waited", "horizontal", "height", ""), rows, frozenset({0, 1, 2})
            ),
        ),
    )


def track_figure(check: BaseCheck, *, width: float) -> Figure:
    """Return east, north and height over time as a figure `width` [inch] wide."""
    figure = Figure(figsize=(width, 4.2))
    minutes = check.track["seconds"].to_numpy(np.float64) / 60.0
    steady = (check.steady_from_utc - check.start_utc).total_seconds() / 60.0
    last = (check.steady_until_utc - check.start_utc).total_seconds() / 60.0
    for row, (name, label) in enumerate((("east_m", "east, m"), ("north_m", "north, m"), ("up_m", "height, m"))):
        ax = figure.add_axes((0.75 / width, 0.14 + 0.29 * (2 - row), (width - 0.9) / width, 0.2))
        plain_axes(ax)
        ax.grid(axis="y", color=colour("rule"), linewidth=0.6)
        values = check.track[name].to_numpy(np.float64) - check.mean.mean_m[row]
        ax.plot(minutes, values, color=colour("line"), linewidth=1.1)
        ax.set_title(label, loc="left", fontsize=TEXT, color=colour("ink"), pad=3)
        ax.tick_params(labelbottom=row == 2)
        for moment, words in ((steady, "steady from here"), (last, "steady until here")):
            if not 0.0 < moment < (check.end_utc - check.start_utc).total_seconds() / 60.0:
                continue
            ax.axvline(moment, color=colour("limit"), linewidth=1.0, dashes=(4, 2))
            if row == 0:
                _beside_line(ax, moment, words, left=moment == last)
        if row == 2:
            ax.set_xlabel("minutes after the start of the log", fontsize=TEXT)
    return figure


def _beside_line(ax: Axes, moment: float, words: str, *, left: bool) -> None:
    """Write words beside a line at a moment [min], within the steady part."""
    ax.annotate(
        words,
        (moment, 1.0),
        xycoords=("data", "axes fraction"),
        xytext=(-4 if left else 4, -9),
        textcoords="offset points",
        ha="right" if left else "left",
        fontsize=TEXT - 1,
        color=colour("limit"),
    )
