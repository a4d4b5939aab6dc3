"""Sums of numbers that are known by their logarithms.

The library's own function asks many questions of its arguments first; where small arrays are summed thousands of times, or large ones
whole, that is most of the time.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray


def log_sum(logs: ArrayLike, axis: int | Sequence[int] | None = None) -> NDArray[np.float64]:
    """Return log Σ exp(`logs`) over `axis`: the largest is taken out before, so that nothing overflows.

    Parameters
    ----------
    logs : natural logarithms, any shape; -inf is a share of nothing, NaN and +inf go through.
    axis : axis or axes that are summed over; all of them where None. Nothing at all sums to -inf.
    """
    values = np.asarray(logs, dtype=np.float64)
    over = tuple(axis) if isinstance(axis, Sequence) else axis
    top = values.max(axis=over, keepdims=True, initial=-np.inf)
    top[np.isinf(top)] = 0.0
    raised = values - top
    np.exp(raised, out=raised)
    total = raised.sum(axis=over, keepdims=True)
    with np.errstate(divide="ignore"):
        return np.asarray((np.log(total) + top).squeeze(axis=over), dtype=np.float64)
