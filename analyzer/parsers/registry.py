"""Which formats can be read, and which of them a source is: by content with a confidence, never by suffix alone.

Built-in readers stand in a plain table; other packages add theirs by an entry point in the group ``postdrive.readers``
whose value is a `Reader` or a callable that returns one.
"""

from __future__ import annotations

from importlib import metadata

from analyzer.errors import AnalyzerError, InputError
from analyzer.parsers.columnar import READER as PARQUET
from analyzer.parsers.delimited import READER as DELIMITED
from analyzer.parsers.mdf4 import READER as MDF4
from analyzer.parsers.nmea_reader import READER as NMEA
from analyzer.parsers.raw import RawSource
from analyzer.parsers.reader import Reader, ReadOptions, ReadPart
from analyzer.parsers.rtcm_reader import READER as RTCM3
from analyzer.settings import thresholds

__all__ = ["ENTRY_POINT_GROUP", "ReadOptions", "ReadPart", "Reader", "builtin_readers", "identify", "readers"]

ENTRY_POINT_GROUP = "postdrive.readers"
_LIMITS = thresholds("analyzer.parsers", "thresholds_sources.toml")


def builtin_readers() -> tuple[Reader, ...]:
    """Return the readers of this package."""
    return (NMEA, RTCM3, DELIMITED, PARQUET, MDF4)


def readers() -> tuple[Reader, ...]:
    """Return built-in readers and those of other packages; a name is used once, the built-in one first.

    Raises
    ------
    AnalyzerError
        A reader of another package cannot be loaded or is no `Reader`.
    """
    out = {reader.name: reader for reader in builtin_readers()}
    for point in metadata.entry_points(group=ENTRY_POINT_GROUP):
        reader = _load(point)
        out.setdefault(reader.name, reader)
    return tuple(out.values())


def identify(raw: RawSource) -> tuple[Reader, list[tuple[str, float]]]:
    """Return the reader that fits `raw` best, and every format tried with its confidence, best first.

    Raises
    ------
    InputError
        No format fits; the sentence says what the source looks like and what was tried.
    """
    head = raw.head()
    scored = sorted(((_score(reader, head, raw.base_name), reader) for reader in readers()), key=lambda pair: -pair[0])
    tried = [(reader.name, round(score, 2)) for score, reader in scored]
    if not scored or scored[0][0] < _LIMITS["recognise.least_confidence"]:
        shown = ", ".join(f"{name} {score:.2f}" for name, score in tried)
        raise InputError(f"{raw.name} is no format that can be read: it {_looks(head)} (tried, with confidence: "
                         f"{shown}); pass a log, or a table together with its column map.")
    return scored[0][1], tried


def _score(reader: Reader, head: bytes, name: str) -> float:
    """Return the confidence of one reader; a fault in a foreign recogniser must not look like one of the file."""
    try:
        return float(reader.recognise(head, name))
    except Exception as error:
        raise AnalyzerError(
            f"the reader '{reader.name}' fails while looking at {name} ({type(error).__name__}: {error}): "
            "update or remove the package it belongs to."
        ) from error


def _load(point: metadata.EntryPoint) -> Reader:
    """Return the reader behind an entry point."""
    try:
        loaded = point.load()
        reader = loaded() if callable(loaded) else loaded
    except Exception as error:  # a foreign package may raise anything; the user must learn which one
        raise AnalyzerError(f"the reader '{point.name}' of another package ({point.value}) cannot be loaded "
                            f"({type(error).__name__}: {error}): update or remove that package.") from error
    if not isinstance(reader, Reader):
        raise AnalyzerError(f"the reader '{point.name}' of another package ({point.value}) is no Reader: update or "
                            "remove that package.")
    return reader


#: Starts of common files that are no logs, so that the message can say what was passed by mistake.
_KNOWN = (
    (b"\x89PNG\r\n", "is a PNG picture"), (b"\xff\xd8\xff", "is a JPEG picture"), (b"GIF8", "is a GIF picture"),
    (b"%PDF", "is a PDF document"), (b"\x7fELF", "is a program"), (b"MZ", "is a program"),
    (b"\x89HDF", "is an HDF5 file"),
    (b"7z\xbc\xaf", "is a 7z archive"), (b"\x28\xb5\x2f\xfd", "is packed with zstandard"),
    (b"<?xml", "is XML text"),
    (b"<!DOCTYPE html", "is a web page"), (b"{", "is JSON text"),
)


def _looks(head: bytes) -> str:
    """Say in words what unknown content looks like."""
    for magic, words in _KNOWN:
        if head.lstrip(b"\xef\xbb\xbf \r\n").startswith(magic):
            return words
    if head[257:262] == b"ustar":
        return "is a tar archive"
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "is text in UTF-16, as a redirect on some systems writes it (save it as plain text, UTF-8 or ASCII, first)"
    share = sum(32 <= b < 127 or b in b"\t\r\n" for b in head) / max(len(head), 1)
    return "is text of another kind" if share > 0.9 else "is binary of an unknown kind"
