"""A table of positions without a fix state: not evaluated, with the way out; never "not fixed", never a class of another state."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from cli_runs import Result, run

pytestmark = pytest.mark.usefixtures("no_pictures")

MAP = """files = ["drive.csv"]
table = "fixes"
[time]
column = "t"
scale = "unix_s"
[columns.latitude_deg]
column = "lat"
unit = "deg"
[columns.longitude_deg]
column = "lon"
unit = "deg"
[columns.speed_mps]
column = "v"
unit = "m/s"
"""
STATES = """[fix_state]
column = "q"
[fix_state.codes]
4 = "fixed"
"""
ROWS = 120


def drive(tmp_path: Path, *, column_map: str = MAP, quality: object = "") -> tuple[Path, ...]:
    """Write a car that drives north at 10 m/s, 10 rows per second, with its column map; return what names them."""
    lines = [f"{1774346400 + k / 10:.1f},{48 + k / 111_200:.8f},{11 + 1e-8 * math.sin(k):.8f},10.0,{quality if k % 2 else 4 if quality else ''}"
             for k in range(ROWS)]
    (tmp_path / "drive.csv").write_text("t,lat,lon,v,q\n" + "\n".join(lines) + "\n")
    (tmp_path / "map.toml").write_text(column_map)
    return (tmp_path / "drive.csv", Path("--columns"), tmp_path / "map.toml")


def test_it_is_not_evaluated_and_says_how_to_map_the_state(tmp_path: Path) -> None:
    done = run("assess", *drive(tmp_path), "--purpose", "road", "--brief", "--out", tmp_path / "r", "--fail-on", "not_evaluated")
    assert done.code == 1
    words = " ".join(done.out.split())
    assert "Verdict: Not evaluated" in words and "[fix_state]" in words and "fix state (100 % of the time)" in words
    assert not any(wrong in words for wrong in ("nan", "never was fixed", "not fixed", "10 km", "nothing to lose", "no base was used"))
    found = Result(tmp_path / "r")
    text = found.finding("state_missing")["text"]
    assert "column map" in text and "[fix_state.codes]" in text
    for key in ("share_time_fixed", "share_time_no_fix", "share_distance_fixed", "fixed_losses", "state_changes", "dropouts_fix_loss", "refix_s"):
        metric = found.metric(key)
        assert metric["value"] is None and "fix state is not recorded" in metric["not_evaluated"], key


def test_epochs_have_no_bound_of_a_class_that_nothing_says_is_theirs(tmp_path: Path) -> None:
    assert run("assess", *drive(tmp_path), "--out", tmp_path / "r").code == 0
    epochs = Result(tmp_path / "r").epochs(["trust", "reasons", "horizontal_bound_m", "vertical_bound_m", "bound_class_m", "bound_base_m"])
    assert len(epochs) == ROWS and (epochs["trust"] == "not_evaluated").all() and (epochs["reasons"] == "not_recorded").all()
    assert epochs[["horizontal_bound_m", "vertical_bound_m", "bound_class_m", "bound_base_m"]].isna().all(axis=None)
    states = {f["properties"]["fix_state"] for f in Result(tmp_path / "r").geojson()["features"]}
    assert states == {None}
    for form in ("kml", "gpx", "geojson"):
        assert run("export", tmp_path / "r", "--format", form).code == 0
        text = (tmp_path / "r" / f"export_route.{form}").read_text(encoding="utf-8")
        assert ">nan<" not in text and '"nan"' not in text


def test_a_state_that_is_mapped_ends_it(tmp_path: Path) -> None:
    """The same rows with their quality named are judged as fixed throughout."""
    assert run("assess", *drive(tmp_path, column_map=MAP + STATES, quality=4), "--purpose", "road", "--out", tmp_path / "r").code == 0
    found = Result(tmp_path / "r")
    assert found.metric("share_time_fixed")["value"] == 1.0
    assert found.epochs(["horizontal_bound_m"])["horizontal_bound_m"].notna().all()
    assert "state_missing" not in [f["code"] for f in found.summary["verdict"]["findings"]]


def test_epochs_whose_code_is_not_listed_are_counted(tmp_path: Path) -> None:
    assert run("assess", *drive(tmp_path, column_map=MAP + STATES, quality=7), "--purpose", "road", "--out", tmp_path / "r").code == 0
    found = Result(tmp_path / "r")
    assert found.finding("state_missing")["evidence"]["epochs"] == ROWS // 2
    epochs = found.epochs(["fix_state", "trust"])
    assert (epochs.loc[epochs["fix_state"].isna(), "trust"] == "not_evaluated").all() and (epochs["fix_state"] == "fixed").sum() == ROWS // 2
    assert found.metric("share_time_fixed")["value"] == pytest.approx(0.5, abs=0.01)


def test_a_purpose_without_a_limit_of_position_needs_no_state(tmp_path: Path) -> None:
    """A limit of speed alone is judged by the bound of the speed."""
    (tmp_path / "speed.toml").write_text("""name = "speed"
title = "speed 5 m/s"
[[limit]]
quantity = "speed"
axis = "speed"
value = 5.0
unit = "m/s"
read_as = "95"
reason = "r"
source = "s"
""")
    done = run("assess", *drive(tmp_path), "--purpose", tmp_path / "speed.toml", "--out", tmp_path / "r")
    assert done.code == 0, done.err
    assert (Result(tmp_path / "r").epochs(["trust"])["trust"] == "trusted").mean() > 0.5


def test_a_proposed_map_says_that_it_lacks_a_state(tmp_path: Path) -> None:
    path = drive(tmp_path)[0]
    done = run("columns", path)
    assert done.code == 0 and "no column of a fix state was recognised" in done.out and "# [fix_state.codes]" in done.out
    proposal = tmp_path / "p.toml"
    proposal.write_text(done.out)
    assert run("inspect", path, "--columns", proposal).code == 0


def test_summary_holds_no_number_that_is_none(tmp_path: Path) -> None:
    assert run("assess", *drive(tmp_path), "--out", tmp_path / "r").code == 0
    text = (tmp_path / "r" / "summary.json").read_text(encoding="utf-8")
    assert json.loads(text) and "NaN" not in text and '"nan"' not in text
