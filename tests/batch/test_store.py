"""The folder of results: parts by date, what counts as finished, what is swept away, one batch at a time."""

from __future__ import annotations

import csv
import json
import os
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer import tables
from analyzer.batch.find import Drive
from analyzer.batch.store import FailedDrive, Store
from analyzer.batch.task import Assessed
from analyzer.drive_files import DriveFiles
from analyzer.errors import OutputError
from analyzer.results.dataset import expanded, is_dataset, row_of, run_folders, write_index, write_parts
from analyzer.results.epochs_file import write_epochs


def epochs(start: str, count: int, every_s: float = 1.0) -> pd.DataFrame:
    index = (pd.Timestamp(start) + pd.to_timedelta(np.arange(count) * every_s, unit="s")).as_unit("us")
    return tables.EPOCHS.conform(pd.DataFrame({
        "latitude_deg": np.linspace(47, 48, count), "reasons": pd.Categorical(["a,b", ""] * (count // 2) + ["a"] * (count % 2)),
        "fix_state": pd.Categorical(["fixed"] * count),
    }, index=index))


def row(run: str, **more: Any) -> dict[str, Any]:
    return {"run": run, "place": f"/drives/{run}", "fingerprint": f"f-{run}", "dates": ["2026-04-14"], "verdict": "fit",
            "start_utc": "2026-04-14T08:00:00Z", "end_utc": "2026-04-14T09:00:00Z", **more}


def assessed(store: Store, run: str, *, start: str = "2026-04-14T08:00:00Z", count: int = 10, **more: Any) -> Assessed:
    """Write what a worker would leave."""
    built = store.building / f"{run}.x"
    (built / "result").mkdir(parents=True)
    write_epochs(epochs(start, count), built / "result" / "epochs.parquet")
    dates = tuple(write_parts(built / "result" / "epochs.parquet", built / "parts"))
    made = row(run, dates=list(dates), start_utc=start, **more)
    (built / "result" / "summary.json").write_text("{}")
    (built / "result" / "batch.json").write_text(json.dumps(made))
    return Assessed(made, dates, str(built))


def everything(folder: Path) -> set[str]:
    return {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()} - {".lock"}


def drive(name: str, place: str) -> Drive:
    return Drive(name, place, DriveFiles(logs=()))


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2 * 86400), st.integers(1, 400), st.sampled_from([0.1, 1.0, 600.0]))
def test_every_epoch_is_in_the_part_of_its_date_and_nowhere_else(tmp_path_factory: pytest.TempPathFactory, second: int, count: int, every_s: float) -> None:
    place = tmp_path_factory.mktemp("parts")
    start = (pd.Timestamp("2026-04-14T00:00:00Z") + pd.Timedelta(seconds=second)).isoformat()
    table = epochs(start, count, every_s)
    write_epochs(table, place / "epochs.parquet")
    dates = write_parts(place / "epochs.parquet", place / "parts")
    assert dates == sorted({f"{t:%Y-%m-%d}" for t in table.index})
    parts = [pq.read_table(place / "parts" / f"{d}.parquet") for d in dates]
    for date, part in zip(dates, parts, strict=True):
        assert {f"{t:%Y-%m-%d}" for t in part.column("time_utc").to_pandas()} == {date}
    whole = pq.read_table(place / "epochs.parquet")
    assert pa.concat_tables(parts).cast(whole.schema).equals(whole)
    assert parts[0].schema.field("latitude_deg").metadata == whole.schema.field("latitude_deg").metadata


def test_epochs_of_one_day_are_stored_once(tmp_path: Path) -> None:
    with Store(tmp_path / "r") as store:
        store.take_in(assessed(store, "a"))
    part, own = tmp_path / "r/epochs/date=2026-04-14/run=a/part.parquet", tmp_path / "r/runs/a/epochs.parquet"
    assert part.samefile(own)


