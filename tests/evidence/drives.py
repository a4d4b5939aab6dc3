"""Simulated drives for the tests of the evidence: reading, and holding bounds against the truth."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd

import analyzer
from analyzer.evidence.result import Evidence
from analyzer.metrics.measure import measure
from analyzer.metrics.result import Metrics
from analyzer.parsers.column_map import load_column_map
from analyzer.recording import Recording
from analyzer.verdict.judge import judge
from analyzer.verdict.purposes import load_purpose


def read(folder: Path) -> tuple[Recording, Metrics]:
    """Return the recording of a simulated drive with everything that was written for it, and its metrics."""
    setup = analyzer.load_setup(folder / "setup.toml")
    inertial = folder / "inertial.csv"
    recording = analyzer.read(
        folder / "rover.nmea", inertial=[inertial] if inertial.exists() else [],
        maps=[load_column_map(p) for p in sorted(folder.glob("*_columns.toml"))], solution_kind=setup.solution_kind or "unknown",
    )
    return recording, measure(recording)


def held_against_truth(folder: Path, recording: Recording, evidence: Evidence) -> pd.DataFrame:
    """Return one row per logged epoch: ``fixed``, ``error_m``, ``bound_m``, ``trusted`` for decimetre work."""
    truth = pd.read_csv(folder / "truth.csv")
    truth.index = pd.to_datetime(truth["time_utc"], utc=True, format="ISO8601").dt.round("1ms")
    trust, _ = judge(evidence.bounds, recording.fixes, load_purpose("lane"))
    own = pd.DataFrame(
        {"bound_m": evidence.bounds["horizontal_bound_m"].to_numpy(), "trusted": np.asarray(trust) == "trusted"},
        index=pd.DatetimeIndex(recording.fixes.index).round("1ms"),
    )
    logged = truth[(truth["logged"] == 1) & (truth["state"] != "no_fix")]
    joined = logged.join(own[~own.index.duplicated()], how="inner")
    return pd.DataFrame({"fixed": joined["state"] == "fixed", "error_m": joined["error_h_m"], "bound_m": joined["bound_m"],
                         "trusted": joined["trusted"].astype(bool)})


def faults(folder: Path) -> list[dict[str, object]]:
    """Return the planted faults."""
    return list(json.loads((folder / "faults.json").read_text(encoding="utf-8"))["faults"])
