"""The page in a real browser: nothing fails, nothing is fetched, the map and the strips move together."""

from __future__ import annotations

import importlib
import json
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import report_builders as builders
from report_browser import Browser, find

from analyzer.comparing.compare import compare
from analyzer.recording import Finding
from analyzer.report import write_html
from analyzer.report.compare_page import render_comparison

PROGRAM = find()
pytestmark = pytest.mark.skipif(PROGRAM is None, reason="no Chromium found: install chromium to run the browser tests")
STATE = "JSON.parse(JSON.stringify(window.linkedView.state()))"


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "report.html"
    write_html(builders.assessment(), path)
    return path


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with Browser(str(PROGRAM)) as one:
        yield one


@pytest.fixture
def page(browser: Browser, report: Path) -> Iterator[Browser]:
    browser.console.clear()
    browser.requests.clear()
    browser.media()
    browser.size(1440, 900)
    browser.open(report)
    yield browser
    assert browser.console == []
    assert [url for url in browser.requests if not url.startswith(("file:", "data:", "blob:"))] == []


def frame(page: Browser, name: str) -> dict[str, float]:
    """Scroll a plot into view and return its drawing area in the window [px]."""
    script = f"""(() => {{
        const model = Bokeh.documents[0].get_model_by_name({json.dumps(name)});
        const view = Object.values(Bokeh.index.roots ?? Bokeh.index).find((v) => v.model === model);
        view.el.scrollIntoView({{block: "center"}});
        const box = view.el.getBoundingClientRect(), inner = view.frame.bbox;
        return {{x: box.x + inner.left, y: box.y + inner.top, width: inner.width, height: inner.height}};
    }})()"""
    found: dict[str, float] = page.run(script)
    return found


def state(page: Browser) -> dict[str, Any]:
    """Return cursor, selection and range of the linked view."""
    found: dict[str, Any] = page.run(STATE)
    return found


def test_opening_the_page_fails_nothing_and_fetches_nothing(page: Browser, report: Path) -> None:
    assert page.requests == [report.resolve().as_uri()]
    assert page.run("document.title") == "Position quality of run 07"


def test_pointing_at_a_second_shows_its_place_and_its_evidence(page: Browser) -> None:
    for part, name in enumerate(("lanes", "bound", "age", "satellites", "speed")):
        area, before = frame(page, name), state(page)["index"]
        page.mouse("mouseMoved", area["x"] + area["width"] * (0.5 + 0.01 * part), area["y"] + area["height"] * 0.5)
        page.wait(f"window.linkedView.state().index > 0 && window.linkedView.state().index !== {json.dumps(before)}")
        now = state(page)
        start, end = now["range"]
        assert abs(now["cursor"][0] - (start + (0.5 + 0.01 * part) * (end - start))) < (end - start) / 200
        assert len(now["cursor"]) == 5
        assert len(set(now["cursor"])) == 1
        assert len(now["here"]["east"]) == 1
        words = page.run("document.getElementById('evidence').innerText")
        assert all(word in words for word in ("km ", "UTC", "trust", "reasons", "made of", "claim", "limit 0.1 m", "fixed"))


def test_pointing_at_the_map_moves_the_cursor_in_time(page: Browser) -> None:
    area = frame(page, "map")
    page.mouse("mouseMoved", area["x"] + area["width"] * 0.9, area["y"] + area["height"] * 0.4)
    page.wait("window.linkedView.state().index > 0")
    one = state(page)
    page.mouse("mouseMoved", area["x"] + area["width"] * 0.2, area["y"] + area["height"] * 0.75)
    page.wait(f"window.linkedView.state().index !== {one['index']}")
    other = state(page)
    assert other["cursor"] != one["cursor"]
    assert other["here"] != one["here"]


def drag(page: Browser, start: tuple[float, float], end: tuple[float, float]) -> None:
    """Drag the pointer from one place of the window to another [px]."""
    page.mouse("mouseMoved", *start)
    page.mouse("mousePressed", *start, buttons=1)
    for part in (0.3, 0.6, 1.0):
        page.mouse("mouseMoved", *(a + (b - a) * part for a, b in zip(start, end, strict=True)), buttons=1)
    page.mouse("mouseReleased", *end)
    page.wait("window.linkedView.state().selected.length > 0")


def test_selecting_a_stretch_of_the_route_selects_its_time(page: Browser) -> None:
    area = frame(page, "map")
    x, y, width, height = (area[k] for k in ("x", "y", "width", "height"))
    drag(page, (x + width * 0.75, y + height * 0.15), (x + width * 0.99, y + height * 0.85))
    now = state(page)
    spans = page.run("Bokeh.documents[0].get_model_by_name('spans').data")
    assert 0 < len(now["selected"]) < now["rows"]
    assert now["marked"] == len(now["selected"])
    assert len(spans["left"]) == 2, "the loop was driven twice: two stretches of time"
    assert "Selected: km" in page.run("document.getElementById('selected').innerText")