def test_a_medium_without_links_gets_a_copy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_args: object) -> None:
        raise PermissionError("no links here")

    monkeypatch.setattr(os, "link", refuse)
    with Store(tmp_path / "r") as store:
        store.take_in(assessed(store, "a"))
    part, own = tmp_path / "r/epochs/date=2026-04-14/run=a/part.parquet", tmp_path / "r/runs/a/epochs.parquet"
    assert not part.samefile(own) and part.read_bytes() == own.read_bytes()


def test_what_is_taken_in_is_there_next_time(tmp_path: Path) -> None:
    with Store(tmp_path / "r") as store:
        store.take_in(assessed(store, "a"))
        store.take_in(assessed(store, "b", start="2026-04-14T23:59:57Z"))
    files = {"runs.parquet", *(f"runs/{r}/{f}" for r in "ab" for f in ("epochs.parquet", "summary.json", "batch.json")),
             "epochs/date=2026-04-14/run=a/part.parquet", "epochs/date=2026-04-14/run=b/part.parquet",
             "epochs/date=2026-04-15/run=b/part.parquet"}
    assert everything(tmp_path / "r") == files
    assert not (tmp_path / "r/.building").exists()
    with Store(tmp_path / "r") as again:
        assert {k: r["run"] for k, r in again.finished().items()} == {"f-a": "a", "f-b": "b"}
    assert everything(tmp_path / "r") == files
    assert pq.read_table(tmp_path / "r/runs.parquet").column("run").to_pylist() == ["a", "b"]


def test_an_older_result_is_replaced_with_its_parts(tmp_path: Path) -> None:
    with Store(tmp_path / "r") as store:
        store.take_in(assessed(store, "a", start="2026-04-14T23:59:57Z"))
        store.take_in(assessed(store, "a", start="2026-04-16T08:00:00Z", fingerprint="new"))
        assert set(store.finished()) == {"new"}
    assert {f for f in everything(tmp_path / "r") if f.startswith("epochs")} == {"epochs/date=2026-04-16/run=a/part.parquet"}
    assert [p.name for p in (tmp_path / "r/epochs").iterdir()] == ["date=2026-04-16"]


@pytest.mark.parametrize("loss", [
    "runs/a/batch.json", "epochs/date=2026-04-15/run=a/part.parquet", "damage", "orphan",
])
def test_what_was_interrupted_does_not_count_and_is_swept_away(tmp_path: Path, loss: str) -> None:
    place = tmp_path / "r"
    with Store(place) as store:
        store.take_in(assessed(store, "a", start="2026-04-14T23:59:57Z"))
        store.take_in(assessed(store, "b"))
    kept = {f for f in everything(place) if "/b/" in f or "run=b" in f} | {"runs.parquet"}
    (place / ".building/c.x/result").mkdir(parents=True)
    if loss == "damage":
        (place / "runs/a/batch.json").write_text("{")
    elif loss == "orphan":
        (place / "runs/a").rename(tmp_path / "away")
    else:
        (place / loss).unlink()
    with Store(place) as store:
        assert set(store.rows) == {"b"}
        assert not list(store.building.iterdir())
    assert everything(place) == kept


def test_only_one_batch_works_in_a_folder(tmp_path: Path) -> None:
    with Store(tmp_path / "r"), pytest.raises(OutputError, match="another batch is writing there"), Store(tmp_path / "r"):
        pass
    with Store(tmp_path / "r"):
        pass


def test_a_folder_of_something_else_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine/letter.txt").write_text("keep")
    with pytest.raises(OutputError, match=r"holds other files and no runs\.parquet"), Store(tmp_path / "mine"):
        pass
    with pytest.raises(OutputError, match="a file of that name"), Store(tmp_path / "mine/letter.txt"):
        pass
    assert [p.name for p in (tmp_path / "mine").iterdir()] == ["letter.txt"]
    (tmp_path / "empty").mkdir()
    with Store(tmp_path / "empty"):
        pass


