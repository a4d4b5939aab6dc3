"""The steady parts of a static log: what is left between steps, after a drift that dies out, and without steady drift."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analyzer.metrics.base_site_drift import Drift, block_means, blocks_of, find_drift
from analyzer.metrics.base_site_moves import Move, Moves, Sizes, find_moves, refine_step
from analyzer.metrics.base_site_shift import limits
from analyzer.metrics.base_site_wander import Trial

Array = NDArray[np.float64]
#: Fewer blocks than these do not tell movement from wander.
_LEAST_BLOCKS = 6
#: Shorter blocks around a step, by which its time is found: how far they reach in blocks, and how many they are.
_AROUND, _SHORT = 6, 60


@dataclass(frozen=True)
class Parts:
    """What a log is made of.

    Attributes
    ----------
    first, moves_first : what was looked for in the log as a whole.
    drift : the drift that dies out at the beginning, None where there is none.
    moves : steps and steady drifts, in order of time.
    steady : (first, end) epochs of the part that coordinates may be taken from, None where there is none.
    """

    first: Drift
    moves_first: Moves
    drift: Drift | None
    moves: tuple[Move, ...]
    steady: tuple[int, int] | None


@dataclass(frozen=True)
class _Log:
    """A log with its blocks."""

    points: Array
    seconds: Array
    blocks: Array
    edges: NDArray[np.int64]
    middles: Array
    least_m: Sizes

    @property
    def block_s(self) -> float:
        """Length of a block [s]."""
        return float(np.median(np.diff(self.middles)))

    def look(self, start: int, end: int, *, whole: bool) -> tuple[Trial, Drift, Moves]:
        """Return what is found between two blocks, times from the middle of the first of them or of the log."""
        blocks, times = self.blocks[:, start:end], self.middles[start:end] - (0.0 if whole else self.middles[start])
        trial = Trial(blocks, times, steps=True)
        drift = find_drift(blocks, times, detectable=whole, trial=trial)
        return trial, drift, find_moves(trial, least_m=self.least_m, detectable=whole)

    def enough(self, start: int, end: int) -> bool:
        """Whether movement can be told from wander between two blocks."""
        return end - start >= _LEAST_BLOCKS and (end - start) * self.block_s >= limits()["settle.shortest_s"]

    def placed(self, move: Move, trial: Trial, start: int) -> Move:
        """Return a movement that was found from block `start` on with its times and borders in the log."""
        if move.kind == "step":
            low, high = self._around(trial, move, start)
            inside = slice(*np.searchsorted(self.seconds, (low, high)))
            length = (high - low) / _SHORT
            short, at = block_means(self.points[:, inside], self.seconds[inside], length)
            moment = self.seconds[inside][at] + 0.5 * length - self.seconds[0] - self.middles[start] + trial.time_s[0]
            move = refine_step(move, trial, short, moment)
        later = float(self.middles[start] - trial.time_s[0])
        return replace(
            move, from_s=move.from_s + later, until_s=move.until_s + later,
            blocks=(move.blocks[0] + start, move.blocks[1] + start),
        )

    def _around(self, trial: Trial, move: Move, start: int) -> tuple[float, float]:
        """Return from when until when [s], as the epochs are, blocks around a step reach within the part."""
        low = max(move.blocks[0] - _AROUND, 0)
        high = min(move.blocks[1] + _AROUND, len(trial.time_s)) - 1
        half = 0.5 * self.block_s
        return float(self.seconds[0] + self.middles[start + low] - half), float(self.seconds[0] + self.middles[start + high] + half)


def take_apart(points_m: Array, seconds: Array, *, least_m: Sizes) -> Parts:
    """Return the movements of a static log and the part that coordinates may be taken from.

    Parameters
    ----------
    points_m, seconds : (3, n) east, north, up [m], and their times [s].
    least_m : horizontal and vertical size [m] below which a step or a steady drift is not told.

    The movement that fits best is taken out; what a step leaves on either side, and a drift after it has died out, is
    looked at again. The steady part is the last one where it is long enough to stand for the log, else the longest.
    """
    log = _Log(points_m, seconds, *blocks_of(points_m, seconds), least_m)
    whole = (0, log.blocks.shape[1])
    looked = log.look(*whole, whole=True)
    first, moves_first = looked[1:]
    drift: Drift | None = None
    moves: list[Move] = []
    steady: list[tuple[int, int]] = []
    todo = [(*whole, False)]
    while todo:
        start, end, decayed = todo.pop()
        trial, fade, found = looked if (start, end) == whole else log.look(start, end, whole=False)
        fades, move = fade.p_value <= limits()["settle.level"], found.found
        left: list[tuple[int, int, bool]] = []
        if move is not None and (found.fits_best or not fades) and not (decayed and move.kind == "steady_drift"):
            moves.append(log.placed(move, trial, start))
            left = _beside(moves[-1], start, end)
        elif fades or move is not None:
            drift = fade if start == 0 else drift
            left = [(start + _faded(trial, fade, again=decayed), end, True)]
        else:
            steady.append((start, end))
        todo += [part for part in left if log.enough(*part[:2])]
    return Parts(first, moves_first, drift, tuple(sorted(moves, key=lambda m: m.from_s)), _chosen(log, steady))


def _beside(move: Move, start: int, end: int) -> list[tuple[int, int, bool]]:
    """Return the parts before and after a step without the blocks that it may divide; none beside a steady drift."""
    if move.kind != "step":
        return []
    return [(start, move.blocks[0] - 1, False), (move.blocks[1] + 1, end, False)]


def _faded(trial: Trial, fade: Drift, *, again: bool) -> int:
    """Return after how many blocks a drift has fallen below twice its uncertainty; a tenth of them the next times."""
    count = len(trial.time_s)
    if again:
        return max(1, count // 10)
    ratio = 0.5 * float(np.max(np.abs(fade.vector_m) / np.maximum(fade.sigma_m, 1e-9)))
    return max(1, int(np.searchsorted(trial.time_s, fade.decay_s * np.log(max(ratio, 1.0)))))


def _chosen(log: _Log, steady: list[tuple[int, int]]) -> tuple[int, int] | None:
    """Return the epochs of the last steady part where it is long enough, else of the longest; None without one."""
    if not steady:
        return None
    count = log.blocks.shape[1]
    start, end = max(steady)
    if end - start < limits()["moved.least_share"] * count:
        start, end = max(steady, key=lambda part: (part[1] - part[0], part[0]))
    return int(log.edges[start]), len(log.seconds) if end == count else int(log.edges[end])
