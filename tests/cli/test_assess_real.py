"""The main job on real drives, through the command line.

The facts were counted independently of this project; they stand, with origin and licence of every recording, in the
table of sources beside the recordings (SOURCES.md). Short ones are counted again here by plain text search.
"""

from __future__ import annotations

import hashlib
import json
import re
from itertools import pairwise
from pathlib import Path

import jsonschema
import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from cli_runs import Ran, Result, run, run_program
from contract_layout import (
    CAUSES,
    CSV,
    DROPOUT_KINDS,
    EPOCHS,
    FILES,
    FIX_STATES,
    GEOJSON,
    LEDGER_KINDS,
    LEVELS,
    METRICS,
    NUMBERED,
    SEGMENTS,
    SUMMARY,
    TRUST,
    WORDS,
)
from geographiclib.geodesic import Geodesic

DRIVES = ("mountain_drive_2010", "long_gap_over_midnight", "static_fixed_2hz", "float_with_gst_and_gns")
ISO_Z = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z")

Drives = dict[str, tuple[Ran, Result]]


@pytest.fixture(scope="module")
def ran(shared_data: Path, tmp_path_factory: pytest.TempPathFactory) -> Drives:
    """Every drive assessed once."""
    place = tmp_path_factory.mktemp("results")
    logs = {name: shared_data / "drives" / f"{name}.nmea" for name in DRIVES}
    return {name: (run("assess", log, "--out", place / name), Result(place / name)) for name, log in logs.items()}


@pytest.fixture
def mountain(ran: Drives) -> Result:
    """The 2010 mountain drive."""
    return ran["mountain_drive_2010"][1]


@pytest.fixture
def midnight(ran: Drives) -> Result:
    """The drive over midnight with a long gap."""
    return ran["long_gap_over_midnight"][1]


@pytest.fixture
def static(ran: Drives) -> Result:
    """A minute at rest."""
    return ran["static_fixed_2hz"][1]


@pytest.fixture
def floating(ran: Drives) -> Result:
    """34 s of float and differential positions."""
    return ran["float_with_gst_and_gns"][1]


def states(result: Result) -> dict[str, int]:
    """Count epochs by fix state."""
    return {str(k): int(v) for k, v in result.epochs(["fix_state"])["fix_state"].astype(object).value_counts().items()}


def dropouts(result: Result) -> list[tuple[str, str, str, str]]:
    """Kind, cause, start and end of every dropout."""
    return [(r["kind"], r["cause"], r["start_utc"], r["end_utc"]) for r in result.summary["dropouts"]]


# What holds for every drive


@pytest.mark.parametrize("name", DRIVES)
def test_it_ends_well_and_names_the_report(ran: Drives, name: str) -> None:
    done, result = ran[name]
    assert done.code == 0 and done.out == ""
    assert done.err.splitlines()[-1].endswith(str(result.folder / "report.html"))
    assert {p.name for p in result.folder.iterdir()} == FILES
    assert [p.name for p in result.folder.parent.iterdir() if p.name.startswith(".")] == []


@pytest.mark.parametrize("name", DRIVES)
def test_every_byte_is_accounted_for(ran: Drives, shared_data: Path, name: str) -> None:
    data = (shared_data / "drives" / f"{name}.nmea").read_bytes()
    (source,) = ran[name][1].summary["sources"]
    ledger = source["ledger"]
    assert source["sha256"] == hashlib.sha256(data).hexdigest()
    assert source["unpacked_size"] == source["stored_size"] == ledger["size"] == len(data)
    assert sum(e["size"] for e in ledger["entries"]) == len(data)
    assert {e["kind"] for e in ledger["entries"]} <= LEDGER_KINDS
    for entry in ledger["entries"]:
        assert entry["cases"], "each entry shows where its first cases stand"
        for case in entry["cases"]:
            assert 0 <= case["start"] < case["end"] <= len(data)
    accepted = {e["tag"]: e["count"] for e in ledger["entries"] if e["kind"] == "accepted"}
    counted = {tag: len(re.findall(rb"\$[A-Z]{2}%s," % tag.encode(), data)) for tag in accepted}
    assert accepted == counted


