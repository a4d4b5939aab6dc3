"""See whether a file and its sidecar belong together, and whether a cell was changed since."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa

from analyzer.attaching import csv_writer, mdf4_writer, parquet_writer
from analyzer.attaching.csv_lines import Layout
from analyzer.attaching.mdf4_blocks import Walker
from analyzer.attaching.sidecar import KEY_CELLS, KEY_ID, file_digest, read_sidecar
from analyzer.errors import InputError
from analyzer.parsers.delimited_dialect import Dialect
from analyzer.parsers.sources import open_sources


@dataclass(frozen=True)
class Check:
    """Whether file and sidecar belong together, and a sentence for each thing that was compared."""

    belongs: bool
    sentences: tuple[str, ...]


def check_attached(path: str | Path) -> Check:
    """Compare the file at `path` with its sidecar.

    The file as a whole, the hash of all cells, and for formats with metadata of their own the attach_id and the hash that
    stand in it.

    Raises
    ------
    InputError : file or sidecar are missing or cannot be read.
    """
    file = Path(path)
    if not file.is_file():
        raise InputError(f"{file}: there is no such file; check the path.")
    side = read_sidecar(file)
    kind = str(side["file"].get("format"))
    whole = file_digest(file) == side["file"].get("sha256")
    sentences = [f"{file.name}: the file is {'as it was written' if whole else 'not as it was written'}"]
    same = _cells(file, kind, side) == side["cells_sha256"]
    sentences.append(f"{file.name}: its cells are {'those' if same else 'not those'} that the sidecar describes")
    own = _own(file, kind)
    named = True
    if own is not None:
        named = own.get(KEY_ID) == side["attach_id"] and own.get(KEY_CELLS) == side["cells_sha256"]
        sentences.append(f"{file.name}: its own metadata {'name' if named else 'do not name'} this sidecar "
                         f"(attach_id {own.get(KEY_ID, 'missing')})")
    return Check(whole and same and named, tuple(sentences))


def _cells(path: Path, kind: str, side: dict[str, Any]) -> str:
    try:
        if kind == "parquet":
            return parquet_writer.cells_digest(path)
        if kind == "mdf4":
            return mdf4_writer.cells_digest(path)
        return csv_writer.cells_digest(open_sources([path])[0][0], _cut(side["file"]["layout"]))
    except (pa.ArrowException, OSError, KeyError, TypeError) as error:
        raise InputError(f"{path} cannot be read as {kind} ({error}); it or its sidecar is damaged.") from error


def _own(path: Path, kind: str) -> dict[str, str] | None:
    """Return what the file itself says; None where the format has no place for it."""
    if kind == "parquet":
        return parquet_writer.key_values(path)
    if kind == "mdf4":
        with path.open("rb") as file:
            for text in Walker(file, str(path)).texts():
                if KEY_ID in text:
                    inner = text.split("<TX>", 1)[-1].split("</TX>", 1)[0]
                    return dict(part.split("=", 1) for part in inner.split() if "=" in part)
        return {}
    return None


def _cut(layout: dict[str, Any]) -> Layout:
    dialect = Dialect(
        encoding=layout["encoding"], delimiter=layout["delimiter"], decimal=layout["decimal"], header_row=layout["header_row"],
        unit_row=layout["unit_row"], data_row=layout["data_row"], names=tuple(layout["columns"]), units=(),
        comment=layout["comment"], regular=1.0, numeric=1.0, rows_seen=1,
    )
    return Layout(dialect, layout["encoding"])
