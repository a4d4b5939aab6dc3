"""The sidecar ``FILE.quality.json``: what was joined to what, under which offset, and how to see that both belong together."""

from __future__ import annotations

import hashlib
import json
import math
import os
import uuid
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from analyzer import __version__
from analyzer.attaching.join import COLUMNS
from analyzer.attaching.time_offset import TimeOffset
from analyzer.attaching.time_offset_estimate import Estimate
from analyzer.attaching.time_offset_step import Watch
from analyzer.errors import InputError
from analyzer.recording import Finding
from analyzer.results.load import LoadedResult
from analyzer.results.summary import json_safe

SCHEMA_VERSION = 1
#: Keys in the file's own metadata.
KEY_ID, KEY_CELLS = "postdrive.attach_id", "postdrive.cells_sha256"


def sidecar_path(path: Path) -> Path:
    """Return where the sidecar of a file stands."""
    return path.with_name(path.name + ".quality.json")


def new_id() -> str:
    """Return a random attach_id."""
    return str(uuid.uuid4())


def file_digest(path: Path) -> str:
    """Return the SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def offset_entries(offset: TimeOffset, applied: Mapping[str, Any]) -> dict[str, Any]:
    """Return what is said about the clocks; ``time_offset_s`` is the measurement's clock minus the recording's."""
    line = offset.line
    return {
        "time_offset_s": applied["offset_s"], "time_offset_interval_s": applied["interval_s"],
        "drift_ppm": applied["drift_ppm"], "time_offset": {
            "applied": dict(applied), "evaluated": line is not None, "not_evaluated": offset.not_evaluated,
            "estimate_s": offset.offset_s, "estimate_interval_s": offset.interval_s,
            "estimate_drift_ppm": offset.drift_ppm,
            "drift_half_width_ppm": None if line is None else line.drift_half_width * 1e6,
            "apparent_delay_s": _apparent(offset, "value"), "apparent_delay_interval_s": _apparent(offset, "interval"),
            "apparent_delay_of": None if offset.apparent is None else offset.apparent.kind,
            "signal_delay_s": offset.signal_delay_s, "signal_delay_source": offset.delay_source,
            "suspicion": offset.suspicion, "outside_band": offset.outside_band, "clock_off": offset.clock_off,
            "position_error_m": offset.position_error_m, "speed_p95_mps": offset.speed_mps,
            "watched": watch_entry(offset.watched),
            "apart": [{"signal": a.kind, "late_s": a.late_s, "half_width_s": a.half_width_s} for a in offset.apart],
            "signals": [estimate_entry(e) for e in offset.estimates], "notes": list(offset.notes),
        },
    }


def estimate_entry(estimate: Estimate) -> dict[str, Any]:
    """Return what one signal said."""
    if estimate.line is None:
        return {"signal": estimate.kind, "not_evaluated": estimate.reason}
    line = estimate.line
    return {
        "signal": estimate.kind, "offset_s": line.offset_s, "interval_s": estimate.interval_s, "epochs": line.n,
        "correlation": line.correlation, "scale": line.scale, "drift_ppm": line.drift * 1e6,
        "windows": [{"seconds": s, "offset_s": o} for s, o in zip(line.blocks["seconds"], line.blocks["offset_s"], strict=True)],
    }


def watch_entry(watched: Watch | None) -> dict[str, Any] | None:
    """Return over which seconds of the recording a step of the clock would be seen, and what was; None where it was not watched."""
    if watched is None:
        return None
    step = watched.step
    return {"from_s": watched.from_s, "until_s": watched.until_s, "least_step_s": watched.least_s,
            "step": None if step is None else {"size_s": step.size_s, "half_width_s": step.half_width_s, "before_s": step.before_s,
                                               "after_s": step.after_s, "from_s": step.from_s, "until_s": step.until_s, "clear": step.clear}}


def _apparent(offset: TimeOffset, what: str) -> Any:
    if offset.apparent is None or offset.apparent.line is None:
        return None
    return offset.apparent.line.offset_s if what == "value" else offset.apparent.interval_s


def result_entry(result: LoadedResult) -> dict[str, Any]:
    """Return what the sidecar takes over from a result folder: verdict, shares, windows, sources."""
    entry = summary_entry(result.summary, folder=result.folder.name)
    return entry | {"summary_sha256": file_digest(result.folder / "summary.json")}


def summary_entry(summary: Mapping[str, Any], *, folder: str | None) -> dict[str, Any]:
    """Return what the sidecar takes over from the content of a summary.json."""
    shares = {m["key"]: m.get("value") for m in summary.get("metrics", []) if str(m.get("key", "")).startswith("share_")}
    verdict = summary.get("verdict", {})
    sources = [{k: s.get(k) for k in ("name", "format", "place", "sha256", "unpacked_size")} for s in summary.get("sources", [])]
    return {
        "run": summary.get("run"), "folder": folder,
        "verdict": {k: verdict.get(k) for k in ("level", "sentences", "purpose", "rules_version")},
        "shares": shares | {"share_trusted": verdict.get("share_trusted")}, "windows": summary.get("windows", []),
        "sources": sources, "versions": summary.get("versions", {}),
    }


def content(*, attach_id: str, cells: str, order: str, names: Sequence[str], results: Sequence[Mapping[str, Any]],
            clocks: Mapping[str, Any], rows: Mapping[str, int], measurement: Mapping[str, Any],
            findings: Sequence[Finding]) -> dict[str, Any]:
    """Return the sidecar's content but for the digest of the file."""
    first = results[0] if results else {}
    columns = [{"name": called, "quantity": name, "unit": unit, "meaning": meaning, "rule": rule}
               for (name, unit, meaning, rule), called in zip(COLUMNS, names, strict=True)]
    out: dict[str, Any] = json_safe({
        "schema_version": SCHEMA_VERSION, "attach_id": attach_id, "cells_sha256": cells, "cells_order": order,
        **clocks, "run": first.get("run"), "verdict": first.get("verdict"), "shares": first.get("shares"),
        "windows": first.get("windows"), "sources": [s for r in results for s in r.get("sources", [])],
        "results": list(results), "measurement": dict(measurement), "columns": columns, "rows": dict(rows),
        "findings": [{"code": f.code, "level": f.level, "text": f.text} for f in findings],
        "versions": {**dict(first.get("versions") or {}), "postdrive": __version__},
    })
    return out


def write_sidecar(path: Path, entries: Mapping[str, Any]) -> None:
    """Write the sidecar in one go; numbers that are none are null."""
    text = json.dumps(_finite(entries), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    beside = path.with_name(f".{path.name}.{os.getpid()}.building")
    beside.write_text(text, encoding="utf-8", newline="\n")
    beside.replace(path)


def read_sidecar(path: Path) -> dict[str, Any]:
    """Return the content of the sidecar of the file at `path`.

    Raises
    ------
    InputError : there is none, or it cannot be read.
    """
    side = sidecar_path(path)
    if not side.is_file():
        raise InputError(f"{path}: {side.name} does not stand beside it; check the path, or attach the quality again.")
    try:
        found = json.loads(side.read_text(encoding="utf-8"))
        if isinstance(found, dict) and {"attach_id", "cells_sha256", "file"} <= set(found):
            return found
    except (OSError, ValueError) as error:
        raise InputError(f"{side} cannot be read ({error}); attach the quality again.") from error
    raise InputError(f"{side} is no sidecar of this tool: attach_id, cells_sha256 or file is missing; attach the quality again.")


def _finite(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {k: _finite(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(v) for v in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