@pytest.mark.parametrize("name", DRIVES)
def test_epochs_have_the_promised_columns(ran: Drives, name: str) -> None:
    table = ran[name][1].arrow()
    assert set(EPOCHS) <= set(table.column_names)
    types = {f.name: f.type for f in table.schema}
    assert types["time_utc"] == pa.timestamp("us", tz="UTC")
    assert not (table.schema.metadata or {}).get(b"pandas"), "time_utc must be a plain column, no hidden index"
    for column in EPOCHS[1:]:
        kind = types[column]
        if column in WORDS:
            assert pa.types.is_dictionary(kind) and pa.types.is_string(kind.value_type), column
        elif column in NUMBERED:
            assert pa.types.is_integer(kind), column
        elif column == "reasons":
            assert pa.types.is_list(kind) and pa.types.is_string(kind.value_type)
        else:
            assert pa.types.is_floating(kind), column
    times = table.column("time_utc").cast(pa.int64()).to_numpy()
    assert table.column("time_utc").null_count == 0 and (np.diff(times) > 0).all()
    for column, allowed in (("fix_state", FIX_STATES), ("trust", TRUST), ("fix_state_source", {"reported", "derived"}),
                            ("solution_kind", {"gnss", "fused", "unknown"})):
        assert set(table.column(column).to_pylist()) <= allowed, column


@pytest.mark.parametrize("name", DRIVES)
def test_a_position_always_has_a_finite_bound_and_a_reason_where_not_trusted(ran: Drives, name: str) -> None:
    columns = ["latitude_deg", "fix_state", "horizontal_bound_m", "vertical_bound_m", "height_m", "trust", "reasons"]
    epochs = ran[name][1].epochs(columns)
    placed = (epochs["latitude_deg"].notna() & (epochs["fix_state"].astype(object) != "no_fix")).to_numpy()
    bound = epochs["horizontal_bound_m"].to_numpy(float)
    assert np.isfinite(bound[placed]).all() and (bound[placed] > 0).all()
    assert np.isfinite(epochs["vertical_bound_m"].to_numpy(float)[placed & epochs["height_m"].notna().to_numpy()]).all()
    assert (epochs["trust"].astype(object)[~placed] == "rejected").all()
    told = epochs["reasons"].map(len).to_numpy() > 0
    assert (told == (epochs["trust"].astype(object) != "trusted").to_numpy()).all()


@pytest.mark.parametrize("name", DRIVES)
def test_the_csv_tables_and_segments_have_the_promised_columns(ran: Drives, name: str) -> None:
    result = ran[name][1]
    assert tuple(result.arrow("segments").column_names[:len(SEGMENTS)]) == SEGMENTS
    for table, columns in CSV.items():
        assert tuple(result.csv(table).columns[:len(columns)]) == columns
        for column in (c for c in columns if c.endswith("_utc")):
            cells = [c for c in result.csv(table)[column] if c]
            assert all(ISO_Z.fullmatch(c) for c in cells), (table, column)
    for row in result.summary["dropouts"]:
        assert row["kind"] in DROPOUT_KINDS and row["cause"] in CAUSES and row["evidence"] and row["advice"]
    assert len(result.csv("dropouts")) == len(result.summary["dropouts"])
    assert len(result.csv("standstills")) == len(result.summary["standstills"])


@pytest.mark.parametrize("name", DRIVES)
def test_the_summary_has_the_promised_keys(ran: Drives, name: str) -> None:
    summary = ran[name][1].summary
    assert set(SUMMARY) <= set(summary) and summary["run"] == name
    keys = [m["key"] for m in summary["metrics"]]
    assert len(keys) == len(set(keys)) and set(METRICS) <= set(keys)
    for state in states(ran[name][1]):
        assert {f"share_time_{state}", f"share_distance_{state}"} <= set(keys)
    for metric in summary["metrics"]:
        assert {"key", "value", "unit", "n", "method"} <= set(metric) and metric["method"], metric["key"]
        assert (metric["value"] is None) == bool(metric.get("not_evaluated")), metric["key"]
    verdict = summary["verdict"]
    assert verdict["level"] in LEVELS and verdict["sentences"] and verdict["rules_version"]
    assert re.fullmatch(r"[0-9a-f]{64}", verdict["purpose"]["sha256"])
    assert verdict["purpose"]["limits"][0]["value"] == 0.10, "lane level is the default"


@pytest.mark.parametrize("name", DRIVES)
def test_shares_of_time_add_up_to_one(ran: Drives, name: str) -> None:
    metrics = {m["key"]: m["value"] for m in ran[name][1].summary["metrics"]}
    found = [v for k, v in metrics.items() if k.removeprefix("share_time_") in FIX_STATES]
    assert sum(found) == pytest.approx(1, abs=1e-9)


