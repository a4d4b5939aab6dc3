"""Attaching from a result to measurements of every format, through the function and the command line."""

from __future__ import annotations

import json
import shutil
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from analyzer.assessment import Assessment
from analyzer.attaching.attach import attach
from analyzer.attaching.checking import check_attached
from analyzer.attaching.join import NAMES
from analyzer.cli import main
from analyzer.demo import make_drive
from analyzer.errors import InputError, OutputError, RefusedError, UsageError
from analyzer.judging import assess
from analyzer.parsers.column_map import ColumnMap, load_column_map, parse_column_map
from analyzer.parsers.reading import read
from analyzer.results.write import write_results

pytestmark = pytest.mark.usefixtures("no_pictures")


@dataclass(frozen=True)
class Stand:
    """A judged drive with its measurement in three formats."""

    drive: Path
    result: Path
    assessment: Assessment

    def map(self, kind: str) -> ColumnMap:
        return load_column_map(self.drive / f"measurement_{kind}_columns.toml")


@pytest.fixture(scope="module")
def stand(tmp_path_factory: pytest.TempPathFactory) -> Stand:
    folder = tmp_path_factory.mktemp("stand")
    drive = make_drive(folder / "drive", seed=3, duration_s=240.0, rate_hz=10.0, start_rest_s=30.0, measurement_rate_hz=50.0,
                       faults=("radio_loss",), outputs=("measurement_csv", "measurement_parquet", "measurement_mf4"))
    assessment = assess(read(drive / "rover.nmea"))
    write_results(assessment, folder / "result")
    return Stand(drive, folder / "result", assessment)


def shifted(stand: Stand, tmp_path: Path, offset_s: float, name: str = "measurement.parquet") -> Path:
    """The measurement with its clock moved."""
    table = pd.read_parquet(stand.drive / "measurement.parquet")
    table["time_utc"] = (table["time_utc"] + pd.Timedelta(seconds=offset_s)).astype("datetime64[us, UTC]")
    path = tmp_path / name
    table.to_parquet(path, index=False)
    return path


@pytest.mark.parametrize("kind", ["csv", "parquet", "mf4"])
def test_every_format_is_joined_and_checked(stand: Stand, tmp_path: Path, kind: str) -> None:
    if kind == "mf4":
        pytest.importorskip("asammdf", reason="the extra mdf4 is not installed")
    source, target = stand.drive / f"measurement.{kind}", tmp_path / f"out.{kind}"
    before = source.read_bytes()
    said: list[str] = []
    made = attach(stand.result, source, out=target, maps=[stand.map(kind)], say=said.append)
    assert source.read_bytes() == before
    assert made.rows["rows"] == 12000
    assert made.rows["evaluated"] > 11900
    assert made.offset.offset_s == pytest.approx(0.0, abs=0.006)
    assert any("the clocks agree: speed appears" in s for s in said)
    side = json.loads((tmp_path / f"out.{kind}.quality.json").read_text())
    assert {"time_offset_s", "time_offset_interval_s", "drift_ppm", "attach_id"} <= set(side)
    assert side["verdict"]["level"] == stand.assessment.verdict.level
    assert side["sources"][0]["sha256"] == stand.assessment.recording.sources[0].sha256
    assert check_attached(target).belongs
    data = bytearray(target.read_bytes())
    place = len(data) // 2
    data[place] ^= 0x10
    target.write_bytes(bytes(data))
    try:
        belongs = check_attached(target).belongs
    except InputError:
        belongs = False
    assert not belongs


def test_a_swapped_sidecar_is_seen(stand: Stand, tmp_path: Path) -> None:
    for name in ("a", "b"):
        attach(stand.result, stand.drive / "measurement.parquet", out=tmp_path / f"{name}.parquet", maps=[stand.map("parquet")])
    shutil.copy(tmp_path / "a.parquet.quality.json", tmp_path / "b.parquet.quality.json")
    found = check_attached(tmp_path / "b.parquet")
    assert not found.belongs
    assert any("do not name" in s for s in found.sentences)
    assert main(["attach", "--check", str(tmp_path / "b.parquet")]) == 6
    assert main(["attach", "--check", str(tmp_path / "a.parquet")]) == 0


