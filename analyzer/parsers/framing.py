"""From bytes to pieces: every byte of a text stream belongs to one piece, wherever the stream is cut for reading.

Rules, all local, so that reading in blocks of any size gives the same pieces:

* ``$`` always starts a piece, ``!`` does where five upper-case letters or digits and a comma follow.
* A piece that starts so ends behind ``*hh``, or before the next ``$``, line end or non-printable byte, or after
  `LONGEST_SENTENCE` bytes. A line end (CR LF, LF or CR) directly behind a piece belongs to it.
* Non-printable bytes (all but 0x20–0x7E, TAB, CR, LF) form binary pieces; RTCM 3 frames found before form their own.
* All else is text, a piece per line. Text and binary pieces longer than `LONGEST_PIECE` are counted in parts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Positions = NDArray[np.int64]
Flags = NDArray[np.bool_]

#: Bytes after which an unfinished sentence is given up (the standard allows 82; proprietary ones are longer).
LONGEST_SENTENCE = 1024
#: Bytes after which a run of text or binary is counted as a further piece; bounds what must be carried over.
LONGEST_PIECE = 4096
#: Bytes that must follow a position before its piece is certain: ``!`` and six more, ``*hh`` CR LF.
LOOKAHEAD = 8
#: Bytes of padding behind the content of a buffer, so that 8-byte words can be read at every position.
PADDING = 16

#: Bytes looked at together, few enough for the processor's nearest cache.
_STRIDE = 1 << 15

TEXT, BLANK, BINARY, RTCM, SUMMED, GARBLED, BARE, CUT = range(8)

_DOLLAR, _STAR, _COMMA, _BANG, _CR, _LF, _TAB = (np.uint8(c) for c in b"$*,!\r\n\t")
_UPPER = np.zeros(256, dtype=bool)
_UPPER[list(b"ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789")] = True
_HEX = np.full(256, 255, dtype=np.uint8)
_HEX[list(b"0123456789ABCDEF")] = range(16)
_HEX[list(b"abcdef")] = range(10, 16)


@dataclass(frozen=True)
class Pieces:
    """The pieces of one buffer in order, and its sentences.

    Attributes
    ----------
    start, end : int64 (n) byte range of each piece; they tile the buffer.
    kind : uint8 (n), one of TEXT, BLANK (an empty line), BINARY, RTCM, SUMMED (``*hh`` present), GARBLED (two
        characters behind ``*`` that are no hex digits), BARE (whole line without ``*``), CUT (unfinished).
    tokens : int64 positions of all commas, stars, starts, line ends and non-printable bytes.
    sentence : int64 (m) index of the pieces SUMMED, GARBLED, BARE and CUT.
    token : int64 (m) index into `tokens` of their first byte.
    fields : int64 (m) number of fields behind the header (commas before the star or the end).
    body_end : int64 (m) position of the star, or of the end of the body where there is none.
    """

    start: Positions
    end: Positions
    kind: NDArray[np.uint8]
    tokens: Positions
    sentence: Positions
    token: Positions
    fields: Positions
    body_end: Positions


def padded(content: bytes | bytearray | memoryview) -> NDArray[np.uint8]:
    """Return a copy of `content` as uint8, followed by `PADDING` zero bytes."""
    out = np.zeros(len(content) + PADDING, dtype=np.uint8)
    out[: len(content)] = np.frombuffer(content, dtype=np.uint8)
    return out


def frame(buffer: NDArray[np.uint8], rtcm: tuple[Positions, Positions] | None = None) -> Pieces:
    """Cut a buffer into pieces.

    Parameters
    ----------
    buffer : uint8, the bytes and `PADDING` more of any value, which are looked at but do not count.
    rtcm : start and end of the RTCM 3 frames in it; their bytes are taken as they are.
    """
    size = len(buffer) - PADDING
    text = buffer if rtcm is None else _blanked(buffer, rtcm)
    tokens = _tokens(text, size)
    stop = np.flatnonzero(text.take(tokens) != _COMMA)
    where = tokens[stop]
    codes = text[where]
    if rtcm is None and (whole := _tidy(text, size, tokens, stop=stop, where=where, codes=codes)) is not None:
        return whole
    candidates = _Candidates.find(text, np.r_[stop, len(tokens)], np.r_[where, size], np.r_[codes, np.uint8(0)])
    edges = np.zeros(size + 1, dtype=bool)
    edges[0] = True
    _mark_lines_and_binary(edges, text, where, codes)
    if rtcm is not None:
        edges[rtcm[0]] = True
        edges[rtcm[1]] = True
    candidates.mark(edges, text, size)
    start = _split_long(edges, text, size)
    return _assemble(text, size, start, rtcm=rtcm, tokens=tokens, candidates=candidates)


def checksum_matches(buffer: NDArray[np.uint8], start: Positions, star: Positions) -> Flags:
    """Whether the XOR of the bytes between ``$`` at `start` and ``*`` at `star` equals the two hex digits behind it.

    Source: NMEA 0183 as described in E. S. Raymond, "NMEA Revealed" v2.24.
    """
    if not len(start):
        return np.zeros(0, dtype=bool)
    edges = np.empty(2 * len(start), dtype=np.int64)
    edges[0::2] = start + 1
    edges[1::2] = star
    total = np.bitwise_xor.reduceat(buffer, edges)[0::2]
    total[star == start + 1] = 0
    stated = (_HEX[buffer[star + 1]] << np.uint8(4)) | _HEX[buffer[star + 2]]
    return np.asarray(total == stated, dtype=bool)


def _blanked(buffer: NDArray[np.uint8], rtcm: tuple[Positions, Positions]) -> NDArray[np.uint8]:
    """Return `buffer` with the bytes of the frames overwritten by 0xFF, so that nothing in them acts as text."""
    text = buffer.copy()
    for start, end in zip(rtcm[0].tolist(), rtcm[1].tolist(), strict=True):
        text[start:end] = 0xFF
    return text


def _tokens(text: NDArray[np.uint8], size: int) -> Positions:
    """Return the positions of all bytes that mean something for framing; of ``!`` those that start a sentence."""
    mask = np.empty(size, dtype=bool)
    scratch = np.empty(min(size, _STRIDE), dtype=bool)
    bangs = []
    for low in range(0, size, _STRIDE):
        content = text[low: min(low + _STRIDE, size)]
        here, flags = mask[low: low + len(content)], scratch[: len(content)]
        np.greater(content - np.uint8(32), 94, out=here)
        for code in (_DOLLAR, _STAR, _COMMA):
            here |= np.equal(content, code, out=flags)
        here &= np.not_equal(content, _TAB, out=flags)
        if np.equal(content, _BANG, out=flags).any():
            bangs.append(np.flatnonzero(flags) + low)
    if bangs:
        at = np.concatenate(bangs)
        follows = _UPPER[text[at[:, None] + np.arange(1, 6)]].all(axis=1) & (text[at + 6] == _COMMA)
        mask[at[follows]] = True
    return np.flatnonzero(mask)


def _tidy(text: NDArray[np.uint8], size: int, tokens: Positions, *, stop: Positions, where: Positions,
          codes: NDArray[np.uint8]) -> Pieces | None:
    """Return the pieces of a buffer that holds nothing but whole sentences with checksum and one kind of line end.

    A shortcut for undisturbed logs with the result of the general way; None where anything else is found.
    """
    for pattern in (b"$*\r\n", b"$*\n"):
        width = len(pattern)
        if not size or len(codes) % width or codes[:width].tobytes() != pattern:
            continue
        if not (codes.reshape(-1, width) == np.frombuffer(pattern, dtype=np.uint8)).all():
            return None
        start, star, last = where[0::width].copy(), where[1::width].copy(), where[width - 1:: width]
        end = last + 1
        neat = (end - star == width + 1) & (_HEX[text[star + 1]] < 16) & (_HEX[text[star + 2]] < 16)
        neat &= (star - start < LONGEST_SENTENCE - 3) & _UPPER[text[start + 1]]
        if start[0] != 0 or end[-1] != size or (start[1:] != end[:-1]).any() or not neat.all():
            return None
        token = stop[0::width].copy()
        kind = np.full(len(start), SUMMED, dtype=np.uint8)
        return Pieces(start, end, kind, tokens, np.arange(len(start)), token, stop[1::width] - token - 1, star)
    return None


def _mark_lines_and_binary(edges: Flags, text: NDArray[np.uint8], where: Positions, codes: NDArray[np.uint8]) -> None:
    """Mark line ends, starts of sentences and the edges of binary runs."""
    edges[where[codes == _LF] + 1] = True
    returns = where[codes == _CR]
    edges[returns[text[returns + 1] != _LF] + 1] = True
    edges[where[(codes == _DOLLAR) | (codes == _BANG)]] = True
    odd = (codes - np.uint8(32)) > 94
    odd &= (codes != _LF) & (codes != _CR)
    binary = where[odd]
    if len(binary):
        gap = np.diff(binary) > 1
        edges[binary[np.r_[True, gap]]] = True
        edges[binary[np.r_[gap, True]] + 1] = True


@dataclass(frozen=True)
class _Candidates:
    """Everything that starts like a sentence: positions (int64) and flags, one per candidate.

    `star` is -1 where there is none before `limit`; `whole` says that two characters stand behind it, `summed` that
    they are hex digits.
    """

    start: Positions
    token: Positions
    body_token: Positions
    star: Positions
    limit: Positions
    by_line_end: Flags
    whole: Flags
    summed: Flags

    @classmethod
    def find(cls, text: NDArray[np.uint8], stop: Positions, where: Positions, codes: NDArray[np.uint8]) -> _Candidates:
        """Find each start, its first star and where it must end at the latest.

        `stop`, `where` and `codes` are index into the tokens, position and byte of all tokens but commas, closed by the
        end of the buffer.
        """
        first = np.flatnonzero((codes == _DOLLAR) | (codes == _BANG))
        following = first + 1
        starred = codes[following] == _STAR
        final = following + starred
        again = np.flatnonzero(codes[final] == _STAR)
        if len(again):
            plain = np.flatnonzero(codes != _STAR)
            final[again] = plain[np.searchsorted(plain, final[again])]
        start, natural = where[first], where[final]
        limit = np.minimum(natural, start + LONGEST_SENTENCE)
        star = where[following]
        star[~starred | (star >= limit)] = -1
        closing = codes[final]
        by_line_end = ((closing == _CR) | (closing == _LF)) & (natural == limit)
        whole = (star >= 0) & (star + 3 <= limit)
        summed = whole & (_HEX[text[star + 1]] < 16) & (_HEX[text[star + 2]] < 16)
        return cls(start, stop[first], stop[following], star, limit, by_line_end, whole, summed)

    def mark(self, edges: Flags, text: NDArray[np.uint8], size: int) -> None:
        """Mark the ends of candidates that no line end, start or binary byte marks already."""
        end = np.where(self.summed, self.star + 3, self.limit)
        after = text[end]
        loose = (after != _CR) & (after != _LF) | (end >= size)
        edges[end[loose]] = True

    def kinds(self, text: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Return the kind of each candidate; what does not look like a sentence at all is TEXT."""
        kind = np.full(len(self.start), CUT, dtype=np.uint8)
        kind[self.whole] = GARBLED
        kind[self.summed] = SUMMED
        lone = self.limit - self.start == 1
        kind[lone] = TEXT
        odd = np.flatnonzero(((kind != SUMMED) | ~_UPPER[text[self.start + 1]]) & ~lone)
        for part in np.split(odd, range(_STRIDE, len(odd), _STRIDE)):
            kind[part] = self._kinds_of_odd(text, part, kind[part])
        return kind

    def _kinds_of_odd(self, text: NDArray[np.uint8], odd: Positions, kind: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Judge candidates without ``*hh`` or with an unusual header."""
        start, limit = self.start[odd], self.limit[odd]
        reach = start[:, None] + np.arange(1, 9)
        upper = _UPPER[text[reach]] | (reach >= limit[:, None])
        has_header = upper[:, :4].all(axis=1) & (limit - start > 5)
        has_comma = self.body_token[odd] - self.token[odd] > 1
        only_header = upper.all(axis=1) & (limit - start <= 9) & (limit - start > np.where(self.by_line_end[odd], 3, 1))
        unsummed = kind == CUT
        starless = unsummed & (self.star[odd] < 0)
        kind[starless & self.by_line_end[odd] & has_header & has_comma] = BARE
        kind[unsummed & ~(has_header & has_comma) & ~only_header] = TEXT
        kind[~unsummed & ~has_comma & ~has_header] = TEXT
        return kind


def _split_long(edges: Flags, text: NDArray[np.uint8], size: int) -> Positions:
    """Return the starts of the pieces; what is longer than `LONGEST_PIECE`, its line end not counted, is split."""
    start = np.flatnonzero(edges[:size])
    end = np.r_[start[1:], size][: len(start)]
    long = np.flatnonzero(end - start > LONGEST_PIECE)
    for low, high in zip(start[long].tolist(), end[long].tolist(), strict=True):
        body = high
        if text[body - 1] == _LF:
            body -= 1
        if body > low and text[body - 1] == _CR:
            body -= 1
        edges[low + LONGEST_PIECE: body: LONGEST_PIECE] = True
    return np.flatnonzero(edges[:size]) if len(long) else start


def _assemble(text: NDArray[np.uint8], size: int, start: Positions, *, rtcm: tuple[Positions, Positions] | None,
              tokens: Positions, candidates: _Candidates) -> Pieces:
    """Name the pieces between the starts."""
    end = np.r_[start[1:], size][: len(start)]
    first = text[start]
    kind = np.full(len(start), TEXT, dtype=np.uint8)
    kind[(first - np.uint8(32) > 94) & (first != _TAB)] = BINARY
    kind[(first == _CR) | (first == _LF)] = BLANK
    if rtcm is not None:
        kind[np.searchsorted(start, rtcm[0])] = RTCM
    named = candidates.kinds(text)
    at = np.flatnonzero(first == _DOLLAR)
    if len(at) != len(named):
        at = np.searchsorted(start, candidates.start)
    kind[at] = named
    kept = named != TEXT
    token = candidates.token[kept]
    star, limit = candidates.star[kept], candidates.limit[kept]
    return Pieces(start, end, kind, tokens, at[kept], token, candidates.body_token[kept] - token - 1,
                  np.where(star >= 0, star, limit))
