"""Trouble spots: does trouble come back at the place, or was it once?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from analyzer import wording
from analyzer.comparing.rows import records
from analyzer.settings import thresholds

Array = NDArray[np.float64]
Codes = NDArray[np.int64]
COLUMNS = (
    "spot",
    "class",
    "kind",
    "passes",
    "troubled",
    "masked",
    "share",
    "share_low",
    "share_high",
    "runs",
    "runs_troubled",
    "along_m",
    "length_m",
    "latitude_deg",
    "longitude_deg",
    "direction_deg",
    "east_m",
    "north_m",
    "longest_s",
    "p_value",
    "words",
)
PASS_COLUMNS = ("spot", "run", "pass", "state", "duration_s", "start_utc")


@dataclass(frozen=True)
class Walk:
    """One run on the cells: cell and distance of its steps, which steps lie in a dropout, and its troubles."""

    run: int
    cell: Codes
    along_m: Array
    lost: NDArray[np.bool_]
    troubles: pd.DataFrame


def binomial_interval(troubled: int, passes: int) -> tuple[float, float]:
    """Return the exact 95 % interval of a share (Clopper and Pearson, Biometrika 26, 1934, from memory)."""
    low = 0.0 if troubled == 0 else float(stats.beta.ppf(0.025, troubled, passes - troubled + 1))
    high = 1.0 if troubled == passes else float(stats.beta.ppf(0.975, troubled + 1, passes - troubled))
    return low, high


def recurrence(walks: Sequence[Walk], cells: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the trouble spots (`COLUMNS`) and what each pass of each spot was like (`PASS_COLUMNS`).

    Troubles that begin at one place, in one direction, are one spot. Passes already in trouble on arrival are masked:
    they neither confirm nor contradict. A spot recurs where as many troubled passes would be unlikely by chance
    (binomial, 1 % over all spots) given how often trouble begins elsewhere; fewer than six passes are too few to tell, and get
    no p-value, unless four of them were in trouble and that is as unlikely. `length_m` is the longest stretch in trouble.
    """
    starts = _starts(walks)
    if not len(starts):
        return pd.DataFrame(columns=list(COLUMNS)), pd.DataFrame(columns=list(PASS_COLUMNS))
    east, north, way = (cells[c].to_numpy(np.float64) for c in ("east_m", "north_m", "direction_deg"))
    starts["cluster"] = _clusters(
        east[starts["cell"]],
        north[starts["cell"]],
        np.radians(way[starts["cell"]]),
        (starts["kind"] == "not_trusted").to_numpy(),
    )
    driven = sum(float(w.along_m[-1] - w.along_m[0]) for w in walks if len(w.along_m))
    passes, spots = [], []
    for number, members in starts.groupby("cluster"):
        zone = _zone(members, cells)
        seen = _zone_passes(walks, zone, members)
        seen.insert(0, "spot", int(str(number)))
        passes.append(seen)
        spots.append(_spot(int(str(number)), members, zone, seen, cells))
    table = pd.DataFrame(spots)
    table = _classified(table, driven)
    table["words"] = [_words(row) for _, row in table.iterrows()]
    order = table.sort_values(["along_m"], kind="stable").index
    rename = {old: new + 1 for new, old in enumerate(table.loc[order, "spot"])}
    table = table.loc[order].assign(spot=lambda t: t["spot"].map(rename)).reset_index(drop=True)
    every = pd.concat(passes, ignore_index=True).assign(spot=lambda t: t["spot"].map(rename))
    return table[list(COLUMNS)], every.sort_values(["spot", "run", "pass"])[list(PASS_COLUMNS)].reset_index(drop=True)


def _starts(walks: Sequence[Walk]) -> pd.DataFrame:
    """Return every start of trouble with its run and cell."""
    parts = []
    for walk in walks:
        rows = walk.troubles
        if len(rows):
            parts.append(rows.assign(run=walk.run, cell=walk.cell[rows["step"].to_numpy(np.int64)]))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=["step", "kind", "run", "cell"])


def _clusters(east: Array, north: Array, way: Array, soft: NDArray[np.bool_]) -> Codes:
    """Return a label per start: near the next one, same direction, bounded in extent; dropouts first, then the rest."""
    limit = thresholds("analyzer.comparing")
    turned = np.radians(limit["cell.turned_deg"])
    labels = np.full(len(east), -1, dtype=np.int64)
    members: list[list[int]] = []
    for i in [*np.flatnonzero(~soft), *np.flatnonzero(soft)]:
        best, least = -1, limit["spot.same_m"]
        for label, own in enumerate(members):
            away = np.hypot(east[own] - east[i], north[own] - north[i])
            same = np.abs((way[own[0]] - way[i] + np.pi) % (2 * np.pi) - np.pi) < turned
            if same and away.min() < least and away.max() < limit["spot.longest_m"]:
                best, least = label, float(away.min())
        if best < 0:
            members.append([])
            best = len(members) - 1
        members[best].append(int(i))
        labels[i] = best
    return labels


def _zone(members: pd.DataFrame, cells: pd.DataFrame) -> Codes:
    """Return the cells of a spot: those where its troubles begin and those close to them in the same direction."""
    own = cells.loc[members["cell"].unique()]
    reach = 2.0 * thresholds("analyzer.comparing")["cell.length_m"]
    turned = thresholds("analyzer.comparing")["cell.turned_deg"]
    near = np.zeros(len(cells), dtype=bool)
    east, north, way = (cells[c].to_numpy(np.float64) for c in ("east_m", "north_m", "direction_deg"))
    for row in records(own):
        close = np.hypot(east - row.east_m, north - row.north_m) <= reach
        near |= close & (np.abs((way - row.direction_deg + 180.0) % 360.0 - 180.0) < turned)
    return np.flatnonzero(near)


