"""Adapter: a correction stream (RTCM 3) as a source of the registry."""

from __future__ import annotations

from analyzer.errors import InputError
from analyzer.parsers import rtcm
from analyzer.parsers.raw import RawSource, Tally
from analyzer.parsers.reader import Reader, ReadOptions, ReadPart
from analyzer.recording import Ledger, Source


def recognise(head: bytes, name: str) -> float:
    """Return how much `head` looks like a correction stream."""
    return rtcm.recognise(head)


def read(raw: RawSource, options: ReadOptions) -> ReadPart:
    """Read a correction stream; rows are in stream order and without a date until a rover log gives one.

    Raises
    ------
    InputError
        No valid frame is in it.
    """
    tally = Tally(raw.blocks())
    stream = rtcm.read_stream(tally, name=raw.name, source_id=options.source_id, place=options.place)
    if not len(stream.corrections):
        raise InputError(
            f"{raw.name} holds no correction message that passes its check ({stream.crc_failures} failed): "
            "check the serial settings of the logger and pass the file as it was recorded."
        )
    source = Source(
        name=raw.name, format="rtcm3", sha256=tally.sha256, stored_size=raw.stored_size, unpacked_size=tally.size,
        ledger=Ledger(stream.entries, stream.size), place=options.place, details={"crc_failures": stream.crc_failures},
    )
    return ReadPart(source, {"corrections": stream.corrections}, (*raw.findings, *stream.findings))


READER = Reader("rtcm3", "Correction stream (RTCM 3)", recognise, read)
