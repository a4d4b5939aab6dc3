"""One figure with its unit, sample count and method; or the reason why it was not evaluated."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Metric:
    """A figure, or the reason why there is none.

    `interval` is a 95 % confidence interval in the same unit where one is honest. `n` counts the samples used.
    """

    key: str
    value: float | int | str | None
    unit: str
    n: int
    method: str
    interval: tuple[float, float] | None = None
    not_evaluated: str | None = None
    evidence: Mapping[str, object] = field(default_factory=dict)

    @property
    def evaluated(self) -> bool:
        """Whether there is a value."""
        return self.not_evaluated is None


def missing(key: str, unit: str, method: str, reason: str, *, n: int = 0) -> Metric:
    """Return the metric `key` as not evaluated, with the `reason` in words."""
    return Metric(key, None, unit, n, method, not_evaluated=reason)
