"""Every notebook runs from its first cell to its last, in time, and is stored without its output."""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

ROOT = Path(__file__).resolve().parents[1]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
#: Processor time of a whole notebook, imports included; the wall clock would measure what else the machine does. The longest takes
#: under 15 s on most machines, 24 to 26 s on the slowest seen.
MOST_SECONDS = 30.0


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
    book.cells.append(nbformat.v4.new_code_cell("import time; print(time.process_time())"))
    NotebookClient(book, timeout=120, kernel_name="python3", resources={"metadata": {"path": str(path.parent)}}).execute()
    last = book.cells.pop().outputs[0].text
    assert float(last) < MOST_SECONDS
    streams = [out.text for cell in book.cells if cell.cell_type == "code" for out in cell.outputs if out.get("name") == "stderr"]
    assert streams == []
