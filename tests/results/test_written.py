"""What is written can be read by others: types, order, missing values, cuts at the antimeridian, completeness."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import analyzer
from analyzer import tables
from analyzer.errors import OutputError
from analyzer.results.summary import json_safe
from analyzer.results.write import _write_csv

pytestmark = pytest.mark.usefixtures("no_pictures")

START = pd.Timestamp("2026-03-24T23:59:50Z")


def sentence(body: str) -> str:
    """Return an NMEA sentence with its checksum."""
    check = 0
    for character in body.encode():
        check ^= character
    return f"${body}*{check:02X}\r\n"


def drive(longitudes_deg: np.ndarray, *, state: int = 4, skip: range = range(0)) -> str:
    """Return a log along the parallel of 10° north, one epoch a second over midnight; `skip` leaves epochs out."""
    lines = []
    for k, longitude in enumerate(longitudes_deg):
        if k in skip:
            continue
        time = START + pd.Timedelta(seconds=k)
        degrees, side = int(abs(longitude)), "E" if longitude >= 0 else "W"
        place = f"1000.000000,N,{degrees:03d}{(abs(longitude) - degrees) * 60:09.6f},{side}"
        lines.append(sentence(f"GPRMC,{time:%H%M%S}.00,A,{place},20.0,90.0,{time:%d%m%y},,,A"))
        lines.append(sentence(f"GPGGA,{time:%H%M%S}.00,{place},{state},14,0.7,30.0,M,10.0,M,{1 + k % 2}.0,0007"))
    return "".join(lines)


def written(tmp_path: Path, text: str, **more: Any) -> Path:
    """Return the result folder of a log."""
    log = tmp_path / "drive.nmea"
    log.write_text(text, newline="")
    analyzer.write_results(analyzer.assess(analyzer.read(log), **more), tmp_path / "result")
    return tmp_path / "result"


@pytest.fixture
def plain() -> str:
    """Half a minute eastwards at about 10 m/s, a gap of 6 s in it."""
    return drive(20.0 + np.arange(30) * 1e-4, skip=range(12, 17))


def test_parquet_is_plain_arrow(tmp_path: Path, plain: str) -> None:
    """Read by pyarrow alone: no pandas index, no extension types, units as field metadata."""
    path = written(tmp_path, plain) / "epochs.parquet"
    schema = pq.read_schema(path)
    assert schema.names[0] == "time_utc" and schema.field("time_utc").type == pa.timestamp("us", tz="UTC")
    assert not schema.field("time_utc").nullable
    for column in tables.EPOCHS.columns:
        assert (schema.field(column.name).metadata or {})[b"unit"].decode() == column.unit
    assert all(not isinstance(f.type, pa.BaseExtensionType) for f in schema)


def test_missing_is_null_and_never_a_number(tmp_path: Path, plain: str) -> None:
    """Nothing of this is in the log, so every cell of it is null; no NaN, no 0, no -1."""
    table = pq.read_table(written(tmp_path, plain) / "epochs.parquet")
    for name in ("yaw_rate_radps", "heading_deg", "claimed_horizontal_m", "base_distance_m", "window", "satellites_in_view"):
        assert table.column(name).null_count == table.num_rows, name
    for field in table.schema:
        if pa.types.is_floating(field.type):
            assert not np.isnan(table.column(field.name).drop_null().to_numpy()).any(), field.name
    assert table.column("reasons").null_count == 0


def test_the_whole_comes_back(tmp_path: Path, plain: str) -> None:
    """A pandas reader gets the same epochs as the assessment held."""
    log = tmp_path / "drive.nmea"
    log.write_text(plain, newline="")
    assessment = analyzer.assess(analyzer.read(log))
    analyzer.write_results(assessment, tmp_path / "r")
    back = pd.read_parquet(tmp_path / "r" / "epochs.parquet").set_index("time_utc")
    assert (back.index == assessment.epochs.index).all() and len(back) == 25
    for name in ("latitude_deg", "longitude_deg", "horizontal_bound_m", "distance_m"):
        assert np.array_equal(back[name].to_numpy(float), assessment.epochs[name].to_numpy(float), equal_nan=True)
    codes = [",".join(row) for row in back["reasons"]]
    assert codes == assessment.epochs["reasons"].astype(object).fillna("").tolist()


def test_csv_times_and_empty_cells(tmp_path: Path, plain: str) -> None:
    """ISO 8601 with Z; missing is an empty cell; UTF-8, line feeds."""
    data = (written(tmp_path, plain) / "dropouts.csv").read_bytes()
    assert b"\r" not in data and data.endswith(b"\n")
    rows = pd.read_csv(tmp_path / "result" / "dropouts.csv", dtype=str, keep_default_na=False)
    row = rows[rows["kind"] == "missing_epochs"].iloc[0]
    assert (row["start_utc"], row["end_utc"]) == ("2026-03-25T00:00:01.000000Z", "2026-03-25T00:00:07.000000Z")
    assert float(row["duration_s"]) == 6 and row["base_distance_m"] == ""


def test_csv_times_have_one_form(tmp_path: Path) -> None:
    """Whole seconds and parts of them stand in one column: pandas takes the form of the first for all."""
    times = pd.to_datetime(["2026-03-25T00:00:01Z", "2026-03-25T00:00:07.4Z", None], utc=True, format="ISO8601")
    _write_csv(pd.DataFrame({"start_utc": times, "n": [1, 2, 3]}), tmp_path / "x.csv")
    back = pd.to_datetime(pd.read_csv(tmp_path / "x.csv")["start_utc"])
    assert back.iloc[:2].tolist() == times[:2].tolist() and pd.isna(back.iloc[2])


def test_summary_is_strict_json(tmp_path: Path, plain: str) -> None:
    """RFC 8259 knows no NaN and no Infinity."""
    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is not JSON")

    folder = written(tmp_path, plain)
    content = json.loads((folder / "summary.json").read_text(encoding="utf-8"), parse_constant=refuse)
    assert content["epochs"] == 25 and content["schema_version"] == 1
    bounds = content["bounds"]
    assert {"bound_p50_m", "bound_p75_m", "bound_p95_m", "bound_worst_trusted_m"} == set(bounds["trusted"])
    assert [axis["axis"] for axis in bounds["axes"]] == ["horizontal", "across", "along", "vertical"]
    plan = bounds["axes"][0]
    assert plan["bound_p50_m"] <= plan["bound_p75_m"] <= plan["bound_p95_m"]
    table = pd.DataFrame(plan["availability"])
    assert list(table.columns) == ["limit_m", "share_time", "share_distance"] and 0.1 in set(table["limit_m"])
    assert table["share_time"].is_monotonic_increasing and table["share_time"].between(0, 1).all()
    json.loads((folder / "route.geojson").read_text(encoding="utf-8"), parse_constant=refuse)


def test_summary_is_written_last(tmp_path: Path, plain: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder with summary.json is complete: nothing else is written after it."""
    order: list[str] = []
    real = Path.write_text

    def watched(self: Path, *args: Any, **kwargs: Any) -> int:
        order.append(self.name)
        return real(self, *args, **kwargs)

    folder_before = tmp_path / "drive.nmea"
    folder_before.write_text(plain, newline="")
    assessment = analyzer.assess(analyzer.read(folder_before))
    monkeypatch.setattr(Path, "write_text", watched)
    analyzer.write_results(assessment, tmp_path / "r")
    monkeypatch.undo()
    assert order[-1] == "summary.json"
    newest = max((tmp_path / "r").iterdir(), key=lambda p: p.stat().st_mtime_ns)
    assert newest.name == "summary.json"


