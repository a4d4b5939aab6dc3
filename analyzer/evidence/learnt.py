"""What is learnt from the whole drive, when the drive is too long to be looked at at once.

Medians and the like of a whole drive are the rulers that its epochs are held against. Judged in blocks, every block first
notes what it saw; `Learnt.pooled` joins the notes, and the blocks are judged again with the rulers of the whole drive. Judged
at once, nothing is noted and every ruler is that of the drive.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Value = TypeVar("Value")
#: Order statistics kept of each block: a thousandth of the samples between two of them.
POINTS = 1001
#: Sigma of a normal sample about zero over the median of its absolute values.
SIGMA_PER_MEDIAN = 1.4826


@dataclass(frozen=True)
class Sketch:
    """Evenly spaced order statistics `at` of `count` samples."""

    at: Floats
    count: int

    @classmethod
    def of(cls, values: Floats) -> Sketch:
        """Return the sketch of samples without NaN."""
        few = len(values) <= POINTS
        return cls(np.sort(values) if few else np.quantile(values, np.linspace(0.0, 1.0, POINTS)), len(values))


@dataclass(frozen=True)
class Pool:
    """The sketches of all blocks as one distribution."""

    at: Floats
    below: Floats
    count: int

    @classmethod
    def of(cls, sketches: Sequence[Sketch]) -> Pool:
        """Join sketches."""
        at = np.concatenate([s.at for s in sketches])
        weight = np.concatenate([np.full(len(s.at), s.count / max(len(s.at), 1)) for s in sketches])
        order = np.argsort(at, kind="stable")
        reached = np.cumsum(weight[order])
        below = (reached - weight[order] / 2) / reached[-1] if len(at) else reached
        return cls(at[order], below, sum(s.count for s in sketches))

    def quantile(self, share: float) -> float:
        """Return a quantile; NaN without samples."""
        return float(np.interp(share, self.below, self.at)) if len(self.at) else float("nan")


class Learnt:
    """Rulers of the whole drive: looked up where `known`, else computed and, where `noting`, noted.

    Samples with times are noted only from `core_s` [s of the track], so that no moment counts twice.
    """

    def __init__(
        self, known: dict[str, Any] | None = None, *, noting: bool = False, core_s: tuple[float, float] = (-np.inf, np.inf)
    ) -> None:
        self._known = known or {}
        self._noting = noting
        self._core_s = core_s
        self.notes: dict[str, Any] = {}

    @property
    def noting(self) -> bool:
        """Return whether a block notes what it saw for the rulers of the whole drive."""
        return self._noting

    def quantile(
        self, key: str, values: Floats, share: float = 0.5, *, empty: float = float("nan"), when_s: Floats | None = None
    ) -> float:
        """Return the quantile of `values` (no NaN, at the times `when_s`) over the whole drive; `empty` without any."""
        if key in self._known:
            found = self._known[key].quantile(share)
            return found if np.isfinite(found) else empty
        if self._noting:
            self.notes[key] = Sketch.of(values if when_s is None else values[self._inside(when_s)])
        if not len(values):
            return empty
        return float(np.median(values) if share == 0.5 else np.quantile(values, share))

    def sigma(self, key: str, values: NDArray[np.float64]) -> float:
        """Return sigma by the median absolute value, blind to a minority; NaN without any."""
        return SIGMA_PER_MEDIAN * self.quantile(key, np.abs(values[np.isfinite(values)]))

    def count(self, key: str, here: int) -> int:
        """Return how many samples `key` has in the whole drive; `here` of them in this block."""
        return int(self._known[key].count) if key in self._known else here

    def rows(self, key: str, values: Floats, when_s: Floats) -> Floats:
        """Return the rows `values`, seen at the times `when_s`, of the whole drive."""
        if self._noting and key not in self._known:
            self.notes[key] = ("rows", values[self._inside(when_s)])
            return values
        return self.of(key, values, "rows")

    def once(self, key: str, make: Callable[[], Value], rule: str) -> Value:
        """Return what holds for the whole drive, as `of`; `make` is called only where it is not known."""
        return self.of(key, self._known[key] if key in self._known else make(), rule)

    def _inside(self, when_s: Floats) -> NDArray[np.bool_]:
        return np.asarray((when_s >= self._core_s[0]) & (when_s < self._core_s[1]))

    def of(self, key: str, value: Value, rule: str) -> Value:
        """Return what holds for the whole drive.

        `rule` joins the blocks: ``any``, ``all``, ``first`` or ``most`` (of those that are not None; by their ``kind`` where
        they have one, ``unknown`` last), ``rows`` (all below each other).
        """
        if key in self._known:
            found: Value = self._known[key]
            return found
        if self._noting:
            self.notes[key] = (rule, value)
        return value

    def known(self, *, but: Sequence[str] = ()) -> dict[str, Any]:
        """Return what is known, but for keys that begin with one of `but`."""
        return {key: value for key, value in self._known.items() if not key.startswith(tuple(but))}

    @classmethod
    def pooled(cls, blocks: Sequence[Learnt]) -> Learnt:
        """Return the rulers of the drive from the notes of its blocks, in time order, and what they knew already."""
        known: dict[str, Any] = blocks[0].known() if blocks else {}
        for key in dict.fromkeys(k for b in blocks for k in b.notes):
            notes = [b.notes[key] for b in blocks if key in b.notes]
            known[key] = Pool.of(notes) if isinstance(notes[0], Sketch) else _join(notes)
        return cls(known)


def _join(notes: Sequence[tuple[str, Any]]) -> Any:
    rule, values = notes[0][0], [value for _, value in notes]
    if rule in ("any", "all"):
        return any(values) if rule == "any" else all(values)
    if rule == "rows":
        return np.concatenate(values)
    given = [value for value in values if value is not None]
    if rule == "first" or not given:
        return given[0] if given else None
    kinds = [getattr(value, "kind", value) for value in given]
    told = [kind for kind in kinds if kind != "unknown"] or kinds
    return given[kinds.index(max(told, key=told.count))]