def test_selecting_time_marks_the_route(page: Browser) -> None:
    area = frame(page, "speed")
    middle = area["y"] + area["height"] / 2
    drag(page, (area["x"] + area["width"] * 0.4, middle), (area["x"] + area["width"] * 0.6, middle))
    now = state(page)
    assert now["marked"] == len(now["selected"]) > 10
    page.run("document.getElementById('closer').click()")
    assert state(page)["range"][0] > now["range"][0]
    page.run("document.getElementById('whole').click(); document.getElementById('clear').click()")
    assert state(page)["selected"] == []


def test_a_dropout_row_jumps_to_both(page: Browser) -> None:
    row = builders.assessment().dropouts.iloc[0]
    before = state(page)
    page.run("document.querySelector('#dropouts tr[data-start] button').click()")
    now = state(page)
    start, end = (moment.timestamp() * 1000 for moment in (row["start_utc"], row["end_utc"]))
    assert now["range"][0] < start < end < now["range"][1]
    assert now["range"][1] - now["range"][0] < 0.1 * (before["range"][1] - before["range"][0])
    assert start <= now["cursor"][0] <= end
    assert now["marked"] > 1
    assert "old corrections" in page.run("document.getElementById('evidence').innerText")
    assert page.run("document.querySelectorAll('tr.chosen').length") == 1
    assert page.run("document.getElementById('linked').getBoundingClientRect().top") < 900


def test_the_keyboard_reaches_everything(page: Browser) -> None:
    page.key("Tab")
    assert page.run("document.activeElement.className") == "skip"
    page.run("document.getElementById('along').focus()")
    for _ in range(3):
        page.key("ArrowRight")
    assert state(page)["index"] == 3
    assert "UTC, km" in page.run("document.getElementById('along').getAttribute('aria-valuetext')")
    page.run("document.querySelector('#dropouts tr[data-start] button').focus()")
    page.key("Enter")
    assert state(page)["marked"] > 1
    assert page.run("document.activeElement.id") == "along"


def test_next_change_goes_to_the_next_change(page: Browser) -> None:
    page.run("document.getElementById('on').click()")
    first = state(page)["index"]
    page.run("document.getElementById('on').click(); document.getElementById('back').click()")
    assert 0 < first == state(page)["index"]


@pytest.mark.parametrize("width", [390, 1440])
@pytest.mark.parametrize("dark", [False, True])
def test_the_page_fits_its_width_in_light_and_dark(page: Browser, width: int, dark: bool) -> None:
    page.media(dark=dark)
    page.size(width, 900)
    page.wait(f"document.documentElement.clientWidth === {width}")
    assert page.run("document.documentElement.scrollWidth") <= width
    ink = page.run("getComputedStyle(document.body).color")
    assert (sum(int(part) for part in ink[4:-1].split(",")) > 400) == dark
    shown = page.run("[...document.querySelectorAll('svg.drawing')].filter((s) => s.getClientRects().length).length")
    assert shown == 3
    axis = page.run("[...Bokeh.documents[0].all_models].find((m) => m.type === 'LinearAxis').major_label_text_color")
    page.wait(
        "[...Bokeh.documents[0].all_models].find((m) => m.type === 'LinearAxis').major_label_text_color === "
        "getComputedStyle(document.documentElement).getPropertyValue('--ink-soft').trim()"
    )
    assert axis.startswith("#")


def test_a_long_word_of_a_finding_does_not_widen_the_page(browser: Browser, tmp_path: Path) -> None:
    full = builders.assessment(duration_s=300.0, rate_hz=1.0)
    long = Finding("source_left_out", "warning", f"/{'folder_of_a_long_name/' * 12}rover.nmea was left out.", {})
    write_html(replace(full, findings=(*full.findings, long)), tmp_path / "long.html")
    browser.media()
    browser.size(400, 900)
    browser.open(tmp_path / "long.html")
    assert "folder_of_a_long_name" in browser.run("document.body.textContent")
    assert browser.run("document.documentElement.scrollWidth") <= 400


def test_no_table_of_a_comparison_scrolls_on_a_wide_screen(browser: Browser, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(Path(__file__).parents[1] / "comparing"))
    made = importlib.import_module("run_folders")
    rng = np.random.default_rng(8)
    folders = [
        made.run_folder(tmp_path / name, made.loop(1.0), run=name, start=f"2026-04-1{k}T08:00:00Z", seed=k, offset_m=(-0.1 * k, 0.2 * k, 1.8 * k),
                        stands=made.mark_stands(rng, both_ways=True, lever_m=(0.06 * k, 0.0)))
        for k, name in enumerate("ab")
    ]
    (tmp_path / "page.html").write_text(render_comparison(compare(folders)), encoding="utf-8")
    browser.media()
    browser.size(1440, 900)
    browser.open(tmp_path / "page.html")
    over = browser.run("[...document.querySelectorAll('.scroll')].filter(e => e.scrollWidth > e.clientWidth).map(e => e.getAttribute('aria-label')).join()")
    assert over == ""


