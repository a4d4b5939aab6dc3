"""How honest a judgement is, measured against the known truth of simulated drives.

All counts are kept and summed, so that a family's figure is that of its epochs and not a mean of means:

misleading   trusted epochs whose true horizontal error exceeds the limit, over trusted epochs
useful       trusted among the fixed epochs whose true error is within the limit
coverage     epochs with a position whose true error is within their horizontal bound; vertical likewise
caught       stretches of fixed epochs beyond the limit (pauses under 1 s joined) without one trusted epoch
width        median horizontal bound of the fixed epochs over the 95th percentile of their true error
dropouts     planted ones of 2 s and more that were found: same kind, half their length covered; cause right as far as
             the recordings can tell; start difference; and false ones: near nothing that was planted or is natural
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from analyzer.intervals import join_close, runs

SURE_S, JOIN_S = 2.0, 1.0
#: How far from a planted or natural event a dropout may lie and still belong to it [s before, after].
NEAR_S = (2.0, 30.0)


@dataclass
class Score:
    """Counts of one drive, or of several summed."""

    family: str = ""
    epochs: int = 0
    trusted: int = 0
    misleading: int = 0
    good_fixed: int = 0
    good_trusted: int = 0
    covered: int = 0
    covered_vertical: int = 0
    stretches: int = 0
    caught: int = 0
    invented: int = 0
    planted: int = 0
    found: int = 0
    cause: int = 0
    false: int = 0
    hours: float = 0.0
    start_s: float = 0.0
    first_fixed_s: float = 0.0
    bounds: list[np.ndarray] = field(default_factory=list)
    errors: list[np.ndarray] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)

    def __iadd__(self, other: Score) -> Score:
        """Add the counts of another drive; the largest differences stay the largest."""
        for name in ("epochs", "trusted", "misleading", "good_fixed", "good_trusted", "covered", "covered_vertical",
                     "stretches", "caught", "invented", "planted", "found", "cause", "false", "hours", "bounds",
                     "errors", "missed"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.start_s = max(self.start_s, other.start_s)
        self.first_fixed_s = max(self.first_fixed_s, other.first_fixed_s)
        return self

    @property
    def width(self) -> float:
        """Median bound over realised 95th percentile, of fixed epochs; NaN without one."""
        bound, error = np.concatenate([*self.bounds, []]), np.concatenate([*self.errors, []])
        if not len(error) or np.isnan(bound).all():
            return float("nan")
        return float(np.nanmedian(bound) / max(np.percentile(error, 95), 1e-3))

    @property
    def median_bound_m(self) -> float:
        """Median horizontal bound of fixed epochs [m]."""
        bound = np.concatenate([*self.bounds, []])
        return float(np.nanmedian(bound)) if len(bound) and not np.isnan(bound).all() else float("nan")

    def row(self) -> dict[str, object]:
        """Return the figures as a row of the table."""
        return {
            "misleading": self.misleading / max(self.trusted, 1), "useful": self.good_trusted / max(self.good_fixed, 1),
            "coverage": self.covered / max(self.epochs, 1), "vertical": self.covered_vertical / max(self.epochs, 1),
            "caught": f"{self.caught}/{self.stretches}", "bound_m": self.median_bound_m, "width": self.width,
            "dropouts": f"{self.found}/{self.planted}", "cause": f"{self.cause}/{self.planted}",
            "false": self.false, "start_s": self.start_s, "first_fix_s": self.first_fixed_s, "invented": self.invented,
        }


def _moments(column: pd.Series) -> pd.Series:
    """Return times rounded to milliseconds, so that texts and microseconds meet."""
    return pd.to_datetime(column, utc=True, format="ISO8601").astype("datetime64[us, UTC]").dt.round("1ms")


def read_truth(folder: Path) -> pd.DataFrame:
    """Return truth.csv with its times as moments."""
    truth = pd.read_csv(folder / "truth.csv", dtype={"cause": "str"})
    truth["time_utc"] = _moments(truth["time_utc"])
    return truth


def score_drive(
    folder: Path, epochs: pd.DataFrame, dropouts: pd.DataFrame, first_fixed_s: float | None, *, limit_m: float = 0.10
) -> Score:
    """Score one judged drive.

    Parameters
    ----------
    folder : the drive with truth.csv and faults.json.
    epochs : ``time_utc`` (column), ``trust``, ``horizontal_bound_m``, ``vertical_bound_m``.
    dropouts : ``kind cause start_utc end_utc``.
    first_fixed_s : time to the first fixed epoch as judged [s].
    """
    content = json.loads((folder / "faults.json").read_text())
    truth = read_truth(folder)
    logged = truth[truth["logged"] == 1]
    judged = epochs.assign(time_utc=_moments(epochs["time_utc"]), good=epochs["trust"].astype(str).eq("trusted"))
    result = Score(content["family"], invented=int((~judged["time_utc"].isin(logged["time_utc"])).sum()))
    once = judged.groupby("time_utc").agg(
        good=("good", "max"), bound=("horizontal_bound_m", "min"), vertical=("vertical_bound_m", "min"))
    both = logged[logged["state"] != "no_fix"].join(once, on="time_utc")
    _count_epochs(result, both, limit_m)
    span = logged["time_utc"].iloc[-1] - logged["time_utc"].iloc[0]
    result.hours = span / pd.Timedelta(hours=1)
    _count_dropouts(result, content["faults"], dropouts, folder.name)
    if "time_to_first_fixed_s" in content:
        said = 1e9 if first_fixed_s is None else first_fixed_s
        result.first_fixed_s = abs(said - content["time_to_first_fixed_s"])
    return result


def _count_epochs(result: Score, both: pd.DataFrame, limit_m: float) -> None:
    """Count trust, bounds and wrong stretches."""
    good = both["good"].fillna(False).to_numpy(dtype=bool)
    error, fixed = both["error_h_m"].to_numpy(), both["state"].eq("fixed").to_numpy()
    within = error <= limit_m
    result.epochs, result.trusted = len(both), int(good.sum())
    result.misleading = int((good & ~within).sum())
    result.good_fixed, result.good_trusted = int((within & fixed).sum()), int((good & within & fixed).sum())
    result.covered = int((error <= both["bound"].to_numpy(dtype=float)).sum())
    result.covered_vertical = int((both["error_v_m"].to_numpy() <= both["vertical"].to_numpy(dtype=float)).sum())
    result.bounds, result.errors = [both["bound"].to_numpy(dtype=float)[fixed]], [error[fixed]]
    time = (both["time_utc"] - both["time_utc"].iloc[0]).dt.total_seconds().to_numpy()
    bad = fixed & ~within
    parts = np.array([(time[a], time[b - 1]) for a, b in runs(bad)]).reshape(-1, 2)
    for start, end in join_close(parts, JOIN_S):
        result.stretches += 1
        result.caught += not bool((good & ~within & (time >= start) & (time <= end)).any())


def _count_dropouts(result: Score, faults: list[dict[str, str]], dropouts: pd.DataFrame, name: str) -> None:
    """Count planted dropouts that were found and others that were not there."""
    start, end = (_seconds(dropouts[c]) for c in ("start_utc", "end_utc"))
    explained = np.zeros(len(dropouts), dtype=bool)
    for fault in faults:
        low, high = _seconds(pd.Series([fault["start_utc"], fault["end_utc"]]))
        near = (start < high + NEAR_S[1]) & (end > low - NEAR_S[0])
        explained |= near
        if not fault["dropout_kind"] or high - low < SURE_S:
            continue
        result.planted += 1
        overlap = np.minimum(end, high) - np.maximum(start, low)
        hit = near & dropouts["kind"].eq(fault["dropout_kind"]).to_numpy() & (overlap >= (high - low) / 2)
        if not hit.any():
            around = list(zip(dropouts["kind"][near], dropouts["cause"][near], strict=True))
            result.missed.append(f"{name} {fault['kind']} {fault['dropout_kind']} {high - low:.0f} s, there: {around}")
            continue
        result.found += 1
        right = dropouts["cause"][hit].isin([fault["cause"], fault["cause_without_recordings"]]).any()
        result.cause += bool(right)
        if not right:
            result.missed.append(f"{name} {fault['kind']} cause {fault['cause']}, said {list(dropouts['cause'][hit])}")
        result.start_s = max(result.start_s, float(np.abs(start[hit] - low).min()))
    result.false = int((~explained).sum())


def _seconds(times: pd.Series) -> np.ndarray:
    """Return times as seconds since 1970."""
    return _moments(times).to_numpy(dtype="datetime64[ms]").astype(np.int64) / 1000.0


def table(scores: Iterable[Score]) -> pd.DataFrame:
    """Return the figures per family and of all drives."""
    groups: dict[str, Score] = {}
    total = Score("ALL")
    for one in scores:
        group = groups.setdefault(one.family, Score(one.family))
        group += one
        total += one
    rows = {name: group.row() for name, group in sorted(groups.items())} | {"ALL": total.row()}
    return pd.DataFrame.from_dict(rows, orient="index")


def by_rule_of_thumb(folder: Path) -> pd.DataFrame:
    """Return epochs judged by the rule of thumb that fixed means trusted, for comparison."""
    truth = read_truth(folder)
    logged = truth[truth["logged"] == 1]
    trust = np.where(logged["state"].eq("fixed"), "trusted", "doubtful")
    return pd.DataFrame({
        "time_utc": logged["time_utc"].astype(str), "trust": trust, "horizontal_bound_m": np.nan,
        "vertical_bound_m": np.nan,
    })