@pytest.mark.parametrize("name", DRIVES)
def test_the_route_is_valid_geojson(ran: Drives, name: str) -> None:
    """RFC 7946; the validity of the schema itself is shown by what it refuses."""
    content = ran[name][1].geojson()
    checker = jsonschema.Draft202012Validator(GEOJSON)
    checker.validate(content)
    kinds = {f["properties"]["kind"] for f in content["features"]}
    assert "route" in kinds and kinds <= {"route", "dropout"}
    drawn = sum(f["properties"]["kind"] == "dropout" for f in content["features"])
    assert drawn == len(ran[name][1].summary["dropouts"])


@pytest.mark.parametrize("geometry", [
    {"type": "LineString", "coordinates": [[7.0, 47.0]]}, {"type": "Point", "coordinates": [47.0, 97.0]},
    {"type": "Point", "coordinates": [181.0, 47.0]}, {"type": "Point", "coordinates": ["7", "47"]},
])
def test_the_schema_refuses_what_the_standard_refuses(geometry: dict[str, object]) -> None:
    feature = {"type": "Feature", "geometry": geometry, "properties": {}}
    assert not jsonschema.Draft202012Validator(GEOJSON).is_valid({"type": "FeatureCollection", "features": [feature]})


@pytest.mark.parametrize("name", DRIVES)
def test_distance_never_falls_and_ends_at_the_length_of_the_route(ran: Drives, name: str) -> None:
    result = ran[name][1]
    distance = result.epochs(["distance_m"])["distance_m"].dropna().to_numpy()
    assert (np.diff(distance) >= 0).all()
    assert distance[-1] == pytest.approx(result.metric("route_length_m")["value"], abs=0.01)


@pytest.mark.parametrize("name", DRIVES)
def test_positions_stand_as_logged(ran: Drives, shared_data: Path, name: str) -> None:
    """Latitudes and longitudes of all GGA with a position, converted here from degrees and minutes (NMEA 0183)."""
    data = (shared_data / "drives" / f"{name}.nmea").read_bytes()
    found = re.findall(rb"\$[A-Z]{2}GGA,[\d.]+,(\d\d)([\d.]+),([NS]),(\d{3})([\d.]+),([EW]),[1-9]", data)
    logged = [((int(d) + float(m) / 60) * (1 if h == b"N" else -1), (int(e) + float(n) / 60) * (1 if w == b"E" else -1))
              for d, m, h, e, n, w in found]
    epochs = ran[name][1].epochs(["latitude_deg", "longitude_deg", "fix_state_source"])
    reported = epochs[(epochs["fix_state_source"].astype(object) == "reported") & epochs["latitude_deg"].notna()]
    assert len(reported) == len(logged)
    assert np.abs(reported[["latitude_deg", "longitude_deg"]].to_numpy() - np.array(logged)).max() < 1e-9


@pytest.mark.parametrize("name", DRIVES)
def test_a_standstill_scatters_no_more_than_its_positions_do(ran: Drives, name: str) -> None:
    """R95 about the mean cannot exceed the diagonal of the box around the logged positions, whatever the method, nor end below their last digit."""
    result = ran[name][1]
    step_m = next(m["value"] for m in result.summary["metrics"] if m["key"] == "position_resolution_m") or 0.0
    epochs = result.epochs(["standstill_id", "latitude_deg", "longitude_deg"]).dropna()
    for row in result.summary["standstills"]:
        part = epochs[epochs["standstill_id"] == row["standstill_id"]]
        assert len(part)
        low, high = part[["latitude_deg", "longitude_deg"]].min(), part[["latitude_deg", "longitude_deg"]].max()
        diagonal_m = Geodesic.WGS84.Inverse(*low, *high)["s12"]
        assert row["r95_m"] <= max(1.01 * diagonal_m + 0.001, step_m), row["standstill_id"]


@pytest.mark.parametrize("name", DRIVES)
def test_a_standstill_lies_among_its_positions(ran: Drives, name: str) -> None:
    result = ran[name][1]
    epochs = result.epochs(["standstill_id", "latitude_deg", "longitude_deg"]).dropna()
    for row in result.summary["standstills"]:
        part = epochs[epochs["standstill_id"] == row["standstill_id"]]
        for column in ("latitude_deg", "longitude_deg"):
            assert part[column].min() - 1e-7 <= row[column] <= part[column].max() + 1e-7, (row["standstill_id"], column)


