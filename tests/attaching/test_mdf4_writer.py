"""Measurement files keep every block; the quality group reads back by an independent reader."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analyzer.attaching import mdf4_writer
from analyzer.attaching.join import NAMES
from analyzer.attaching.mdf4_blocks import Walker
from analyzer.errors import InputError

asammdf = pytest.importorskip("asammdf", reason="the extra mdf4 is not installed")
pytestmark = pytest.mark.filterwarnings("ignore")


def rows(start: int, stop: int) -> pd.DataFrame:
    at = np.arange(start, stop)
    return pd.DataFrame({
        "fix_state": pd.Categorical.from_codes(at % 2, categories=["fixed", "not_evaluated"]),
        "correction_age_s": np.where(at % 3 == 0, np.nan, at / 10), "satellites_used": (at % 20).astype(np.float32),
        "horizontal_bound_m": (at / 100).astype(np.float32), "vertical_bound_m": np.full(len(at), np.nan, np.float32),
        "trust": pd.Categorical.from_codes(at % 4, categories=["trusted", "doubtful", "rejected", "not_evaluated"]),
        "dropout_id": pd.array([None if k % 5 else k for k in at.tolist()], dtype="Int32"),
        "window": pd.Categorical.from_codes(np.where(at % 3 == 1, -1, at % 2), categories=["M01 straight", "kerb & <bend>"]),
    })


@pytest.fixture
def made(tmp_path: Path) -> Path:
    """A file with two groups, conversions, a text channel, comments, an attachment, packed data."""
    path = tmp_path / "m.mf4"
    stamps = np.arange(500) / 100.0
    table = {f"val_{k}": float(k) for k in range(3)} | {f"text_{k}": f"gear {k}".encode() for k in range(3)}
    signals = [
        asammdf.Signal(np.arange(500, dtype=np.uint16), stamps, name="raw", unit="rpm", comment="engine",
                       conversion={"a": 0.25, "b": -40.0}),
        asammdf.Signal((np.arange(500) % 3).astype(np.uint8), stamps, name="gear", conversion=table),
        asammdf.Signal(np.linspace(0, 1, 500, dtype=np.float32), stamps, name="fix_state"),
        asammdf.Signal(np.array([f"t{k}".encode() for k in range(500)]), stamps, name="words", encoding="utf-8"),
    ]
    with asammdf.MDF(version="4.10") as file:
        file.append(signals, comment="fast group", common_timebase=True)
        file.append([asammdf.Signal(np.arange(50, dtype=np.int64), stamps[::10], name="slow")], comment="slow group")
        file.header.comment = "measured on the invented ground"
        file.attach(b"some notes", file_name="notes.txt", comment="a note")
        file.save(path, overwrite=True, compression=2)
    return path


def snapshot(path: Path, groups: int | None = None) -> list[tuple[object, ...]]:
    """Everything of the first groups of a file, samples raw."""
    out: list[tuple[object, ...]] = []
    with asammdf.MDF(path) as file:
        out.append((file.header.comment, file.header.start_time, [(a.comment, a.extract()) for a in file.attachments]))
        for g, group in enumerate(file.groups[:groups]):
            out.append((group.channel_group.acq_name, group.channel_group.comment, int(group.channel_group.cycles_nr)))
            for c, channel in enumerate(group.channels):
                signal = file.get(group=g, index=c, raw=True)
                conversion = None if signal.conversion is None else bytes(signal.conversion)
                out.append((channel.name, channel.unit, channel.comment, signal.samples.tobytes(), signal.samples.dtype.str,
                            np.asarray(signal.timestamps).tobytes(), conversion and conversion[24:]))
    return out


def attach(source: Path, tmp_path: Path, stamps: np.ndarray) -> tuple[Path, str]:
    target = tmp_path / "out.mf4"
    digest = mdf4_writer.write(source, target, rows, stamps_s=stamps, names=[f"quality_{n}" for n in NAMES],
                               comment=lambda cells: f"postdrive.attach_id=x postdrive.cells_sha256={cells}")
    return target, digest


def strip(items: list[tuple[object, ...]]) -> list[tuple[object, ...]]:
    """Leave out conversions' links, which are places in the file."""
    return [i[:6] if len(i) == 7 else i for i in items]


