"""Opening files, folders, archives and standard input."""

from __future__ import annotations

import bz2
import gzip
import hashlib
import io
import lzma
import os
import zipfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer.errors import InputError
from analyzer.parsers import unpack
from analyzer.parsers.raw import regroup
from analyzer.parsers.sources import RawSource, digest, open_sources

LOG = b"$GPGGA,120000.00,,,,,0,00,,,M,,M,,*6B\r\n" * 5000
PACKERS = {"gz": gzip.compress, "bz2": bz2.compress, "xz": lzma.compress}


def _content(raw: RawSource) -> bytes:
    return b"".join(raw.blocks())


def _one(path: Path) -> RawSource:
    raws, _ = open_sources([path])
    assert len(raws) == 1
    return raws[0]


def test_plain_file(tmp_path: Path) -> None:
    path = tmp_path / "log.nmea"
    path.write_bytes(LOG)
    raw = _one(path)
    assert (raw.name, raw.stored_size, raw.named) == (str(path), len(LOG), True)
    assert raw.head(10) == LOG[:10]
    assert _content(raw) == LOG
    assert _content(raw) == LOG  # may be read again
    assert digest(raw) == (hashlib.sha256(LOG).hexdigest(), len(LOG))


@pytest.mark.parametrize("kind", PACKERS)
@pytest.mark.parametrize("suffix", ["", ".nmea"])
def test_packed_file_is_told_by_content(tmp_path: Path, kind: str, suffix: str) -> None:
    path = tmp_path / f"log{suffix}"
    path.write_bytes(PACKERS[kind](LOG))
    raw = _one(path)
    assert _content(raw) == LOG
    assert raw.stored_size == path.stat().st_size
    assert raw.findings == []


