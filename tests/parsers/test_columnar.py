"""Parquet tables through column maps."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from analyzer.errors import InputError, UsageError
from analyzer.parsers import columnar
from analyzer.parsers.column_map import parse_column_map
from analyzer.parsers.column_map_propose import propose_column_map
from analyzer.parsers.reader import ReadOptions
from analyzer.parsers.sources import RawSource, open_sources

MAP = parse_column_map("""
files = ["*.parquet"]
table = "measurement"
[time]
column = "when"
scale = "iso_utc"
[columns.speed_mps]
column = "speed"
unit = "km/h"
""")


WRONG = """
files = ["*.parquet"]
table = "measurement"
[time]
column = "when"
scale = "iso_utc"
[columns.speed_mps]
column = "speeed"
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A small table with a moment, two numbers and a name."""
    path = tmp_path / "m.parquet"
    when = pd.date_range("2026-05-04T10:00:00Z", periods=20, freq="100ms")
    pd.DataFrame({"when": when, "speed": np.arange(20.0), "gear": range(20), "name": "x"}).to_parquet(path)
    return path


def _raw(path: Path) -> RawSource:
    return open_sources([path])[0][0]


def test_rows_ledger_and_unused_columns(path: Path) -> None:
    part = columnar.read(_raw(path), ReadOptions(maps=(MAP,)))
    table = part.tables["measurement"]
    assert table["speed_mps"].to_numpy() == pytest.approx(np.arange(20) / 3.6)
    assert str(table.index[1]) == "2026-05-04 10:00:00.100000+00:00"
    ledger = part.source.ledger
    assert (ledger.size, ledger.total("accepted"), ledger.unused) == (40, 40, ("gear", "name"))


def test_types_of_columns(tmp_path: Path) -> None:
    path = tmp_path / "t.parquet"
    moments = pa.array([1_777_888_000_123_456_789, None], pa.timestamp("ns"))
    pq.write_table(pa.table({"when": moments, "speed": pa.array(["3.6", "x"]).dictionary_encode(),
                             "nested": [[1], [2]], "on": [True, False]}), path)
    part = columnar.read(_raw(path), ReadOptions(maps=(MAP,)))
    assert part.tables["measurement"]["speed_mps"].tolist() == [1.0]
    assert part.source.ledger.balanced
    assert {f.code for f in part.findings} == {"unreadable_cells"}


def test_unit_of_the_field_metadata_is_held_against_the_map(tmp_path: Path) -> None:
    path = tmp_path / "t.parquet"
    schema = pa.schema([pa.field("when", pa.timestamp("us", "UTC")),
                        pa.field("speed", pa.float64(), metadata={"unit": "m/s"})])
    pq.write_table(pa.table([[1_777_888_000_000_000], [1.0]], schema=schema), path)
    with pytest.raises(InputError, match="is in m/s by the file itself"):
        columnar.read(_raw(path), ReadOptions(maps=(MAP,)))


@pytest.mark.parametrize("keep", [4, 40, 0.5, -1])
def test_truncated_file_is_one_sentence(path: Path, keep: float) -> None:
    content = path.read_bytes()
    path.write_bytes(content[: int(keep * len(content)) if isinstance(keep, float) else int(keep)])
    with pytest.raises(
        InputError, match=r"m\.parquet is a Parquet file that cannot be read .*cut off or damaged"
    ) as caught:
        columnar.read(_raw(path), ReadOptions(maps=(MAP,)))
    assert "\n" not in str(caught.value)


def test_wrong_column_and_missing_map(path: Path) -> None:
    other = parse_column_map(WRONG)
    with pytest.raises(UsageError, match=r"has no column 'speeed', .* did you mean 'speed'"):
        columnar.read(_raw(path), ReadOptions(maps=(other,)))
    with pytest.raises(UsageError, match="no column map serves it"):
        columnar.read(_raw(path), ReadOptions())


def test_proposal(path: Path) -> None:
    proposal = propose_column_map(path)
    assert proposal.map is not None
    assert proposal.map.time.column == "when"
    assert [(c.name, c.column) for c in proposal.map.columns] == [("speed_mps", "speed")]
    assert proposal.unknown == ("gear", "name")
