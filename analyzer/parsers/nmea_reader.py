"""Adapter: a stream of NMEA sentences, with whatever stands between them, as a source of the registry."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import tables
from analyzer.parsers import rtcm
from analyzer.parsers.nmea_block import NOTES
from analyzer.parsers.nmea_epochs import EpochResult, build_epochs
from analyzer.parsers.nmea_excerpts import first_ranges
from analyzer.parsers.nmea_fields import categorical
from analyzer.parsers.nmea_findings import written_with_commas
from analyzer.parsers.nmea_groups import POSITION_KINDS
from analyzer.parsers.nmea_lone import without_lone
from analyzer.parsers.nmea_receivers import refuse_two_receivers
from analyzer.parsers.nmea_text import UNIT_SIZE, RtcmFrames, TextResult, read_text
from analyzer.parsers.raw import RawSource
from analyzer.parsers.reader import Reader, ReadOptions, ReadPart
from analyzer.recording import Finding, Source

_SENTENCE = re.compile(rb"[$!]([A-Z]{2}[A-Z]{3},[\x20-\x7e]{0,120}?)(?:\*([0-9A-Fa-f]{2}))?(?=[\r\n]|$)")
_KNOWN = re.compile(rb"[A-Z]{2}(?:GGA|GNS|RMC|GLL|GST|GSA|GSV|ZDA|VTG|HDT|THS|ROT|GBS|GRS|TXT|DTM)")
_EPOCH = np.datetime64(0, "us")


def recognise(head: bytes, name: str) -> float:
    """Return how much `head` looks like NMEA sentences: their checksums and their share of the bytes."""
    if head[:4] in (b"PAR1", b"MDF ") or b"$" not in head:
        return 0.0
    good = bare = covered = 0
    for match in _SENTENCE.finditer(head):
        body, digits = match.group(1), match.group(2)
        if not _KNOWN.match(body):
            continue
        if digits is None:
            bare += 1
        elif _checksum(body) == int(digits, 16):
            good += 1
        else:
            continue
        covered += match.end() - match.start()
    if good + bare == 0:
        return 0.0
    share = min(covered / len(head), 1.0)
    return min(0.5 + share, 1.0) if good >= bare else min(0.4 + 0.4 * share, 0.8)


def read(raw: RawSource, options: ReadOptions) -> ReadPart:
    """Read a stream of NMEA sentences; RTCM 3 frames between them become corrections.

    The source's details: ``undated`` (bool); ``notes`` (list of byte offset and text of the first lines of free text);
    ``messages`` (the same of the first TXT sentences, by their text);
    ``damage`` (increasing int64 byte offsets of the first million damaged sentences and runs of binary bytes) and
    ``damage_count`` (of all); ``latitude_decimals`` (int, the commonest number of digits behind the point of the
    latitude minutes, where there are positions). The part's extras: ``undated`` and ``notes`` again; of a source
    recorded at the base also ``base_fixes`` and ``base_satellites``, which are then no tables of the drive.

    Raises
    ------
    InputError
        Two receivers wrote into one stream.
    """
    text = read_text(raw.blocks(UNIT_SIZE), require_checksum=options.require_checksum, scratch=options.scratch)
    scratch = options.scratch if options.scratch is not None and text.size > options.scratch.sizes.text_byte else None
    refuse_two_receivers(text.sentences, raw.name)
    cut = without_lone(text, scratch)
    epochs = build_epochs(text.sentences, source_id=options.source_id, date=options.date, scratch=scratch)
    set_aside = (*cut, *epochs.set_aside)
    shown = first_ranges(raw, set_aside, text.ledger.unchecked)
    for piece in set_aside:
        text.ledger.move(piece.start, piece.end, tag=piece.tag, to_kind=piece.kind,
                         fetch=lambda a, b: shown.get((a, b), b""))
    source = Source(
        name=raw.name, format="nmea", sha256=text.sha256, stored_size=raw.stored_size, unpacked_size=text.size,
        ledger=text.ledger.build(text.size), place=options.place, details=_details(text, epochs),
    )
    found = {"fixes": _fixes(epochs, text, options), "satellites": epochs.satellites}
    if len(text.rtcm_frames):
        found["corrections"] = _corrections(text.rtcm_frames, options)
    extras: dict[str, object] = {"undated": epochs.undated, "notes": text.notes}
    if options.place == "base":  # positions of the base are no positions of the drive
        extras |= {f"base_{name}": found.pop(name) for name in ("fixes", "satellites")}
    return ReadPart(source, found, (*raw.findings, *_named((*epochs.findings, *written_with_commas(source.ledger)), raw.name)), extras)


def _details(text: TextResult, epochs: EpochResult) -> dict[str, object]:
    """Return what later steps need to know of the source."""
    details: dict[str, object] = {
        "undated": epochs.undated, "notes": text.notes, "messages": _messages(text), "damage": text.damage, "damage_count": text.damage_count,
    }
    for kind in POSITION_KINDS:
        part = text.sentences.get(kind)
        known = None if part is None or part.decimals is None else part.decimals[part.decimals >= 0]
        if known is not None and len(known):
            return {**details, "latitude_decimals": int(np.bincount(known).argmax())}
    return details


def _messages(text: TextResult) -> list[tuple[int, str]]:
    """Return (byte offset, text) of the first TXT sentences; their text stands behind number, count and identifier."""
    told = text.sentences.get("TXT")
    return [] if told is None else [(int(at), body.split(",", 3)[-1]) for at, body in zip(told.start[:NOTES], told.texts, strict=False)]


def _checksum(body: bytes) -> int:
    """Return the exclusive or of all bytes (NMEA 0183, sentence checksum)."""
    return int(np.bitwise_xor.reduce(np.frombuffer(body, dtype=np.uint8)))


def _fixes(epochs: EpochResult, text: TextResult, options: ReadOptions) -> pd.DataFrame:
    """Return the fixes with the kind of solution and, where the logger wrote it, the time of arrival."""
    fixes = epochs.fixes
    if options.solution_kind != "unknown":
        fixes = fixes.assign(solution_kind=categorical(np.zeros(len(fixes), dtype=np.int8), [options.solution_kind]))
    if len(text.arrival_start):
        fixes = fixes.assign(arrival_utc=_arrivals(fixes["byte_offset"].to_numpy(), text))
    return fixes


def _arrivals(offset: NDArray[np.int64], text: TextResult) -> pd.DatetimeIndex:
    """Return the time of reception of the sentences that start at `offset`, NaT where none was written."""
    at = np.searchsorted(text.arrival_start, offset)
    found = (at < len(text.arrival_start)) & (text.arrival_start[np.minimum(at, len(text.arrival_start) - 1)] == offset)
    out = np.full(len(offset), np.datetime64("NaT"), dtype="datetime64[us]")
    microseconds = np.rint(text.arrival_s[at[found]] * 1e6).astype(np.int64)
    out[found] = _EPOCH + microseconds.astype("timedelta64[us]")
    return pd.DatetimeIndex(pd.DatetimeIndex(out).tz_localize("UTC").astype(tables.TIME_DTYPE))


def _corrections(frames: RtcmFrames, options: ReadOptions) -> pd.DataFrame:
    """Return the messages of the RTCM 3 frames between sentences, with their place in the stream."""
    start = frames.content_start
    table = rtcm.decode(frames.content, start, start + (frames.end - frames.start), source_id=options.source_id,
                        place=options.place)
    at = np.searchsorted(start, table["byte_offset"].to_numpy())
    return table.assign(byte_offset=frames.start[at])


def _named(findings: tuple[Finding, ...], name: str) -> tuple[Finding, ...]:
    """Return findings whose evidence names the source."""
    return tuple(replace(f, evidence=_with_source(f.evidence, name)) for f in findings)


def _with_source(evidence: Mapping[str, object], name: str) -> dict[str, object]:
    return {"source": name, **evidence}


READER = Reader("nmea", "Sentences of a receiver (NMEA 0183), also mixed with binary", recognise, read)