def test_the_original_is_equal_bit_for_bit(made: Path, tmp_path: Path) -> None:
    target, _ = attach(made, tmp_path, np.arange(500) / 100.0)
    assert strip(snapshot(target, 2)) == strip(snapshot(made))
    with asammdf.MDF(target) as after, asammdf.MDF(made) as before:
        for name in ("raw", "gear", "words"):
            assert (after.get(name).samples == before.get(name).samples).all()
    old, new = made.read_bytes(), target.read_bytes()
    different = [k for k in range(len(old)) if old[k] != new[k]]
    # only the links to the next data group and to the next entry of the history
    assert len({k // 8 for k in different}) <= 2


def test_quality_reads_back(made: Path, tmp_path: Path) -> None:
    stamps = np.arange(500) / 100.0 + 0.001
    target, digest = attach(made, tmp_path, stamps)
    expected = rows(0, 500)
    with asammdf.MDF(target) as file:
        group = len(file.groups) - 1
        assert file.groups[group].channel_group.acq_name == "position quality"
        assert digest in file.groups[group].channel_group.comment
        state = file.get("quality_fix_state", group=group)
        assert [s.decode() for s in state.samples.tolist()] == list(expected["fix_state"])
        assert np.asarray(state.timestamps).tobytes() == stamps.tobytes()
        window = file.get("quality_window", group=group)
        assert [s.decode() for s in window.samples.tolist()] == ["" if pd.isna(w) else w for w in expected["window"]]
        bound = file.get("quality_horizontal_bound_m", group=group)
        assert bound.unit == "m"
        assert "95 %" in bound.comment
        assert bound.samples.tobytes() == expected["horizontal_bound_m"].to_numpy().tobytes()
        np.testing.assert_array_equal(file.get("quality_correction_age_s", group=group).samples, expected["correction_age_s"])
        assert file.get("quality_dropout_id", group=group).samples.tolist() == [0 if k % 5 else k for k in range(500)]
        assert np.isnan(file.get("quality_vertical_bound_m", group=group).samples).all()


def test_it_can_be_saved_again_and_its_cells_stay_the_same(made: Path, tmp_path: Path) -> None:
    target, digest = attach(made, tmp_path, np.arange(500) / 100.0)
    assert mdf4_writer.cells_digest(target) == digest
    with asammdf.MDF(target) as file:
        again = file.save(tmp_path / "again.mf4", compression=0)
    assert strip(snapshot(Path(again), 2))[1:] == strip(snapshot(made))[1:]


def test_a_changed_record_changes_the_digest(made: Path, tmp_path: Path) -> None:
    target, digest = attach(made, tmp_path, np.arange(500) / 100.0)
    data = bytearray(target.read_bytes())
    at = data.rindex(b"##DT") + 24 + 200
    data[at] ^= 1
    target.write_bytes(bytes(data))
    assert mdf4_writer.cells_digest(target) != digest


def test_unfinalised_and_broken_files_are_one_sentence(made: Path, tmp_path: Path) -> None:
    data = made.read_bytes()
    broken = tmp_path / "b.mf4"
    broken.write_bytes(b"UnFinMF " + data[8:])
    with pytest.raises(InputError, match="finalise"):
        attach(broken, tmp_path, np.arange(5.0))
    broken.write_bytes(data[:88] + struct.pack("<q", len(data) + 8) + data[96:])
    with pytest.raises(InputError, match="damaged"):
        attach(broken, tmp_path, np.arange(5.0))
    with broken.open("rb") as file, pytest.raises(InputError, match="damaged"):
        list(Walker(file, "b").data())


@pytest.mark.parametrize("name", ["journey_part2.mf4", "journey_part3.mf4"])
def test_a_real_bus_recording_stays_equal(shared_data: Path, tmp_path: Path, name: str) -> None:
    """Raw bus frames of a real journey: CSS-Electronics/api-examples @f7932ba, MIT (SOURCES.md)."""
    source = shared_data / "measurement" / name
    target, digest = attach(source, tmp_path, np.arange(100) / 10.0)
    with asammdf.MDF(source) as before, asammdf.MDF(target) as after:
        assert len(after.groups) == len(before.groups) + 1
        for g in range(len(before.groups)):
            for c in range(len(before.groups[g].channels)):
                old, new = before.get(group=g, index=c, raw=True), after.get(group=g, index=c, raw=True)
                assert old.samples.tobytes() == new.samples.tobytes()
                assert np.asarray(old.timestamps).tobytes() == np.asarray(new.timestamps).tobytes()
        assert after.header.comment == before.header.comment
    assert mdf4_writer.cells_digest(target) == digest
