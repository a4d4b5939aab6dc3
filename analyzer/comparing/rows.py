"""Rows of a small table as plain objects."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pandas as pd


def records(frame: pd.DataFrame) -> Iterator[Any]:
    """Yield the rows as named tuples; their fields have the types of the columns."""
    yield from frame.itertuples(index=False)
