"""A result folder stands whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from analyzer.errors import OutputError
from analyzer.results.folder import build

#: The file that makes a folder a result in these tests.
MARK = "mark.json"


def fill(folder: Path) -> None:
    (folder / "a.txt").write_text("new")
    (folder / MARK).write_text("{}")


def test_a_new_folder_is_built_and_named_last(tmp_path: Path) -> None:
    seen: list[list[str]] = []

    def look(folder: Path) -> None:
        fill(folder)
        seen.append([p.name for p in tmp_path.iterdir()])

    assert build(tmp_path / "out", look, mark=MARK) is None
    assert (tmp_path / "out" / "a.txt").read_text() == "new" and "out" not in seen[0]
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_an_existing_result_is_refused_or_moved_aside(tmp_path: Path) -> None:
    build(tmp_path / "out", fill, mark=MARK)
    (tmp_path / "out" / "mine.txt").write_text("kept")
    with pytest.raises(OutputError, match="exists already"):
        build(tmp_path / "out", fill, mark=MARK)
    aside = build(tmp_path / "out", fill, mark=MARK, overwrite=True)
    assert (
        aside == tmp_path / "out.previous"
        and (aside / "mine.txt").exists()
        and not (tmp_path / "out" / "mine.txt").exists()
    )
    assert build(tmp_path / "out", fill, mark=MARK, overwrite=True) == tmp_path / "out.previous-2"


def test_a_failure_leaves_nothing(tmp_path: Path) -> None:
    def broken(folder: Path) -> None:
        fill(folder)
        raise OSError(28, "No space left on device")

    with pytest.raises(OutputError, match="No space left"):
        build(tmp_path / "out", broken, mark=MARK)
    with pytest.raises(ZeroDivisionError):
        build(tmp_path / "out", lambda _: 1 / 0, mark=MARK)  # type: ignore[arg-type]
    assert list(tmp_path.iterdir()) == []


def test_a_file_in_the_place_and_a_place_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="a file of that name"):
        build(tmp_path / "file", fill, mark=MARK, overwrite=True)
    with pytest.raises(OutputError):
        build(tmp_path / "file" / "out", fill, mark=MARK)
    locked = tmp_path / "locked"
    locked.mkdir(mode=0o500)
    if os.access(locked, os.W_OK):
        pytest.skip("this user may write anywhere")
    with pytest.raises(OutputError, match="cannot be written"):
        build(locked / "out", fill, mark=MARK)
