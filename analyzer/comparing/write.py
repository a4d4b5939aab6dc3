"""Write what a comparison or a base check found, whole or not at all (DEVELOPERS.md, Result folder)."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from analyzer.comparing.base_check import BaseCheck
from analyzer.comparing.result import Comparison
from analyzer.results.folder import BASE, COMPARISON, build


def write_comparison(comparison: Comparison, out: str | Path, *, overwrite: bool = False) -> Path | None:
    """Write comparison.json, cells.parquet, offsets.csv, recurrence.csv, more tables and report.html into `out`.

    Returns where an older folder was moved, or None.

    Raises
    ------
    OutputError : `out` exists and `overwrite` is false or it is no older result, or it cannot be written.
    """
    return build(Path(out), lambda folder: _fill(folder, comparison), mark=COMPARISON, overwrite=overwrite)


def write_base(check: BaseCheck, out: str | Path, *, overwrite: bool = False) -> Path | None:
    """Write base.json and report.html into the folder `out`; see `write_comparison`."""
    from analyzer.report.base_page import render_base

    def fill(folder: Path) -> None:
        (folder / "report.html").write_text(render_base(check), encoding="utf-8", newline="\n")
        _json(folder / BASE, check.to_dict())

    return build(Path(out), fill, mark=BASE, overwrite=overwrite)


def _fill(folder: Path, comparison: Comparison) -> None:
    from analyzer.report.compare_page import render_comparison

    _cells(comparison, folder / "cells.parquet")
    _csv(comparison.offsets, folder / "offsets.csv")
    _csv(comparison.spots, folder / "recurrence.csv")
    _csv(comparison.spot_passes, folder / "spot_passes.csv")
    _csv(comparison.runs, folder / "runs.csv")
    _csv(comparison.disagreements, folder / "disagreements.csv")
    _csv(comparison.changes, folder / "changes.csv")
    (folder / "report.html").write_text(render_comparison(comparison), encoding="utf-8", newline="\n")
    _json(folder / COMPARISON, comparison.to_dict())


def _cells(comparison: Comparison, path: Path) -> None:
    """Write the passes with the place of their cell; slices keep the Arrow copy small."""
    place = comparison.cells[["latitude_deg", "longitude_deg", "direction_deg", "along_m"]]
    passes = comparison.passes
    writer: pq.ParquetWriter | None = None
    try:
        for start in range(0, max(len(passes), 1), 200_000):
            part = passes.iloc[start : start + 200_000]
            whole = pd.concat([part.reset_index(drop=True), place.loc[part["cell"]].reset_index(drop=True)], axis=1)
            whole = whole.assign(run=whole["run"].astype("str"))
            table = pa.Table.from_pandas(whole, preserve_index=False).replace_schema_metadata(None)
            writer = writer or pq.ParquetWriter(path, table.schema, compression="zstd")
            writer.write_table(table)
    finally:
        if writer is not None:
            writer.close()


def _csv(frame: pd.DataFrame, path: Path) -> None:
    out = frame.copy()
    for name in out.columns:
        if isinstance(out[name].dtype, pd.DatetimeTZDtype):
            out[name] = out[name].map(lambda t: "" if pd.isna(t) else t.isoformat(timespec="microseconds").replace("+00:00", "Z"))
    out.to_csv(path, index=False, lineterminator="\n", encoding="utf-8")


def _json(path: Path, content: object) -> None:
    path.write_text(
        json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8", newline="\n"
    )
