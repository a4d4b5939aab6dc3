"""Map formats: valid by their schemas, readable by a GIS library, heights and states as promised."""

from __future__ import annotations

import json
from collections.abc import Iterator
from importlib import resources
from pathlib import Path

import export_results
import jsonschema
import numpy as np
import pyogrio
import pytest
from lxml import etree

from analyzer.exports import export
from analyzer.exports.gpx import FIX
from analyzer.tables import FIX_STATES

GPX = "{http://www.topografix.com/GPX/1/1}"
KML = "{http://www.opengis.net/kml/2.2}"
OURS = "{urn:x-postdrive:quality:1}"


def written(result: Path, tmp_path: Path, form: str, *, spacing_m: float = 1.0) -> Path:
    return export(result, form, out=tmp_path / f"route.{form}", spacing_m=spacing_m)


def schema(path: Path) -> etree.XMLSchema:
    return etree.XMLSchema(etree.parse(str(path)))


def points(path: Path) -> list[etree._Element]:
    return list(etree.parse(str(path)).iter(f"{GPX}trkpt"))


def text(point: etree._Element, name: str) -> str | None:
    return point.findtext(f"{GPX}{name}")


def test_gpx_holds_to_the_schema(result: Path, tmp_path: Path) -> None:
    path = written(result, tmp_path, "gpx")
    schema(Path(__file__).with_name("gpx_1_1_from_memory.xsd")).assertValid(etree.parse(str(path)))


def test_the_gpx_schema_would_notice(result: Path, tmp_path: Path) -> None:
    path = written(result, tmp_path, "gpx")
    check = schema(Path(__file__).with_name("gpx_1_1_from_memory.xsd"))
    for old, new in (("<fix>dgps", "<fix>rtk"), ("<dgpsid>1023", "<dgpsid>1024"), ('lon="', 'lon="1'), ("<time>", "<name>x</name><time>")):
        broken = path.read_text(encoding="utf-8").replace(old, new)
        assert not check.validate(etree.fromstring(broken.encode())), old


def test_the_extension_holds_to_our_own_schema(result: Path, tmp_path: Path) -> None:
    file = resources.files("analyzer.exports") / "schemas" / "quality_1.xsd"
    check = etree.XMLSchema(etree.fromstring(file.read_bytes()))
    epochs = list(etree.parse(str(written(result, tmp_path, "gpx"))).iter(f"{OURS}epoch"))
    assert len(epochs) > 300 and all(check.validate(etree.ElementTree(e)) for e in epochs), check.error_log


def test_kml_holds_to_the_ogc_schema(result: Path, tmp_path: Path) -> None:
    """OGC 07-147r2, the schema of KML 2.2, as the package fastkml ships it; all elements used are part of 2.3 too."""
    folder = resources.files("fastkml") / "schema"
    with resources.as_file(folder) as place:
        schema(place / "ogckml22.xsd").assertValid(etree.parse(str(written(result, tmp_path, "kml"))))


def test_geojson_holds_to_the_schema(result: Path, tmp_path: Path) -> None:
    """RFC 7946, sections 3.1 and 3.2; no crs member (section 4)."""
    rules = json.loads((resources.files("analyzer.exports") / "schemas" / "geojson.json").read_text(encoding="utf-8"))
    content = json.loads(written(result, tmp_path, "geojson").read_text(encoding="utf-8"))
    check = jsonschema.Draft202012Validator(rules)
    check.validate(content)
    content["features"][0]["geometry"]["coordinates"][0][0] = 180.5
    assert not check.is_valid(content)


@pytest.mark.parametrize(("form", "layer", "least"), [("gpx", "track_points", 300), ("gpx", "waypoints", 1),
                                                      ("kml", "Route by trust", 9), ("kml", "Dropouts", 2), ("geojson", None, 12)])
def test_a_gis_library_reads_it(result: Path, tmp_path: Path, form: str, layer: str | None, least: int) -> None:
    _, _, geometry, _ = pyogrio.raw.read(written(result, tmp_path, form), layer=layer)
    assert len(geometry) >= least


