"""The bench covers every family in variety, its score counts what it says, and the further makers hold together."""

from __future__ import annotations

import argparse
import importlib.util
import json
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pynmea2
import pytest

from analyzer.cli.demo import add_parser
from analyzer.demo import BaseEvent, DriveSpec, Fault, bench_specs, families, make_base_log, make_days, make_drive
from analyzer.demo.scenario import BASE_ENU_M, to_geodetic
from analyzer.errors import OutputError, UsageError

BENCHMARKS = Path(__file__).resolve().parents[1] / "benchmarks"


@pytest.fixture(scope="module")
def scoring() -> ModuleType:
    """Return the score module of the bench."""
    known = importlib.util.spec_from_file_location("trust_score", BENCHMARKS / "trust_score.py")
    assert known is not None
    assert known.loader is not None
    module = importlib.util.module_from_spec(known)
    sys.modules["trust_score"] = module
    known.loader.exec_module(module)
    return module


def test_sixty_drives_cover_every_family_and_vary() -> None:
    specs = bench_specs(60, seed=1)
    assert {s.family_name for s in specs} == set(families())
    assert {1.0, 10.0, 20.0, 50.0, 100.0} <= {s.rate_hz for s in specs}
    assert {0.5, 1.0, 2.0, 3.0} == {s.noise_factor for s in specs}
    for name in ("gst", "rmc"):
        assert {getattr(s, name) for s in specs} == {True, False}
    assert {s.solution_kind for s in specs} == {"gnss", "fused"}
    assert any("inertial" in s.outputs for s in specs)
    assert specs == bench_specs(60, seed=1)
    assert specs != bench_specs(60, seed=2)
    assert {s.rate_hz for s in bench_specs(3, seed=1, rate_hz=5.0)} == {5.0}


