"""Parquet keeps values, types, metadata, row groups and codecs."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from analyzer.attaching import parquet_writer
from analyzer.attaching.join import NAMES


def rows(start: int, stop: int) -> pd.DataFrame:
    n = stop - start
    return pd.DataFrame({
        "fix_state": pd.Categorical(["fixed"] * n), "correction_age_s": np.where(np.arange(n) % 2, np.nan, 1.0),
        "satellites_used": np.full(n, 12.0, np.float32), "horizontal_bound_m": np.arange(start, stop).astype(np.float32),
        "vertical_bound_m": np.full(n, np.nan, np.float32), "trust": pd.Categorical(["trusted"] * n),
        "dropout_id": pd.array([pd.NA] * n, dtype="Int32"), "window": pd.Categorical([None] * n, categories=["a"]),
    })


def rich_table(n: int = 1000) -> pa.Table:
    """A table of many types, with nulls and NaN apart."""
    at = np.arange(n)
    value = np.where(at % 7 == 0, np.nan, at / 3.0)
    return pa.table({
        "time_ns": pa.array(at * 1_000_001, type=pa.timestamp("ns", tz="Europe/Berlin")), "time_us": pa.array(at, type=pa.timestamp("us")),
        "double": pa.array(value, mask=at % 5 == 0), "float": pa.array(value.astype(np.float32), from_pandas=False),
        "half": pa.array(value.astype(np.float16), type=pa.float16(), from_pandas=False), "u8": pa.array(at % 256, type=pa.uint8()),
        "u32": pa.array(at, type=pa.uint32()), "flag": pa.array(at % 2 == 0, mask=at % 11 == 0),
        "text": pa.array([None if k % 13 == 0 else f"ä{k}" for k in at.tolist()]),
        "large": pa.array([f"x{k}" for k in at.tolist()], type=pa.large_string()),
        "bytes": pa.array([b"\x00\xff" * (k % 3) for k in at.tolist()]),
        "kind": pa.array([f"k{k % 3}" for k in at.tolist()]).dictionary_encode(),
        "money": pa.array([Decimal(k) / 100 for k in at.tolist()], type=pa.decimal128(12, 2)),
        "day": pa.array([dt.date(2026, 1, 1)] * n), "list": pa.array([[float(k)] * (k % 3) for k in at.tolist()]),
        "struct": pa.array([{"a": k, "b": None} for k in at.tolist()], type=pa.struct([("a", pa.int16()), ("b", pa.string())])),
    }).replace_schema_metadata({"run": "17", "äöü": "ß"})


def attach(tmp_path: Path, table: pa.Table, **options: object) -> tuple[Path, Path]:
    source, target = tmp_path / "in.parquet", tmp_path / "out.parquet"
    pq.write_table(table, source, **options)
    parquet_writer.write(source, target, rows, names=NAMES, metadata=lambda cells: {"postdrive.cells_sha256": cells})
    return source, target


@pytest.mark.parametrize("codec", ["snappy", "zstd", "gzip", "none"])
def test_everything_of_the_original_is_equal(tmp_path: Path, codec: str) -> None:
    table = rich_table()
    source, target = attach(tmp_path, table, compression=codec, row_group_size=300)
    before, after = pq.ParquetFile(source), pq.ParquetFile(target)
    for k, field in enumerate(before.schema_arrow):
        assert after.schema_arrow.field(k).equals(field, check_metadata=True)
    for key, value in before.schema_arrow.metadata.items():
        assert after.schema_arrow.metadata[key] == value
    for name in table.column_names:
        old, new = before.read(columns=[name]).column(0).combine_chunks(), after.read(columns=[name]).column(0).combine_chunks()
        assert old.type == new.type
        assert old.is_null().equals(new.is_null())
        if pa.types.is_floating(old.type):
            assert old.drop_null().to_numpy(zero_copy_only=False).tobytes() == new.drop_null().to_numpy(zero_copy_only=False).tobytes()
        else:
            assert old.equals(new)
    sizes = [[f.metadata.row_group(k).num_rows for k in range(f.metadata.num_row_groups)] for f in (before, after)]
    assert sizes[0] == sizes[1] == [300, 300, 300, 100]
    for k in range(before.metadata.num_columns):
        assert after.metadata.row_group(0).column(k).compression == before.metadata.row_group(0).column(k).compression
    assert after.metadata.format_version == before.metadata.format_version


def test_mixed_codecs_and_old_time_stamps(tmp_path: Path) -> None:
    table = pa.table({"t": pa.array([1, 2, 3], type=pa.timestamp("ns")), "v": [1.0, float("nan"), None]})
    source, target = attach(tmp_path, table, compression={"t": "GZIP", "v": "ZSTD"}, use_deprecated_int96_timestamps=True)
    after = pq.ParquetFile(target)
    assert [after.metadata.row_group(0).column(k).compression for k in (0, 1)] == ["GZIP", "ZSTD"]
    assert after.schema.column(0).physical_type == "INT96"
    old, new = pq.ParquetFile(source).read().column("v"), after.read().column("v")
    assert old.null_count == new.null_count == 1
    assert np.isnan(new[1].as_py())
    assert new[2].as_py() is None


def test_quality_has_units_and_keeps_nan_and_null_apart(tmp_path: Path) -> None:
    _, target = attach(tmp_path, rich_table(50))
    out = pq.ParquetFile(target).read()
    assert out.column_names[-8:] == list(NAMES)
    assert out.schema.field("horizontal_bound_m").metadata[b"unit"] == b"m"
    assert out.column("vertical_bound_m").null_count == 0
    assert out.column("dropout_id").null_count == 50
    assert out.column("window").null_count == 50
    assert out.column("horizontal_bound_m").to_pylist() == list(range(50))


def test_empty_table(tmp_path: Path) -> None:
    _, target = attach(tmp_path, rich_table(5).slice(0, 0))
    assert pq.ParquetFile(target).metadata.num_rows == 0


def test_the_digest_of_cells_stands_in_the_file_and_sees_changes(tmp_path: Path) -> None:
    _, target = attach(tmp_path, rich_table(100), row_group_size=30)
    digest = parquet_writer.cells_digest(target)
    assert parquet_writer.key_values(target)["postdrive.cells_sha256"] == digest
    table = pq.ParquetFile(target).read()
    again = tmp_path / "again.parquet"
    pq.write_table(table, again, compression="gzip", row_group_size=17)
    assert parquet_writer.cells_digest(again) == digest
    for name in ("double", "text", "flag", "list", "kind", "horizontal_bound_m"):
        changed = table.column(name).to_pylist()
        changed[50] = None if changed[50] is not None else changed[51]
        place = table.column_names.index(name)
        pq.write_table(table.set_column(place, table.schema.field(name), pa.array(changed, type=table.schema.field(name).type)), again)
        assert parquet_writer.cells_digest(again) != digest, name
