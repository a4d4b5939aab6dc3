"""Numbers out of text, eight bytes at a time: a field is read as one 64-bit word and converted by integer arithmetic.

A value is ``digits / 10**decimals`` with both exact, hence the correctly rounded float that ``float(text)`` gives (for
up to 15 digits). A field longer than a word, padded with spaces or otherwise unusual takes a slower path with the same
result.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Words = NDArray[np.uint64]
Positions = NDArray[np.int64]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

_U = np.uint64
_ZEROS, _DOTS = _U(0x3030303030303030), _U(0x2E2E2E2E2E2E2E2E)
_ONES, _HIGHS, _CARRY = _U(0x0101010101010101), _U(0x8080808080808080), _U(0x7676767676767676)
#: The point, after the XOR that turns ASCII digits into numbers.
_POINT_DIGIT = _U(0x2E ^ 0x30)
_BYTE, _ALL = _U(0xFF), _U(0xFFFFFFFFFFFFFFFF)
_FULL = _U(64)
_POWERS = 10.0 ** np.arange(24)
_WORD = 8
#: Longest number read at all; more digits than a float holds.
_LONGEST_NUMBER = 24
_MINUS, _PLUS, _DOT, _SPACE, _ZERO = (np.uint8(c) for c in b"-+. 0")


def words_of(buffer: Bytes) -> Words:
    """Return a view of `buffer` whose item i is the little-endian word of the bytes i to i + 7."""
    return np.ndarray((len(buffer) - _WORD + 1,), "<u8", buffer, 0, (1,))


def _digits(word: Words, bits: Words | np.uint64) -> tuple[Words, Flags]:
    """Read the first `bits` / 8 bytes of words already free of ASCII zeros (XOR 0x30); also whether all are digits."""
    x = word << (_U(64) - bits) if bits is not _FULL else word
    good = ((x + _CARRY) | x) & _HIGHS == 0
    x *= _U(1 + (10 << 8))
    x >>= _U(8)
    x &= _U(0x00FF00FF00FF00FF)
    x *= _U(1 + (100 << 16))
    x >>= _U(16)
    x &= _U(0x0000FFFF0000FFFF)
    x *= _U(1 + (10000 << 32))
    x >>= _U(32)
    return x, good


def whole(words: Words, start: Positions, count: Positions | int) -> tuple[Words, Flags]:
    """Return the integer in `count` (0 to 8) characters at `start`, and whether all of them are digits."""
    bits = _U(8 * count) if isinstance(count, int) else count.view(np.uint64) << _U(3)
    return _digits(words[start] ^ _ZEROS, bits)


def decimals(buffer: Bytes, words: Words, start: Positions, end: Positions) -> tuple[Floats, Flags]:
    """Return the numbers between `start` and `end` (float64, NaN where empty) and which of them are none.

    Receivers write a column with one number of decimals: the first field tells how many, the few that differ are read
    one by one.
    """
    if not len(start):
        return np.empty(0), np.zeros(0, dtype=bool)
    first = bytes(buffer[start[0]: end[0]])
    number, good = _same_decimals(words, start, end, places=len(first) - 1 - first.find(b".") if b"." in first else 0)
    rest = np.flatnonzero(~good)
    if len(rest):
        number[rest], good[rest] = _any_decimals(words, start[rest], end[rest])
    return _mend(buffer, start, end, number, good)


def _same_decimals(words: Words, start: Positions, end: Positions, *, places: int) -> tuple[Floats, Flags]:
    """Return unsigned numbers with exactly `places` decimals (none: no point), and which of them are such numbers."""
    length = end - start
    good = (length > (places + 1 if places else 0)) & (length <= _WORD)
    if places > _WORD - 2:
        return np.empty(len(start)), np.zeros(len(start), dtype=bool)
    x = words[end - _WORD]
    x ^= _ZEROS
    length <<= 3
    np.subtract(64, length, out=length)
    x &= _ALL << length.view(np.uint64)
    if bool((x == x[0]).all()):
        x = x[:1]  # a column that does not change is converted once
    if places:
        at = _U(8 * (_WORD - 1 - places))
        good &= (x >> at) & _BYTE == _POINT_DIGIT
        low = x & ((_U(1) << at) - _U(1))
        low <<= _U(8)
        x &= _ALL << (at + _U(8))
        x |= low
    value, digits = _digits(x, _FULL)
    good &= digits
    number = value.astype(np.float64)
    if places:
        number /= _POWERS[places]
    return (number if len(number) == len(good) else np.full(len(good), number[0])), good


def _any_decimals(words: Words, start: Positions, end: Positions) -> tuple[Floats, Flags]:
    """Return numbers with a point anywhere, and which of them could be read so.

    What is shifted by 64 bits or more becomes zero, so fields longer than a word come out as not good.
    """
    length = end - start
    usual = (length > 0) & (length <= _WORD)
    word = words[start]
    minus = (word & _BYTE) == _MINUS
    negative = bool(minus.any())
    if negative:
        word = np.where(minus, word >> _U(8), word)
        length = length - minus
    zero = word ^ _DOTS
    dot = (zero - _ONES) & ~zero
    dot &= _HIGHS
    dot &= _ALL >> (_U(64) - (length.view(np.uint64) << _U(3)))
    dotted = dot != 0
    dot &= ~dot + _U(1)
    below = (dot >> _U(7)) - _U(1)
    word ^= _ZEROS
    length -= dotted
    joined = np.asarray((word & below) | ((word >> _U(8)) & ~below), dtype=np.uint64)
    value, good = _digits(joined, length.view(np.uint64) << _U(3))
    after = np.maximum(length - (np.bitwise_count(below) >> 3), 0)
    number = value.astype(np.float64)
    number /= _POWERS.take(after, mode="clip")
    if negative:
        np.negative(number, out=number, where=minus)
    good &= usual & (length > 0)
    return number, good


def _mend(buffer: Bytes, start: Positions, end: Positions, number: Floats, good: Flags) -> tuple[Floats, Flags]:
    """Read what the fast path could not: empty, long, signed or padded fields."""
    bad = ~good
    rest = np.flatnonzero(bad)
    if len(rest):
        number[rest] = np.nan
        bad[rest] = False
        rest = rest[end[rest] > start[rest]]
    if len(rest):
        number[rest], bad[rest] = slow_decimals(buffer, start[rest], end[rest])
    return number, bad


def slow_decimals(buffer: Bytes, start: Positions, end: Positions) -> tuple[Floats, Flags]:
    """Return numbers as `decimals` does, character by character: any sign, surrounding spaces, up to 24 characters."""
    start, end = trimmed(buffer, start, end)
    first = buffer[start]
    minus = (first == _MINUS) & (end > start)
    signed = minus | ((first == _PLUS) & (end > start))
    start = start + signed
    length = end - start
    value, places = np.zeros(len(start)), np.zeros(len(start), dtype=np.int64)
    dotted = np.zeros(len(start), dtype=bool)
    bad = length > _LONGEST_NUMBER
    digits = np.zeros(len(start), dtype=np.int64)
    for place in range(min(int(length.max(initial=0)), _LONGEST_NUMBER)):
        inside = place < length
        code = buffer[np.where(inside, start + place, 0)]
        digit = inside & (code - _ZERO <= 9)
        point = inside & (code == _DOT)
        bad |= (inside & ~digit & ~point) | (point & dotted)
        dotted |= point
        value = np.where(digit, value * 10 + (code - _ZERO), value)
        places += digit & dotted
        digits += digit
    value /= _POWERS.take(np.minimum(places, len(_POWERS) - 1))
    blank = (length == 0) & ~signed
    bad |= (digits == 0) & ~blank
    value[blank | bad] = np.nan
    return np.where(minus, -value, value), bad


def trimmed(buffer: Bytes, start: Positions, end: Positions) -> tuple[Positions, Positions]:
    """Return `start` and `end` without surrounding spaces."""
    start, end = start.copy(), end.copy()
    while (leading := (start < end) & (buffer[start] == _SPACE)).any():
        start += leading
    while (trailing := (start < end) & (buffer[end - 1] == _SPACE)).any():
        end -= trailing
    return start, end
