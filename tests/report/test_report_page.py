"""What the page says, in which order, and that nothing in a log can break it."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import report_builders as builders
from report_reader import Page

from analyzer import tables
from analyzer.assessment import Assessment
from analyzer.errors import OutputError, UsageError
from analyzer.recording import Finding, Recording
from analyzer.report import html, render, write_html
from analyzer.verdict.headline import headline_of

MOST_BYTES = 4_000_000


@pytest.fixture(scope="module")
def judged() -> Assessment:
    return builders.assessment()


@pytest.fixture(scope="module")
def source(judged: Assessment) -> str:
    return render(judged)


@pytest.fixture(scope="module")
def page(source: str) -> Page:
    return Page(source)


def test_the_first_screen_answers_in_order(page: Page) -> None:
    answers = (
        "Position quality of run 07",
        "Run 07, 24 Nov 2026, 09:12–09:47 UTC, car A, position of rear axle centre, base Hut, purpose lane 0.10 m.",
        "Fit with exclusions",
        "12 of 14 manoeuvres usable. Drive again: M05, M11",
        "M05: corrections 39 s old; position good to 32 cm, you need 10 cm (km 5.78–6.98)",
        "M11: corrections 34 s old",
        "Contradicted by the recording",
        "frame and height type",
        "Confirmed by the recording",
        "base as last time",
        "Not checked",
        "reference point and offsets",
        "Good to 2.4 cm (95 %) relative to the base",
        "Absolute: not checked, no known mark visited.",
        "Corrections lost 3 times, 74 s in all; longest at km 5.96.",
        "Fixed was lost once while corrections arrived, 12 s; at km 8.00.",
        "Along the route",
        "The route from above",
        "What this recording cannot show",
        "A constant offset of the whole day",
        "Dropouts: where, how long and why",
    )
    places = [page.text.find(answer) for answer in answers]
    assert -1 not in places, [a for a, p in zip(answers, places, strict=True) if p < 0]
    assert places == sorted(places)


def test_the_detail_follows_in_order(page: Page) -> None:
    wanted = [
        "Dropouts: where, how long and why",
        "Manoeuvres",
        "State, bound, age, satellites and speed over time",
        "Stretches not trusted",
        "Bound along, across and in height",
        "Claimed against shown: stretches and jumps",
        "Standstills: short-term repeatability",
        "What else was found",
        "Account of the files",
        "Figures and methods",
        "What the purpose asks for",
        "Cautions",
        "Versions",
    ]
    assert page.headings[-len(wanted) :] == wanted


@pytest.mark.parametrize(
    "words",
    [
        "no integrity monitor",
        "not survey-grade absolute coordinates",
        "repeatability, not accuracy",
        "safety rules of the site",
        "not evaluated: no GSV sentences in the log",
        "99.96 %",
        "of 3 490 848 bytes",
        "age rose to 38 s while satellites stayed",
        "Weakens an answer: Coordinates have 5 decimals of a minute: steps of 1.85 cm.",
        "SHA-256 " + "cd" * 32,
        "common practice",
        "wrong checksum",
        "byte 81 200: $GNGGA,091233.10,61<b>",
        "1.4 s to 1.6 s",
        "Times are UTC.",
        "75 % of the time",
        "Of the trusted time, 50 % has a horizontal bound of at most",
        "Availability: time and distance against the limit",
        "the accuracy of EN 16803, would take a reference",
    ],
)
def test_the_page_says(page: Page, words: str) -> None:
    assert words in page.text


def test_the_page_needs_nothing_else(page: Page) -> None:
    assert [link for link in page.links if not link.startswith(("#", "data:"))] == []
    assert "default-src 'none'" in "".join(value for _, value in page.attributes)


def test_ids_are_unique_and_links_lead_somewhere(page: Page) -> None:
    assert [name for name, n in page.ids.items() if n > 1] == []
    assert [link for link in page.links if link.startswith("#") and link[1:] not in page.ids] == []


def test_pictures_have_words_for_those_who_do_not_see_them(page: Page) -> None:
    words = [value for name, value in page.attributes if name == "aria-label" and len(value) > 60]
    assert len(words) == 4
    assert any("D1 km 5.96" in text for text in words)


def test_the_page_is_the_same_each_time(judged: Assessment, source: str) -> None:
    def still(text: str) -> str:
        return re.sub(r"[0-9a-f]{8}-[0-9a-f-]{27}|\bp\d{4,}\b", "", text)

    again = render(judged)
    assert len(again) == pytest.approx(len(source), abs=2000)
    assert still(again)[:200_000] == still(source)[:200_000]


def test_an_hour_at_100_hz_can_be_mailed() -> None:
    full = builders.assessment(duration_s=3600.0, rate_hz=100.0)
    assert len(render(replace(full, headline=headline_of(full))).encode()) <= MOST_BYTES


def test_names_from_logs_are_harmless() -> None:
    evil = "</script><script>alert(1)</script><b>&{{7*7}}$x^2$\"'"
    full = builders.assessment(duration_s=400.0)
    epochs = full.epochs.assign(
        window=np.where(full.epochs["window"] == "M01", evil, full.epochs["window"]), reasons=evil
    )
    hostile = replace(
        full,
        epochs=epochs,
        windows=full.windows.assign(name=[evil, *full.windows["name"].iloc[1:]], repeat=True, reason=evil),
        dropouts=full.dropouts.assign(evidence=evil, advice=evil, cause=evil),
        setup={"run": evil, "vehicle": evil},
        findings=(Finding("x", "note", evil),),
        cannot_show=(evil,),
        versions={evil: evil},
    )
    source = render(hostile)
    clean, dirty = Page(render(full)), Page(source)
    assert dirty.scripts == clean.scripts
    assert "alert(1)</script><b>&{{7*7}}$x^2$" in dirty.text
    assert "<script>alert" not in source


def test_local_time_and_a_wrong_zone(judged: Assessment) -> None:
    assert "09:12–09:47 UTC (10:12–10:47 CET)" in render(judged, time_zone="Europe/Berlin")
    with pytest.raises(UsageError, match="Nowhere"):
        render(judged, time_zone="Nowhere/Land")


def test_the_file_is_written_whole_or_not_at_all(
    judged: Assessment, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(html, "render", lambda assessment, *, time_zone: "<!DOCTYPE html>é")
    write_html(judged, tmp_path / "report.html")
    assert (tmp_path / "report.html").read_text(encoding="utf-8") == "<!DOCTYPE html>é"
    with pytest.raises(OutputError, match="cannot be written"):
        write_html(judged, tmp_path / "absent" / "report.html")
    (tmp_path / "taken").mkdir()
    with pytest.raises(OutputError, match="cannot be written"):
        write_html(judged, tmp_path / "taken")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["report.html", "taken"]


def test_a_run_is_called_by_its_sheet_or_by_the_file_with_its_positions() -> None:
    """Of a folder the corrections come first by the alphabet; they are not the run."""
    log = builders.source()
    both = Recording((replace(log, name="day1/corrections_base.rtcm3", format="rtcm3"), replace(log, name="day1\\first.pass.nmea.gz")),
                     fixes=tables.FIXES.conform(pd.DataFrame({"source_id": [1]}, index=pd.DatetimeIndex(["2026-04-14T08:10:00Z"]))))
    judged = replace(builders.assessment(duration_s=60.0), recording=both, setup={})
    assert judged.run == "first" and replace(judged, setup={"run": "lap 4"}).run == "lap 4"
    made = tables.FIXES.conform(pd.DataFrame({"source_id": [-1]}, index=both.fixes.index))  # a table that was made, not read
    assert replace(judged, recording=Recording((), fixes=made)).run == "" and replace(judged, recording=Recording((log,), fixes=made)).run == "rover"
    assert replace(judged, recording=Recording((log,))).run == "rover" and replace(judged, recording=Recording(())).run == ""