def test_a_failing_part_leaves_nothing(tmp_path: Path, plain: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The page is written after the tables; where it fails, the tables go as well."""
    import analyzer.report.html as html

    def fail(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(html, "write_html", fail)
    with pytest.raises(OutputError, match="No space left"):
        written(tmp_path, plain)
    assert [p.name for p in tmp_path.iterdir()] == ["drive.nmea"]


@pytest.mark.parametrize("eastwards", [True, False])
def test_the_route_is_cut_at_the_antimeridian(tmp_path: Path, eastwards: bool) -> None:
    """RFC 7946 section 3.1.9: a line that crosses it is cut in two, so that neither part crosses it."""
    track = 179.99855 + np.arange(30) * 1e-4
    track = np.where(track > 180, track - 360, track)
    folder = written(tmp_path, drive(track if eastwards else track[::-1]))
    content = json.loads((folder / "route.geojson").read_text(encoding="utf-8"))
    lines = []
    for geometry in (f["geometry"] for f in content["features"] if f["properties"]["kind"] == "route"):
        lines += {"LineString": [geometry["coordinates"]], "MultiLineString": geometry["coordinates"]}.get(geometry["type"], [])
    assert len(lines) >= 2
    for line in lines:
        assert np.abs(np.diff([p[0] for p in line])).max() < 1, "no part runs round the globe"
    edges = sorted(p[0] for line in lines for p in line if abs(p[0]) == 180)
    assert edges == [-180, 180], "the parts meet at the cut"


def test_route_pieces_carry_trust_and_do_not_cross_a_gap(tmp_path: Path, plain: str) -> None:
    content = json.loads((written(tmp_path, plain) / "route.geojson").read_text(encoding="utf-8"))
    pieces = [f["properties"] for f in content["features"] if f["properties"]["kind"] == "route"]
    assert {p["trust"] for p in pieces} <= set(tables.TRUST)
    assert not [p for p in pieces if p["start_utc"] <= "2026-03-25T00:00:01Z" < "2026-03-25T00:00:07Z" <= p["end_utc"]]
    gaps = [f for f in content["features"] if f["properties"]["kind"] == "dropout"]
    assert [g["properties"]["dropout_kind"] for g in gaps] == ["missing_epochs"]


def test_route_pieces_do_not_cross_epochs_without_a_position(tmp_path: Path) -> None:
    """Where the receiver had no position nobody knows the way; no line is drawn there."""
    text = drive(20.0 + np.arange(30) * 1e-4).splitlines(keepends=True)
    blind = [sentence(f"GPGGA,{START + pd.Timedelta(seconds=k):%H%M%S}.00,,,,,0,00,,,,,,,") for k in range(12, 17)]
    folder = written(tmp_path, "".join([*text[:24], *blind, *text[34:]]))
    content = json.loads((folder / "route.geojson").read_text(encoding="utf-8"))
    steps = []
    for geometry in (f["geometry"] for f in content["features"] if f["properties"]["kind"] == "route"):
        assert geometry["type"] in ("LineString", "Point")
        if geometry["type"] == "LineString":
            steps += np.diff([p[0] for p in geometry["coordinates"]]).tolist()
    assert max(steps) < 2e-4


@pytest.mark.parametrize(("value", "expected"), [
    (float("nan"), None), (np.float32("inf"), None), (np.int64(3), 3), (pd.NA, None), (pd.NaT, None), (np.bool_(True), True),
    (pd.Timestamp("2026-03-24T12:00:00.5Z"), "2026-03-24T12:00:00.500000Z"), ({1: (np.nan, "x")}, {"1": [None, "x"]}),
    (pd.Timestamp("2026-03-24T13:00:00+01:00"), "2026-03-24T12:00:00Z"), (np.array([1.5, np.nan]), [1.5, None]),
])
def test_json_safe(value: object, expected: object) -> None:
    assert json_safe(value) == expected
