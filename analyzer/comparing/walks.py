"""Every run laid on the common path, one after the other, so that no more than a few are in memory."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.comparing.changes import RunSample, changes, sample_run
from analyzer.comparing.disagreement import disagreements
from analyzer.comparing.recurrence import Walk, recurrence
from analyzer.comparing.route_cells import CellMap, follow, successors, visits
from analyzer.comparing.runs import Place, Run
from analyzer.comparing.track import EPOCH_COLUMNS, Track, local_points, make_track, pass_figures, troubles
from analyzer.comparing.trends import trends
from analyzer.settings import thresholds

Array = NDArray[np.float64]


@dataclass
class Gathered:
    """What all runs show along the common path and over time."""

    cells: pd.DataFrame
    passes: pd.DataFrame
    spots: pd.DataFrame
    spot_passes: pd.DataFrame
    disagreements: pd.DataFrame
    changes: pd.DataFrame
    trends: pd.DataFrame
    common: Array
    samples: list[RunSample]

    @property
    def alone(self) -> NDArray[np.bool_]:
        """Whether each run is on a route of its own."""
        return _alone(self.common)


def walk_all(runs: Sequence[Run], origin: Place, applied: Array, first: NDArray[np.int64]) -> Gathered:
    """Lay every run on the common path, one after the other; epochs are let go again.

    `first` is per run the first run of the same recording: what is told of places and time takes each recording once.
    Over time runs on a route of their own are left out, since what differs may be the route, unless all are.
    """
    path, laid = CellMap(), []
    samples: list[RunSample] = []
    with ThreadPoolExecutor(2) as pool:
        for run, epochs, dropouts, points in _ahead(pool, runs, origin, applied):
            track = make_track(epochs, points)
            samples.append(sample_run(run.index, epochs, track.epochs))
            if track.points_m.shape[1]:
                laid.append(_lay(path, run.index, track, epochs, dropouts=dropouts, points=points))
    cells = path.table(origin)
    own = first == np.arange(len(runs))
    walks = [one.walk for one in laid if own[one.walk.run]]
    passes = pd.concat([one.figures for one in laid], ignore_index=True) if laid else _no_passes()
    passes = _bridged(passes, laid, successors([c for one in laid for c in one.chains], len(cells)))
    spots, seen = recurrence(walks, cells)
    since = np.array([(r.start - runs[0].start) / pd.Timedelta(days=1) for r in runs])
    common = _common(passes, first)
    along = ~_alone(common) | _alone(common).all()
    once = [s for s in samples if own[s.run] and along[s.run]]
    return Gathered(
        cells,
        passes,
        spots,
        seen,
        disagreements(passes[own[passes["run"].to_numpy(np.int64)]], cells),
        changes(once, [r.day for r in runs]),
        trends(once, since),
        common,
        samples,
    )


@dataclass(frozen=True)
class _Laid:
    """What is kept of a run on the path: figures per pass, its walk, points (2, steps) and pieces of its track."""

    figures: pd.DataFrame
    walk: Walk
    points_m: Array
    piece: NDArray[np.int64]
    chains: list[NDArray[np.int64]]


def _lay(
    path: CellMap, run: int, track: Track, epochs: pd.DataFrame, *, dropouts: pd.DataFrame, points: Array
) -> _Laid:
    """Lay one run on the path; nothing that is kept refers to its epochs."""
    cell = path.locate(track, run)
    number, owner, count = visits(cell, track.along_m)
    figures = pass_figures(epochs, track, number, points)
    figures.insert(0, "cell", owner)
    figures.insert(1, "run", run)
    figures.insert(2, "pass", count)
    narrow = {
        c: np.int32 if figures[c].dtype.kind == "i" else np.float32 for c in figures if figures[c].dtype.kind in "if"
    }
    gone = epochs["dropout_id"].notna().to_numpy()[track.epochs]
    lost = np.bincount(track.step_of_epoch[track.epochs], gone, minlength=len(cell)) > 0
    walk = Walk(run, cell, track.along_m, lost, troubles(epochs, dropouts, track))
    edges = np.flatnonzero(np.diff(track.piece)) + 1
    return _Laid(figures.astype(narrow), walk, track.points_m[:2].copy(), track.piece, np.split(cell, edges))


def _no_passes() -> pd.DataFrame:
    """Return a table of passes without rows."""
    return pd.DataFrame(columns=["cell", "run", "pass", "share_fixed", "up_m"])


def _ahead(
    pool: ThreadPoolExecutor, runs: Sequence[Run], origin: Place, applied: Array
) -> Iterator[tuple[Run, pd.DataFrame, pd.DataFrame, Array]]:
    """Yield what was read of each run in order, two runs ahead and no more, so that memory stays bounded."""
    waiting = deque(pool.submit(_read, run, origin, applied[run.index]) for run in runs[:2])
    for number in range(len(runs)):
        ready = waiting.popleft().result()
        if number + 2 < len(runs):
            following = runs[number + 2]
            waiting.append(pool.submit(_read, following, origin, applied[following.index]))
        yield ready


def _read(run: Run, origin: Place, shift_m: Array) -> tuple[Run, pd.DataFrame, pd.DataFrame, Array]:
    epochs = run.result.epochs(list(EPOCH_COLUMNS))
    return run, epochs, run.result.table("dropouts"), local_points(epochs, origin, shift_m)


def _bridged(passes: pd.DataFrame, laid: Sequence[_Laid], successor: NDArray[np.int64]) -> pd.DataFrame:
    """Add passes of cells that a run crossed without a position, between cells that others drove in between."""
    limit = thresholds("analyzer.comparing")
    rows = []
    for one in laid:
        cell, points, piece, walk = one.walk.cell, one.points_m, one.piece, one.walk
        for at in np.flatnonzero(np.diff(piece)):
            gap = float(np.hypot(*(points[:, at + 1] - points[:, at])))
            if gap > limit["cell.bridge_m"]:
                continue
            most = int(2 * gap / limit["cell.length_m"]) + 5
            rows += [(c, walk.run) for c in follow(successor, int(cell[at]), int(cell[at + 1]), most)]
    if not rows:
        return passes
    added = pd.DataFrame(rows, columns=["cell", "run"])
    before = passes.groupby(["cell", "run"])["pass"].max().rename("pass").reset_index()
    added["pass"] = (
        added.merge(before, on=["cell", "run"], how="left")["pass"].fillna(0).astype(np.int64)
        + added.groupby(["cell", "run"]).cumcount()
        + 1
    )
    zeros = dict.fromkeys(("share_trusted", "share_fixed", "share_float"), 0.0) | {
        "share_other": 1.0,
        "share_dropout": 1.0,
        "n": 0,
    }
    added = added.assign(**zeros).reindex(columns=passes.columns)
    added = added.astype({c: passes[c].dtype for c in passes.columns})
    return pd.concat([passes, added], ignore_index=True)


def _alone(common: Array) -> NDArray[np.bool_]:
    """Return per run whether too little of its way was driven by others to be one route."""
    return np.asarray(common < thresholds("analyzer.comparing")["route.least_common"])


def _common(passes: pd.DataFrame, first: NDArray[np.int64]) -> Array:
    """Return per run the share of its cells that a run of another recording drove too."""
    if not len(passes):
        return np.zeros(len(first))
    pairs = passes[["cell", "run"]].drop_duplicates()
    pairs["recording"] = first[pairs["run"].to_numpy(np.int64)]
    shared = pairs.groupby("cell")["recording"].transform("nunique") > 1
    return np.asarray(shared.groupby(pairs["run"]).mean().reindex(range(len(first))).fillna(0.0).to_numpy(np.float64))
