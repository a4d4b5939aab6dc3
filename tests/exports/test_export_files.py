"""Thinning keeps what matters; tables are whole; files stand whole or not at all."""

from __future__ import annotations

import argparse
from pathlib import Path

import export_results
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.cli import export as verb
from analyzer.errors import InputError, OutputError, UsageError
from analyzer.exports import FORMATS, export
from analyzer.exports.lines import CHANGES, kept, pieces
from analyzer.exports.tables import TABLES
from analyzer.geodesy import cut_at_180


def changes(frame: pd.DataFrame) -> list[tuple[str, ...]]:
    """Return the sequence of different states."""
    rows = [tuple(map(str, row)) for row in frame[list(CHANGES)].to_numpy(dtype=object)]
    return [row for i, row in enumerate(rows) if not i or row != rows[i - 1]]


@given(st.lists(st.tuples(st.integers(0, 2), st.booleans(), st.floats(0, 30)), min_size=3, max_size=80), st.floats(0.1, 200))
def test_thinning_never_drops_a_change_a_break_or_the_worst_bound(rows: list[tuple[int, bool, float]], spacing: float) -> None:
    states, gaps, bounds = zip(*rows, strict=True)
    frame = pd.DataFrame({"latitude_deg": 50 + np.arange(len(rows)) * 1e-5, "longitude_deg": 8.0, "fix_state": states,
                          "trust": "t", "station_id": 1, "dropout_id": pd.NA, "window": None, "horizontal_bound_m": bounds})
    breaks = np.array(gaps)
    keep = kept(frame, breaks, spacing_m=spacing)
    assert changes(frame[keep]) == changes(frame)
    assert keep[breaks].all() and keep[np.flatnonzero(breaks[1:])].all() and keep[[0, -1]].all()
    assert frame["horizontal_bound_m"][keep].max() == max(bounds)


def test_thinning_leaves_points_at_the_spacing() -> None:
    frame = export_results.epochs(400)
    frame = frame.assign(fix_state="fixed", trust="trusted", station_id=1, horizontal_bound_m=0.02)
    keep = kept(frame, np.zeros(400, dtype=bool), spacing_m=10.0)
    assert 199.5 / 10 <= keep.sum() <= 199.5 / 10 + 4


def test_pieces_join_where_nothing_is_missing() -> None:
    label, breaks = pd.Series(list("aabbb")), np.array([False, False, False, False, True])
    assert pieces([label], breaks, np.ones(5, dtype=bool)).tolist() == [[0, 2, 3], [2, 4, 4], [4, 5, 5]]


def test_a_line_is_cut_where_it_crosses_the_antimeridian() -> None:
    """RFC 7946 section 3.1.9: from 170° E 45° N to 170° W 45° N the cut lies at 180° and -180°."""
    east, west = cut_at_180(np.array([[170.0, 45.0, 1.0], [-170.0, 45.0, 3.0]]))
    assert east.tolist() == [[170, 45, 1], [180, 45, 2]] and west.tolist() == [[-180, 45, 2], [-170, 45, 3]]
    assert len(cut_at_180(np.array([[-170.0, 0.0], [170.0, 1.0], [169.0, 1.0]]))) == 2


def test_csv_is_the_whole_table_with_units_and_utc(result: Path, tmp_path: Path) -> None:
    path = export(result, "csv", out=tmp_path / "epochs.csv")
    frame, truth = pd.read_csv(path), export_results.epochs()
    assert len(frame) == len(truth) and "correction_age_s" in frame and "horizontal_bound_m" in frame
    assert frame["time_utc"].iloc[0] == "2026-11-24T23:59:50.000000Z"
    np.testing.assert_allclose(frame["longitude_deg"], truth["longitude_deg"], rtol=0, atol=0)
    assert frame["reasons"].iloc[0] == "state,age"


@pytest.mark.parametrize("table", TABLES)
def test_every_table_goes_to_both_formats(result: Path, tmp_path: Path, table: str) -> None:
    csv = pd.read_csv(export(result, "csv", table=table, out=tmp_path / "t.csv"))
    parquet = pq.read_table(export(result, "parquet", table=table, out=tmp_path / "t.parquet"))
    assert list(csv.columns) == parquet.column_names and len(csv) == parquet.num_rows


def test_parquet_is_flat_and_keeps_its_units(result: Path, tmp_path: Path) -> None:
    table = pq.read_table(export(result, "parquet", out=tmp_path / "epochs.parquet"))
    assert table.schema.field("correction_age_s").metadata[b"unit"] == b"s"
    assert str(table.schema.field("reasons").type) == str(table.schema.field("trust").type) == "string"
    assert table.schema.field("time_utc").type.tz == "UTC"


def test_a_result_is_never_touched_and_a_file_never_silently_replaced(tmp_path: Path) -> None:
    folder = export_results.folder(tmp_path / "result")
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    assert export(folder, "parquet").name == "export_epochs.parquet" and export(folder, "kml").name == "export_route.kml"
    with pytest.raises(OutputError, match="exists already"):
        export(folder, "kml")
    export(folder, "kml", overwrite=True)
    with pytest.raises(OutputError, match="begin with export_"):
        export(folder, "parquet", out=folder / "epochs.parquet", overwrite=True)
    with pytest.raises(OutputError, match="cannot be written"):
        export(folder, "gpx", out=tmp_path / "absent" / "x.gpx")
    assert {name: (folder / name).read_bytes() for name in before} == before
    assert {p.name for p in folder.iterdir()} - set(before) == {"export_epochs.parquet", "export_route.kml"}


def test_wrong_wishes_are_one_sentence(result: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="expected one of"):
        export(result, "xlsx")
    with pytest.raises(UsageError, match="--spacing -1"):
        export(result, "gpx", spacing_m=-1)
    with pytest.raises(UsageError, match="name one of them"):
        export(result, "csv", table="nothing", out=tmp_path / "x.csv")
    with pytest.raises(InputError, match="no such folder"):
        export(tmp_path / "absent", "gpx")


def test_a_drive_without_a_position_still_makes_whole_files(tmp_path: Path) -> None:
    frame = export_results.epochs(900)
    frame[["latitude_deg", "longitude_deg", "height_m"]] = np.nan
    folder = export_results.folder(tmp_path / "result", frame)
    for form in ("geojson", "kml", "gpx"):
        assert b"run" in export(folder, form).read_bytes()


def test_the_verb_names_the_file_it_wrote(result: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    parser = argparse.ArgumentParser()
    verb.add_parser(parser.add_subparsers())
    args = parser.parse_args(["export", str(result), "--format", "gpx", "--out", str(tmp_path / "a.gpx"), "--spacing", "5"])
    assert args.func(args) == 0
    assert capsys.readouterr().out == f"{tmp_path / 'a.gpx'}\n" and (tmp_path / "a.gpx").stat().st_size > 1000
    assert verb.FORMATS == FORMATS and verb.TABLES == TABLES
