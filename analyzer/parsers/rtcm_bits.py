"""Fields of a given bit position and width, out of many messages at once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def payload_matrix(
    data: NDArray[np.uint8], start: NDArray[np.int64], length: NDArray[np.int64], width: int,
) -> NDArray[np.uint8]:
    """Return the first `width` bytes of every range as rows, zero behind a range's own `length`."""
    column = np.arange(width, dtype=np.int64)
    index = np.minimum(start[:, None] + column, max(len(data) - 1, 0))
    return np.where(column < length[:, None], data[index], np.uint8(0))


def unsigned(rows: NDArray[np.uint8], offset: int | NDArray[np.int64], width: int) -> NDArray[np.uint64]:
    """Return the unsigned field of `width` bits (1 to 64) at bit `offset` of every row.

    `offset` may differ per row. Rows must be at least one byte longer than the field reaches.
    """
    position = np.broadcast_to(np.asarray(offset, dtype=np.int64), (len(rows),))
    first, skip = position >> 3, (position & 7).astype(np.uint64)
    row = np.arange(len(rows))
    head = np.zeros(len(rows), dtype=np.uint64)
    for byte in range(8):
        head = (head << np.uint64(8)) | rows[row, first + byte]
    head <<= skip
    if width + 7 > 64:
        head |= rows[row, first + 8].astype(np.uint64) >> (np.uint64(8) - skip)
    return head >> np.uint64(64 - width)


def signed(rows: NDArray[np.uint8], offset: int, width: int) -> NDArray[np.int64]:
    """Return the two's complement field of `width` bits at bit `offset` of every row."""
    value = unsigned(rows, offset, width).astype(np.int64)
    return np.where(value >> (width - 1) == 1, value - (1 << width), value)