@pytest.fixture(scope="module")
def scored_drive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a drive with a wrong fix and a radio loss."""
    faults = (Fault("wrong_fix", start_s=100.0, duration_s=50.0, size=0.5),
              Fault("radio_loss", start_s=200.0, duration_s=40.0))
    spec = DriveSpec(seed=3, duration_s=300.0, rate_hz=5.0, faults=faults)
    return make_drive(tmp_path_factory.mktemp("scored"), spec)


def judged(folder: Path, scoring: ModuleType, *, perfect: bool) -> tuple[pd.DataFrame, pd.DataFrame, float]:
    """Return a made-up judgement: all-knowing, or trusting every fix."""
    truth = scoring.read_truth(folder)
    content = json.loads((folder / "faults.json").read_text())
    good = truth["state"].eq("fixed") & ((truth["error_h_m"] <= 0.1) | (not perfect))
    epochs = pd.DataFrame({
        "time_utc": truth["time_utc"].astype(str), "trust": np.where(good, "trusted", "doubtful"),
        "horizontal_bound_m": truth["error_h_m"] + 1e-3 if perfect else 0.02,
        "vertical_bound_m": truth["error_v_m"] + 1e-3 if perfect else 0.02,
    })
    known = [f for f in content["faults"] if f["dropout_kind"]] if perfect else []
    dropouts = pd.DataFrame(
        [(f["dropout_kind"], f["cause_without_recordings"], f["start_utc"], f["end_utc"]) for f in known],
        columns=["kind", "cause", "start_utc", "end_utc"], dtype=str)
    return epochs, dropouts, content["time_to_first_fixed_s"]


def test_a_perfect_judgement_scores_perfectly(scored_drive: Path, scoring: ModuleType) -> None:
    score = scoring.score_drive(scored_drive, *judged(scored_drive, scoring, perfect=True))
    row = score.row()
    assert (score.misleading, score.false, score.invented, score.first_fixed_s) == (0, 0, 0, 0.0)
    assert row["useful"] == row["coverage"] == row["vertical"] == 1.0
    assert score.caught == score.stretches >= 1
    assert score.found == score.cause == score.planted >= 2


def test_the_rule_of_thumb_misleads_and_its_score_says_so(scored_drive: Path, scoring: ModuleType) -> None:
    score = scoring.score_drive(scored_drive, *judged(scored_drive, scoring, perfect=False))
    truth = scoring.read_truth(scored_drive)
    wrong = int((truth["state"].eq("fixed") & (truth["error_h_m"] > 0.1)).sum())
    assert score.misleading == wrong > 200
    assert score.caught == 0
    assert score.found == 0
    assert score.row()["coverage"] < 0.95
    whole = scoring.table([score, score])
    assert whole.loc["ALL", "misleading"] == pytest.approx(wrong / score.trusted)


def test_false_and_invented_are_counted(scored_drive: Path, scoring: ModuleType) -> None:
    epochs, dropouts, first = judged(scored_drive, scoring, perfect=True)
    extra = pd.DataFrame([("fix_loss", "unknown", "2026-04-14T08:13:09.000Z", "2026-04-14T08:13:15.000Z")],
                         columns=list(dropouts))
    odd = epochs.iloc[[500]].assign(time_utc="2026-04-14T08:11:00.050Z")
    score = scoring.score_drive(scored_drive, pd.concat([epochs, odd]), pd.concat([dropouts, extra]), first + 0.2)
    assert (score.false, score.invented) == (1, 1)
    assert score.first_fixed_s == pytest.approx(0.2)


def positions(file: Path) -> np.ndarray:
    """Return latitude, longitude and ellipsoidal height of the GGA of a log that have a position."""
    out = []
    for line in file.read_text(encoding="ascii").splitlines():
        if line[3:6] == "GGA":
            gga = pynmea2.parse(line)
            if gga.gps_qual:
                out.append((gga.latitude, gga.longitude, gga.altitude + float(gga.geo_sep)))
    return np.array(out)


@pytest.mark.parametrize(("grade", "largest_m"), [("centimetre", 0.12), ("metre", 9.0)])
def test_base_log_scatters_about_the_base(tmp_path: Path, grade: str, largest_m: float) -> None:
    make_base_log(tmp_path / "base.nmea", seed=4, grade=grade, duration_s=900.0)
    found = positions(tmp_path / "base.nmea")
    true = np.array([x[0] for x in to_geodetic(np.array(BASE_ENU_M))])
    metres = (found - true) * np.array([111_200.0, 75_700.0, 1.0])
    assert len(found) == 900
    assert 0.001 < np.abs(metres).max() < largest_m


def test_unsettled_base_log_drifts_as_it_says(tmp_path: Path) -> None:
    known = make_base_log(tmp_path / "base.nmea", seed=4, grade="centimetre", settled=False, start_up="hidden")
    height = positions(tmp_path / "base.nmea")[:, 2]
    assert height[:20].mean() - height[-300:].mean() == pytest.approx(known["drift_u_m"], rel=0.25, abs=0.05)
    with pytest.raises(UsageError, match="grade"):
        make_base_log(tmp_path / "other.nmea", grade="kilometre")


def test_days_carry_what_happened_to_the_base(tmp_path: Path) -> None:
    events = (BaseEvent(2, "moved", (0.05, -0.06, 0.02)), BaseEvent(3, "resurveyed", (0.84, -0.61, 1.90)))
    make_days(tmp_path, seed=2, drives=1, events=events, outputs=(), rate_hz=1.0)
    offsets = []
    for day in (1, 2, 3):
        content = json.loads((tmp_path / f"day{day}_run01" / "faults.json").read_text())
        offsets.append([content[f"offset_{a}_m"] for a in "enu"])
        assert (tmp_path / f"day{day}_base.nmea").exists()
        marks = pd.read_csv(tmp_path / f"day{day}_run01" / "check_points.csv")
        headings = marks.groupby("name")["heading_deg"].agg(np.ptp)
        assert len(headings) == 3
        assert headings.max() > 150.0
    assert np.diff(offsets, axis=0) == pytest.approx(np.array([[-0.05, 0.06, -0.02], [0.84, -0.61, 1.90]]), abs=1e-9)
    with pytest.raises(UsageError, match="base event"):
        BaseEvent(1, "painted", (0.0, 0.0, 0.0))


def command(*arguments: str) -> int:
    """Run the verb as the command line does."""
    parser = argparse.ArgumentParser()
    add_parser(parser.add_subparsers())
    args = parser.parse_args(["demo", *arguments])
    return int(args.func(args))


def test_command_makes_drives(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    short = ("--duration", "60", "--files", "check_points")
    assert command(str(tmp_path / "one"), *short, "--faults", "spikes") == 0
    assert (tmp_path / "one" / "rover.nmea").exists()
    assert command(str(tmp_path / "two"), *short, "--drives", "2", "--rate", "1", "--seed", "5") == 0
    assert sorted(p.name for p in (tmp_path / "two").iterdir()) == ["d01", "d02"]
    capsys.readouterr()
    assert command("--list") == 0
    assert "radio_loss" in capsys.readouterr().out


def test_command_refuses_in_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "note").write_text("mine")
    other = str(tmp_path / "x")
    with pytest.raises(OutputError, match="not empty"):
        command(str(tmp_path))
    for arguments, word in (((), "no folder"), ((other, "--faults", "gremlins"), "gremlins"),
                            ((other, "--drives", "0"), "--drives")):
        with pytest.raises(UsageError, match=word):
            command(*arguments)
    assert (tmp_path / "note").read_text() == "mine"
