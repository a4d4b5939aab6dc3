"""The dataset of many runs (DEVELOPERS.md, Batch): its layout, and its index runs.parquet.

::

    RESULTS/runs.parquet                                    one row per run
    RESULTS/runs/ID/                                        its result folder, with batch.json
    RESULTS/epochs/date=YYYY-MM-DD/run=ID/part.parquet      its epochs of one UTC day
"""

from __future__ import annotations

import datetime as dt
import json
import os
import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from analyzer import tables
from analyzer.results.epochs_file import TIME

INDEX = "runs.parquet"
RUNS = "runs"
EPOCHS = "epochs"
RECORD = "batch.json"
PART = "part.parquet"
#: Codes of findings that say that a file of the drive is damaged or was not read.
DAMAGE = ("damaged_archive", "source_left_out")
_ARROW = {
    "str": pa.string(), "date": pa.date32(), "list[str]": pa.list_(pa.string()), "float64": pa.float64(),
    "Int64": pa.int64(), tables.TIME_DTYPE: TIME,
}


def is_dataset(folder: Path) -> bool:
    """Whether a folder holds the results of a batch."""
    return (folder / INDEX).is_file() and not (folder / "summary.json").exists()


def run_folders(results: str | Path) -> list[Path]:
    """Return the result folders of a dataset, in order of name."""
    inside = Path(results) / RUNS
    found = inside.iterdir() if inside.is_dir() else iter(())
    return sorted(p for p in found if not p.name.startswith(".") and (p / RECORD).is_file())


def expanded(folders: Sequence[Any]) -> list[Any]:
    """Return `folders` with each that is a dataset replaced by the result folders in it."""
    out: list[Any] = []
    for folder in folders:
        whole = isinstance(folder, (str, Path)) and is_dataset(Path(folder))
        out += run_folders(folder) if whole else [folder]
    return out


def part_path(results: Path, date: str, run: str) -> Path:
    """Return where the epochs of a run on a UTC date stand."""
    return results / EPOCHS / f"date={date}" / f"run={run}" / PART


def write_parts(epochs: Path, folder: Path) -> list[str]:
    """Write the epochs file `epochs` into ``folder/YYYY-MM-DD.parquet`` by UTC date; return the dates.

    A file of one day is linked, so that its bytes are stored once (copied where the medium knows no links).
    """
    folder.mkdir(parents=True)
    with pq.ParquetFile(epochs) as file:
        days = _days(file)
        if len(days) == 1:
            _link(epochs, folder / f"{days[0]}.parquet")
            return [str(d) for d in days]
        writers = {d: pq.ParquetWriter(folder / f"{d}.parquet", file.schema_arrow, compression="zstd", compression_level=3) for d in days}
        try:
            for number in range(file.num_row_groups):
                group = file.read_row_group(number)
                on = pc.cast(group.column("time_utc"), pa.date32())
                for day, writer in writers.items():
                    part = group.filter(pc.equal(on, pa.scalar(day)))
                    if part.num_rows:
                        writer.write_table(part)
        finally:
            for writer in writers.values():
                writer.close()
    return [str(d) for d in days]


def _days(file: pq.ParquetFile) -> list[dt.date]:
    """Return the UTC dates of an epochs file."""
    found: set[dt.date] = set()
    for number in range(file.num_row_groups):
        times = file.read_row_group(number, columns=["time_utc"]).column("time_utc")
        found |= set(pc.unique(pc.cast(times, pa.date32())).to_pylist())
    return sorted(found)


def _link(source: Path, target: Path) -> None:
    try:
        os.link(source, target)
    except OSError:
        shutil.copyfile(source, target)


def row_of(summary: Mapping[str, Any]) -> dict[str, Any]:
    """Return the columns of runs.parquet that a summary.json holds, its metrics by their keys included."""
    verdict, purpose = summary["verdict"], summary["verdict"]["purpose"]
    start, end = pd.Timestamp(summary["start_utc"]), pd.Timestamp(summary["end_utc"])
    row: dict[str, Any] = {
        "name": summary["run"],
        "vehicle": summary.get("vehicle"),
        "date": f"{start:%Y-%m-%d}",
        "start_utc": summary["start_utc"],
        "end_utc": summary["end_utc"],
        "duration_s": (end - start).total_seconds(),
        "epochs": summary["epochs"],
        "verdict": verdict["level"],
        "sentence": verdict["sentences"][0],
        "purpose": purpose["title"],
        "purpose_sha256": purpose["sha256"],
        "rules_version": verdict["rules_version"],
        "share_trusted": verdict["share_trusted"],
        "damage": "; ".join(f["text"].rstrip(".") for f in verdict["findings"] if f["code"] in DAMAGE) or None,
        "dropouts": len(summary["dropouts"]),
        "windows": len(summary["windows"]),
        "windows_to_repeat": sum(bool(w["repeat"]) for w in summary["windows"]),
        "sources": [s["name"] for s in summary["sources"]],
        "sources_sha256": [s["sha256"] for s in summary["sources"]],
        "version": summary["versions"]["postdrive"],
    }
    return row | {_free(m["key"]): _plain(m["value"]) for m in summary["metrics"]}


def _free(key: str) -> str:
    """Return the column of a metric: its key, unless a column of the index is called so."""
    return f"metric_{key}" if key in tables.RUNS.names else key


def _plain(value: object) -> float | str | None:
    if value is None or isinstance(value, str):
        return value
    return float(value) if isinstance(value, (int, float)) else json.dumps(value)


def write_index(rows: Sequence[Mapping[str, Any]], path: Path) -> None:
    """Write runs.parquet whole or not at all; rows in order of time, metrics that any run has as further columns."""
    ordered = sorted(rows, key=lambda r: (pd.Timestamp(r["start_utc"]), r["run"]))
    own = {c.name: _ARROW[c.dtype] for c in tables.RUNS.columns}
    more = list(dict.fromkeys(k for row in ordered for k in row if k not in own))
    text = {k for k in more if any(isinstance(row.get(k), str) for row in ordered)}
    kinds = own | {k: pa.string() if k in text else pa.float64() for k in more}
    arrays = [pa.array([_cell(row.get(k), kind) for row in ordered], type=kind) for k, kind in kinds.items()]
    units = {c.name: {"unit": c.unit, "meaning": c.meaning} for c in tables.RUNS.columns}
    schema = pa.schema([pa.field(k, kind, metadata=units.get(k)) for k, kind in kinds.items()])
    beside = path.with_name(f".{path.name}.building")
    pq.write_table(pa.Table.from_arrays(arrays, schema=schema), beside, compression="zstd")
    with beside.open("rb+") as file:
        os.fsync(file.fileno())
    beside.replace(path)


def _cell(value: Any, kind: pa.DataType) -> Any:
    if value is None:
        return None
    if kind == TIME:
        return pd.Timestamp(value).to_pydatetime()
    if kind == pa.date32():
        return dt.date.fromisoformat(value)
    return str(value) if kind == pa.string() else value