@pytest.mark.parametrize("name", DRIVES)
def test_the_drawn_route_is_as_long_as_the_route(ran: Drives, name: str) -> None:
    """Route lines measured on the ellipsoid: no straight lines across interruptions, none of the way left out."""
    result = ran[name][1]
    lines = [f["geometry"] for f in result.geojson()["features"] if f["properties"]["kind"] == "route"]
    length = 0.0
    for line in lines:
        whole = {"LineString": [line["coordinates"]], "MultiLineString": line["coordinates"]}
        for piece in whole.get(line["type"], []):
            length += sum(Geodesic.WGS84.Inverse(a[1], a[0], b[1], b[0])["s12"] for a, b in pairwise(piece))
    assert length == pytest.approx(result.metric("route_length_m")["value"], rel=0.002, abs=5.0)


# mountain_drive_2010


def test_mountain_epochs_and_states(mountain: Result) -> None:
    """RMC modes A/E/N = 10 238/89/85; 10 327 positions and 85 without."""
    assert mountain.summary["epochs"] == mountain.arrow().num_rows == 10_412
    assert states(mountain) == {"autonomous": 10_238, "estimated": 89, "no_fix": 85}
    assert int(mountain.epochs(["latitude_deg"])["latitude_deg"].notna().sum()) == 10_327


def test_mountain_reported_states(mountain: Result) -> None:
    """2602 GGA of quality 1/6/0 = 2560/23/19, each at the time of an RMC."""
    epochs = mountain.epochs(["fix_state", "fix_state_source"])
    reported = epochs.loc[epochs["fix_state_source"].astype(object) == "reported", "fix_state"].astype(object)
    assert dict(reported.value_counts()) == {"autonomous": 2560, "estimated": 23, "no_fix": 19}


def test_mountain_rate_and_gaps(mountain: Result) -> None:
    """Nominal 1 Hz; missing epochs of 11.9 s from 13:10:21 and 206.6 s from 13:14:16; off-grid epochs after both."""
    assert mountain.metric("rate_hz")["value"] == 1.0
    assert mountain.metric("gap_count")["value"] == 2
    assert mountain.metric("longest_gap_s")["value"] == pytest.approx(206.6, abs=0.05)
    found = [(r["kind"], r["start_utc"], round(r["duration_s"], 1)) for r in mountain.summary["dropouts"]]
    day, kind = "2010-04-03T", "missing_epochs"
    assert found == [(kind, f"{day}13:10:21Z", 11.9), (kind, f"{day}13:14:16Z", 206.6)]
    assert mountain.metric("off_grid_epochs")["value"] > 0


def test_mountain_gaps_have_their_places(mountain: Result) -> None:
    """Each gap lies at the positions and the distance of the epochs beside it."""
    epochs = mountain.epochs(["time_utc", "latitude_deg", "longitude_deg", "distance_m"]).set_index("time_utc")
    for row in mountain.summary["dropouts"]:
        before = epochs.loc[:pd.Timestamp(row["start_utc"])].dropna().iloc[-1]
        after = epochs.loc[pd.Timestamp(row["end_utc"]):].dropna().iloc[0]
        for end, beside in (("start", before), ("end", after)):
            for column in ("latitude_deg", "longitude_deg"):
                assert row[f"{end}_{column}"] == beside[column]
        assert row["start_distance_m"] == pytest.approx(before["distance_m"], abs=0.01)
        assert 0 < row["start_distance_m"] < 240_700


def test_mountain_route_under_two_names(mountain: Result) -> None:
    """240.6 km without, 242.9 km with straight lines across interruptions."""
    assert mountain.metric("route_length_m")["value"] / 1000 == pytest.approx(240.6, abs=0.05)
    assert mountain.metric("route_length_bridged_m")["value"] / 1000 == pytest.approx(242.9, abs=0.05)


def test_mountain_date_and_vendor_lines(mountain: Result) -> None:
    """3 April 2010; proprietary lines before the first sentence and in between are counted, not lost."""
    summary = mountain.summary
    assert summary["start_utc"].startswith("2010-04-03T11:22:25") and summary["end_utc"] == "2010-04-03T14:19:29Z"
    (source,) = mountain.summary["sources"]
    proprietary = [e for e in source["ledger"]["entries"] if e["kind"] == "proprietary"]
    assert len(proprietary) > 1 and min(e["cases"][0]["start"] for e in proprietary) < 5


