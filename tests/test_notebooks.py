"""Every notebook runs from its first cell to its last, in time, on the demo drives and on a log alone, and is stored without its output."""

from __future__ import annotations

import asyncio
import contextlib
import io
import sys
from pathlib import Path
from typing import Any

import matplotlib.pyplot as plt
import nbformat
import pytest
from nbclient import NotebookClient

from analyzer.demo import make_base_log, make_drive

ROOT = Path(__file__).resolve().parents[1]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
#: Processor time of a whole notebook, imports included; the wall clock would measure what else the machine does. The longest takes
#: under 15 s on most machines, 24 to 26 s on the slowest seen.
MOST_SECONDS = 30.0
#: What the demo drives must show, by number of the notebook; run behind the last cell.
SHOWN = {
    "1": "assert len(checked) == 3 and (checked['of the trusted ones'] > 0.9).all() and (checked['largest true error of a trusted epoch, m'] < 0.1).all()",
    "2": "assert list(answers['found as']) == list(planted['dropout_kind']) and list(answers['found cause']) == list(planted['cause'])",
    "3": "assert joined is not None and round(line.offset_s) == 18",
    "4": "assert unmarked.level == 'not_evaluated' and off.max() < 0.04 and sizes[2] < 3.0",
    "5": "assert first.settled and first.mean.n_eff < first.mean.n / 10 and early.settled is False and knocked.shift.detectable_m < 0.15",
}


