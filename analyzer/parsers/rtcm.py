"""RTCM 3 correction streams: recognise one, and read it into the table ``CORRECTIONS`` with an account of every byte.

Frames inside other streams are found with `find_frames` and decoded with `decode`; both are the same code as here.
A stream alone has no date and often no week: rows are not timed (``time_utc`` is NaT) until a rover log or a given
date anchors them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import tables, wording
from analyzer.parsers.rtcm_account import Account
from analyzer.parsers.rtcm_frames import OVERHEAD, FrameSpans, crc24q, find_frames, frame
from analyzer.parsers.rtcm_messages import GPS_MINUS_UTC_S, decode, is_known, msm_system, system_of
from analyzer.recording import Entry, Finding

__all__ = [
    "FrameSpans", "StreamRead", "crc24q", "decode", "find_frames", "frame", "is_known", "message_numbers",
    "msm_system", "read_stream", "recognise", "system_of",
]

#: The stream is looked at in pieces of this size whatever the blocks are, so that blocks never change the result.
_PIECE = 1 << 20
_SENTENCE = re.compile(rb"[$!][A-Z]{2}[A-Z]{3},[\x20-\x7e]{4,80}\*[0-9A-Fa-f]{2}")


@dataclass(frozen=True)
class StreamRead:
    """A correction stream as read.

    Attributes
    ----------
    corrections : one row per message, schema ``CORRECTIONS`` and the further columns of `decode`, in stream order.
    entries : the account; sizes sum to `size`. Valid frames are of kind ``rtcm`` with the message number as tag.
    size : bytes read.
    crc_failures : pieces that claim to be a frame of a known type and fail the CRC.
    findings : what a reader must know, in words.
    """

    corrections: pd.DataFrame
    entries: tuple[Entry, ...]
    size: int
    crc_failures: int
    findings: tuple[Finding, ...] = ()


def recognise(head: bytes) -> float:
    """Return how sure it is that `head` (64 KiB are plenty) begins a correction stream, 0 to 1.

    The share of bytes in valid frames, at least 0.3 for one frame of a known type. Valid-looking position sentences in
    between cap it at 0.4, because the reader of mixed logs keeps both. Noise makes one frame in 16 million tries.
    """
    spans = find_frames(head, final=False)
    known = np.array([is_known(n) for n in message_numbers(head, spans).tolist()], dtype=bool)
    if not known.any():
        return 0.0
    looked_at = spans.incomplete_from if spans.incomplete_from > 0 else len(head)
    share = float((spans.end - spans.start)[known].sum()) / looked_at
    return min(max(share, 0.3), 0.4) if _SENTENCE.search(head) else max(share, 0.3)


def message_numbers(data: bytes | memoryview | NDArray[np.uint8], spans: FrameSpans) -> NDArray[np.int64]:
    """Return the message number of each frame, -1 where the payload is shorter than two bytes."""
    array = data if isinstance(data, np.ndarray) else np.frombuffer(data, dtype=np.uint8)
    if not len(spans):
        return np.empty(0, dtype=np.int64)
    number = (array[spans.start + 3].astype(np.int64) << 4) | (array[spans.start + 4] >> 4)
    return np.where(spans.end - spans.start >= OVERHEAD + 2, number, -1)


def read_stream(
    blocks: Iterable[bytes], *, name: str, source_id: int, place: str = "unknown",
    gps_minus_utc_s: int = GPS_MINUS_UTC_S,
) -> StreamRead:
    """Read a correction stream.

    Parameters
    ----------
    blocks : the unpacked stream in pieces of any size.
    name : how findings call the stream.
    source_id : index into ``Recording.sources``.
    place : ``base``, ``rover`` or ``unknown``: where it was recorded.
    gps_minus_utc_s : leap seconds for GLONASS times. [s]

    Returns
    -------
    `StreamRead`. Content of any kind is accounted for; nothing raises.
    """
    account, parts = Account(), []
    for data, spans, final in _pieces(blocks):
        numbers = message_numbers(data, spans)
        parts.append(decode(data, spans.start, spans.end, source_id=source_id, place=place, offset=account.size,
                            gps_minus_utc_s=gps_minus_utc_s))
        account.add_block(data, spans.start, spans.end, numbers, final=final)
    full = [p for p in parts if len(p)] or parts[:1]
    table = pd.concat(full) if full else tables.CORRECTIONS.empty()
    entries = account.entries()
    failures = sum(e.count for e in entries if e.kind == "checksum")
    return StreamRead(table, entries, account.size, failures, _findings(table, entries, name, failures))


def _pieces(blocks: Iterable[bytes]) -> Iterator[tuple[NDArray[np.uint8], FrameSpans, bool]]:
    """Yield (bytes, frames in them, whether it is the last) so that no frame is cut and all bytes come once."""
    held, size = [b""], 0
    for block in blocks:
        held.append(block)
        size += len(block)
        while size >= _PIECE:
            joined = b"".join(held)
            data = np.frombuffer(joined[:_PIECE], dtype=np.uint8)
            spans = find_frames(data, final=False)
            done = spans.incomplete_from if spans.incomplete_from >= 0 else len(data)
            yield data[:done], spans, False
            held, size = [joined[done:]], len(joined) - done
    data = np.frombuffer(b"".join(held), dtype=np.uint8)
    yield data, find_frames(data, final=True), True


def _findings(
    table: pd.DataFrame, entries: tuple[Entry, ...], name: str, failures: int,
) -> tuple[Finding, ...]:
    """Return what the bytes themselves say, in words."""
    out = []
    if not len(table):
        out.append(Finding("rtcm_no_frames", "warning", f"{name}: no valid RTCM 3 frame was found."))
    if failures:
        sizes = sum(e.size for e in entries if e.kind == "checksum")
        text = (f"{name}: {wording.count(failures, 'damaged correction message')}, {sizes} bytes, failed the CRC beside "
                f"{len(table)} good ones; corrections are lost there.")
        out.append(Finding("rtcm_crc_failures", "warning", text, {"failed": failures, "good": len(table)}))
    other = sum(e.size for e in entries if e.kind in ("binary", "other_text"))
    if other:
        text = f"{name}: {other} bytes are no RTCM 3 frames; they are set aside in the account of the stream."
        out.append(Finding("rtcm_other_bytes", "note", text, {"size_byte": other}))
    return tuple(out)
