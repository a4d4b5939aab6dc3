"""Recognition by content: every recogniser over every other format's samples, and readers of other packages."""

from __future__ import annotations

import argparse
import gzip
import io
import os
import sys
import zipfile
from importlib import metadata
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer.errors import AnalyzerError, InputError
from analyzer.parsers import registry
from analyzer.parsers.reader import ReadOptions
from analyzer.parsers.rtcm_frames import frame
from analyzer.parsers.sources import RawSource, open_sources

# reference position frame of RTCM 10403.x section 4.2
RTCM_1005 = bytes.fromhex("D300133ED7D30202980EDEEF34B4BD62AC0941986F33360B98")


def _sentence(body: str) -> bytes:
    return f"${body}*{int(np.bitwise_xor.reduce(np.frombuffer(body.encode(), np.uint8))):02X}\r\n".encode()


def _gga(second: float, latitude: float = 30.0, *, talker: str = "GN", quality: int = 4) -> bytes:
    clock = f"{12 + int(second) // 3600:02d}{int(second) // 60 % 60:02d}{second % 60:05.2f}"
    return _sentence(
        f"{talker}GGA,{clock},48{latitude:010.7f},N,00930.0000000,E,{quality},12,0.8,400.0,M,47.0,M,1.0,0001"
    )


def _rmc(second: float, latitude: float = 30.0, *, talker: str = "GN") -> bytes:
    clock = f"12{int(second) // 60:02d}{second % 60:05.2f}"
    return _sentence(f"{talker}RMC,{clock},A,48{latitude:010.7f},N,00930.0000000,E,10.0,90.0,040526,,,R,V")


NMEA = b"".join(_gga(i) + _rmc(i) for i in range(60))
CSV = b"t,v\n" + b"".join(b"%d.5,%d\n" % (1704067200 + i, i) for i in range(60))


def _parquet() -> bytes:
    out = io.BytesIO()
    pd.DataFrame({"t": np.arange(5.0)}).to_parquet(out)
    return out.getvalue()


def _samples() -> dict[str, tuple[str, bytes]]:
    """Content of every format, made here, with the reader it belongs to."""
    return {
        "nmea": ("nmea", NMEA),
        "nmea without checksums": ("nmea", b"".join(line.split(b"*")[0] + b"\r\n" for line in NMEA.splitlines())),
        "nmea behind a preamble": ("nmea", b"logger 1.2\r\nport 3, 115200\r\n" * 20 + NMEA),
        "nmea and binary mixed": (
            "nmea",
            b"".join(line + b"\r\n" + RTCM_1005 + os.urandom(20) for line in NMEA.splitlines()),
        ),
        "nmea with stamps in front": (
            "nmea",
            b"".join(b"1777888000.123 " + line + b"\r\n" for line in NMEA.splitlines()),
        ),
        "nmea of one line": ("nmea", _gga(1.0)),
        "rtcm": ("rtcm3", RTCM_1005 * 40),
        "rtcm behind noise": ("rtcm3", b"\xd3\x00\x40" + RTCM_1005 * 40),
        "rtcm of one frame": ("rtcm3", RTCM_1005),
        "csv": ("delimited", CSV),
        "csv with decimal comma": ("delimited", CSV.replace(b",", b";").replace(b".", b",")),
        "csv in utf-16": ("delimited", CSV.decode().encode("utf-16")),
        "csv without header": ("delimited", CSV.split(b"\n", 1)[1]),
        "csv with dollars": ("delimited", b"price $,n\n" + CSV.split(b"\n", 1)[1]),
        "parquet": ("parquet", _parquet()),
        "mdf4": ("mdf4", b"MDF     4.11    logger  " + bytes(200)),
        "mdf4 not finalised": ("mdf4", b"UnFinMF 4.11    logger  " + bytes(200)),
    }


SAMPLES = _samples()


def _raw(content: bytes, name: str = "sample") -> RawSource:
    return RawSource(name, len(content), lambda: io.BytesIO(content))


@pytest.mark.parametrize("name", SAMPLES)
def test_each_recogniser_over_each_sample(name: str) -> None:
    owner, content = SAMPLES[name]
    scores = {r.name: r.recognise(content, "sample") for r in registry.builtin_readers()}
    assert all(0.0 <= s <= 1.0 for s in scores.values())
    others = max(score for reader, score in scores.items() if reader != owner)
    assert scores[owner] >= 0.3
    # a mixture is NMEA to one reader and, a little, RTCM to the other
    assert scores[owner] - others >= (0.1 if "mixed" in name else 0.3)
    assert registry.identify(_raw(content))[0].name == owner


@pytest.mark.parametrize("suffix", ["csv", "nmea", "rtcm3", "parquet", "mf4", "png", ""])
def test_a_suffix_never_decides(suffix: str) -> None:
    for owner, content in SAMPLES.values():
        assert registry.identify(_raw(content, f"x.{suffix}"))[0].name == owner


def test_real_recordings(shared_data: Path) -> None:
    owner = {"drives": "nmea", "corrections": "rtcm3", "measurement": "mdf4", "car_with_reference": "delimited"}
    # two of the small correction captures hold sentences of a receiver too; the reader of mixtures keeps both
    mixed = {"small_bad_crc_mixed.rtcm3", "small_good.rtcm3"}
    raws, _ = open_sources([shared_data / folder for folder in owner])
    assert len(raws) >= 14
    for raw in raws:
        expected = "nmea" if raw.base_name in mixed else owner[Path(raw.name).parent.name]
        if raw.base_name.endswith(".dbc"):
            with pytest.raises(InputError):
                registry.identify(raw)
        else:
            reader, tried = registry.identify(raw)
            assert (reader.name, tried[0][0]) == (expected, expected)
            assert len(tried) == len(registry.readers())


