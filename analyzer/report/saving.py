"""A file is written whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from analyzer.errors import OutputError


def write_whole(path: str | os.PathLike[str], content: bytes) -> None:
    """Write `content` beside `path` and rename it into place.

    Raises
    ------
    OutputError : the file cannot be written; nothing is left behind.
    """
    target = Path(path)
    part = ""
    try:
        with tempfile.NamedTemporaryFile("wb", dir=target.parent, prefix=f".{target.name}.", delete=False) as file:
            part = file.name
            file.write(content)
        Path(part).chmod(0o644)
        Path(part).replace(target)
    except OSError as fault:
        if part:
            Path(part).unlink(missing_ok=True)
        raise OutputError(
            f"report {target}: cannot be written ({fault.strerror or fault}); choose a folder that exists and may be "
            "written to."
        ) from fault
