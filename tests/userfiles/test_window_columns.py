"""Columns of a windows file that nothing reads."""

from __future__ import annotations

from pathlib import Path

import pytest

from analyzer.userfiles.tabular import read_windows
from analyzer.userfiles.window_columns import LIMITS_UNUSED


@pytest.mark.parametrize(("column", "code", "level"), [
    ("limit_m", LIMITS_UNUSED, "warning"), ("Purpose", LIMITS_UNUSED, "warning"), ("driver", "windows_columns_unused", "note"),
])
def test_columns_that_nothing_reads_are_named(tmp_path: Path, column: str, code: str, level: str) -> None:
    """A manoeuvre was called fit for the run's purpose beside a limit of its own that was five times tighter."""
    (tmp_path / "w.csv").write_text(f"name,start_utc,end_utc,{column}\nA,2026-03-24T08:00:00Z,2026-03-24T08:01:00Z,0.02\n", encoding="utf-8")
    (tmp_path / "l.csv").write_text(
        f"name,from_latitude_deg,from_longitude_deg,to_latitude_deg,to_longitude_deg,{column}\nA,48,11,48.001,11,0.02\n", encoding="utf-8")
    for name in ("w.csv", "l.csv"):
        (found,) = read_windows(tmp_path / name).findings
        assert (found.code, found.level, found.evidence) == (code, level, {"columns": [column]})
        assert found.text.startswith(f"Not used in {name}: column {column}.")
