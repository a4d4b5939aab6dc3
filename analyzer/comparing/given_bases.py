"""What a user gives beside the runs about their bases: coordinates, or results of logs at the base."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from analyzer.comparing.runs import Base
from analyzer.comparing.setups import LogMean
from analyzer.errors import InputError, UsageError
from analyzer.metrics.base_site_shift import limits


def given_bases(base: object) -> tuple[dict[str, Base], list[LogMean]]:
    """Return bases by run name (``*`` for all) and the means of base logs."""
    places: dict[str, Base] = {}
    logs: list[LogMean] = []
    for name, value in _entries(base):
        if isinstance(value, (str, Path)):
            content = load_base(value)
            logs.append(log_mean(content))
            entered = content.get("entered")
            if name != "*" and entered:
                places[name] = Base(
                    (entered["latitude_deg"], entered["longitude_deg"], entered["height_m"]), f"base result {value}"
                )
        elif isinstance(value, Sequence) and len(value) == 3:
            places[name] = Base((float(value[0]), float(value[1]), float(value[2])), "given")
        else:
            raise UsageError(
                f"base of {name} is {value!r}; expected latitude, longitude, height or a folder of a base result."
            )
    return places, logs


def _entries(base: object) -> list[tuple[str, object]]:
    """Return what is given by run name, ``*`` where it is for all."""
    if base is None:
        return []
    if isinstance(base, Mapping):
        return [(str(k), v) for k, v in base.items()]
    coordinates = isinstance(base, tuple) and len(base) == 3 and all(isinstance(v, (int, float)) for v in base)
    if coordinates or isinstance(base, (str, Path)):
        return [("*", base)]
    if isinstance(base, Sequence):
        return [("*", entry) for entry in base]
    raise UsageError(
        f"base is {base!r}; expected coordinates, a folder of a base result, or a mapping from run to one of these."
    )


def load_base(folder: str | Path) -> dict[str, Any]:
    """Return the content of base.json in a folder that ``postdrive base`` wrote.

    Raises
    ------
    InputError : missing or damaged.
    """
    path = Path(folder) / "base.json"
    try:
        content: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        content["coordinates"]["latitude_deg"], content["grade"], content["start_utc"]
    except FileNotFoundError:
        raise InputError(
            f"base result {folder}: base.json is not in it; pass a folder that 'postdrive base --out' has written."
        ) from None
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError(f"{path}: it cannot be read ({type(error).__name__}); run 'postdrive base' again.") from error
    return content


def log_mean(content: Mapping[str, Any]) -> LogMean:
    """Return the mean of a base log from base.json, with what such a log repeats to from day to day."""
    place, grade = content["coordinates"], str(content["grade"])
    own = content["sigma_m"]
    limit = limits()
    horizontal, vertical = limit[f"log.{grade}_horizontal"], limit[f"log.{grade}_vertical"]
    sigma = max(horizontal, float(own[0]), float(own[1])), max(vertical, float(own[2]))
    return LogMean(
        (float(place["latitude_deg"]), float(place["longitude_deg"]), float(place["height_m"])),
        sigma,
        grade,
        str(content["start_utc"])[:10],
        content.get("settled"),
        (pd.Timestamp(content["start_utc"]), pd.Timestamp(content["end_utc"])) if content.get("end_utc") else None,
    )
