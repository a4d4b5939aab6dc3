"""A batch from folders to a dataset: the same as `assess`, resumed, with bad drives, and asked by other engines."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pyarrow.compute as pc
import pyarrow.dataset as ds
import pyarrow.parquet as pq
import pytest
from batch_places import InProcess, log_text, small_drive

import analyzer
from analyzer import whole_drive
from analyzer.batch.find import Defaults
from analyzer.batch.pace import Pace
from analyzer.batch.run import BatchResult, run_batch
from analyzer.batch.task import Options
from analyzer.comparing.write import write_comparison
from analyzer.demo import Fault, make_drive
from analyzer.errors import UsageError
from analyzer.results.load import load_result
from analyzer.settings import thresholds

pytestmark = pytest.mark.usefixtures("no_pictures")

MIDNIGHT = "run03"


@pytest.fixture(scope="module")
def drives(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three drives on one proving ground, the last over midnight UTC, one with lost corrections, one log without positions."""
    place = tmp_path_factory.mktemp("drives")
    small_drive(place / "run01", 1, seconds=300.0, outputs=("corrections",))
    small_drive(place / "run02", 2, seconds=300.0, day=15)
    small_drive(place / MIDNIGHT, 3, seconds=300.0, day=16, time="23:57:30")
    (place / "broken.nmea").write_bytes(b"\r\n".join([b"$GPTXT,01,01,02,hello*00"] * 50))
    return place


