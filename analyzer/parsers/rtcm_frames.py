"""RTCM 3 transport layer: where the frames are. No message is understood here.

::

    0xD3 | 6 reserved bits, zero | 10 bits payload length | payload, 0..1023 bytes | CRC-24Q, 3 bytes

Source: RTCM 10403.x, transport layer. CRC-24Q has the polynomial 0x1864CFB, starts at 0, is not reflected and covers
everything before it, so that a frame together with its CRC is a polynomial divisible by the generator.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

PREAMBLE = 0xD3
OVERHEAD = 6
LONGEST = 1023 + OVERHEAD
_POLYNOMIAL = 0x1864CFB
#: Row of the divisibility test; a frame must not be longer, so that it crosses one row border at most.
_ROW = 1032
#: Bytes looked at in one go: bounds the memory of large buffers (about 10 bytes per byte).
_PIECE = _ROW * 2048


@dataclass(frozen=True)
class FrameSpans:
    """Frames found in a buffer.

    Attributes
    ----------
    start, end : int64 arrays of shape (n,), byte ranges of the frames whose CRC holds; rising, never overlapping.
    incomplete_from : offset of the first possible frame that runs past the end of the buffer, or -1. No frame behind it
        is reported: keep the bytes from there and look again when more have come.
    """

    start: NDArray[np.int64]
    end: NDArray[np.int64]
    incomplete_from: int = -1

    def __len__(self) -> int:
        return len(self.start)


@cache
def _crc_table() -> tuple[int, ...]:
    """Return the CRC of every single byte."""
    out = []
    for byte in range(256):
        value = byte << 16
        for _ in range(8):
            value = (value << 1) ^ (_POLYNOMIAL if value & 0x800000 else 0)
        out.append(value)
    return tuple(out)


def crc24q(data: bytes) -> int:
    """Return the CRC-24Q of `data`."""
    table, value = _crc_table(), 0
    for byte in data:
        value = ((value << 8) & 0xFFFFFF) ^ table[(value >> 16) ^ byte]
    return value


def frame(payload: bytes) -> bytes:
    """Return `payload` (0 to 1023 bytes) as a frame with header and CRC."""
    if len(payload) > LONGEST - OVERHEAD:
        raise ValueError(f"an RTCM 3 payload has at most 1023 bytes, this one has {len(payload)}")
    head = bytes([PREAMBLE]) + len(payload).to_bytes(2, "big") + payload
    return head + crc24q(head).to_bytes(3, "big")


@cache
def _divide_table() -> NDArray[np.uint32]:
    """Return for every low byte b what remains of b * x^-8 modulo the generator."""
    value = np.arange(256, dtype=np.uint32)
    for _ in range(8):
        value = np.where(value & 1, value ^ np.uint32(_POLYNOMIAL), value) >> np.uint32(1)
    return value.astype(np.uint32)


def _divide(value: NDArray[np.uint32]) -> NDArray[np.uint32]:
    """Return `value` * x^-8 modulo the generator."""
    return np.asarray((value >> np.uint32(8)) ^ _divide_table()[value & np.uint32(0xFF)], dtype=np.uint32)


@cache
def _weights() -> tuple[NDArray[np.uint32], NDArray[np.uint32]]:
    """Return byte * x^(-8 column) for a row of columns, flat, and the three byte tables of value * x^(-8 _ROW)."""
    table = np.empty((_ROW, 256), dtype=np.uint32)
    value = np.arange(256, dtype=np.uint32)
    shift = np.concatenate([value, value << np.uint32(8), value << np.uint32(16)])
    for column in range(_ROW):
        table[column] = value
        value, shift = _divide(value), _divide(shift)
    return table.ravel(), shift


def _valid(data: NDArray[np.uint8], start: NDArray[np.int64], end: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return which byte ranges of `data` (each at most `LONGEST` long) are divisible by the generator.

    A range is divisible when the sum of byte_j * x^(-8 j) over it vanishes, because x is invertible modulo the
    generator. Running sums per row answer that for any number of ranges, overlapping ones too, in constant time each.
    """
    table, shift = _weights()
    rows = -(-len(data) // _ROW)
    padded = np.zeros(rows * _ROW, dtype=np.int32)
    padded[:len(data)] = data
    index = padded.reshape(rows, _ROW)
    index += np.arange(0, _ROW * 256, 256, dtype=np.int32)
    sums = np.zeros((rows, _ROW + 1), dtype=np.uint32)
    np.bitwise_xor.accumulate(table.take(index), axis=1, out=sums[:, 1:])
    row, column = np.divmod(start, _ROW)
    last = column + (end - start)
    over = last > _ROW
    residue = sums[row, column] ^ sums[row, np.minimum(last, _ROW)]
    tail = sums[row[over] + 1, last[over] - _ROW]
    low, middle, high = tail & 0xFF, ((tail >> 8) & 0xFF) + 256, (tail >> 16) + 512
    residue[over] ^= shift[low] ^ shift[middle] ^ shift[high]
    return np.asarray(residue == 0)


def claims(data: NDArray[np.uint8]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return where frames may start in `data`, and where each would end by its length field.

    At the very end, where the header itself is cut, the shortest frame is assumed.
    """
    start = np.flatnonzero(data == PREAMBLE).astype(np.int64)
    if not len(start):
        return start, start
    longer = np.concatenate([data, np.zeros(2, dtype=np.uint8)]) if start[-1] + 2 >= len(data) else data
    start = start[(longer[start + 1] & 0xFC) == 0]
    length = (longer[start + 1].astype(np.int64) << 8) | longer[start + 2]
    return start, start + length + OVERHEAD


def _without_overlap(start: NDArray[np.int64], end: NDArray[np.int64], taken: int) -> NDArray[np.bool_]:
    """Return which of the ranges to keep, the earlier one first, none before offset `taken`."""
    if not len(start) or (start[0] >= taken and bool((start[1:] >= end[:-1]).all())):
        return np.ones(len(start), dtype=bool)
    keep = np.zeros(len(start), dtype=bool)
    for number, (low, high) in enumerate(zip(start.tolist(), end.tolist(), strict=True)):
        if low >= taken:
            keep[number] = True
            taken = high
    return keep


def _complete(
    data: NDArray[np.uint8], start: NDArray[np.int64], end: NDArray[np.int64],
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return those of the claimed ranges that are frames."""
    starts, ends, taken = [start[:0]], [end[:0]], 0
    edges = np.searchsorted(start, np.arange(0, len(data) + _PIECE, _PIECE))
    for first, last in pairwise(edges.tolist()):
        if first == last:
            continue
        low, high = start[first:last], end[first:last]
        origin = int(low[0])
        good = _valid(data[origin:int(high.max())], low - origin, high - origin)
        low, high = low[good], high[good]
        keep = _without_overlap(low, high, taken)
        starts.append(low[keep])
        ends.append(high[keep])
        taken = int(high[keep][-1]) if keep.any() else taken
    return np.concatenate(starts), np.concatenate(ends)


def find_frames(buffer: bytes | bytearray | memoryview | NDArray[np.uint8], *, final: bool) -> FrameSpans:
    """Return all frames of `buffer` whose CRC holds.

    After a failed CRC the search goes on one byte further, never behind the claimed length, so a stray preamble hides
    nothing. The cost is linear in the size of the buffer whatever it contains.

    Parameters
    ----------
    buffer : bytes of any content.
    final : whether the stream ends with the buffer. If not, a possible frame that runs past the end is named in
        ``incomplete_from`` and nothing behind it is reported, because it may lie inside that frame. Feeding
        ``buffer[incomplete_from:]`` plus what follows gives the same frames as one large buffer.
    """
    data = buffer if isinstance(buffer, np.ndarray) else np.frombuffer(buffer, dtype=np.uint8)
    start, end = claims(data)
    inside = end <= len(data)
    good_start, good_end = _complete(data, start[inside], end[inside])
    if final or bool(inside.all()):
        return FrameSpans(good_start, good_end)
    cut = start[~inside]
    within = np.searchsorted(good_start, cut, side="right") - 1
    open_cut = cut if not len(good_start) else cut[(within < 0) | (cut >= good_end[within])]
    if not len(open_cut):
        return FrameSpans(good_start, good_end)
    before = good_start < open_cut[0]
    return FrameSpans(good_start[before], good_end[before], int(open_cut[0]))