def test_mountain_never_had_corrections_and_says_so(mountain: Result) -> None:
    assert mountain.metric("age_p50_s")["not_evaluated"] and mountain.metric("time_to_first_fixed_s")["not_evaluated"]
    assert mountain.finding("no_corrections")["text"]
    assert {d["kind"] for d in mountain.summary["dropouts"]} == {"missing_epochs"}


def test_mountain_resolution_is_called_too_coarse(mountain: Result) -> None:
    """Four decimals of a minute: a minute of latitude is about 1852 m (the sea mile), so steps are 0.185 m."""
    assert mountain.metric("position_resolution_m")["value"] == pytest.approx(0.1852, rel=0.005)
    assert mountain.finding("coarse_resolution")["level"] in ("warning", "problem")


# long_gap_over_midnight


def test_midnight_epochs_and_dates(midnight: Result) -> None:
    """4469 epochs every 2 s, quality 1/2 = 3494/975; from 25 to 26 September 2005."""
    assert states(midnight) == {"autonomous": 3494, "differential": 975}
    assert midnight.metric("rate_hz")["value"] == 0.5
    times = midnight.epochs(["time_utc"])["time_utc"]
    assert (str(times.iloc[0]), str(times.iloc[-1])) == ("2005-09-25 23:52:34+00:00", "2005-09-26 02:56:32+00:00")
    over = times[(times >= "2005-09-25T23:59:56Z") & (times <= "2005-09-26T00:00:04Z")]
    assert over.diff().dropna().eq(pd.Timedelta(seconds=2)).all() and len(over) == 5


def test_midnight_gaps(midnight: Result) -> None:
    """Gaps of 60, 798 and 1250 s."""
    assert [r["duration_s"] for r in midnight.summary["dropouts"]] == [60, 798, 1250]
    assert [r[0] for r in dropouts(midnight)] == ["missing_epochs"] * 3
    assert midnight.metric("longest_gap_s")["value"] == 1250
    assert midnight.metric("missing_epochs")["value"] == 29 + 398 + 624


def test_midnight_logger_was_stopped(midnight: Result) -> None:
    """The last gap holds the free-text stop and start lines of the logging program; the others hold none."""
    causes = [r[1] for r in dropouts(midnight)]
    assert causes[2] == "logger_gap" and "logger_gap" not in causes[:2]
    evidence = midnight.summary["dropouts"][2]["evidence"]
    assert "ENDED" in evidence and "startup" in evidence
    (source,) = midnight.summary["sources"]
    text = next(e for e in source["ledger"]["entries"] if e["tag"] == "text")
    assert (text["kind"], text["count"]) == ("other_text", 4)


def test_midnight_route(midnight: Result) -> None:
    """138 km: between the lengths without and with straight lines across the gaps, rounded to a kilometre."""
    without, bridged = (midnight.metric(k)["value"] for k in ("route_length_m", "route_length_bridged_m"))
    assert without < bridged and abs(bridged / 1000 - 138) < 0.5


# static_fixed_2hz


def test_static_epochs(static: Result) -> None:
    """120 epochs at 2 Hz, all reported fixed."""
    assert states(static) == {"fixed": 120} and static.metric("rate_hz")["value"] == 2.0
    assert static.metric("missing_epochs")["value"] == 0


def test_static_drift_is_named(static: Result) -> None:
    """0.25 m peak to peak; CEP50 0.09 m, R95 0.18 m about the mean."""
    finding = static.finding("standstill_drift")
    assert "drift" in finding["text"] and finding["evidence"]["drift_m"] == pytest.approx(0.25, abs=0.005)
    (still,) = static.summary["standstills"]
    assert still["cep50_m"] == pytest.approx(0.09, abs=0.005) and still["r95_m"] == pytest.approx(0.18, abs=0.005)
    assert static.metric("route_length_m")["value"] < 0.25


def test_static_gives_no_narrow_interval(static: Result) -> None:
    """Lag-one about 0.98, so one or two independent samples: no interval, and the reason for it."""
    (still,) = static.summary["standstills"]
    assert 1 <= still["n_eff"] <= 2 and still["lag_one"] == pytest.approx(0.98, abs=0.01)
    for key in ("standstill_cep50_m", "standstill_r95_m", "standstill_drms_m"):
        metric = static.metric(key)
        assert metric["interval"] is None and metric["evidence"]["no_interval"]