def test_quality_follows_the_epochs(stand: Stand, tmp_path: Path) -> None:
    attach(stand.result, stand.drive / "measurement.parquet", out=tmp_path / "o.parquet", maps=[stand.map("parquet")], offset=0.0)
    joined = pq.ParquetFile(tmp_path / "o.parquet").read().to_pandas()
    epochs = stand.assessment.epochs
    at = epochs.index.searchsorted(joined["time_utc"], side="right") - 1
    assert (at >= 0).sum() > 11900
    near = epochs.iloc[np.maximum(at, 0)]
    fresh = (at >= 0) & ((joined["time_utc"].to_numpy() - near.index.to_numpy()) < np.timedelta64(100, "ms"))
    assert fresh.sum() > 11800
    trust = near["trust"].astype(str).to_numpy().copy()
    trust[(trust == "trusted") & (joined["horizontal_bound_m"].to_numpy() * 1.52 > 0.10)] = "doubtful"
    for name, expected in (("fix_state", near["fix_state"].astype(str).to_numpy()), ("trust", trust)):
        assert (joined[name].astype(str).to_numpy()[fresh] == expected[fresh]).all()
    beside = epochs["horizontal_bound_m"].to_numpy()[np.minimum(np.maximum(at, 0) + 1, len(epochs) - 1)]
    with np.errstate(invalid="ignore"):
        inside = joined["horizontal_bound_m"] >= np.minimum(near["horizontal_bound_m"].to_numpy(), beside) - 1e-6
    assert inside[fresh & joined["horizontal_bound_m"].notna()].all()


def test_no_row_is_trusted_whose_own_bound_exceeds_the_limit(stand: Stand) -> None:
    """A clock known to 3 ms costs 5 cm at 15 m/s; the epochs are trusted, the rows at speed are not."""
    tight = replace(stand.assessment, epochs=stand.assessment.epochs.assign(trust="trusted", horizontal_bound_m=0.065))
    made = attach(tight, _named(stand))
    assert made.frame is not None
    own = made.frame["horizontal_bound_m"].to_numpy(np.float64) * 1.52
    trust = made.frame["trust"].astype(str).to_numpy()
    assert made.rows["beyond_limit_by_clock"] == (own > 0.10).sum() > 100
    assert (trust[own > 0.10] == "doubtful").all() and (trust[own <= 0.10] == "trusted").sum() > 100


@pytest.mark.parametrize(("offset_s", "words"), [
    (18.0, "GPS time for UTC"), (3600.0, "time zone of +1 h"), (0.5, "lies within -20 to +120 ms"), (-0.2, "lies within"),
    (2.0, "whole number of seconds"),
])
def test_clocks_that_disagree_are_refused(stand: Stand, tmp_path: Path, offset_s: float, words: str) -> None:
    path = shifted(stand, tmp_path, offset_s)
    with pytest.raises(RefusedError, match=words.replace("+", r"\+")) as caught:
        attach(stand.result, path, out=tmp_path / "o.parquet", maps=[stand.map("parquet")])
    assert caught.value.exit_code == 6
    assert not list(tmp_path.glob("*o.parquet*"))
    made = attach(stand.result, path, out=tmp_path / "o.parquet", maps=[stand.map("parquet")], offset="auto")
    assert made.sidecar["time_offset_s"] == pytest.approx(offset_s, abs=0.006)
    assert made.sidecar["time_offset"]["applied"]["how"] == "estimated_on_request"
    assert made.rows["evaluated"] > 11900


@pytest.mark.parametrize(("offset_s", "off"), [(0.0, False), (0.008, False), (0.04, True), (0.1, True)])
def test_a_clock_that_is_off_by_less_than_is_refused_is_not_said_to_agree(stand: Stand, tmp_path: Path, offset_s: float, off: bool) -> None:
    said: list[str] = []
    made = attach(stand.result, shifted(stand, tmp_path, offset_s), out=tmp_path / "o.parquet", maps=[stand.map("parquet")], say=said.append)
    words = next(s for s in said if "the clocks" in s)
    assert ("the clocks do not agree: the acquisition clock stamps" in words) == off and ("the clocks agree" in words) == (not off)
    assert made.sidecar["time_offset"]["clock_off"] == off
    assert made.sidecar["time_offset_s"] == pytest.approx(offset_s, abs=0.006)
    if off:
        number = float(words.split("stamps ")[1].split(" ms late")[0])
        assert number == pytest.approx(1e3 * offset_s, abs=6.0)
        assert "taken out" in words and "--offset 0 leaves it in" in words