def test_a_result_that_does_not_reach_this_machine_is_said(tmp_path: Path) -> None:
    with Store(tmp_path / "r") as store, pytest.raises(OutputError, match="all workers see under the same path"):
        store.take_in(Assessed(row("a"), ("2026-04-14",), "/nowhere/a.x"))


def test_a_drive_keeps_its_id_and_others_of_the_name_get_their_own(tmp_path: Path) -> None:
    with Store(tmp_path / "r") as store:
        store.take_in(assessed(store, "run01", place="/day1/run01"))
        ids = store.new_ids([drive("run01", "/day2/run01"), drive("run01", "/day1/run01"), drive("other", "/x"), drive("Other", "/y")])
    assert ids[1] == "run01" and ids[0].startswith("run01-") and len(ids[0]) == 14
    assert ids[2] == "other" and ids[3].startswith("Other-") and len(set(ids)) == 4


def test_failed_drives_are_listed_and_the_list_goes_with_them(tmp_path: Path) -> None:
    with Store(tmp_path / "r") as store:
        store.write_failed([FailedDrive("a", "/a", 2, 4, 'its worker went away, "twice"', "")])
        with (tmp_path / "r/failed.csv").open(newline="") as file:
            assert next(iter(csv.DictReader(file)))["sentence"] == 'its worker went away, "twice"'
        store.write_failed([])
    assert not (tmp_path / "r/failed.csv").exists()


def test_the_index_has_every_metric_that_any_run_has(tmp_path: Path) -> None:
    rows = [row("b", age_p95_s=1.5, station_ids="17", sources=["x"], start_utc="2026-04-15T08:00:00Z", date="2026-04-15"),
            row("a", age_p95_s=None, rate_hz=10.0, date="2026-04-14", share_trusted=None)]
    write_index(rows, tmp_path / "runs.parquet")
    table = pq.read_table(tmp_path / "runs.parquet")
    assert table.column_names[: len(tables.RUNS.names)] == list(tables.RUNS.names)
    assert table.column("run").to_pylist() == ["a", "b"] and table.column("age_p95_s").to_pylist() == [None, 1.5]
    assert table.column("station_ids").to_pylist() == [None, "17"] and table.schema.field("rate_hz").type == pa.float64()
    assert str(table.schema.field("date").type) == "date32[day]" and table.schema.field("duration_s").metadata[b"unit"] == b"s"
    write_index([], tmp_path / "runs.parquet")
    assert pq.read_table(tmp_path / "runs.parquet").num_rows == 0
    assert [p.name for p in tmp_path.iterdir()] == ["runs.parquet"]


def test_a_dataset_stands_for_its_runs(tmp_path: Path) -> None:
    with Store(tmp_path / "r") as store:
        for run in ("b", "a"):
            store.take_in(assessed(store, run))
    folders = [tmp_path / "r/runs/a", tmp_path / "r/runs/b"]
    assert is_dataset(tmp_path / "r") and run_folders(tmp_path / "r") == folders
    assert expanded([tmp_path / "r", "else", 7]) == [*folders, "else", 7]


def test_what_is_damaged_or_was_not_read_stands_in_the_row() -> None:
    said = [("damaged_archive", "a.gz: the gzip data end early."), ("position_jumps", "Two jumps."), ("source_left_out", "b is empty.")]
    summary = {
        "run": "r", "start_utc": "2026-04-14T08:00:00Z", "end_utc": "2026-04-14T08:01:00Z", "epochs": 60, "dropouts": [], "windows": [],
        "sources": [], "metrics": [], "versions": {"postdrive": "0"},
        "verdict": {"level": "fit", "purpose": {"title": "t", "sha256": "0"}, "sentences": ["s"], "rules_version": "1", "share_trusted": 1.0,
                    "findings": [{"code": code, "level": "warning", "text": text} for code, text in said]},
    }
    assert row_of(summary)["damage"] == "a.gz: the gzip data end early; b is empty"
    summary["verdict"]["findings"] = []  # type: ignore[index]
    assert row_of(summary)["damage"] is None