def test_there_are_notebooks() -> None:
    assert len(NOTEBOOKS) >= 2


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_it_is_stored_without_output(path: Path) -> None:
    book = nbformat.read(path, as_version=4)
    nbformat.validate(book)
    code = [cell for cell in book.cells if cell.cell_type == "code"]
    assert code and all(not cell.outputs and cell.execution_count is None for cell in code)
    assert book.cells[0].source.startswith("# ")


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_it_runs_in_time(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    monkeypatch.setenv("MPLBACKEND", "module://matplotlib_inline.backend_inline")
    monkeypatch.setenv("PYTHONWARNINGS", "default")
    if sys.platform == "win32":
        asyncio.set_event_loop_policy(asyncio.WindowsSelectorEventLoopPolicy())
    book = nbformat.read(path, as_version=4)
    book.cells.append(nbformat.v4.new_code_cell(f"{SHOWN[path.name[0]]}\nimport time; print(time.process_time())"))
    NotebookClient(book, timeout=120, kernel_name="python3", resources={"metadata": {"path": str(path.parent)}}).execute()
    last = book.cells.pop().outputs[0].text
    assert float(last) < MOST_SECONDS
    streams = [out.text for cell in book.cells if cell.cell_type == "code" for out in cell.outputs if out.get("name") == "stderr"]
    assert streams == []


def run_on(path: Path, given: dict[str, object]) -> tuple[dict[str, Any], str]:
    """Run the cells in this process with `given` in place of the paths of the first code cell; return what they define and print."""
    names: dict[str, Any] = {}
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        for number, cell in enumerate(cell for cell in nbformat.read(path, as_version=4).cells if cell.cell_type == "code"):
            exec(compile(cell.source, f"{path.name}, {cell['id']}", "exec"), names)
            if number == 0:
                unknown = set(given) - set(names)
                assert not unknown, f"the first cell names no {unknown}"
                names |= given
    plt.close("all")
    return names, printed.getvalue()


@pytest.fixture(scope="module")
def alone(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with logs and nothing beside them: two short drives of different days and a base."""
    folder = tmp_path_factory.mktemp("own")
    for name, day in (("a", "2026-05-04"), ("b", "2026-05-05")):
        make_drive(folder / name, seed=5, duration_s=90.0, rate_hz=5.0, start_utc=f"{day}T09:00:00")
    make_base_log(folder / "base.nmea", seed=3, grade="centimetre")
    return folder


NOTHING: dict[str, object] = {"SETUP": None, "WINDOWS": None}


@pytest.mark.usefixtures("no_pictures")
@pytest.mark.parametrize("number", sorted(SHOWN))
def test_it_runs_on_a_log_alone(number: str, alone: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without set-up sheet, windows, truth, corrections, measurement or marks, and without the demo drives beside it."""
    log = alone / "a" / "rover.nmea"
    given: dict[str, dict[str, object]] = {
        "1": {**NOTHING, "LOG": str(log), "TRUTH": None},
        "2": {**NOTHING, "LOG": str(log), "TRUTH": None, "CORRECTIONS": [], "FAULTS": None},
        "3": {**NOTHING, "LOG": str(log), "MEASUREMENT": None, "COLUMN_MAP": None},
        "4": {"DRIVES": {name: (alone / name / "rover.nmea", None) for name in "ab"}, "CHECK_POINTS": [], "TRUTH": None},
        "5": {"BASE_LOG": str(alone / "base.nmea"), "OTHER_BASE_LOG": None},
    }
    monkeypatch.chdir(alone)
    plt.switch_backend("Agg")
    path = next(p for p in NOTEBOOKS if p.name.startswith(number))
    names, printed = run_on(path, given[number])
    assert not names["DEMO"].is_dir()
    assert number == "5" or "left out" in printed or "without them" in printed


@pytest.mark.usefixtures("no_pictures")
def test_a_measurement_with_a_line_of_units_is_drawn_as_numbers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    drive = make_drive(tmp_path / "drive", seed=5, duration_s=120.0, rate_hz=5.0, start_rest_s=20.0, outputs=("measurement_csv",))
    monkeypatch.chdir(tmp_path)
    plt.switch_backend("Agg")
    given = {**NOTHING, "LOG": drive / "rover.nmea", "MEASUREMENT": drive / "measurement.csv", "COLUMN_MAP": drive / "measurement_csv_columns.toml"}
    names, _ = run_on(next(p for p in NOTEBOOKS if p.name.startswith("3")), given)
    assert names["joined"] is not None and names["speeds"] == ["wheel_speed"]
    (drawn,) = names["top"].get_lines()
    assert drawn.get_ydata().dtype == float and abs(drawn.get_ydata()[1:]).max() < 200.0


def conclusion_of(share: float, largest: float, beyond: float) -> str:
    """Return what notebook 1 concludes from one row of its table."""
    cell = next(c for c in nbformat.read(NOTEBOOKS[0], as_version=4).cells if c.source.startswith("def conclusion"))
    names: dict[str, Any] = {"pd": __import__("pandas")}
    exec(cell.source.partition("\n\n\n")[0], names)
    row = {"of the trusted ones": share, "largest true error of a trusted epoch, m": largest, "furthest beyond its bound, m": beyond}
    return str(names["conclusion"](row, 0.10))


def test_the_conclusion_follows_from_the_table() -> None:
    """A share below 95 % with centimetres of error is a bound that is a little short; only errors beyond the limit deceive."""
    short = conclusion_of(0.937, 0.029, 0.004)
    assert "too small by up to 4 mm" in short and "not deceived" in short
    assert "not deceived" in conclusion_of(0.99, 0.05, -0.01) and "too small" not in conclusion_of(0.99, 0.05, -0.01)
    assert "too little evidence" in conclusion_of(0.60, 0.40, 0.35) and "not deceived" not in conclusion_of(0.60, 0.40, 0.35)
    assert "nothing was promised" in conclusion_of(float("nan"), float("nan"), float("nan"))


@pytest.mark.usefixtures("no_pictures")
def test_bounds_are_held_against_the_errors_of_their_own_epochs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A few seconds of a rejected wrong fix made the errors of a class larger than its median bound, though every epoch lay within its own."""
    monkeypatch.chdir(tmp_path)
    plt.switch_backend("Agg")
    folder = ROOT / "data_demo" / "day1_run03"
    path = next(p for p in NOTEBOOKS if p.name.startswith("2"))
    given = {"LOG": next(folder.glob("rover*")), "SETUP": folder / "setup.toml", "WINDOWS": None, "TRUTH": next(folder.glob("truth.csv*")), "CORRECTIONS": [], "FAULTS": None}
    names, printed = run_on(path, given)
    epochs = names["epochs_own"]
    held = epochs[epochs["correction_age_s"].notna() & (epochs["fix_state"].astype(str) == "fixed") & epochs["error_h_m"].notna()]
    within = (held["error_h_m"] <= held["horizontal_bound_m"]).mean()
    assert f"within our bound in {within:.1%}." in printed and within > 0.95