def test_gpx_says_dgps_for_every_corrected_state_and_ours_beside_it(result: Path, tmp_path: Path) -> None:
    seen: dict[str, set[str | None]] = {}
    for point in points(written(result, tmp_path, "gpx", spacing_m=0)):
        ours = point.findtext(f"{GPX}extensions/{OURS}epoch/{OURS}fix_state")
        assert ours == text(point, "type")
        seen.setdefault(str(ours), set()).add(text(point, "fix"))
    assert seen == {
        "fixed": {"dgps"}, "float": {"dgps"}, "differential": {"dgps"}, "precise": {"pps"}, "autonomous": {"3d"},
        "estimated": {"none"}, "manual": {None}, "simulated": {None},
    }  # fmt: skip
    assert set(FIX) == set(FIX_STATES) - {"no_fix"}


def test_gpx_holds_station_numbers_up_to_1023_only_and_only_where_corrected(result: Path, tmp_path: Path) -> None:
    stations = {(text(p, "type"), text(p, "dgpsid")) for p in points(written(result, tmp_path, "gpx", spacing_m=0))}
    assert ("differential", "1023") in stations and ("autonomous", None) in stations
    assert {number for _, number in stations} == {"1023", None}


def test_heights_are_above_the_geoid_and_left_out_where_unknown(result: Path, tmp_path: Path) -> None:
    frame = export_results.epochs()
    known = points(written(result, tmp_path, "gpx", spacing_m=0))
    assert float(str(text(known[0], "ele"))) == pytest.approx(frame["height_m"].iloc[0] - export_results.GEOID_M)
    assert float(str(text(known[0], "geoidheight"))) == export_results.GEOID_M
    assert sum(text(p, "ele") is None for p in known) == 50
    for line in etree.parse(str(written(result, tmp_path, "kml"))).iter(f"{KML}LineString"):
        width = {len(c.split(",")) for c in str(line.findtext(f"{KML}coordinates")).split()}
        assert width == ({3} if line.findtext(f"{KML}altitudeMode") == "absolute" else {2})


def lines(content: dict) -> Iterator[np.ndarray]:
    for feature in content["features"]:
        shape = feature["geometry"]
        if shape and shape["type"] == "MultiLineString":
            yield from (np.array(part) for part in shape["coordinates"])
        elif shape and shape["type"] == "LineString":
            yield np.array(shape["coordinates"])


def test_geojson_is_ellipsoidal_and_cut_at_the_antimeridian(result: Path, tmp_path: Path) -> None:
    content = json.loads(written(result, tmp_path, "geojson").read_text(encoding="utf-8"))
    parts = list(lines(content))
    assert all(np.abs(np.diff(part[:, 0])).max() < 1 for part in parts)
    ends = {float(part[end, 0]) for part in parts for end in (0, -1)}
    assert {180.0, -180.0} <= ends
    assert content["features"][0]["geometry"]["coordinates"][0][2] == 210.0
    assert content["name"].startswith("run <07>")


def test_no_line_bridges_missing_epochs(result: Path, tmp_path: Path) -> None:
    """Steps of the invented drive are 0.5 m; across the gap and the hole they would be longer, across ±180° round the globe."""
    path = written(result, tmp_path, "gpx", spacing_m=0)
    segments = list(etree.parse(str(path)).iter(f"{GPX}trkseg"))
    assert [len(s) for s in segments] == [450, 50, 190, 200]
    east = [[float(p.get("lon")) for p in s.iter(f"{GPX}trkpt")] for s in segments]
    assert [np.ptp(longitudes) < 0.01 for longitudes in east] == [True] * 4
    content = json.loads(written(result, tmp_path / "..", "geojson", spacing_m=0).read_text(encoding="utf-8"))
    routes = [f for f in content["features"] if f["properties"]["kind"] == "route"]
    steps = np.concatenate([np.diff(part[:, 0]) for part in lines({"features": routes})]) * 111_320 * 0.5
    assert steps.max() < 0.51