def test_static_scatter_is_never_called_accuracy(static: Result) -> None:
    for key in ("standstill_cep50_m", "standstill_r95_m"):
        assert "repeatability" in static.metric(key)["method"] and "not accuracy" in static.metric(key)["method"]


def test_static_age_is_not_evaluated(static: Result) -> None:
    """The age is constant 0.0, so it says nothing here."""
    for key in ("age_p50_s", "age_p95_s"):
        assert "constant 0" in static.metric(key)["not_evaluated"]
    assert {r[0] for r in dropouts(static)} <= {"missing_epochs", "fix_loss"}


def test_static_bound_covers_the_drift(static: Result) -> None:
    """Positions that move 0.25 m while the vehicle stands cannot all have been within a few centimetres."""
    bound = static.epochs(["horizontal_bound_m"])["horizontal_bound_m"].to_numpy()
    assert np.median(bound) > 0.09 and static.summary["verdict"]["level"] != "fit"


# float_with_gst_and_gns


def test_float_epochs_and_states(floating: Result) -> None:
    """34 GGA, quality 5/2 = 9/25; RMC says D and GNS FF, but GGA rules; ZDA beside the epoch opens none."""
    assert floating.arrow().num_rows == 34 and floating.metric("rate_hz")["value"] == 1.0
    assert states(floating) == {"float": 9, "differential": 25}
    assert set(floating.epochs(["fix_state_source"])["fix_state_source"].astype(object)) == {"reported"}


def test_float_uses_the_claim(floating: Result, shared_data: Path) -> None:
    """Claims are the RMS of latitude and longitude error of GST (fields 6 and 7), and its height error (field 8)."""
    data = (shared_data / "drives" / "float_with_gst_and_gns.nmea").read_text()
    logged = np.array(re.findall(r"GST,(?:[^,]*,){5}([\d.]+),([\d.]+),([\d.]+)\*", data), dtype=float)
    epochs = floating.epochs(["claimed_horizontal_m", "claimed_vertical_m"])
    assert len(logged) == 34
    assert np.allclose(epochs["claimed_horizontal_m"], np.sqrt((logged[:, 0] ** 2 + logged[:, 1] ** 2) / 2), atol=1e-6)
    assert np.allclose(epochs["claimed_vertical_m"], logged[:, 2], atol=1e-6)
    assert floating.metric("share_gst_consistent")["value"] == 1.0


def test_float_keeps_every_sentence(floating: Result) -> None:
    """Proprietary lines are counted by tag."""
    (source,) = floating.summary["sources"]
    entries = {(e["kind"], e["tag"]): e["count"] for e in source["ledger"]["entries"]}
    assert entries[("accepted", "ZDA")] == 34 and entries[("proprietary", "PTNL")] == 34


# As a program of its own


def test_as_a_program(shared_data: Path, tmp_path: Path) -> None:
    """One drive by ``python -m analyzer``: quiet to the end, JSON alone on stdout."""
    log = shared_data / "drives" / "static_fixed_2hz.nmea"
    done = run_program("assess", log, "--out", tmp_path / "r", "--json", "--quiet")
    assert (done.code, done.err) == (0, "")
    assert json.loads(done.out) == Result(tmp_path / "r").summary


def test_brief_fits_one_screen(shared_data: Path) -> None:
    done = run_program("assess", shared_data / "drives" / "mountain_drive_2010.nmea", "--brief")
    assert done.code == 0 and done.err == ""
    assert len(done.out.splitlines()) <= 40 and max(map(len, done.out.splitlines())) <= 200
    assert "13:10:21" in done.out and "13:14:16" in done.out


@pytest.mark.parametrize("name", DRIVES)
def test_inspect_agrees(shared_data: Path, name: str) -> None:
    done = run("inspect", shared_data / "drives" / f"{name}.nmea", "--json")
    content = json.loads(done.out)
    assert (done.code, done.err) == (0, "") and content["sources"][0]["ledger"]["balanced"] is True
    rows = {t["table"]: t["rows"] for t in content["tables"]}
    assert rows["fixes"] == dict(zip(DRIVES, (10_412, 4469, 120, 34), strict=True))[name]