def _zone_passes(walks: Sequence[Walk], zone: Codes, members: pd.DataFrame) -> pd.DataFrame:
    """Return every pass of a zone with its state: ``trouble``, ``clear`` or ``masked``."""
    again = thresholds("analyzer.comparing")["cell.again_m"] + thresholds("analyzer.comparing")["spot.longest_m"]
    rows = []
    for walk in walks:
        at = np.flatnonzero(np.isin(walk.cell, zone))
        if not len(at):
            continue
        own = members[members["run"] == walk.run]
        for number, part in enumerate(np.split(at, np.flatnonzero(np.diff(walk.along_m[at]) > again) + 1), start=1):
            inside = own[own["step"].between(part[0], part[-1])]
            before = walk.lost[max(part[0] - 1, 0)] if part[0] else walk.lost[part[0]]
            state = "trouble" if len(inside) else "masked" if before and walk.lost[part].all() else "clear"
            longest = float(inside["duration_s"].max()) if len(inside) else np.nan
            rows.append((walk.run, number, state, longest, inside["start_utc"].iloc[0] if len(inside) else pd.NaT))
    return pd.DataFrame(rows, columns=list(PASS_COLUMNS[1:]))


def _spot(
    number: int, members: pd.DataFrame, zone: Codes, seen: pd.DataFrame, cells: pd.DataFrame
) -> dict[str, object]:
    """Return the counts and the place of a spot."""
    counted = seen[seen["state"] != "masked"]
    troubled = counted[counted["state"] == "trouble"]
    own = cells.loc[members["cell"]]
    middle = own.iloc[int(np.argsort(own["along_m"].to_numpy(), kind="stable")[len(own) // 2])]
    low, high = binomial_interval(len(troubled), max(len(counted), 1)) if len(counted) else (0.0, 1.0)
    spread = np.hypot(own["east_m"] - middle["east_m"], own["north_m"] - middle["north_m"])
    return {
        "spot": number,
        "kind": str(members["kind"].mode().iloc[0]),
        "kinds": _kinds(members["kind"]),
        "passes": len(counted),
        "troubled": len(troubled),
        "masked": len(seen) - len(counted),
        "share": len(troubled) / max(len(counted), 1),
        "share_low": low,
        "share_high": high,
        "runs": counted["run"].nunique(),
        "runs_troubled": troubled["run"].nunique(),
        "along_m": float(middle["along_m"]),
        "length_m": float(members["length_m"].max()),
        "extent_m": float(2 * spread.max()),
        "latitude_deg": float(middle["latitude_deg"]),
        "longitude_deg": float(middle["longitude_deg"]),
        "direction_deg": float(middle["direction_deg"]),
        "east_m": float(middle["east_m"]),
        "north_m": float(middle["north_m"]),
        "longest_s": float(members["duration_s"].max()),
    }


def _kinds(kinds: pd.Series) -> str:
    """Return how often each kind of trouble was met where they differ: "1 correction outage, 1 fix loss"; else nothing."""
    counts = kinds.value_counts(sort=False).sort_values(ascending=False, kind="stable")
    return ", ".join(f"{n} {wording.words(kind)}" for kind, n in counts.items()) if len(counts) > 1 else ""


def _classified(table: pd.DataFrame, driven_m: float) -> pd.DataFrame:
    """Add class and p-value: ``recurs``, ``one_off``, ``undecided`` or ``too_few_to_tell``."""
    limit = thresholds("analyzer.comparing")
    p_values = np.ones(len(table))
    for soft in (False, True):
        chosen = ((table["kind"] == "not_trusted") == soft).to_numpy()
        rows = table[chosen]
        rare = rows[rows["troubled"] <= np.maximum(1, 0.15 * rows["passes"])]
        rate = max(float(rare["troubled"].sum()), 0.5) / max(driven_m, 1.0)
        reach = np.maximum(rows["extent_m"].to_numpy(), limit["spot.same_m"])
        chance = np.maximum(1 - np.exp(-rate * reach), limit["spot.least_chance"])
        p_values[chosen] = stats.binom.sf(rows["troubled"].to_numpy() - 1, rows["passes"].to_numpy(), chance)
    unlikely = p_values < limit["spot.level"] / max(len(table), 1)
    often = unlikely & (table["troubled"].to_numpy() >= limit["spot.least_troubled"])
    many = (table["passes"].to_numpy() >= limit["spot.least_passes"]) | often
    twice = table["troubled"].to_numpy() >= 2
    named = np.where(
        ~many, "too_few_to_tell", np.where(twice & unlikely, "recurs", np.where(twice, "undecided", "one_off"))
    )
    return table.assign(**{"class": named, "p_value": np.where(many, p_values, np.nan)})


def _words(row: pd.Series) -> str:
    passes = wording.count(row["passes"], "pass", "passes")
    count = f"{row['troubled']} of {passes}"
    span = f"95 % interval {100 * row['share_low']:.0f} to {100 * row['share_high']:.0f} %"
    said = {
        "recurs": f"recurs: {count} ({span})",
        "one_off": f"once in {passes} ({span})",
        "undecided": f"{count} ({span}): more than once, but not more than chance elsewhere",
        "too_few_to_tell": f"{count}: too few to tell, {thresholds('analyzer.comparing')['spot.least_passes']:.0f} passes are needed ({span})",
    }[str(row["class"])]
    said += f"; {row['kinds']}" if row["kinds"] else ""
    return said + (f"; {wording.count(row['masked'], 'pass', 'passes')} arrived in trouble already" if row["masked"] else "")
