"""The common reference path: cells built from the runs themselves, direction kept, loops and ways back told apart."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from analyzer import geodesy
from analyzer.comparing.runs import Place
from analyzer.comparing.track import Track
from analyzer.settings import thresholds

Array = NDArray[np.float64]
Codes = NDArray[np.int64]


@dataclass
class CellMap:
    """Cells in the order in which they were first driven.

    Each has a centre (east, north) [m], a direction of travel, and a distance along the reference path: that of the run
    that drove it first, counted on from the last cell known before.
    """

    east_m: list[float] = field(default_factory=list)
    north_m: list[float] = field(default_factory=list)
    direction_rad: list[float] = field(default_factory=list)
    along_m: list[float] = field(default_factory=list)
    first_run: list[int] = field(default_factory=list)
    _buckets: dict[tuple[int, int], list[int]] = field(default_factory=dict)
    _tree: cKDTree | None = None
    _tree_size: int = 0

    def __len__(self) -> int:
        """Return the number of cells."""
        return len(self.east_m)

    def locate(self, track: Track, run: int) -> Codes:
        """Return the cell of every step of a track; where there is none, one is made."""
        found = self._known(track)
        for step in np.flatnonzero(found < 0):
            if np.isfinite(track.direction_rad[step]):
                found[step] = self._near(track, int(step))
            if found[step] < 0:
                found[step] = self._add(track, int(step), found, run)
        return found

    def _known(self, track: Track) -> Codes:
        """Return the nearest fitting cell among those known before this track, -1 where none fits."""
        count = track.points_m.shape[1]
        found = np.full(count, -1, dtype=np.int64)
        if not len(self) or not count:
            return found
        if self._tree is None or self._tree_size != len(self):
            self._tree, self._tree_size = cKDTree(np.column_stack([self.east_m, self.north_m])), len(self)
        near = min(8, len(self))
        points = track.points_m[:2].T
        away, cell = self._tree.query(points, k=near, distance_upper_bound=float(np.hypot(_beside(), _ahead())))
        away, cell = np.reshape(away, (count, near)), np.reshape(cell, (count, near))
        at = np.minimum(cell, len(self) - 1)
        ways = np.asarray(self.direction_rad)[at]
        offset = points[:, None, :] - self._tree.data[at]
        ahead = np.abs(offset[..., 0] * np.sin(ways) + offset[..., 1] * np.cos(ways))
        turned = np.abs(_wrap(ways - track.direction_rad[:, None]))
        fits = np.isfinite(away) & ~(turned > _turned()) & (ahead <= _ahead())
        away = np.where(fits, away, np.inf)
        best = np.argmin(away, axis=1)
        ok = np.isfinite(away[np.arange(count), best])
        found[ok] = cell[np.arange(count), best][ok]
        return found

    def _near(self, track: Track, step: int) -> int:
        """Return the nearest fitting cell, those just made included; -1 where none fits."""
        east, north = float(track.points_m[0, step]), float(track.points_m[1, step])
        way, reach = float(track.direction_rad[step]), _beside()
        bx, by = int(east // reach), int(north // reach)
        best, least = -1, float(np.hypot(reach, _ahead()))
        for dx in (-1, 0, 1):
            for dy in (-1, 0, 1):
                for cell in self._buckets.get((bx + dx, by + dy), ()):
                    off = east - self.east_m[cell], north - self.north_m[cell]
                    away, own = float(np.hypot(*off)), self.direction_rad[cell]
                    ahead = abs(off[0] * np.sin(own) + off[1] * np.cos(own))
                    if away <= least and ahead <= _ahead() and not abs(_wrap(own - way)) > _turned():
                        best, least = cell, away
        return best

    def _add(self, track: Track, step: int, found: Codes, run: int) -> int:
        """Make a cell of a step and return its number."""
        number = len(self)
        east, north = float(track.points_m[0, step]), float(track.points_m[1, step])
        along = float(track.along_m[step])
        if step and found[step - 1] >= 0:
            along = self.along_m[int(found[step - 1])] + along - float(track.along_m[step - 1])
        self.east_m.append(east)
        self.north_m.append(north)
        self.direction_rad.append(float(track.direction_rad[step]))
        self.along_m.append(along)
        self.first_run.append(run)
        reach = _beside()
        self._buckets.setdefault((int(east // reach), int(north // reach)), []).append(number)
        return number

    def table(self, origin: Place) -> pd.DataFrame:
        """Return the cells: ``cell east_m north_m latitude_deg longitude_deg direction_deg along_m first_run``."""
        east, north = np.array(self.east_m), np.array(self.north_m)
        latitude, longitude, _ = geodesy.from_enu(east, north, np.zeros(len(self)), origin=origin)
        return pd.DataFrame(
            {
                "cell": np.arange(len(self)),
                "east_m": east,
                "north_m": north,
                "latitude_deg": latitude,
                "longitude_deg": longitude,
                "direction_deg": np.degrees(np.array(self.direction_rad)) % 360.0,
                "along_m": np.array(self.along_m),
                "first_run": np.array(self.first_run, dtype=np.int64),
            }
        )


def _wrap(angle: Array | float) -> Array:
    return np.asarray((np.asarray(angle) + np.pi) % (2 * np.pi) - np.pi)


def _beside() -> float:
    return thresholds("analyzer.comparing")["cell.beside_m"]


def _ahead() -> float:
    """Return how far ahead or behind a cell's centre a step may lie [m]: a little more than half its length."""
    return 0.75 * thresholds("analyzer.comparing")["cell.length_m"]


def _turned() -> float:
    return float(np.radians(thresholds("analyzer.comparing")["cell.turned_deg"]))


def visits(cell: Codes, along_m: Array) -> tuple[Codes, Codes, Codes]:
    """Return per step its visit number, and per visit the cell and how often the run had come before (from 1).

    A cell is visited again once the run has driven `cell.again_m` in between.
    """
    order = np.lexsort((np.arange(len(cell)), cell))
    sorted_cell, way = cell[order], along_m[order]
    new_cell = np.r_[True, np.diff(sorted_cell) != 0]
    fresh = new_cell | np.r_[True, np.diff(way) > thresholds("analyzer.comparing")["cell.again_m"]]
    number = np.cumsum(fresh) - 1
    visit = np.empty(len(cell), dtype=np.int64)
    visit[order] = number
    first = np.flatnonzero(fresh)
    owner = sorted_cell[first]
    start = np.maximum.accumulate(np.where(np.r_[True, np.diff(owner) != 0], np.arange(len(owner)), 0))
    return visit, owner, np.arange(len(owner)) - start + 1


def follow(successor: Codes, start: int, end: int, most: int) -> list[int]:
    """Return the cells driven between `start` and `end` by what usually follows, empty where they do not meet."""
    out: list[int] = []
    here = start
    for _ in range(most):
        here = int(successor[here]) if here >= 0 else -1
        if here < 0:
            return []
        if here == end:
            return out
        out.append(here)
    return []


def successors(chains: list[Codes], count: int) -> Codes:
    """Return for each cell the one that most often follows, -1 for none; `chains` are cells of unbroken pieces."""
    pairs = [np.column_stack([c[:-1], c[1:]])[c[:-1] != c[1:]] for c in chains if len(c) > 1]
    out = np.full(count, -1, dtype=np.int64)
    if not pairs:
        return out
    unique, times = np.unique(np.concatenate(pairs), axis=0, return_counts=True)
    order = np.argsort(times, kind="stable")
    out[unique[order, 0]] = unique[order, 1]
    return out