@pytest.mark.parametrize(("content", "words"), [
    (b"\x89PNG\r\n\x1a\n" + os.urandom(5000), "is a PNG picture"),
    (b"\xff\xd8\xff\xe0" + os.urandom(5000), "is a JPEG picture"),
    (b"%PDF-1.7\n" + os.urandom(5000), "is a PDF document"),
    (b"7z\xbc\xaf\x27\x1c" + os.urandom(500), "is a 7z archive"),
    (bytes(5000), "is binary of an unknown kind"),
    (np.random.default_rng(1).bytes(50_000), "is binary of an unknown kind"),
    (b"Dear all,\nplease find the log attached.\n" * 30, "is text of another kind"),
    (b'{"a": 1}', "is JSON text"),
    (("$GNGGA,090000.00,4818.00,N,4,24\r\n$GNGST,0.009\r\n$GNGSA,A,3,02,04,06,08,,,,1.10\r\n" * 60).encode("utf-16"), "is text in UTF-16, .*save it as plain text"),
])
def test_what_is_no_log_is_refused_with_what_was_tried(content: bytes, words: str) -> None:
    with pytest.raises(InputError, match=words) as caught:
        registry.identify(_raw(content))
    for reader in registry.builtin_readers():
        assert reader.name in str(caught.value)
    assert "\n" not in str(caught.value)


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=2000))
def test_any_bytes_are_recognised_or_refused(content: bytes) -> None:
    try:
        _, tried = registry.identify(_raw(content))
    except InputError:
        return
    assert all(0.0 <= score <= 1.0 for _, score in tried)


PLUGIN = '''
from analyzer.parsers.reader import Reader, ReadPart
from analyzer.recording import Entry, Ledger, Source
from analyzer.parsers.sources import digest

def recognise(head, name):
    return 1.0 if head.startswith(b"ODOLOG1") else 0.0

def read(raw, options):
    sha256, size = digest(raw)
    ledger = Ledger((Entry("binary", "all", 1, size),), size)
    return ReadPart(Source(raw.name, "odolog", sha256, raw.stored_size, size, ledger), {})

READER = Reader("odolog", "Odometer log", recognise, read)
def make():
    return READER
BROKEN = 7
'''


def _install(folder: Path, monkeypatch: pytest.MonkeyPatch, target: str) -> None:
    """Make a small package with an entry point importable, as an installer would."""
    (folder / "odolog_plugin.py").write_text(PLUGIN)
    info = folder / "odolog_plugin-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: odolog-plugin\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(f"[{registry.ENTRY_POINT_GROUP}]\nodolog = {target}\n")
    monkeypatch.syspath_prepend(str(folder))
    monkeypatch.delitem(sys.modules, "odolog_plugin", raising=False)
    assert any(p.name == "odolog" for p in metadata.entry_points(group=registry.ENTRY_POINT_GROUP))


@pytest.mark.parametrize("target", ["odolog_plugin:READER", "odolog_plugin:make"])
def test_a_reader_of_another_package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, target: str) -> None:
    _install(tmp_path, monkeypatch, target)
    assert [r.name for r in registry.readers()][-1] == "odolog"
    raw = _raw(b"ODOLOG1" + bytes(50))
    reader, tried = registry.identify(raw)
    assert (reader.name, tried[0]) == ("odolog", ("odolog", 1.0))
    assert reader.read(raw, ReadOptions()).source.ledger.balanced
    assert registry.identify(_raw(NMEA))[0].name == "nmea"


@pytest.mark.parametrize(("target", "words"), [("odolog_plugin:BROKEN", "is no Reader"),
                                               ("odolog_plugin:absent", "cannot be loaded .AttributeError"),
                                               ("no_such_module_x:READER", "cannot be loaded .ModuleNotFoundError")])
def test_a_broken_reader_of_another_package_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, target: str,
                                                     words: str) -> None:
    _install(tmp_path, monkeypatch, target)
    with pytest.raises(AnalyzerError, match=f"the reader 'odolog' of another package .*{words}"):
        registry.readers()


def test_zip_of_a_drive_is_read_member_by_member(tmp_path: Path) -> None:
    path = tmp_path / "drive.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("rover.nmea.gz", gzip.compress(NMEA))
        archive.writestr("base.bin", RTCM_1005 * 20)
        archive.writestr("photo.png", b"\x89PNG\r\n\x1a\n" + os.urandom(500))
    raws, _ = open_sources([path])
    assert [registry.identify(r)[0].name for r in raws[:2]] == ["nmea", "rtcm3"]
    with pytest.raises(InputError, match=r"drive\.zip/photo\.png is no format that can be read: it is a PNG picture"):
        registry.identify(raws[2])


def test_stream_without_a_valid_frame() -> None:
    reader = next(r for r in registry.builtin_readers() if r.name == "rtcm3")
    with pytest.raises(InputError, match="holds no correction message that passes its check"):
        reader.read(_raw(bytes(100)), ReadOptions())
    assert len(reader.read(_raw(frame(b"\x3e\xd0" + bytes(4)) * 3), ReadOptions()).tables["corrections"]) == 3


def test_list_of_formats(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    from analyzer.cli import formats

    assert formats.run(argparse.Namespace()) == 0
    shown = capsys.readouterr().out
    for reader in registry.builtin_readers():
        assert f"{reader.name} " in shown
        assert reader.title in shown
    monkeypatch.setattr(formats, "find_spec", lambda _: None)
    formats.run(argparse.Namespace())
    assert "pip install 'postdrive[mdf4]'" in capsys.readouterr().out