@pytest.mark.parametrize("width", [390, 1440])
def test_words_of_the_pictures_are_whole_and_apart(page: Browser, width: int) -> None:
    """What reaches beyond a picture is cut off, and marks that overlap cannot be read."""
    page.size(width, 900)
    page.wait(f"document.documentElement.clientWidth === {width}")
    cut, over = page.run("""(() => {
        const shown = [...document.querySelectorAll('svg.drawing')].filter((s) => s.getClientRects().length);
        const cut = [], over = [];
        for (const svg of shown) {
            const edge = svg.getBoundingClientRect();
            for (const text of svg.querySelectorAll('text')) {
                const box = text.getBoundingClientRect();
                if (box.right > edge.right + 1 || box.left < edge.left - 1) cut.push(text.textContent);
            }
            const marks = [...svg.querySelectorAll('[id*=xtick] text')].map((t) => t.getBoundingClientRect()).sort((a, b) => a.left - b.left);
            marks.forEach((box, i) => { if (i && box.left < marks[i - 1].right) over.push(i); });
        }
        return [cut, over];
    })()""")
    assert cut == [] and over == []


def test_print_breaks_no_words_and_fits_the_paper(page: Browser) -> None:
    page.media(medium="print")
    page.size(688, 900)  # 182 mm, A4 less its margins, at 96 to the inch
    page.wait("document.documentElement.clientWidth === 688")
    assert page.run("getComputedStyle(document.querySelector('td.words')).overflowWrap") == "break-word"
    assert page.run("[...document.querySelectorAll('h2, caption, thead')].map((e) => getComputedStyle(e).breakAfter).every((b) => b === 'avoid')")
    assert page.run("[...document.querySelectorAll('table')].filter((t) => t.getBoundingClientRect().right > 689).map((t) => t.caption.textContent)") == []
    rows = "[...document.querySelectorAll('#dropouts tbody td:nth-child(2), #dropouts tbody td.number')]"
    assert page.run(f"{rows}.filter((c) => {{ const r = document.createRange(); r.selectNodeContents(c); "
                    "return new Set([...r.getClientRects()].map((b) => Math.round(b.top))).size > 1; }).length") == 0


def printed(page: Browser, path: Path) -> str:
    """Print the page to `path` and return its text, pages parted by form feeds."""
    page.media()
    path.write_bytes(page.print_pdf())
    return subprocess.run(["pdftotext", "-layout", str(path), "-"], check=True, capture_output=True, text=True).stdout


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext not found: install poppler-utils")
def test_no_heading_ends_a_printed_page(page: Browser, tmp_path: Path) -> None:
    text = printed(page, tmp_path / "printed.pdf")
    titles = set(page.run("[...document.querySelectorAll('h2, h3, caption')].map((h) => h.textContent.trim())"))
    heads = set(page.run("[...document.querySelectorAll('thead tr')].map((h) => h.textContent.replace(/\\s+/g, ' ').trim())"))
    for one in text.split("\f"):
        last = next((line.strip() for line in reversed(one.splitlines()) if line.strip()), "")
        assert last not in titles and " ".join(last.split()) not in heads


def test_the_headline_is_on_the_first_screen(page: Browser) -> None:
    for words in ("verdict", "set-up", "how-good", "corrections"):
        assert page.run(f"document.getElementById('{words}').getBoundingClientRect().bottom") < 900


def test_print_has_pictures_in_place_of_the_linked_view(page: Browser) -> None:
    page.media(medium="print")
    assert page.run("getComputedStyle(document.getElementById('linked')).display") == "none"
    drawn = "[...document.querySelectorAll('svg.drawing')].filter((s) => s.getClientRects().length).length"
    assert page.run(drawn) == 4
    assert page.run("getComputedStyle(document.querySelector('nav')).display") == "none"


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext not found: install poppler-utils")
def test_the_printed_page_reads_as_text(page: Browser, tmp_path: Path) -> None:
    text = printed(page, tmp_path / "printed.pdf")
    for words in (
        "12 of 14 manoeuvres usable. Drive again: M05, M11",
        "Corrections lost 3 times",
        "no integrity monitor",
    ):
        assert words in text
    assert 3 <= text.count("\f") <= 9


def test_a_run_without_epochs_opens_too(browser: Browser, tmp_path: Path) -> None:
    write_html(builders.empty(), tmp_path / "empty.html")
    browser.console.clear()
    browser.open(tmp_path / "empty.html")
    assert browser.console == []
