"""One block of a text stream: its sentences as columns and its account, positions counted from the block's start."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analyzer.parsers import framing
from analyzer.parsers.ledger_builder import CASES, EXCERPT, LedgerBuilder, excerpt
from analyzer.parsers.nmea_arrivals import arrival_seconds
from analyzer.parsers.nmea_columns import count_is_right, parse
from analyzer.parsers.nmea_layouts import LAYOUTS
from analyzer.parsers.nmea_spans import Group
from analyzer.parsers.nmea_words import Words, words_of
from analyzer.parsers.sentences import TALKERS, Sentences
from analyzer.recording import Case

Positions = NDArray[np.int64]
Flags = NDArray[np.bool_]

#: Notes kept of one block; the stream keeps as many in all.
NOTES = 1000
#: Longest note kept, in bytes.
NOTE_LENGTH = 200
#: Ledger kinds that stand for bytes lost to damage.
DAMAGE = frozenset({"checksum", "truncated", "field", "binary"})
_KINDS = tuple(LAYOUTS)
_U = np.uint64
_NONE = np.uint8(255)
_BANG = ord("!")


def _code(text: str) -> np.uint64:
    return _U(int.from_bytes(text.encode(), "little"))


@dataclass
class Block:
    """What one block holds.

    Attributes
    ----------
    size : bytes of the block.
    sentences : by kind, those that were read.
    ledger : account of all bytes.
    notes : (offset, text) of the first lines of free text.
    arrivals : int64 starts of sentences that carry a time of reception before ``$``, and float64 that time [s], UTC
        seconds since 1970.
    damage : int64 starts of damaged sentences and of binary bytes, in no order.
    rtcm : int64 start and end of the RTCM 3 frames.
    rtcm_bytes : those frames, one behind the other.
    illustrated : kinds and tags of which no more cases are wanted.
    """

    size: int
    sentences: dict[str, Sentences]
    ledger: LedgerBuilder
    notes: list[tuple[int, str]] = field(default_factory=list)
    arrivals: tuple[Positions, NDArray[np.float64]] = (np.empty(0, np.int64), np.empty(0))
    damage: list[Positions] = field(default_factory=list)
    rtcm: tuple[Positions, Positions] = (np.empty(0, np.int64), np.empty(0, np.int64))
    rtcm_bytes: bytes = b""
    illustrated: Collection[tuple[str, str]] = ()


def look(buffer: NDArray[np.uint8], rtcm: tuple[Positions, Positions] | None = None) -> Candidates:
    """Cut a block into pieces and check the checksums.

    Parameters
    ----------
    buffer : bytes that start and end at the edge of a piece, and `framing.PADDING` more.
    rtcm : start and end of the RTCM 3 frames in it.
    """
    return Candidates.of(buffer, framing.frame(buffer, rtcm), rtcm)


def read_block(found: Candidates, *, require_checksum: bool = False,
               illustrated: Collection[tuple[str, str]] = ()) -> Block:
    """Read the sentences of a block into columns and account for all its bytes.

    With `require_checksum` sentences without one are set aside instead of read. Of the kinds and tags in `illustrated`
    no more cases are wanted.
    """
    block = Block(len(found.buffer) - framing.PADDING, {}, LedgerBuilder(), illustrated=illustrated)
    _read_sentences(block, found, require_checksum=require_checksum)
    _account_rest(block, found.buffer, found.pieces)
    if found.rtcm is not None:
        block.rtcm = found.rtcm
        spans = zip(found.rtcm[0].tolist(), found.rtcm[1].tolist(), strict=True)
        block.rtcm_bytes = b"".join(found.buffer[a:b].tobytes() for a, b in spans)
    return block


@dataclass(frozen=True)
class Candidates:
    """The sentences of a block, read or not: all arrays have one item per sentence."""

    buffer: NDArray[np.uint8]
    pieces: framing.Pieces
    words: Words
    start: Positions
    end: Positions
    form: NDArray[np.uint8]
    known: NDArray[np.uint8]
    header: Words
    valid: Flags
    rtcm: tuple[Positions, Positions] | None = None

    @classmethod
    def of(cls, buffer: NDArray[np.uint8], pieces: framing.Pieces,
           rtcm: tuple[Positions, Positions] | None) -> Candidates:
        """Look at the headers and check the checksums."""
        words = words_of(buffer)
        start = pieces.start[pieces.sentence]
        form = pieces.kind[pieces.sentence]
        header = words[start + 1]
        key = (header >> _U(16)) & _U(0xFFFFFFFF)
        known = np.full(len(start), _NONE, dtype=np.uint8)
        for index, kind in enumerate(_KINDS):
            known[key == _code(kind + ",")] = index
        known[((header & _U(0xFF)) == _code("P")) | (buffer[start] == _BANG)] = _NONE
        valid = form == framing.SUMMED
        if valid.all():
            valid = framing.checksum_matches(buffer, start, pieces.body_end)
        else:
            valid[valid] = framing.checksum_matches(buffer, start[valid], pieces.body_end[valid])
        return cls(buffer, pieces, words, start, pieces.end[pieces.sentence], form, known, header, valid, rtcm)

    def group(self, rows: Positions) -> Group:
        """Return the fields of some sentences."""
        pieces = self.pieces
        return Group(self.buffer, self.words, pieces.tokens, pieces.token[rows], pieces.fields[rows])

    def talkers(self, rows: Positions) -> NDArray[np.uint8]:
        """Return the index of the talker in `TALKERS`."""
        code = self.header[rows] & _U(0xFFFF)
        distinct = code[:1] if bool((code == code[:1]).all()) else code
        out = np.zeros(len(distinct), dtype=np.uint8)
        for index, talker in enumerate(TALKERS[1:], start=1):
            out[distinct == _code(talker)] = index
        return out if len(out) == len(rows) else np.full(len(rows), out[0])

    def headers(self, rows: Positions) -> Iterator[tuple[str, Positions]]:
        """Yield each header (at most eight characters) with the sentences that have it."""
        pieces = self.pieces
        length = np.clip(pieces.tokens[pieces.token[rows] + 1] - self.start[rows] - 1, 0, 8)
        masked = self.header[rows] & (_U(0xFFFFFFFFFFFFFFFF) >> (_U(64) - (length.astype(np.uint64) << _U(3))))
        names, which = np.unique(masked, return_inverse=True)
        for index, name in enumerate(names.tolist()):
            text = name.to_bytes(8, "little").rstrip(b"\0").decode("ascii", "replace")
            yield (text if text.isalnum() and text.isascii() else "other"), rows[which == index]


def _read_sentences(block: Block, found: Candidates, *, require_checksum: bool) -> None:
    """Read all sentences of known kinds and account for every sentence."""
    bare = found.form == framing.BARE
    usable = found.valid if require_checksum else found.valid | bare
    for index, kind in enumerate(_KINDS):
        rows = np.flatnonzero(found.known == index)
        if not len(rows):
            continue
        valid = found.valid[rows]
        if valid.all() and not (wrong := _read_kind(block, found, kind, rows)).any():
            _account(block, found, "accepted", kind, rows)
            continue
        block.sentences.pop(kind, None)
        readable = usable[rows]
        wrong = np.zeros(len(rows), dtype=bool)
        wrong[readable] = _read_kind(block, found, kind, rows[readable])
        short = wrong & bare[rows] & _is_short(kind, found.pieces.fields[rows])
        good = readable & ~wrong
        _account(block, found, "accepted", kind, rows[good & valid])
        _account(block, found, "field", kind, rows[wrong & ~short])
        _account(block, found, "no_checksum", kind, rows[bare[rows] & ~wrong])
        _account(block, found, "truncated", kind, rows[(found.form[rows] == framing.CUT) | short])
        damaged = ((found.form[rows] == framing.SUMMED) & ~valid) | (found.form[rows] == framing.GARBLED)
        _account(block, found, "checksum", kind, rows[damaged])
        if not require_checksum:
            block.ledger.unchecked = np.r_[block.ledger.unchecked, found.start[rows[bare[rows] & ~wrong]]]
    block.ledger.unchecked.sort()
    _account_unknown(block, found)


def _is_short(kind: str, fields: Positions) -> Flags:
    """Whether there are fewer fields than any version of the sentence has: a line that was cut off."""
    layout = LAYOUTS[kind]
    return np.asarray(fields < (min(layout.counts) if layout.counts else layout.least))


def _read_kind(block: Block, found: Candidates, kind: str, rows: Positions) -> Flags:
    """Read the sentences of one kind into the block; return which of them are wrong."""
    right = count_is_right(kind, found.pieces.fields[rows])
    chosen = rows if right.all() else rows[right]
    wrong = ~right
    columns, places, bad = parse(kind, found.group(chosen))
    if bad.any():
        wrong[right] = bad
        chosen = chosen[~bad]
        columns = {name: values[~bad] for name, values in columns.items()}
        places = None if places is None else places[~bad]
    if not len(chosen):
        return wrong
    texts: list[str] = []
    if LAYOUTS[kind].text:
        body = found.pieces.body_end[chosen].tolist()
        texts = [bytes(found.buffer[a + 7: b]).decode("ascii", "replace")
                 for a, b in zip(found.start[chosen].tolist(), body, strict=True)]
    block.sentences[kind] = Sentences(
        kind, found.start[chosen], found.end[chosen], found.talkers(chosen), columns, texts, places)
    return wrong


def _account_unknown(block: Block, found: Candidates) -> None:
    """Account for the sentences of kinds that are not read."""
    unknown = found.known == _NONE
    if not unknown.any():
        return
    own = ((found.header & _U(0xFF)) == _code("P")) & (found.buffer[found.start] != _BANG)
    for kind, chosen in (("unknown_sentence", unknown & ~own), ("proprietary", unknown & own)):
        for tag, rows in found.headers(np.flatnonzero(chosen & found.valid)):
            _account(block, found, kind, tag, rows)
        for tag, rows in found.headers(np.flatnonzero(chosen & (found.form == framing.BARE))):
            _account(block, found, "no_checksum", tag, rows)
        tag = "proprietary" if kind == "proprietary" else "other"
        _account(block, found, "truncated", tag, np.flatnonzero(chosen & (found.form == framing.CUT)))
        summed = (found.form == framing.SUMMED) | (found.form == framing.GARBLED)
        _account(block, found, "checksum", tag, np.flatnonzero(chosen & summed & ~found.valid))


def _account(block: Block, found: Candidates, kind: str, tag: str, rows: Positions) -> None:
    _tally(block, found.buffer, kind, tag, found.start[rows], found.end[rows])


def _tally(block: Block, buffer: NDArray[np.uint8], kind: str, tag: str, start: Positions, end: Positions) -> None:
    """Add pieces to the block's account."""
    add_cases(block.ledger, buffer, kind, tag, start=start, end=end, illustrated=block.illustrated)
    if kind in DAMAGE and len(start):
        block.damage.append(start)


