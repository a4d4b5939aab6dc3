"""What a person accepted or excluded stands in every output, with who and why."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest
from stand_log import write_stand

from analyzer import assess, read, write_results
from analyzer.assessment import Assessment
from analyzer.cli import main
from analyzer.report.brief import brief
from analyzer.results.geojson import route
from analyzer.userfiles.accept import Decision
from analyzer.userfiles.tabular import read_windows

pytestmark = pytest.mark.usefixtures("no_pictures")

START = pd.Timestamp("2026-03-24T09:00:00Z")
EXCLUDED = Decision("exclude", "B. Smith", "turning round", window="A")
ACCEPTED = Decision("accept", "the test lead", "seen on video", start_utc=START + pd.Timedelta("12s"), end_utc=START + pd.Timedelta("15s"))


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> Assessment:
    place = tmp_path_factory.mktemp("stand")
    windows = place / "w.csv"
    windows.write_text("name,start_utc,end_utc\nA,09:00:05,09:00:10\nB,09:00:11,09:00:16\n")
    return assess(read([write_stand(place / "stand.nmea")]), windows=read_windows(windows), decisions=(EXCLUDED, ACCEPTED))


@pytest.fixture(scope="module")
def result(judged: Assessment, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("results") / "run"
    write_results(judged, out)
    return out


def test_one_screen_names_who_and_why_and_counts_nothing_twice(judged: Assessment) -> None:
    text = brief(judged)
    assert "1 of 2 manoeuvres usable. Left out by the user: A." in text
    for words in ("window A: left out of the judged time by B. Smith: turning round", "by the test lead: seen on video"):
        assert words in text


def test_the_map_has_each_stretch_that_was_decided(judged: Assessment) -> None:
    found = [f for f in json.loads(json.dumps(route(judged)))["features"] if f["properties"]["kind"] == "decision"]
    assert [f["properties"] for f in found] == [
        {"kind": "decision", "action": "exclude", "by": "B. Smith", "reason": "turning round",
         "start_utc": "2026-03-24T09:00:05Z", "end_utc": "2026-03-24T09:00:10Z"},
        {"kind": "decision", "action": "accept", "by": "the test lead", "reason": "seen on video",
         "start_utc": "2026-03-24T09:00:12Z", "end_utc": "2026-03-24T09:00:15Z"},
    ]
    assert all(f["geometry"]["type"] in ("Point", "LineString") for f in found)


def test_explain_says_who_excluded_it_and_does_not_call_it_fit(result: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["explain", str(result), "--at", "09:00:07"]) == 0
    text = capsys.readouterr().out
    assert "decision: excluded by B. Smith: turning round (09:00:05 UTC to 09:00:10 UTC)" in text
    assert "window A: left out of the judged time by a decision" in text and "no need to drive again" not in text
    assert main(["explain", str(result), "--at", "09:00:13"]) == 0
    text = capsys.readouterr().out
    assert "decision: accepted by the test lead: seen on video" in text and "B. Smith" not in text


def test_the_report_tells_the_verdict_from_the_decision(result: Path) -> None:
    page = (result / "report.html").read_text(encoding="utf-8")
    assert "fit, excluded by the user" in page and "by B. Smith: turning round" in page
