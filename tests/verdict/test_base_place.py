"""Where the base stands, by what, and a base that cannot be that of the drive."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from stand_log import write_stand

from analyzer import assess, read, write_results
from analyzer.assessment import Assessment, BasePlace
from analyzer.metrics.measure import measure
from analyzer.report.brief import brief
from analyzer.results.summary import summary
from analyzer.userfiles.setup_sheet import Base, Setup
from analyzer.verdict.base_place import base_far, base_place, usable_base
from analyzer.verdict.setup_check import check_setup

pytestmark = pytest.mark.usefixtures("no_pictures")

HERE = (48.1001, 11.1001, 500.0)


@pytest.fixture(scope="module")
def stand(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """20 s at rest and fixed."""
    return write_stand(tmp_path_factory.mktemp("stand") / "stand.nmea")


def judged(stand: Path, base: tuple[float, float, float] | None) -> Assessment:
    return assess(read([stand]), base=base)


def test_a_base_on_another_continent_is_a_finding(stand: Path) -> None:
    far = (-33.9, 151.2, 20.0)
    found = judged(stand, far)
    km = Geodesic.WGS84.Inverse(48.1003, 11.1003, *far[:2])["s12"] / 1000  # the geodesic, by another library
    (one,) = [f for f in found.findings if f.code == "base_far"]
    assert one.level == "warning" and "wrong coordinates or a wrong file" in one.text
    assert one.evidence["nearest_m"] / 1000 == pytest.approx(km, rel=1e-6)
    assert found.verdict.level == "not_fit" and "km away, too far (100 % of the time)" in found.verdict.sentences[1]
    assert "too far (100 % of the time)" in brief(found).replace("\n  ", " ")


def test_the_base_that_was_given_stands_in_every_output(stand: Path, tmp_path: Path) -> None:
    found = judged(stand, HERE)
    assert not [f for f in found.findings if f.code == "base_far"]
    used = summary(found)["base"]["used"]
    assert used == {"latitude_deg": 48.1001, "longitude_deg": 11.1001, "height_m": 500.0, "origin": "as given"}
    assert "base at 48.1001000°, 11.1001000°, height 500.000 m as given" in brief(found)
    write_results(found, tmp_path / "out")
    assert "48.1001000°, 11.1001000°" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert summary(judged(stand, None))["base"]["used"] is None and "base not stated" in brief(judged(stand, None))


def test_what_is_given_stands_over_the_set_up_sheet(stand: Path) -> None:
    recording, sheet = read([stand]), Setup(base=Base(latitude_deg=48.0, longitude_deg=11.0, height_m=400.0))
    places = [base_place(recording, sheet, HERE, by_log=True), base_place(recording, sheet, None, by_log=True)]
    assert places == [BasePlace(*HERE, "by its own log"), BasePlace(48.0, 11.0, 400.0, "by the set-up sheet")]
    assert base_place(recording, Setup(), None, by_log=False) is None


def test_a_sheet_with_a_base_on_another_continent_is_contradicted_and_not_built_on(stand: Path) -> None:
    """A sign that was forgotten makes no fixed position bad."""
    typo = Setup(base=Base(latitude_deg=-HERE[0], longitude_deg=HERE[1], height_m=HERE[2]), stated={"base": {"name": "Hut"}})
    found, plain = assess(read([stand]), setup=typo), assess(read([stand]))
    assert found.verdict.level == plain.verdict.level != "not_fit"
    assert found.base is None and (found.epochs["bound_baseline_m"] == plain.epochs["bound_baseline_m"]).all()
    (item,) = [i for i in found.setup_items if i.key == "base_position"]
    km = Geodesic.WGS84.Inverse(48.1003, 11.1003, -HERE[0], HERE[1])["s12"] / 1000
    assert item.status == "contradicted" and f"{km:.0f} km" in item.evidence
    (one,) = [f for f in found.findings if f.code.startswith("base_")]
    assert one.code == "base_contradicted" and "wrong coordinates" in one.text and "no bound is built" in one.text
    near = assess(read([stand]), setup=Setup(base=Base(latitude_deg=HERE[0], longitude_deg=HERE[1], height_m=HERE[2])))
    assert near.base is not None and not [f for f in near.findings if f.code.startswith("base_")]


def test_a_base_is_far_only_where_no_epoch_is_near() -> None:
    base = BasePlace(*HERE, "as given")
    assert base_far(base, np.array([150_000.0, 90_000.0, np.nan])) == () and base_far(base, np.array([np.nan])) == ()
    assert len(base_far(base, np.array([150_000.0, 160_000.0]))) == 1 and base_far(None, np.array([1e7])) == ()


def test_a_height_that_is_not_stated_is_none_and_not_zero(stand: Path) -> None:
    found = assess(read([stand]), setup=Setup(base=Base(latitude_deg=HERE[0], longitude_deg=HERE[1])))
    used = summary(found)["base"]["used"]
    assert used["height_m"] is None and used["latitude_deg"] == HERE[0]
    assert "11.1001000°, height not stated, by the set-up sheet" in brief(found).replace("\n  ", " ")
    distance = found.epochs["base_distance_m"].to_numpy()
    np.testing.assert_allclose(distance, judged(stand, HERE).epochs["base_distance_m"].to_numpy())


def test_a_base_log_of_another_place_does_not_take_the_place_of_the_sheet(stand: Path) -> None:
    sheet = Setup(base=Base(latitude_deg=HERE[0], longitude_deg=HERE[1], height_m=HERE[2]), stated={"base": {"name": "Hut"}})
    recording, far = read([stand]), (HERE[0] + 0.1, HERE[1], HERE[2])
    place, told = usable_base(recording, sheet, far, by_log=True)
    assert place == BasePlace(*HERE, "by the set-up sheet") and [(f.code, f.level) for f in told] == [("base_log_elsewhere", "warning")]
    km = Geodesic.WGS84.Inverse(*HERE[:2], *far[:2])["s12"] / 1000
    assert told[0].evidence["away_m"] / 1000 == pytest.approx(km, rel=1e-6) and "from the base as stated: the log of another base" in told[0].text
    (item,) = [i for i in check_setup(recording, measure(recording), sheet, findings=told) if i.key == "base_position"]
    assert item.status == "contradicted" and "another base" in item.evidence
    near, said = usable_base(recording, sheet, (HERE[0] + 1e-5, HERE[1], HERE[2]), by_log=True)
    assert near is not None and near.origin == "by its own log" and [f.code for f in said] == ["base_log_there"]
    (item,) = [i for i in check_setup(recording, measure(recording), sheet, findings=said) if i.key == "base_position"]
    assert item.status == "confirmed" and "not its centimetres" in item.evidence
