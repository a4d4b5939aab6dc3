"""Thresholds live in TOML beside the code that uses them, each with unit, reason and source."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib import resources
from types import MappingProxyType

from analyzer.errors import AnalyzerError


@cache
def thresholds(package: str, name: str = "thresholds.toml") -> Mapping[str, float]:
    """Return the values of a threshold file of this package as ``{"table.key": value}``.

    Each entry of the file is a table with ``value``, ``unit``, ``reason`` and ``source``; an entry that lacks one is a
    fault of ours.
    """
    text = resources.files(package).joinpath(name).read_text(encoding="utf-8")
    out: dict[str, float] = {}
    for group, entries in tomllib.loads(text).items():
        for key, entry in entries.items():
            lacking = {"value", "unit", "reason", "source"} - set(entry)
            if lacking:
                raise AnalyzerError(f"{package}/{name}: entry {group}.{key} lacks {', '.join(sorted(lacking))}.")
            out[f"{group}.{key}"] = entry["value"]
    return MappingProxyType(out)
