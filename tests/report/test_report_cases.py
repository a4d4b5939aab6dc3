"""Sensible words where something is missing, and no rounding that hides a failure."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import report_builders as builders
from matplotlib.figure import Figure
from report_reader import Page

from analyzer import wording
from analyzer.assessment import Assessment
from analyzer.metrics.metric import missing
from analyzer.recording import Finding
from analyzer.report import context, detail, drawing, explorer, render, view
from analyzer.report.brief import SCREEN_LINES, brief
from analyzer.report.figures import distance_axis
from analyzer.report.figures_bounds import availability
from analyzer.report.figures_route import distance_strip
from analyzer.report.losses import corrections_lines
from analyzer.report.summary import headline, quality_lines
from analyzer.userfiles.window_columns import LIMITS_UNUSED
from analyzer.verdict.elsewhere import NOT_HERE
from analyzer.verdict.headline import headline_of
from analyzer.verdict.judge import reason_texts
from analyzer.wording import Clock

pytestmark = pytest.mark.usefixtures("no_pictures")
#: As they are, before the modules' fixture takes them away.
pictures, linked_view = drawing.pictures, explorer.build


def no_corrections(full: Assessment) -> Assessment:
    epochs = full.epochs.assign(
        correction_age_s=np.nan, fix_state="autonomous", horizontal_bound_m=3.2, trust="rejected"
    )
    return replace(full, epochs=epochs, dropouts=builders.table(builders.DROPOUT_COLUMNS))


def no_positions(full: Assessment) -> Assessment:
    missing = dict.fromkeys(
        ("latitude_deg", "longitude_deg", "height_m", "horizontal_bound_m", "distance_m", "speed_mps"), np.nan
    )
    local = full.metrics.epochs.assign(east_m=np.nan, north_m=np.nan, distance_m=np.nan)
    return replace(
        full,
        epochs=full.epochs.assign(fix_state="no_fix", trust="not_evaluated", **missing),
        metrics=replace(full.metrics, epochs=local, origin=None),
        windows=builders.table(builders.WINDOW_COLUMNS),
    )


def no_windows(full: Assessment) -> Assessment:
    return replace(full, windows=builders.table(builders.WINDOW_COLUMNS), epochs=full.epochs.assign(window=""))


def no_age(full: Assessment) -> Assessment:
    values = tuple(m for m in full.metrics.values if not m.key.startswith("age_"))
    return replace(
        full,
        epochs=full.epochs.assign(correction_age_s=np.nan),
        dropouts=builders.table(builders.DROPOUT_COLUMNS),
        metrics=replace(full.metrics, values=values),
    )


def constant_age(full: Assessment) -> Assessment:
    told = missing("age_p50_s", "s", "median", "the age is constant 0, which no link can deliver")
    values = tuple(told if m.key == "age_p50_s" else m for m in full.metrics.values)
    return replace(
        full,
        epochs=full.epochs.assign(correction_age_s=0.0),
        dropouts=builders.table(builders.DROPOUT_COLUMNS),
        metrics=replace(full.metrics, values=values),
    )


def parked(full: Assessment) -> Assessment:
    local = full.metrics.epochs.assign(distance_m=0.0)
    return replace(
        no_windows(full), epochs=full.epochs.assign(distance_m=0.0), metrics=replace(full.metrics, epochs=local)
    )


def all_good(full: Assessment) -> Assessment:
    return replace(
        full,
        epochs=full.epochs.assign(trust="trusted", horizontal_bound_m=0.022, dropout_id=pd.NA),
        dropouts=builders.table(builders.DROPOUT_COLUMNS),
        standstills=builders.table(builders.STANDSTILL_COLUMNS),
        windows=full.windows.assign(repeat=False, verdict="fit"),
        setup_items=(),
        findings=(),
    )


def one_epoch(full: Assessment) -> Assessment:
    return replace(
        no_windows(full),
        epochs=full.epochs.iloc[:1],
        dropouts=builders.table(builders.DROPOUT_COLUMNS),
        metrics=replace(full.metrics, epochs=full.metrics.epochs.iloc[:1]),
    )


def never_fixed(full: Assessment) -> Assessment:
    return replace(full, epochs=full.epochs.assign(fix_state="float", correction_age_s=35.0), dropouts=builders.table(builders.DROPOUT_COLUMNS))


def of_height(full: Assessment) -> Assessment:
    limit = replace(full.purpose.limits[0], key="height", axis="vertical")
    return replace(full, purpose=replace(full.purpose, limits=(limit,)))


def refused(full: Assessment) -> Assessment:
    return replace(marked(full), absolute="refused: the check points file names no frame for Stone 4")


def marked(full: Assessment) -> Assessment:
    stands = full.standstills.assign(check_point=["Stone 4", None][: len(full.standstills)])
    return replace(full, standstills=stands, absolute="checked on 1 stand: offset 0.01 m")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            no_corrections,
            ["No position used corrections", "No second may be trusted for lane 0.10 m", "no base was used"],
        ),
        (
            no_positions,
            [
                "How good the positions are could not be evaluated",
            ],
        ),
        (no_windows, ["The run is usable for lane 0.10 m except for the stretches below.", "No manoeuvres were named"]),
        (no_age, ["Whether corrections were lost cannot be said: their age is not in the recording."]),
        (
            constant_age,
            [
                "Whether corrections were lost cannot be said: the age is constant 0, which no link can deliver.",
                "Outages of corrections could not be looked for",
            ],
        ),
        (
            all_good,
            [
                "Nothing to drive again.",
                "Corrections were never lost",
                "Every epoch is trusted.",
                "None was found",
                "never stood long enough",
                "No set-up sheet was given",
                "None: every epoch is trusted.",
            ],
        ),
        (one_epoch, ["24 Nov 2026, 09:12:00–09:12:00 UTC"]),
        (never_fixed, ["Outages of corrections are counted from the first fixed position on, and there was none."]),
        (refused, ["Absolute: 1 known mark (Stone 4) visited; refused: the check points file names no frame"]),
        (of_height, ["Good to 2.4 cm (95 %) horizontally, which this purpose does not limit, relative to the base"]),
        (marked, ["Absolute: checked on 1 known mark (Stone 4)"]),
    ],
)
def test_sensible_words_for(change: object, words: list[str]) -> None:
    page = Page(render(change(builders.assessment(duration_s=1200.0, rate_hz=2.0))))  # type: ignore[operator]
    assert [w for w in words if w not in page.text] == []
    assert not re.search(r"\bnan\b|NaT|<NA>|None\b(?! (?:was|:))", page.text.replace("None: every", ""))


def test_without_a_position_the_place_of_the_map_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(drawing, "pictures", pictures)
    monkeypatch.setattr(explorer, "build", linked_view)
    assert "No position was recorded, so there is no map" in Page(render(no_positions(builders.assessment(duration_s=300.0, rate_hz=2.0)))).text


@pytest.mark.parametrize(("change", "words"), [
    (no_corrections, ""), (no_positions, "no position recorded"), (one_epoch, ""), (never_fixed, ""), (parked, "the vehicle did not move,"),
])
def test_pictures_are_drawn_where_something_is_missing(change: object, words: str) -> None:
    judged = change(builders.assessment(duration_s=300.0, rate_hz=2.0))  # type: ignore[operator]
    run = view.build(judged)
    drawn = pictures(judged, run)
    assert all(picture.startswith("<svg") for picture in drawn.values()) and words in "".join(drawn.values())
    linked = linked_view(judged, run)
    assert linked is not None and {"lanes", "bound"} <= set(linked.plots) and ("map" in linked.plots) == bool(run.placed)


def test_a_lone_epoch_is_not_called_every_epoch() -> None:
    lone = one_epoch(all_good(builders.assessment(duration_s=600.0, rate_hz=2.0)))
    assert "The only epoch is trusted." in quality_lines(lone)[0]


def test_an_outage_under_a_held_fix_has_nothing_to_be_fixed_again() -> None:
    full = builders.assessment(duration_s=1200.0, rate_hz=2.0)
    lost = full.epochs["fix_state"].astype(str).where(np.arange(len(full.epochs)) % 7 > 0, "float")
    drops = full.dropouts.assign(refix_s=[0.0, *[6.0] * (len(full.dropouts) - 1)], kind="correction_outage")
    for states, word in (("fixed", "never lost"), (lost, "at its end")):
        table = detail.dropouts(replace(full, epochs=full.epochs.assign(fix_state=states), dropouts=drops), Clock()).tables[0]
        assert [row[table.head.index("fixed again, after its end")] for row in table.rows] == [word, *["6 s"] * (len(drops) - 1)]


@pytest.mark.parametrize(("route_m", "unit", "last"), [(20.0, "m", 20.0), (600.0, "m", 600.0), (20_000.0, "km", 20.0)])
def test_a_short_route_has_its_axis_in_metres(route_m: float, unit: str, last: float) -> None:
    ax = Figure().subplots()
    distance_axis(ax, route_m)
    ticks = [t for t in ax.get_xticks() if t <= ax.get_xlim()[1] + 1e-9]
    shown = ax.xaxis.get_major_formatter().format_ticks(ticks)
    assert ax.get_xlabel().endswith(f", {unit}") and float(shown[-1]) == last


def test_a_run_that_begins_without_a_fix_is_usable_from_the_first_one_on() -> None:
    """An hour that starts in a hall is not usable as a whole, however good what follows is."""
    full = builders.assessment(duration_s=600.0, rate_hz=2.0)
    good = full.epochs.assign(fix_state="fixed", trust="trusted")
    fit = replace(full, windows=full.windows.iloc[:0], verdict=replace(full.verdict, level="fit"), epochs=good)
    assert headline(fit) == f"The whole run is usable for {fit.purpose.title}."
    inside = np.arange(len(good)) < 200
    late = good.assign(fix_state=np.where(inside, "no_fix", "fixed"), trust=np.where(inside, "rejected", "trusted"))
    said = headline(replace(fit, epochs=late))
    assert said == f"The run is usable for {fit.purpose.title} from {Clock().time(late.index[200])} UTC on: no position was fixed in the 100 s before."
    coarse = late.assign(trust="trusted")
    assert headline(replace(fit, epochs=coarse)).startswith("The whole run"), "float is enough for this purpose"


def test_corrections_are_not_said_to_arrive_where_no_age_was_logged() -> None:
    """In a garage no sentence carries an age, and no radio reaches it either."""
    full = builders.assessment(duration_s=2160.0, rate_hz=2.0)
    loss = full.dropouts[full.dropouts["kind"] == "fix_loss"]
    assert any("Fixed was lost once while corrections arrived" in line for line in corrections_lines(full))
    inside = full.epochs["dropout_id"].isin(loss["dropout_id"]).to_numpy()
    blind = replace(full, epochs=full.epochs.assign(correction_age_s=full.epochs["correction_age_s"].mask(inside)))
    lines = corrections_lines(blind)
    assert not any("while corrections arrived" in line for line in lines)
    assert any("Fixed was lost once (for 12 s of it no age of corrections was logged), 12 s" in line for line in lines)
    never = corrections_lines(replace(blind, dropouts=loss))
    assert never[0] == ("Corrections were never lost for a second or longer while their age was logged; what became of them in 12 s without fixed is not in the log.")


def test_a_run_that_never_was_fixed_is_one_thing_to_say() -> None:
    """However many gaps of the logger cut the wait into pieces."""
    full = builders.assessment(duration_s=600.0, rate_hz=2.0)
    row = full.dropouts.iloc[[0]].assign(kind="no_fix_despite_corrections", duration_s=100.0)
    waits = pd.concat([row, row, row], ignore_index=True)
    never = replace(full, headline=None, dropouts=waits, epochs=full.epochs.assign(fix_state="float"))
    assert "Nothing was fixed in the 10 min 00 s recorded, though fresh corrections arrived for 5 min 00 s of them." in corrections_lines(never)
    late = replace(never, epochs=full.epochs)
    assert any("without bringing fixed 3 times" in line for line in corrections_lines(late))


def test_limits_of_manoeuvres_that_are_not_used_stand_on_the_first_screen() -> None:
    full = builders.assessment(duration_s=600.0, rate_hz=2.0)
    told = Finding(LIMITS_UNUSED, "warning", "Not used in w.csv: column limit_m.", {})
    assert told.text in quality_lines(replace(full, findings=(*full.findings, told)))


def test_manoeuvres_beside_the_recording_have_a_list_of_their_own() -> None:
    full = builders.assessment(duration_s=600.0, rate_hz=2.0)
    windows = full.windows.iloc[:3].assign(name=["A", "b", "C"], verdict=["fit", "not_evaluated", "not_evaluated"], repeat=False, accepted_by=None,
                                           reason=["", *[f"{NOT_HERE} (09:00 to 09:08 UTC): check the day"] * 2])
    apart = replace(full, windows=windows)
    assert headline(apart) == "1 of 3 manoeuvres usable. Not in this recording: b, C."
    assert "Check the windows file:\n  b, C: not in this recording (09:00 to 09:08 UTC): check the day\n" in brief(apart) + "\n"
    assert "Drive again" not in brief(apart)
    assert f"b, C: {NOT_HERE} (09:00 to 09:08 UTC): check the day." in render(apart)


def test_the_weakest_trusted_second_never_prints_beyond_what_is_needed() -> None:
    """6.6 cm stood beside a need of 6.57 cm."""
    full = builders.assessment(duration_s=600.0, rate_hz=2.0)
    needed_m = 0.1 / full.purpose.margin
    figures = replace(headline_of(full), bound_p95_m=0.03, bound_worst_trusted_m=needed_m - 1e-4)
    assert "; 6.57 cm in the weakest second" in quality_lines(replace(full, headline=figures))[0]


def test_names_of_any_length_and_direction_leave_the_table_of_manoeuvres_readable(monkeypatch: pytest.MonkeyPatch) -> None:
    """A name without a blank made the table wider than two screens; one from right to left turned the date behind it about."""
    full = builders.assessment(duration_s=600.0, rate_hz=2.0)
    names = ["M" * 240, *full.windows["name"].tolist()[1:]]
    long = replace(full, windows=full.windows.assign(name=names), setup=full.setup | {"run": "שלום"})
    page = render(long)
    assert re.search(r'<th scope="row" data-name="[^"]*" class="words">(<button[^>]*>)?M{240}', page)
    assert "Run \u2068שלום\u2069, " in page
    assert "tbody th.words { white-space: normal; min-width: 11rem; overflow-wrap: anywhere; }" in page


def test_the_linked_view_rounds_what_is_needed_down_as_the_verdict_does() -> None:
    full = builders.assessment(duration_s=60.0, rate_hz=2.0)
    run = view.build(full)
    _, labels = explorer.point_data(full, run)
    assert labels["limit_m"] == 0.1 and labels["trusted_to"] == "0.0657"


def test_reasons_of_a_stretch_say_how_much_of_it_they_hold_for() -> None:
    """Fifteen seconds of float at the begin of ten minutes in another frame are not its reason."""
    full = builders.assessment(duration_s=120.0, rate_hz=2.0)
    rows = np.arange(len(full.epochs))
    bad = full.epochs.assign(trust="rejected", reasons=pd.Categorical(np.where(rows < 60, "state,frame", "frame")))
    (table,) = detail.unusable(replace(full, epochs=bad), view.build(replace(full, epochs=bad)), Clock()).tables
    (row,) = table.rows
    texts = reason_texts()
    assert row[table.head.index("why")] == f"{texts['frame']}; {texts['state']} (25.0 % of it)"


def test_a_purpose_of_height_alone_is_told_the_height() -> None:
    full = builders.assessment(duration_s=600.0, rate_hz=2.0)
    tall = replace(full, purpose=replace(full.purpose, limits=(replace(full.purpose.limits[0], axis="vertical"),)), headline=None)
    told = quality_lines(tall)[0]
    figure = headline_of(tall).trusted_p95_m["vertical"]
    assert "which this purpose does not limit" in told
    assert f"; height, which it limits, to {wording.length(figure, up=True)} for 95 % of the time" in told
    assert "which it limits" not in quality_lines(full)[0]


def test_what_a_limited_axis_keeps_within_is_said_of_the_trusted_time_alone() -> None:
    """Half the run is 7 m off across the track and not trusted: the sentence speaks of the other half."""
    full = builders.assessment(duration_s=600.0, rate_hz=2.0)
    good = np.arange(len(full.epochs)) % 2 == 0
    epochs = full.epochs.assign(trust=np.where(good, "trusted", "rejected"), across_bound_m=np.where(good, 0.02, 7.0), horizontal_bound_m=0.03)
    aside = replace(full, epochs=epochs, purpose=replace(full.purpose, limits=(replace(full.purpose.limits[0], axis="across"),)), headline=None)
    assert headline_of(aside).trusted_p95_m["across"] == 0.02
    told = quality_lines(aside)[0]
    assert "to 2 cm for 95 % of the time. That holds for the trusted" in told and "7 m" not in told


def test_a_hundred_manoeuvres_leave_room_on_the_first_screen() -> None:
    full = builders.assessment(duration_s=600.0, rate_hz=2.0)
    row, names = full.windows.iloc[0].to_dict(), [f"a long name of a manoeuvre {n}" for n in range(100)]

    def with_usable(usable: int) -> Assessment:
        rows = [row | {"name": name, "verdict": "fit" if n < usable else "not_fit", "repeat": n >= usable} for n, name in enumerate(names)]
        return replace(full, windows=pd.DataFrame(rows, columns=full.windows.columns))

    assert headline(with_usable(0)) == "0 of 100 manoeuvres usable. Drive again: all"
    many = with_usable(3)
    report, screen = context.build(many, view.build(many), Clock()), brief(many)
    said = f"3 of 100 manoeuvres usable. Drive again: {', '.join(names[3:8])} and 92 more"
    assert report.headline == said and len(report.again) == 12
    assert [name for name, _why in report.again[:-1]] == names[3:14] and report.again[-1] == ("86 more", "see the table of manoeuvres below")
    assert [row[0] for part in report.sections for table in part.tables if part.key == "manoeuvres" for row in table.rows] == names
    assert said in " ".join(screen.split()) and len(screen.splitlines()) <= SCREEN_LINES and max(map(len, screen.splitlines())) < 200


def test_a_run_without_epochs_has_a_page() -> None:
    page = Page(render(builders.empty()))
    assert "no epoch recorded" in page.text
    assert "No file was read." in page.text
    assert page.scripts == 1


def test_a_bound_just_over_the_limit_does_not_print_as_the_limit() -> None:
    full = builders.assessment(duration_s=400.0)
    windows = full.windows.assign(repeat=True, verdict="not_fit", reason="", worst_horizontal_bound_m=0.104)
    page = Page(render(replace(full, windows=windows)))
    assert "position good to 11 cm, you need 10 cm" in page.text
    near = Page(render(replace(full, windows=windows.assign(worst_horizontal_bound_m=0.081))))
    assert "position good to 8.1 cm, too near the 10 cm you need (margin 1.52)" in near.text


@pytest.mark.parametrize("limit_m", [0.002, 0.1, 50.0])
def test_the_name_of_a_limit_stands_within_the_availability_figure(limit_m: float) -> None:
    full = builders.assessment()
    limits = tuple(replace(limit, value=limit_m) for limit in full.purpose.limits)
    fig = Figure(figsize=(4.6, 2.4))
    ax = fig.subplots()
    availability(replace(full, purpose=replace(full.purpose, limits=limits)), ax)
    fig.canvas.draw()
    edge = ax.get_window_extent()
    named = [text.get_window_extent() for text in ax.texts if text.get_text().startswith("limit, ")]
    assert named and all(edge.x0 <= box.x0 and box.x1 <= edge.x1 for box in named)


def test_manoeuvres_to_drive_again_are_named_first_where_names_find_no_room() -> None:
    full = builders.assessment()
    ax = Figure(figsize=(4.6, 2.4)).subplots()
    again = full.windows["name"].isin(["M04", "M08"])
    unnamed = distance_strip(replace(full, windows=full.windows.assign(repeat=again)), ax, dense=20.0)
    named = {text.get_text() for text in ax.texts}
    assert unnamed > 0 and {"M04", "M08"} <= named