@pytest.mark.parametrize("kind", PACKERS)
def test_members_behind_one_another(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "log"
    path.write_bytes(PACKERS[kind](LOG) + PACKERS[kind](b"second"))
    assert _content(_one(path)) == LOG + b"second"


@pytest.mark.parametrize("kind", PACKERS)
def test_cut_off_archive_gives_what_came_before(tmp_path: Path, kind: str) -> None:
    noise = os.urandom(3_000_000)
    path = tmp_path / "log"
    packed = PACKERS[kind](noise)
    path.write_bytes(packed[: len(packed) * 2 // 3])
    raw = _one(path)
    content = _content(raw)
    assert noise.startswith(content)
    assert len(content) > len(noise) * 0.25
    assert [f.code for f in raw.findings] == ["damaged_archive"]
    assert "end early" in raw.findings[0].text


def test_damaged_gzip_costs_bytes_not_the_file(tmp_path: Path) -> None:
    noise = os.urandom(400_000)
    packed = bytearray(gzip.compress(noise, compresslevel=1))
    packed[-6] ^= 0xFF  # in the stored CRC: all bytes can be unpacked
    path = tmp_path / "log.gz"
    path.write_bytes(packed)
    raw = _one(path)
    assert _content(raw) == noise
    assert "damaged" in raw.findings[0].text


def test_zip_members_are_sources(tmp_path: Path) -> None:
    path = tmp_path / "drive.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("day/rover.nmea", LOG)
        archive.writestr("imu.csv.gz", gzip.compress(b"a,b\n1,2\n"))
        archive.writestr(".hidden", b"x")
        archive.writestr("__shadow/rover.nmea", b"x")
        archive.writestr("empty.csv", b"")
    raws, findings = open_sources([path])
    assert [r.name for r in raws] == [f"{path}/day/rover.nmea", f"{path}/imu.csv.gz"]
    assert [_content(r) for r in raws] == [LOG, b"a,b\n1,2\n"]
    assert raws[1].base_name == "imu.csv"
    assert [r.named for r in raws] == [False, False]
    assert ["empty" in f.text for f in findings] == [True]
    with raws[0].local_file() as local:
        assert local.read_bytes() == LOG


def test_bombs_are_refused_in_one_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    zeros = bytes(40 << 20)
    monkeypatch.setattr(unpack, "thresholds", lambda *_: {
        "unpack.largest_ratio": 300, "unpack.ratio_checked_from_mib": 4, "unpack.largest_size_gib": 64})
    for name, content in (
        ("b.gz", gzip.compress(zeros)),
        ("b.bz2", bz2.compress(zeros)),
        ("b.xz", lzma.compress(zeros)),
    ):
        path = tmp_path / name
        path.write_bytes(content)
        with pytest.raises(InputError, match=r"grows by more than 300 times while unpacking.*unpack it yourself"):
            for _ in _one(path).blocks():
                pass
    path = tmp_path / "b.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("b", zeros)
    with pytest.raises(InputError, match="grows by more than"):
        for _ in _one(path).blocks():
            pass


def test_size_limit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(unpack, "thresholds", lambda *_: {
        "unpack.largest_ratio": 300, "unpack.ratio_checked_from_mib": 64, "unpack.largest_size_gib": 1 / 1024})
    path = tmp_path / "log.gz"
    path.write_bytes(gzip.compress(os.urandom(2 << 20)))
    with pytest.raises(InputError, match="the limit for one file"):
        _content(_one(path))


def test_archives_inside_archives(tmp_path: Path) -> None:
    inner = io.BytesIO()
    with zipfile.ZipFile(inner, "w") as archive:
        archive.writestr("a", b"a")
    path = tmp_path / "outer.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("inner.zip", inner.getvalue())
    with pytest.raises(InputError, match=r"without a member that can be read.*an archive inside an archive"):
        open_sources([path])
    path = tmp_path / "twice.gz"
    path.write_bytes(gzip.compress(gzip.compress(LOG)))
    with pytest.raises(InputError, match="packed more than once"):
        open_sources([path])


def test_zip_without_its_directory(tmp_path: Path) -> None:
    path = tmp_path / "cut.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("a", LOG)
    path.write_bytes(path.read_bytes()[:-30])
    with pytest.raises(InputError, match="directory cannot be read"):
        open_sources([path])


def test_folder_leaves_out_hidden_files_and_results(tmp_path: Path) -> None:
    for name in (
        "b.nmea",
        "sub/a.csv",
        ".hidden.nmea",
        ".git/x",
        "result/summary.json",
        "result/epochs.parquet",
        "empty",
    ):
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(b"" if name == "empty" else b"1,2\n")
    raws, findings = open_sources([tmp_path])
    assert [Path(r.name).name for r in raws] == ["b.nmea", "a.csv"]
    assert not any(r.named for r in raws)
    assert sorted(Path(str(f.evidence["source"])).name for f in findings) == ["empty", "result"]


def test_folder_with_nothing_to_read(tmp_path: Path) -> None:
    (tmp_path / "empty.nmea").write_bytes(b"")
    with pytest.raises(InputError, match=r"holds no file that can be read.*empty\.nmea is empty \(0 bytes\)"):
        open_sources([tmp_path])


@pytest.mark.parametrize(("make", "words"), [
    (lambda p: None, "does not exist"),
    (lambda p: p.write_bytes(b""), r"is empty \(0 bytes\)"),
    (lambda p: p.write_bytes(gzip.compress(b"")), "holds no bytes after unpacking"),
    (lambda p: os.mkfifo(p), "neither a file nor a folder"),
])
def test_what_cannot_be_opened_is_one_sentence(tmp_path: Path, make: object, words: str) -> None:
    path = tmp_path / "log"
    make(path)  # type: ignore[operator]
    with pytest.raises(InputError, match=words) as caught:
        open_sources([path])
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.skipif(os.geteuid() == 0, reason="permissions do not bind the superuser")
def test_no_permission(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_bytes(LOG)
    path.chmod(0)
    with pytest.raises(InputError, match="check the permissions"):
        open_sources([path])


def test_no_permission_is_reported_whoever_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "log"
    path.write_bytes(LOG)

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(InputError, match=r"cannot be opened \(Permission denied\): check the permissions"):
        open_sources([path])


def test_a_path_named_twice_is_read_once(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_bytes(LOG)
    raws, findings = open_sources([path, path, tmp_path])
    assert len(raws) == 1
    assert [f.code for f in findings] == ["source_left_out", "source_left_out"]


@pytest.mark.parametrize("packed", [False, True])
def test_standard_input(packed: bool) -> None:
    raws, _ = open_sources(["-"], stdin=io.BytesIO(gzip.compress(LOG) if packed else LOG))
    assert raws[0].name == "standard input"
    assert raws[0].head(5) == LOG[:5]
    assert _content(raws[0]) == LOG
    with pytest.raises(InputError, match="standard input is empty"):
        open_sources(["-"], stdin=io.BytesIO(b""))


def test_nothing_named() -> None:
    with pytest.raises(InputError, match="no log was named"):
        open_sources([])


@settings(max_examples=60, deadline=None)
@given(st.lists(st.binary(max_size=50)), st.integers(1, 40))
def test_blocks_have_one_size(pieces: list[bytes], size: int) -> None:
    blocks = list(regroup(iter(pieces), size))
    assert b"".join(blocks) == b"".join(pieces)
    assert all(len(b) == size for b in blocks[:-1])
    assert all(0 < len(b) <= size for b in blocks)


@settings(max_examples=40, deadline=None)
@given(st.sampled_from(sorted(PACKERS)), st.binary(max_size=2000), st.binary(max_size=40), st.integers(0, 3000))
def test_any_damage_is_survived(tmp_path_factory: pytest.TempPathFactory, kind: str, content: bytes, noise: bytes,
                                at: int) -> None:
    packed = bytearray(PACKERS[kind](content))
    packed[at % (len(packed) - 10) + 10:at % (len(packed) - 10) + 10 + len(noise)] = noise
    path = tmp_path_factory.mktemp("d") / "log"
    path.write_bytes(packed)
    try:
        raws, _ = open_sources([path])
    except InputError as error:
        assert "\n" not in str(error)
    else:
        assert isinstance(_content(raws[0]), bytes)
