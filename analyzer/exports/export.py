"""Write one result in one open format, into a file that stands whole or not at all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

from analyzer.errors import OutputError, UsageError
from analyzer.exports.geojson import geojson
from analyzer.exports.gpx import gpx
from analyzer.exports.kml import kml
from analyzer.exports.route import Route, load_route
from analyzer.exports.tables import write_csv, write_parquet
from analyzer.results.load import LoadedResult, load_result

MAPS: Mapping[str, Callable[[Route], Iterator[str]]] = {"geojson": geojson, "kml": kml, "gpx": gpx}
WRITERS: Mapping[str, Callable[[LoadedResult, str, Path], None]] = {"csv": write_csv, "parquet": write_parquet}
FORMATS = (*MAPS, *WRITERS)
#: Least distance between points [m] where none is asked for: finer than any map shows, and states never depend on it.
SPACING_M = 1.0


def export(
    folder: str | Path, form: str, *, out: str | Path | None = None, spacing_m: float = SPACING_M, table: str = "epochs",
    overwrite: bool = False,
) -> Path:
    """Write a result in another format and return the file.

    Parameters
    ----------
    folder : result folder.
    form : one of `FORMATS`.
    out : the file; default ``export_route`` or ``export_TABLE`` with the format's suffix, inside `folder`.
    spacing_m : for maps, distance [m] between points that nothing else keeps (see `lines.rule`); 0 keeps all.
    table : for csv and parquet, which table.
    overwrite : replace `out` where it exists; parts of the result itself are never replaced.

    Raises
    ------
    UsageError : no such format or table, or a spacing below 0.
    InputError : the result is incomplete or damaged.
    OutputError : `out` exists, is a part of the result, or cannot be written.
    """
    if form not in FORMATS:
        raise UsageError(f"--format {form}: expected one of {', '.join(FORMATS)}.")
    if not 0 <= spacing_m < float("inf"):
        raise UsageError(f"--spacing {spacing_m:g}: expected metres, 0 and more; 0 keeps every epoch.")
    result = load_result(folder)
    name = "route" if form in MAPS else table
    path = Path(out) if out is not None else result.folder / f"export_{name}.{form}"
    _refuse(path, result.folder, overwrite=overwrite)
    if form in MAPS:
        route = load_route(result, spacing_m=spacing_m)
        _whole(path, lambda part: _write_text(part, MAPS[form](route)))
    else:
        _whole(path, lambda part: WRITERS[form](result, table, part))
    return path


def _refuse(path: Path, folder: Path, *, overwrite: bool) -> None:
    """Raise where `path` may not be written."""
    own = path.absolute().parent.resolve() == folder.resolve() and not path.name.startswith("export_")
    if own:
        raise OutputError(f"export {path}: files beside the result's own begin with export_; choose such a name or another folder.")
    if path.is_dir():
        raise OutputError(f"export {path}: a folder of that name stands there; name a file.")
    if path.exists() and not overwrite:
        raise OutputError(f"export {path}: it exists already; choose another name or pass --overwrite.")


def _write_text(path: Path, parts: Iterator[str]) -> None:
    with path.open("w", encoding="utf-8", newline="\n") as file:
        file.writelines(parts)


def _whole(path: Path, fill: Callable[[Path], None]) -> None:
    """Fill a file beside `path` and rename it into place; a failure leaves nothing behind."""
    part: Path | None = None
    try:
        handle, name = tempfile.mkstemp(dir=path.absolute().parent, prefix=f".{path.name}.", suffix=".part")
        os.close(handle)
        part = Path(name)
        fill(part)
        part.chmod(0o644)
        part.replace(path)
    except OSError as error:
        raise OutputError(
            f"export {path}: it cannot be written ({error.strerror or error}); choose a folder that exists and may be written to."
        ) from error
    finally:
        if part is not None:
            part.unlink(missing_ok=True)