@pytest.fixture(scope="module")
def batch(drives: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[BatchResult, list[Pace]]:
    told: list[Pace] = []
    return run_batch([drives], tmp_path_factory.mktemp("batch") / "results", workers=InProcess(), progress=told.append), told


@pytest.fixture
def results(batch: tuple[BatchResult, list[Pace]]) -> Path:
    return batch[0].folder


def test_a_bad_drive_costs_that_drive(batch: tuple[BatchResult, list[Pace]]) -> None:
    done, told = batch
    assert [r["run"] for r in done.rows] == ["run01", "run02", MIDNIGHT]
    (failed,) = done.failed
    assert failed.name == "broken" and failed.exit_code == 3 and "broken.nmea is no format that can be read" in failed.sentence
    assert told[-1].ended == 4 and told[-1].failed == 1 and told[-1].left_s == 0.0
    listed = pd.read_csv(done.folder / "failed.csv")
    assert listed["name"].tolist() == ["broken"] and listed["exit_code"].tolist() == [3]
    page = (done.folder / "runs.html").read_text(encoding="utf-8")
    assert "broken: " in page and page.count('/report.html"') >= 3
    assert not (done.folder / "runs/broken").exists() and not (done.folder / ".building").exists()


def test_the_result_is_the_one_of_assess(drives: Path, results: Path, tmp_path: Path) -> None:
    drive = drives / "run01"
    recording = analyzer.read(drive / "rover.nmea", corrections=[(drive / f"corrections_{w}.rtcm3", w) for w in ("base", "rover")],
                              solution_kind="gnss")
    by_hand = analyzer.assess(recording, setup=analyzer.load_setup(drive / "setup.toml"), windows=analyzer.read_windows(drive / "windows.csv"))
    analyzer.write_results(by_hand, tmp_path / "one")
    names = {p.name for p in (tmp_path / "one").iterdir()}
    assert {p.name for p in (results / "runs/run01").iterdir()} == names | {"batch.json"}
    for name in names - {"report.html", "summary.json"}:
        assert (results / "runs/run01" / name).read_bytes() == (tmp_path / "one" / name).read_bytes(), name
    one, two = (json.loads((p / "summary.json").read_text()) for p in (tmp_path / "one", results / "runs/run01"))
    assert [s.pop("name").rsplit("/", 1)[1] for s in one["sources"]] == [s.pop("name").rsplit("/", 1)[1] for s in two["sources"]]
    assert one["sources"] == two["sources"] and one["metrics"] == two["metrics"]
    assert one["verdict"]["level"] == two["verdict"]["level"] and one["windows"] == two["windows"]


def test_a_drive_over_midnight_goes_to_each_date(results: Path) -> None:
    parts = sorted(p.relative_to(results / "epochs").as_posix() for p in (results / "epochs").rglob("*.parquet"))
    assert parts == [
        "date=2026-04-14/run=run01/part.parquet", "date=2026-04-15/run=run02/part.parquet",
        f"date=2026-04-16/run={MIDNIGHT}/part.parquet", f"date=2026-04-17/run={MIDNIGHT}/part.parquet",
    ]
    row = next(r for r in pq.read_table(results / "runs.parquet").to_pylist() if r["run"] == MIDNIGHT)
    assert row["dates"] == ["2026-04-16", "2026-04-17"] and str(row["date"]) == "2026-04-16"


def test_the_index_holds_what_the_summaries_say(results: Path) -> None:
    for row in pq.read_table(results / "runs.parquet").to_pylist():
        loaded = load_result(results / row["folder"])
        for metric in loaded.summary["metrics"]:
            column = metric["key"] if metric["key"] in row and metric["key"] not in ("dropouts",) else f"metric_{metric['key']}"
            assert row[column] == metric["value"] or (row[column] is None and metric["value"] is None), metric["key"]
        assert row["verdict"] == loaded.summary["verdict"]["level"] and row["epochs"] == loaded.summary["epochs"]
        assert row["name"] == loaded.run and row["sources_sha256"] == [s["sha256"] for s in loaded.summary["sources"]]


def moving(grows: str) -> str:
    """Return what makes an epoch count in a comparison, as SQL: placed, and in motion by speed or else by distance."""
    least = thresholds("analyzer.comparing")["cell.moving_mps"]
    return f"""latitude_deg IS NOT NULL AND distance_m IS NOT NULL AND fix_state <> 'no_fix'
        AND CASE WHEN speed_mps IS NOT NULL THEN speed_mps > {least} ELSE coalesce({grows}, false) END"""


def test_duckdb_gives_the_numbers_of_compare(results: Path, tmp_path: Path) -> None:
    """One engine reads Parquet files by their folders, the other goes through the result folders."""
    compared = analyzer.compare([results])
    write_comparison(compared, tmp_path / "compared")
    asked = duckdb.connect()
    asked.execute(f"""CREATE VIEW epochs AS SELECT *, lead(distance_m) OVER (PARTITION BY run ORDER BY time_utc) > distance_m AS grows
        FROM read_parquet('{results}/epochs/*/*/*.parquet', hive_partitioning = true)""")
    asked.execute(f"CREATE VIEW runs AS SELECT * FROM '{results}/runs.parquet'")
    found = asked.execute(f"""SELECT r.name AS run, count(*) AS n, avg((e.trust = 'trusted')::INT) AS share_trusted,
        avg((e.fix_state = 'fixed')::INT) AS share_fixed, quantile_cont(e.correction_age_s, 0.95) AS age_p95_s,
        quantile_cont(e.horizontal_bound_m::DOUBLE, 0.95) AS bound_p95_m, quantile_cont(e.satellites_used::DOUBLE, 0.05) AS satellites_p5
        FROM epochs e JOIN runs r ON e.run = r.run WHERE {moving("grows")} GROUP BY r.name ORDER BY r.name""").df().set_index("run")
    own = compared.runs.set_index("run")
    assert list(found.index) == list(own.index) and len(own) == 3
    for column in ("share_trusted", "share_fixed", "age_p95_s", "bound_p95_m", "satellites_p5"):
        assert found[column].to_numpy() == pytest.approx(own[column].to_numpy(float), rel=1e-9), column
    cells = asked.execute(f"""SELECT run, sum(n) AS n, sum(n * share_trusted) / sum(n) AS share_trusted, sum(n * share_fixed) / sum(n) AS share_fixed
        FROM '{tmp_path}/compared/cells.parquet' GROUP BY run ORDER BY run""").df().set_index("run")
    assert cells["n"].tolist() == found["n"].tolist()
    for column in ("share_trusted", "share_fixed"):
        assert cells[column].to_numpy() == pytest.approx(found[column].to_numpy(), rel=1e-5), column


def test_duckdb_gives_the_cells_of_compare(results: Path, tmp_path: Path) -> None:
    """Cells that a run passes once: all its epochs near the cell's centre, by place alone, have the cell's figures."""
    compared = analyzer.compare([results])
    write_comparison(compared, tmp_path / "compared")
    joined = duckdb.connect().execute(f"""WITH c AS (SELECT * FROM '{tmp_path}/compared/cells.parquet' WHERE n > 0),
        once AS (SELECT cell, run FROM c GROUP BY cell, run HAVING count(*) = 1),
        e AS (SELECT *, floor(distance_m / {thresholds("analyzer.comparing")["cell.length_m"]}) AS step
              FROM read_parquet('{results}/epochs/*/run=run01/*.parquet', hive_partitioning = true)
              WHERE {moving("false")}),
        s AS (SELECT step, count(*) AS n, avg(latitude_deg) AS latitude_deg, avg(longitude_deg) AS longitude_deg,
              avg((trust = 'trusted')::INT) AS share_trusted, avg((fix_state = 'fixed')::INT) AS share_fixed,
              quantile_disc(correction_age_s, 0.95) AS age_p95_s FROM e GROUP BY step)
        SELECT c.n, s.n AS n_asked, c.share_trusted, s.share_trusted AS trusted_asked, c.share_fixed, s.share_fixed AS fixed_asked,
               c.age_p95_s, s.age_p95_s AS age_asked
        FROM c JOIN once USING (cell, run) JOIN s ON c.n = s.n AND abs(c.latitude_deg - s.latitude_deg) < 2e-7
             AND abs(c.longitude_deg - s.longitude_deg) < 2e-7 WHERE c.run = 'run 01'""").df()
    assert len(joined) > 50, "the first run makes the cells, so most lie where its own steps lie"
    assert joined["trusted_asked"].to_numpy() == pytest.approx(joined["share_trusted"].to_numpy(), abs=1e-6)
    assert joined["fixed_asked"].to_numpy() == pytest.approx(joined["share_fixed"].to_numpy(), abs=1e-6)
    known = joined.dropna()
    assert len(known) > 40 and known["age_asked"].to_numpy() == pytest.approx(known["age_p95_s"].to_numpy(), abs=1e-5)


def test_pyarrow_reads_the_dataset_by_its_partitions(results: Path) -> None:
    whole = ds.dataset(results / "epochs", partitioning="hive")
    night = whole.to_table(filter=ds.field("run") == MIDNIGHT)
    own = load_result(results / "runs" / MIDNIGHT).epochs()
    assert night.num_rows == len(own) and set(pc.unique(night.column("date")).to_pylist()) == {"2026-04-16", "2026-04-17"}
    night = night.sort_by("time_utc")
    fixed = pc.mean(pc.equal(pc.cast(night.column("fix_state"), "string"), "fixed")).as_py()
    assert fixed == pytest.approx((own["fix_state"] == "fixed").mean())
    age = pc.quantile(night.column("correction_age_s"), q=0.95, interpolation="linear")[0].as_py()
    assert age == pytest.approx(np.nanquantile(own["correction_age_s"], 0.95))
    runs = pq.read_table(results / "runs.parquet")
    counts = whole.to_table(columns=["run"]).group_by("run").aggregate([("run", "count")]).to_pydict()
    assert dict(zip(map(str, counts["run"]), counts["run_count"], strict=True)) == dict(zip(runs.column("run").to_pylist(), runs.column("epochs").to_pylist(), strict=True))


# --- resuming ---------------------------------------------------------------------------------------------------------


@pytest.fixture
def logs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Two small logs without companions; their reports are left blank, since these tests are about what is done when."""
    monkeypatch.setattr("analyzer.report.html.write_html", lambda _assessment, path, **_more: path.write_text("", encoding="utf-8"))
    place = tmp_path / "logs"
    place.mkdir()
    (place / "a.nmea").write_bytes(log_text())
    (place / "b.nmea").write_bytes(log_text("091000.00"))
    return place


def test_only_what_changed_is_assessed_again(logs: Path, tmp_path: Path) -> None:
    def again(**more: object) -> list[list[str]]:
        done = run_batch([logs], tmp_path / "r", workers=InProcess(), **more)  # type: ignore[arg-type]
        assert not done.failed, done.failed
        return [sorted(r["run"] for r in rows) for rows in (done.assessed, done.finished_before)]

    assert again() == [["a", "b"], []]
    before = {p: p.stat().st_mtime_ns for p in (tmp_path / "r/runs").rglob("*") if p.is_file()}
    assert again() == [[], ["a", "b"]]
    assert before == {p: p.stat().st_mtime_ns for p in (tmp_path / "r/runs").rglob("*") if p.is_file()}
    (logs / "b.nmea").write_bytes(log_text("101000.00", 40))
    assert again() == [["b"], ["a"]]
    (logs / "setup.toml").write_text('vehicle = "car"\n')
    assert again() == [["a", "b"], []] and load_result(tmp_path / "r/runs/a").summary["vehicle"] == "car"
    assert again(purpose="mapping", options=Options(time_zone="Europe/Berlin")) == [["a", "b"], []]
    assert again(purpose="mapping", options=Options(time_zone="Europe/Berlin"), again=True) == [["a", "b"], []]
    (logs / "c.nmea").write_bytes(log_text("111000.00"))
    assert again(purpose="mapping", options=Options(time_zone="Europe/Berlin")) == [["c"], ["a", "b"]]
    assert sorted(p.name for p in (tmp_path / "r/runs").iterdir()) == ["a", "b", "c"]


def test_another_version_of_the_rules_judges_again(logs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run_batch([logs], tmp_path / "r", workers=InProcess())
    monkeypatch.setattr("analyzer.batch.fingerprint.RULES_VERSION", "next")
    assert len(run_batch([logs], tmp_path / "r", workers=InProcess()).assessed) == 2


def test_moved_and_copied_drives_are_known_by_their_content(logs: Path, tmp_path: Path) -> None:
    run_batch([logs], tmp_path / "r", workers=InProcess())
    logs.rename(tmp_path / "elsewhere")
    moved = run_batch([tmp_path / "elsewhere"], tmp_path / "r", workers=InProcess())
    assert len(moved.finished_before) == 2 and not moved.assessed
    shutil.copytree(tmp_path / "elsewhere", tmp_path / "twin")
    both = run_batch([tmp_path / "elsewhere", tmp_path / "twin"], tmp_path / "r", workers=InProcess())
    assert len(both.finished_before) == 2 and {run for _, run in both.repeated} == {"a", "b"}


def test_a_drive_that_fails_is_tried_again_and_its_older_result_stays(logs: Path, tmp_path: Path) -> None:
    run_batch([logs], tmp_path / "r", workers=InProcess())
    (logs / "b.nmea").write_bytes(b"")
    done = run_batch([logs], tmp_path / "r", workers=InProcess())
    assert [f.name for f in done.failed] == ["b"] and "older result" in done.failed[0].sentence
    assert (tmp_path / "r/runs/b/summary.json").is_file()
    (logs / "b.nmea").write_bytes(log_text("091000.00"))
    again = run_batch([logs], tmp_path / "r", workers=InProcess())
    assert not again.failed and not (tmp_path / "r/failed.csv").exists()


def test_a_log_that_is_still_written_is_refused(logs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = whole_drive.assess_files

    def grow(files: object, **more: object) -> object:
        made = whole(files, **more)  # type: ignore[arg-type]
        with (logs / "a.nmea").open("ab") as file:
            file.write(log_text("081030.00", 1))
        return made

    monkeypatch.setattr(whole_drive, "assess_files", grow)
    done = run_batch([logs / "a.nmea"], tmp_path / "r", workers=InProcess())
    assert "was changed while the drive was assessed" in done.failed[0].sentence and not done.rows


def test_a_fault_of_ours_costs_one_drive_and_is_told_in_full(logs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = whole_drive.assess_files

    def fault(files: object, **more: object) -> object:
        if "a.nmea" in str(files):
            raise ZeroDivisionError("by zero")
        return whole(files, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(whole_drive, "assess_files", fault)
    done = run_batch([logs], tmp_path / "r", workers=InProcess())
    (failed,) = done.failed
    assert "a fault of ours (ZeroDivisionError: by zero)" in failed.sentence and failed.exit_code == 4
    assert "Traceback" in failed.details and [r["run"] for r in done.rows] == ["b"]


def test_a_worker_of_another_version_is_refused(logs: Path, tmp_path: Path) -> None:
    done = run_batch([logs], tmp_path / "r", workers=InProcess(), options=Options(versions=("9.9", "1")))
    assert len(done.failed) == 2 and "install the same version on all workers" in done.failed[0].sentence


def test_runs_without_a_set_up_sheet_are_called_by_their_place(tmp_path: Path) -> None:
    for name in ("x", "y"):
        (tmp_path / "day" / name).mkdir(parents=True)
        (tmp_path / "day" / name / "rover.nmea").write_bytes(log_text("081000.00" if name == "x" else "091000.00"))
    done = run_batch([tmp_path / "day"], tmp_path / "r", workers=InProcess())
    assert [r["name"] for r in done.rows] == ["x", "y"]


def test_a_purpose_of_the_list_counts_unless_one_is_given(logs: Path, tmp_path: Path) -> None:
    (logs / "drives.toml").write_text('[[drive]]\nname = "a"\nlogs = ["a.nmea"]\npurpose = "road"\n[[drive]]\nname = "b"\nlogs = ["b.nmea"]\n')
    done = run_batch([logs], tmp_path / "r", workers=InProcess())
    by_run = {r["run"]: r["purpose"] for r in done.rows}
    assert by_run["a"] != by_run["b"]
    given = run_batch([logs], tmp_path / "r2", workers=InProcess(), purpose="road", defaults=Defaults())
    assert {r["purpose"] for r in given.rows} == {by_run["a"]}
    (logs / "drives.toml").write_text('[[drive]]\nname = "a"\nlogs = ["a.nmea"]\npurpose = "moon"\n')
    with pytest.raises(UsageError, match="'moon' is not known"):
        run_batch([logs], tmp_path / "r3", workers=InProcess())
    assert not (tmp_path / "r3").exists()


def test_faults_in_a_drive_show_in_its_row(tmp_path: Path) -> None:
    make_drive(tmp_path / "d/x", seed=5, run="run 05", duration_s=300.0, rate_hz=5.0, marks=0, windows=2,
               faults=(Fault("radio_loss", start_s=150, duration_s=40),), sky_sentences=False, outputs=())
    done = run_batch([tmp_path / "d"], tmp_path / "r", workers=InProcess())
    (row,) = done.rows
    assert row["dropouts"] == 1 and row["dropouts_correction_outage"] == 1.0 and row["longest_correction_outage_s"] > 30