def test_a_row_without_quality_is_told_by_why_it_has_none(stand: Stand, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    table = pd.read_parquet(stand.drive / "measurement.parquet")
    ask = ["attach", str(stand.result), str(tmp_path / "measurement.parquet"), "--out", str(tmp_path / "o.parquet"), "--overwrite", "--offset", "0",
           "--columns", str(stand.drive / "measurement_parquet_columns.toml")]
    table.iloc[100:-100].to_parquet(tmp_path / "measurement.parquet", index=False)
    assert main(ask) == 0
    assert "11800 of 11800 rows have a quality\n" in capsys.readouterr().err
    late = table["time_utc"].where(table.index < 6000, table["time_utc"] + pd.Timedelta(seconds=300))
    table.assign(time_utc=late).iloc[100:].to_parquet(tmp_path / "measurement.parquet", index=False)
    assert main(ask) == 0
    said = capsys.readouterr().err
    assert "5900 of 11900 rows have a quality; of the others 6000 lie outside the recording\n" in said


def _named(stand: Stand) -> pd.DataFrame:
    """The measurement as a table in memory, by our own names; scales do not matter to the clocks."""
    return pd.read_parquet(stand.drive / "measurement.parquet").rename(
        columns={"wheel_speed": "speed_mps", "acceleration_x": "acceleration_x_mps2", "yaw_rate": "yaw_rate_radps"})


def test_epochs_that_were_not_judged_are_no_gap(stand: Stand) -> None:
    epochs = stand.assessment.epochs.assign(fix_state=pd.NA, trust="not_evaluated")
    table = _named(stand).iloc[100:-100]
    made = attach(replace(stand.assessment, epochs=epochs), table, offset=0.0)
    assert made.rows["evaluated"] == 0 and made.rows["not_judged"] == made.rows["rows"] == 11800


def test_a_speed_that_cannot_be_used_is_named(stand: Stand) -> None:
    table = _named(stand)
    said: list[str] = []
    attach(stand.assessment, table.assign(speed_mps=-table["speed_mps"]), say=said.append)
    assert any("speed tells nothing about the clocks, longitudinal acceleration is used in its place" in s and "wrong sign" in s for s in said)


def test_a_stated_offset_is_recorded_as_such(stand: Stand, tmp_path: Path) -> None:
    said: list[str] = []
    made = attach(stand.result, shifted(stand, tmp_path, 18.0), out=tmp_path / "o.parquet", maps=[stand.map("parquet")], offset=17.0,
                  say=said.append)
    assert made.sidecar["time_offset"]["applied"]["how"] == "stated"
    assert made.sidecar["time_offset_s"] == 17.0
    assert made.sidecar["time_offset_interval_s"] is None
    assert any("although" in s for s in said)
    plain = made.sidecar["time_offset"]["estimate_s"]
    assert plain == pytest.approx(18.0, abs=0.006)


def test_constant_speed_is_refused_and_can_be_overridden(stand: Stand) -> None:
    epochs = stand.assessment.epochs
    times = pd.date_range(epochs.index[0], epochs.index[-1], freq="20ms")
    frame = pd.DataFrame({"speed_mps": np.full(len(times), 25.0)}, index=times)
    with pytest.raises(RefusedError, match="cannot be shown"):
        attach(stand.assessment, frame)
    with pytest.raises(RefusedError, match="cannot be shown"):
        attach(stand.assessment, frame, offset="auto")
    assert attach(stand.assessment, frame, offset=0.0).frame is not None


def test_a_table_in_memory_keeps_rows_and_order(stand: Stand) -> None:
    table = pd.read_parquet(stand.drive / "measurement.parquet")
    table["speed_mps"] = table["wheel_speed"] / 3.6
    table["trust"] = "mine"
    shuffled = table.sample(frac=1.0, random_state=4)
    made = attach(stand.assessment, shuffled)
    assert made.frame is not None
    pd.testing.assert_frame_equal(made.frame[table.columns], shuffled)
    assert [c for c in made.frame if str(c).startswith("quality_")] == [f"quality_{n}" for n in NAMES]
    named = attach(stand.assessment, table.drop(columns=["speed_mps"]), speed="wheel_speed", yaw_rate="yaw_rate")
    assert named.frame is not None
    ordered = made.frame.loc[table.index, "quality_fix_state"].astype(str)
    assert (named.frame["quality_fix_state"].astype(str) == ordered).mean() > 0.999


def test_a_clock_that_is_no_utc_is_placed_by_search(stand: Stand, tmp_path: Path) -> None:
    table = pd.read_parquet(stand.drive / "measurement.parquet")
    seconds = (table["time_utc"] - table["time_utc"].iloc[0]).dt.total_seconds()
    part = pd.DataFrame({"since_start": seconds + 1000.0, "wheel_speed": table["wheel_speed"].astype(float)})[2500:9000]
    path = tmp_path / "lap.csv"
    part.to_csv(path, index=False)
    used = parse_column_map('files = ["lap.csv"]\ntable = "measurement"\n[time]\ncolumn = "since_start"\nscale = "relative"\n'
                            '[columns.speed_mps]\ncolumn = "wheel_speed"\nunit = "km/h"\n')
    made = attach(stand.result, path, out=tmp_path / "o.csv", maps=[used])
    assert made.sidecar["time_offset"]["applied"]["how"] == "found_by_search"
    # the first row of the table was recorded 7.4 ms after the first epoch: 0.37 samples at 50 Hz
    first = (table["time_utc"].iloc[0] - stand.assessment.epochs.index[0]).total_seconds()
    assert made.sidecar["time_offset_s"] == pytest.approx(1000.0 - first, abs=0.008)
    assert made.rows["evaluated"] == made.rows["rows"] == 6500


def test_no_map_is_needed_where_names_and_units_are_clear(stand: Stand, tmp_path: Path) -> None:
    made = attach(stand.result, stand.drive / "measurement.parquet", out=tmp_path / "o.parquet")
    assert made.rows["evaluated"] > 11900


def test_several_files_and_several_results(stand: Stand, tmp_path: Path) -> None:
    epochs = stand.assessment.epochs
    middle = epochs.index[len(epochs) // 2]
    table = pd.read_parquet(stand.drive / "measurement.parquet")
    for name, part in (("one", table[table["time_utc"] < middle]), ("two", table[table["time_utc"] >= middle])):
        part.to_parquet(tmp_path / f"measurement_{name}.parquet", index=False)
        made = attach(stand.result, tmp_path / f"measurement_{name}.parquet", out=tmp_path / f"o_{name}.parquet", maps=[stand.map("parquet")],
                      offset=0.0)
        assert made.rows["evaluated"] > 0.98 * made.rows["rows"]
    lines = (stand.drive / "rover.nmea").read_text().splitlines(keepends=True)
    cut = next(k for k in range(len(lines) // 2, len(lines)) if lines[k].startswith("$GNGGA") or "GGA," in lines[k][:8])
    folders = []
    for name, part_lines in (("first", lines[:cut]), ("second", lines[cut:])):
        (tmp_path / f"{name}.nmea").write_text("".join(part_lines))
        write_results(assess(read(tmp_path / f"{name}.nmea")), tmp_path / f"result_{name}")
        folders.append(tmp_path / f"result_{name}")
    made = attach(folders[::-1], stand.drive / "measurement.parquet", out=tmp_path / "both.parquet", maps=[stand.map("parquet")])
    assert made.rows["evaluated"] > 11900
    assert [r["run"] for r in made.sidecar["results"]] == ["first", "second"]
    with pytest.raises(UsageError, match="cover the same time"):
        attach([folders[0], folders[0]], stand.drive / "measurement.parquet", out=tmp_path / "x.parquet")


def test_outputs_are_never_overwritten_unasked(stand: Stand, tmp_path: Path) -> None:
    target = tmp_path / "o.parquet"
    source = stand.drive / "measurement.parquet"
    target.write_bytes(b"precious")
    with pytest.raises(OutputError, match="exists already"):
        attach(stand.result, source, out=target, maps=[stand.map("parquet")])
    assert target.read_bytes() == b"precious"
    attach(stand.result, source, out=target, maps=[stand.map("parquet")], overwrite=True)
    assert check_attached(target).belongs
    with pytest.raises(OutputError, match="measurement itself"):
        attach(stand.result, target, out=target, overwrite=True)
    with pytest.raises(UsageError, match="--out"):
        attach(stand.result, source)
    with pytest.raises(OutputError, match="no folder"):
        attach(stand.result, source, out=tmp_path / "nowhere" / "o.parquet")


def test_attaching_twice_takes_other_names_once(stand: Stand, tmp_path: Path) -> None:
    first, second = tmp_path / "1.parquet", tmp_path / "2.parquet"
    used = parse_column_map((stand.drive / "measurement_parquet_columns.toml").read_text().replace("measurement*.parquet", "*"))
    attach(stand.result, stand.drive / "measurement.parquet", out=first, maps=[used])
    attach(stand.result, first, out=second, maps=[used])
    assert {f"quality_{n}" for n in NAMES} <= set(pq.ParquetFile(second).schema_arrow.names)
    with pytest.raises(UsageError, match="already"):
        attach(stand.result, second, out=tmp_path / "3.parquet", maps=[used])


def test_packed_text_is_written_packed(stand: Stand, tmp_path: Path) -> None:
    import gzip

    source = tmp_path / "measurement.csv.gz"
    source.write_bytes(gzip.compress((stand.drive / "measurement.csv").read_bytes()))
    attach(stand.result, source, out=tmp_path / "o.csv.gz", maps=[stand.map("csv")])
    with gzip.open(tmp_path / "o.csv.gz", "rt") as file:
        assert file.readline().startswith("time_unix_s,wheel_speed")
    assert check_attached(tmp_path / "o.csv.gz").belongs


@pytest.mark.parametrize(("argv", "code"), [
    (["--speed", "no_such_column"], 2), (["--offset", "soon"], 2), (["--tolerance", "-1"], 2),
])
def test_wrong_usage_is_one_sentence(stand: Stand, tmp_path: Path, capsys: pytest.CaptureFixture[str], argv: list[str], code: int) -> None:
    columns = str(stand.drive / "measurement_parquet_columns.toml")
    assert main(["attach", str(stand.result), str(stand.drive / "measurement.parquet"), "--columns", columns, "--out",
                 str(tmp_path / "o.parquet"), *argv]) == code
    assert len(capsys.readouterr().err.strip().splitlines()) == 1
    assert not list(tmp_path.iterdir())


def test_command_line(stand: Stand, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    columns = str(stand.drive / "measurement_csv_columns.toml")
    base = ["attach", str(stand.result), str(stand.drive / "measurement.csv"), "--columns", columns, "--out"]
    assert main([*base, str(tmp_path / "o.csv")]) == 0
    seen = capsys.readouterr()
    assert seen.out == ""
    assert "the clocks agree" in seen.err
    assert main([*base, str(tmp_path / "o.csv")]) == 5
    assert main(["attach", str(tmp_path), str(stand.drive / "measurement.csv"), "--out", str(tmp_path / "p.csv")]) == 3
    assert "summary.json" in capsys.readouterr().err
    assert main(["attach", str(stand.result)]) == 2
    assert main(["attach", "--check", str(tmp_path / "nothing.csv")]) == 3


def test_interrupted_writing_leaves_nothing(stand: Stand, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from analyzer.attaching import parquet_writer

    def fail(*_args: object, **_kwargs: object) -> str:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(parquet_writer, "write", fail)
    with pytest.raises(OutputError, match="No space left"):
        attach(stand.result, stand.drive / "measurement.parquet", out=tmp_path / "o.parquet", maps=[stand.map("parquet")])
    assert not list(tmp_path.iterdir())
