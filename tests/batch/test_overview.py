"""The page of a batch: what is to be driven again over all runs, where each report is, and what cost the fix."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest

from analyzer.batch.overview import PAGE, overview_of, write_overview
from analyzer.batch.store import FailedDrive
from analyzer.errors import OutputError
from analyzer.verdict.elsewhere import NOT_HERE


def _window(name: str, minute: int, *, repeat: bool) -> dict[str, Any]:
    return {"name": name, "start_utc": f"2026-04-14T08:{minute:02d}:00Z", "end_utc": f"2026-04-14T08:{minute + 1:02d}:00Z", "start_distance_m": 1000.0,
            "end_distance_m": 1500.0, "verdict": "not_fit" if repeat else "fit", "worst_horizontal_bound_m": 0.37 if repeat else 0.03,
            "share_trusted": 0.755 if repeat else 1.0, "reason": "not fixed (float)" if repeat else "", "repeat": repeat}


def _dropout(cause: str, seconds: float, advice: str) -> dict[str, Any]:
    return {"cause": cause, "duration_s": seconds, "advice": advice}


def _run(folder: Path, run: str, *, start: str, verdict: str = "fit", windows: list[dict[str, Any]] | None = None,
         dropouts: list[dict[str, Any]] | None = None, **more: Any) -> dict[str, Any]:
    """Write a result folder as small as the page needs, and return its row."""
    place = folder / "runs" / run
    place.mkdir(parents=True)
    (place / "summary.json").write_text(json.dumps({"windows": windows or [], "dropouts": dropouts or []}))
    (place / "report.html").write_text("<p>report</p>")
    return {"run": run, "folder": f"runs/{run}", "date": start[:10], "start_utc": start, "duration_s": 600.0, "verdict": verdict, "share_trusted": 0.9,
            "share_time_fixed": None, "age_p95_s": 1.3, "dropouts": len(dropouts or []), "windows": len(windows or []), "purpose": "lane 0.10 m",
            "windows_to_repeat": sum(w["repeat"] for w in windows or []), "sentence": f"words of {run}", "damage": None, **more}


@pytest.fixture
def rows(tmp_path: Path) -> list[dict[str, Any]]:
    late = _run(tmp_path, "Bremsen & Kurve 2 % ä", start="2026-04-15T07:00:00Z", verdict="not_fit", windows=[_window("stop", 20, repeat=True)],
                dropouts=[_dropout("correction_link", 40.0, "Raise it."), _dropout("correction_link", 30.0, "Raise it."), _dropout("correction_link", 5.0, "Else.")])
    early = _run(tmp_path, "run01", start="2026-04-14T08:00:00Z", verdict="fit_with_exclusions", windows=[_window("lap", 10, repeat=True), _window("lap 2", 30, repeat=False)],
                 dropouts=[_dropout("sky_obstruction", 60.0, "Wait.")])
    return [late, early]


def test_all_runs_stand_in_order_of_time_with_what_is_to_be_driven_again(tmp_path: Path, rows: list[dict[str, Any]]) -> None:
    found = overview_of(tmp_path, rows)
    assert [r["run"] for r in found.runs] == ["run01", "Bremsen & Kurve 2 % ä"]
    assert [(a.run, a.window["name"]) for a in found.again] == [("run01", "lap"), ("Bremsen & Kurve 2 % ä", "stop")]
    assert [(x.cause, x.times, x.seconds, x.runs, x.advice) for x in found.losses] == [
        ("correction_link", 3, 75.0, ("Bremsen & Kurve 2 % ä",), "Raise it."), ("sky_obstruction", 1, 60.0, ("run01",), "Wait.")]


def test_the_page_answers_first_and_leads_to_every_report(tmp_path: Path, rows: list[dict[str, Any]]) -> None:
    write_overview(tmp_path, rows, [FailedDrive("run <b>", "/drives/run", 1, 3, "no position in it.")], ["a note"])
    page = (tmp_path / PAGE).read_text(encoding="utf-8")
    assert "2 manoeuvres of 2 runs are to be driven again" in page and "Of 2 runs: 1 fit with exclusions and 1 not fit." in page
    assert 'class="verdict not_fit"' in page
    assert "run &lt;b&gt;: no position in it." in page and "<b>" not in page and "a note" in page
    links = re.findall(r'<a href="([^"#][^"]*)"', page)
    assert len(links) == 4 and all((tmp_path / unquote(link)).is_file() for link in links), links
    assert not list(tmp_path.glob(".*.building"))
    write_overview(tmp_path, rows, [], [])
    assert "Without a result" not in (tmp_path / PAGE).read_text(encoding="utf-8")


def test_a_page_of_good_runs_says_that_nothing_is_to_be_driven_again(tmp_path: Path) -> None:
    one = _run(tmp_path, "run01", start="2026-04-14T08:00:00Z", windows=[_window("lap", 10, repeat=False)])
    write_overview(tmp_path, [one], [], [])
    page = (tmp_path / PAGE).read_text(encoding="utf-8")
    assert "No manoeuvre is to be driven again" in page and "Of 1 run: 1 fit." in page and 'class="verdict fit"' in page
    assert "No dropout was found in any run." in page


def test_a_manoeuvre_beside_its_recording_is_named_and_not_to_be_driven_again(tmp_path: Path) -> None:
    window = _window("lap", 10, repeat=False) | {"verdict": "not_evaluated", "reason": f"{NOT_HERE} (08:00 to 09:00 UTC)"}
    write_overview(tmp_path, [_run(tmp_path, "run01", start="2026-04-14T08:00:00Z", verdict="not_evaluated", windows=[window])], [], [])
    page = (tmp_path / PAGE).read_text(encoding="utf-8")
    assert "check day and time zone in the windows files: lap of run01." in page and "No manoeuvre is to be driven again" in page


def test_runs_without_manoeuvres_that_are_not_fit_are_named(tmp_path: Path) -> None:
    one = _run(tmp_path, "run01", start="2026-04-14T08:00:00Z", verdict="not_fit")
    write_overview(tmp_path, [one], [], [])
    page = (tmp_path / PAGE).read_text(encoding="utf-8")
    assert "No manoeuvres were given" in page and "only the run as a whole is judged, and not fit throughout: run01." in page


def test_a_run_whose_summary_is_gone_counts_by_its_row(tmp_path: Path, rows: list[dict[str, Any]]) -> None:
    (tmp_path / "runs/run01/summary.json").write_text("{broken")
    assert [a.run for a in overview_of(tmp_path, rows).again] == ["Bremsen & Kurve 2 % ä"]


def test_no_run_at_all_is_a_page_too(tmp_path: Path) -> None:
    write_overview(tmp_path, [], [FailedDrive("x", "/x", 1, 3, "nothing.")], [])
    page = (tmp_path / PAGE).read_text(encoding="utf-8")
    assert "There is no run to judge." in page and "1 drive could not be assessed: x." in page and 'class="verdict not_evaluated"' in page


def test_a_page_that_cannot_be_written_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / PAGE).mkdir()
    (tmp_path / PAGE / "in the way").touch()
    with pytest.raises(OutputError, match=r"runs\.html: .*; the runs themselves are finished"):
        write_overview(tmp_path, [], [], [])