def add_cases(ledger: LedgerBuilder, buffer: NDArray[np.uint8], kind: str, tag: str, *, start: Positions,
              end: Positions, illustrated: Collection[tuple[str, str]]) -> None:
    """Add pieces of a buffer to an account, the first ones with excerpts unless no more are wanted."""
    if len(start):
        wanted = 0 if (kind, tag) in illustrated else CASES
        cases = [Case(a, b, excerpt(bytes(buffer[a: min(b, a + 4 * EXCERPT)])))
                 for a, b in zip(start[:wanted].tolist(), end[:wanted].tolist(), strict=True)]
        ledger.add(kind, tag, count=len(start), size=int((end - start).sum()), cases=cases)


def _account_rest(block: Block, buffer: NDArray[np.uint8], pieces: framing.Pieces) -> None:
    """Account for everything that is no sentence; keep free text as notes and times of reception."""
    for code, kind, tag in ((framing.TEXT, "other_text", "text"), (framing.BLANK, "other_text", "blank line"),
                            (framing.BINARY, "binary", "bytes"), (framing.RTCM, "rtcm", "frame")):
        at = np.flatnonzero(pieces.kind == code)
        _tally(block, buffer, kind, tag, pieces.start[at], pieces.end[at])
        if code == framing.TEXT and len(at):
            _keep_text(block, buffer, pieces, at)


def _keep_text(block: Block, buffer: NDArray[np.uint8], pieces: framing.Pieces, at: Positions) -> None:
    """Keep the first lines of free text; text before a sentence that reads as a time is its time of reception."""
    start, end = pieces.start[at], pieces.end[at]
    following = np.minimum(at + 1, len(pieces.kind) - 1)
    last = buffer[end - 1]
    before = (pieces.kind[following] >= framing.SUMMED) & (following > at) & (last != 10) & (last != 13)
    seconds = np.full(len(at), np.nan)
    if before.any():
        seconds[before] = arrival_seconds(buffer, start[before], end[before])
    timed = ~np.isnan(seconds)
    block.arrivals = (pieces.start[following[timed]], seconds[timed])
    for at_text in np.flatnonzero(~timed):
        low, high = int(start[at_text]), int(end[at_text])
        text = bytes(buffer[low: min(high, low + NOTE_LENGTH)]).decode("ascii").strip()
        if text:
            block.notes.append((low, text))
            if len(block.notes) >= NOTES:
                break
