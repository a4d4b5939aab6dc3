"""Read a measurement file in a process of its own.

The compiled parts of the reading package trust offsets inside the file; a damaged one can end the process. In a child
that costs one sentence, in this process it would cost the whole run.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np

from analyzer.errors import AnalyzerError, InputError, MissingExtraError, UsageError
from analyzer.parsers.mdf4_channels import Channel, open_measurement
from analyzer.parsers.mdf4_structure import check_structure
from analyzer.settings import thresholds

_LIMITS = thresholds("analyzer.parsers", "thresholds_sources.toml")
_ERRORS: dict[str, type[AnalyzerError]] = {"InputError": InputError, "UsageError": UsageError}


@dataclass(frozen=True)
class Fetched:
    """What was read: start time of the header, names of all channels, wanted channels by name, raw bus frames."""

    name: str
    start_utc: dt.datetime
    names: tuple[str, ...]
    channels: dict[str, Channel]
    raw_frames: int


def fetch(path: Path, name: str, *, bus: Path | None, wanted: Sequence[str] | None) -> Fetched:
    """Return the channels `wanted` (None: all) of the file at `path`, called `name` in messages.

    Raises
    ------
    MissingExtraError
        The package that reads the format is not installed.
    InputError
        The file is cut off or damaged.
    UsageError
        A channel is missing or the bus description cannot be used.
    """
    if find_spec("asammdf") is None:
        raise MissingExtraError("asammdf", extra="mdf4", purpose=f"reading the measurement file {name}")
    with tempfile.TemporaryDirectory(prefix="postdrive-mdf4-") as folder:
        request = {"path": str(path), "name": name, "bus": None if bus is None else str(bus), "folder": folder,
                   "wanted": None if wanted is None else list(wanted)}
        answer = _ask(request, path, name)
        with np.load(Path(folder) / "samples.npz", allow_pickle=False) as samples:
            channels = {
                key: Channel(key, samples[f"{i}t"], samples[f"{i}v"], unit)
                for i, (key, unit) in enumerate(answer["channels"])
            }
    start = dt.datetime.fromisoformat(answer["start_utc"])
    return Fetched(name, start, tuple(answer["names"]), channels, int(answer["raw_frames"]))


def _ask(request: dict[str, Any], path: Path, name: str) -> dict[str, Any]:
    """Run the child and return its answer; its errors are raised here."""
    root = str(Path(__file__).resolve().parents[2])
    paths = os.pathsep.join([root, *filter(None, [os.environ.get("PYTHONPATH")])])
    limit_s = _LIMITS["mdf4.least_time_s"] + _LIMITS["mdf4.time_s_per_mib"] * path.stat().st_size / 2**20
    try:
        done = subprocess.run(
            [sys.executable, "-m", "analyzer.parsers.mdf4_process"], input=json.dumps(request), capture_output=True,
            text=True, check=False, timeout=limit_s, env={**os.environ, "PYTHONPATH": paths},
        )
    except subprocess.TimeoutExpired as error:
        check_structure(path, name)
        raise InputError(
            f"{name} was not read within {limit_s:.0f} s, so it is taken as damaged: copy it again from its origin."
        ) from error
    if done.returncode == 0:
        answer: dict[str, Any] = json.loads((Path(request["folder"]) / "answer.json").read_text(encoding="utf-8"))
        if "error" not in answer:
            return answer
        if answer["error"] == "InputError":
            check_structure(path, name)
        raise _ERRORS[answer["error"]](answer["text"])
    check_structure(path, name)
    raise InputError(
        f"{name} is damaged inside its data, so that reading it breaks off (code {done.returncode}): copy it "
        "again from its origin."
    )


def _serve(request: dict[str, Any]) -> None:
    """Read what is asked for, in the child, and leave samples and answer in the folder of the request."""
    folder = Path(request["folder"])
    try:
        answer = _read(request, folder / "samples.npz")
    except AnalyzerError as error:
        kind = "InputError" if isinstance(error, InputError) else "UsageError"
        answer = {"error": kind, "text": str(error)}
    (folder / "answer.json").write_text(json.dumps(answer), encoding="utf-8")


def _read(request: dict[str, Any], target: Path) -> dict[str, Any]:
    bus = None if request["bus"] is None else Path(request["bus"])
    with open_measurement(Path(request["path"]), request["name"], bus) as opened:
        wanted = opened.names if request["wanted"] is None else request["wanted"]
        channels = [opened.channel(key) for key in wanted]
        arrays = {f"{i}t": c.seconds for i, c in enumerate(channels)}
        np.savez(target, **arrays, **{f"{i}v": c.values for i, c in enumerate(channels)})  # type: ignore[arg-type]
        return {"start_utc": opened.start_utc.isoformat(), "names": list(opened.names),
                "raw_frames": opened.raw_frames, "channels": [[c.name, c.unit] for c in channels]}


if __name__ == "__main__":
    _serve(json.loads(sys.stdin.read()))
