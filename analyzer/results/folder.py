"""Build a result folder beside its place and rename it, so that no half result ever stands under its name."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Iterable
from pathlib import Path

from analyzer.errors import OutputError

#: The file that each kind of result has: only a folder that holds it is moved aside as an older one.
SUMMARY, BASE, COMPARISON = "summary.json", "base.json", "comparison.json"


def refuse_existing(out: Path, *, overwrite: bool, mark: str, inputs: Iterable[str | Path] = ()) -> None:
    """Raise OutputError where `out` exists and may not be replaced, or where its parent cannot hold it.

    `mark` is the file of this kind of result; a folder without it, or one in which any of `inputs` stands, is none to
    be replaced.
    """
    if not out.name:
        raise OutputError("result folder: it has no name; give one that does not exist yet.")
    try:
        _refuse(out, overwrite=overwrite)
        if out.exists():
            _refuse_others(out, mark, inputs)
    except OSError as error:
        raise OutputError(f"result folder {out}: {error.strerror}; choose another name or place.") from error


def _refuse(out: Path, *, overwrite: bool) -> None:
    if (out.exists() or out.is_symlink()) and not overwrite:
        raise OutputError(f"result folder {out}: it exists already; choose another name or pass --overwrite.")
    if out.exists() and not out.is_dir():
        raise OutputError(f"result folder {out}: a file of that name stands there; choose another name.")
    parent = out.absolute().parent
    while not parent.exists():
        parent = parent.parent
    if not parent.is_dir() or not os.access(parent, os.W_OK):
        raise OutputError(f"result folder {out}: {parent} cannot be written to; choose a folder you may write to.")


def _refuse_others(out: Path, mark: str, inputs: Iterable[str | Path]) -> None:
    """Raise OutputError where the folder `out` is no older result, or holds what is to be read."""
    folder = Path(os.path.realpath(out))
    for given in (path for path in inputs if os.path.lexists(path)):
        # by its own name, and by what it is a link to
        own = Path(os.path.realpath(Path(given).parent), Path(given).name)
        if any(folder in (place, *place.parents) for place in (own, Path(os.path.realpath(given)))):
            raise OutputError(
                f"result folder {out}: {given}, which is to be read, stands there and would be moved away; choose another name."
            )
    if not (out / mark).is_file() and any(out.iterdir()):
        raise OutputError(
            f"result folder {out}: it holds files but no {mark}, so it is no older result to move aside; choose another name."
        )


def build(out: Path, fill: Callable[[Path], None], *, mark: str, overwrite: bool = False) -> Path | None:
    """Fill a new folder by `fill(folder)` and rename it to `out`; return where an older result was moved, or None.

    Raises
    ------
    OutputError : `out` exists without `overwrite`, or is no older result with the file `mark`, or writing failed; then
        nothing is left behind.
    """
    refuse_existing(out, overwrite=overwrite, mark=mark)
    target = out.absolute()
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        building = Path(tempfile.mkdtemp(prefix=f".{target.name}.", suffix=".building", dir=target.parent))
        building.chmod(0o755)
    except OSError as error:
        raise OutputError(
            f"result folder {out}: it cannot be made ({error.strerror}); check the place and its permissions."
        ) from error
    try:
        fill(building)
        aside = _move_aside(target) if target.exists() else None
        building.rename(target)
    except OSError as error:
        shutil.rmtree(building, ignore_errors=True)
        raise OutputError(
            f"result folder {out}: writing failed ({error.strerror or error}); nothing was left behind."
        ) from error
    except BaseException:
        shutil.rmtree(building, ignore_errors=True)
        raise
    return aside


def _move_aside(target: Path) -> Path:
    """Rename an existing result to the first free name NAME.previous, NAME.previous-2 …"""
    number = 1
    while True:
        aside = target.with_name(f"{target.name}.previous" + (f"-{number}" if number > 1 else ""))
        if not aside.exists():
            target.rename(aside)
            return aside
        number += 1
