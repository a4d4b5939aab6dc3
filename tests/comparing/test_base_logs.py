"""A static log at the base: settled, shifted, and what it cannot show."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analyzer.comparing.base_check import BaseCheck, check_base
from analyzer.comparing.base_words import _within, gap_words
from analyzer.comparing.write import write_base
from analyzer.demo import make_base_log
from analyzer.errors import InputError, UsageError


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, BaseCheck]:
    """Return checks of logs of both grades, one with a moved antenna, one unsettled."""
    place = tmp_path_factory.mktemp("logs")
    told = {
        "metre": {"grade": "metre"},
        "centimetre": {"grade": "centimetre"},
        "moved": {"grade": "centimetre", "antenna_moved_m": (0.14, 0.0, 0.05)},
        "unsettled": {"grade": "centimetre", "settled": False},
    }
    out: dict[str, BaseCheck] = {}
    for seed, (name, options) in enumerate(told.items(), start=11):
        make_base_log(place / f"{name}.nmea", seed=seed, **options)  # type: ignore[arg-type]
        out[name] = check_base(
            place / f"{name}.nmea", previous=out.get("centimetre") if name == "moved" else None, accuracy_m=0.5
        )
    return out


def test_autonomous_log_sees_metres_and_is_never_called_absolute(logs: dict[str, BaseCheck]) -> None:
    one = logs["metre"]
    assert one.grade == "metre"
    assert 3.0 < one.detectable_m["base_log_metre"] < 20.0
    assert any("consistent, not absolute" in s for s in one.sentences)
    assert any("enter the same coordinates every day" in s for s in one.sentences)
    assert any("repeatability only" in s for s in one.sentences)


def test_gaps_of_a_log_are_told(logs: dict[str, BaseCheck]) -> None:
    """Over an hour of which 500 s are missing nobody found no step."""
    assert not any("no fixed position was logged" in s for s in logs["centimetre"].sentences)
    times = pd.date_range("2026-03-24T09:00:00Z", periods=3600, freq="1s")
    (said,) = gap_words(times[np.r_[0:1000, 1500:3600]], "fixed")
    assert said.startswith("In 1 gap of together 8 min 21 s no fixed position was logged")
    assert gap_words(times[np.r_[0:1000, 1005:3600]], "fixed") == ()


def test_autonomous_log_honestly_leaves_a_small_move_open(logs: dict[str, BaseCheck]) -> None:
    place = logs["metre"].coordinates
    again = check_base_of(logs["metre"], place)
    assert again["shift"]["answer"] == "not_evaluated"
    assert not any("not moved" in s for s in again["sentences"])


def test_expected_coordinates_of_another_place_are_no_shift_of_the_antenna(logs: dict[str, BaseCheck]) -> None:
    told = " ".join(str(s) for s in check_base_of(logs["centimetre"], (0.0, 0.0, 0.0))["sentences"])  # type: ignore[attr-defined]
    assert "km from the expected coordinates: those coordinates are of another place, or a figure of them is mistyped" in told
    assert "the antenna was shifted" not in told


def test_what_a_mean_repeats_within_has_a_smallest_figure() -> None:
    assert (_within(0.0), _within(0.0004), _within(0.0123)) == ("0.1 cm", "0.1 cm", "1.2 cm")


def check_base_of(check: BaseCheck, expected: tuple[float, float, float]) -> dict[str, object]:
    """Return base.json of a log of the same kind against expected coordinates."""
    import tempfile

    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "log.nmea"
        make_base_log(path, seed=33, grade=check.grade)
        return check_base(path, expected=expected).to_dict()


def test_moved_antenna_is_seen_by_a_centimetre_log(logs: dict[str, BaseCheck]) -> None:
    shift = logs["moved"].shift
    assert shift is not None
    assert shift.found
    assert shift.vector_m == pytest.approx((0.14, 0.0, 0.05), abs=0.05)
    assert shift.detectable_m < 0.15


def test_unsettled_log_is_recognised_and_only_its_steady_part_used(logs: dict[str, BaseCheck]) -> None:
    one = logs["unsettled"]
    assert one.settled is False
    assert one.steady_from_utc > one.start_utc
    assert logs["centimetre"].settled is True
    apart = [abs(a - b) for a, b in zip(one.coordinates, logs["centimetre"].coordinates, strict=True)]
    assert max(apart[:2]) < 5e-7
    assert apart[2] < 0.08


@pytest.fixture(scope="module")
def autonomous(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[BaseCheck]]:
    """Return checks of autonomous logs: settled, from switching on, and with the logger connected later."""
    path = tmp_path_factory.mktemp("many") / "log.nmea"
    kinds = {"settled": {}, "shown": {"settled": False}, "hidden": {"settled": False, "start_up": "hidden"}}
    out: dict[str, list[BaseCheck]] = {name: [] for name in kinds}
    for name, options in kinds.items():
        for seed in range(9100, 9106):
            make_base_log(path, seed=seed, grade="metre", duration_s=900.0, **options)  # type: ignore[arg-type]
            out[name].append(check_base(path))
    return out


def test_autonomous_log_from_switching_on_is_recognised(autonomous: dict[str, list[BaseCheck]]) -> None:
    assert np.mean([c.settled is False for c in autonomous["shown"]]) >= 0.9
    assert all({"no_position", "satellites"} & set(c.answer.by) for c in autonomous["shown"])
    assert all(c.steady_from_utc > c.start_utc for c in autonomous["shown"])


def test_drift_that_an_autonomous_log_hides_is_never_called_settled(autonomous: dict[str, list[BaseCheck]]) -> None:
    """The planted drift, 1.5 to 4 m horizontally, lies below what is found in four of five such logs, and it is said."""
    for check in (*autonomous["hidden"], *autonomous["settled"]):
        assert check.settled is not True
        assert check.settling.detectable_m[0] > 4.0
        if check.settled is None:
            assert "not evaluated: no drift above" in check.sentences[0]
            assert check.to_dict()["settling"]["answer"] == "not_evaluated"


def test_settled_autonomous_logs_are_seldom_called_unsettled(autonomous: dict[str, list[BaseCheck]]) -> None:
    """Two in a hundred: more than one of six happens in 6 of 1000 repetitions."""
    assert sum(c.settled is False for c in autonomous["settled"]) <= 1
    assert not any(c.start for c in autonomous["settled"])


def test_answer_on_settling_carries_its_evidence(logs: dict[str, BaseCheck]) -> None:
    told = logs["unsettled"].to_dict()["settling"]
    assert told["answer"] == "unsettled"
    assert {"drift", "no_position", "fix_state", "satellites", "claim"} == set(told["evidence"])
    sure = logs["centimetre"].to_dict()["settling"]
    assert sure["answer"] == "settled_within"
    assert 0.01 < sure["smallest_detectable_drift_horizontal_m"] < sure["smallest_detectable_drift_m"] < 0.5


def test_what_is_entered_cannot_show_where_the_antenna_stands(logs: dict[str, BaseCheck]) -> None:
    sizes = logs["centimetre"].detectable_m
    assert sizes["entered_coordinates"] is None
    assert sizes["station_id"] is None
    assert sizes["three_marks_a_day"] == pytest.approx(0.0257, abs=0.0005)
    assert sizes["base_log_centimetre"] < sizes["one_common_parking_place"] < sizes["base_log_metre"]


def test_antenna_height_is_named_when_its_size_fits(tmp_path: Path) -> None:
    make_base_log(tmp_path / "log.nmea", seed=21, grade="centimetre", duration_s=900.0)
    truth = check_base(tmp_path / "log.nmea").coordinates
    too_low = (truth[0], truth[1], truth[2] - 1.8)
    found = check_base(tmp_path / "log.nmea", expected=too_low, antenna_height_m=1.8)
    assert "antenna_height_left_out" in found.named
    east = (truth[0], truth[1] + 0.0004, truth[2])
    next_door = check_base(tmp_path / "log.nmea", expected=east, neighbours={"mark 7": truth})
    assert "antenna_at_neighbour" in next_door.named


def test_result_is_read_back(logs: dict[str, BaseCheck], tmp_path: Path) -> None:
    write_base(logs["centimetre"], tmp_path / "base")
    content = json.loads((tmp_path / "base" / "base.json").read_text())
    assert {"coordinates", "covariance_m2", "frame", "settled", "satellites", "smallest_detectable_shift_m"} <= set(
        content
    )
    make_base_log(
        tmp_path / "next.nmea", seed=40, grade="centimetre", duration_s=600.0, start_utc="2026-04-15T06:30:00"
    )
    again = check_base(tmp_path / "next.nmea", previous=tmp_path / "base")
    assert again.shift is not None
    assert not again.shift.found
    assert "no shift above" in " ".join(again.sentences)
    assert "Settled" in (tmp_path / "base" / "report.html").read_text()


def test_short_log_is_not_evaluated(shared_data: Path) -> None:
    """A minute of a receiver at rest (see SOURCES: static_fixed_2hz) says nothing of settling."""
    found = check_base(shared_data / "drives" / "static_fixed_2hz.nmea")
    assert found.settled is None
    assert "not evaluated" in found.sentences[0]


def test_a_drive_is_no_base(shared_data: Path) -> None:
    with pytest.raises(InputError, match="moves"):
        check_base(shared_data / "drives" / "mountain_drive_2010.nmea")


def test_wrong_calls_are_refused(logs: dict[str, BaseCheck], tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="pass one"):
        check_base(tmp_path / "x", expected=(47.0, 20.0, 100.0), previous=logs["metre"])
    with pytest.raises(UsageError, match="above 0"):
        check_base(tmp_path / "x", accuracy_m=0.0)
    with pytest.raises(InputError):
        make_base_log(tmp_path / "short.nmea", seed=1, duration_s=60.0)
        check_base(tmp_path / "short.nmea", previous=tmp_path / "nowhere")


def with_step(text: str, *, after: int, north_min: float, satellites: int | None = None, steadily: bool = False) -> str:
    """Return a log whose GGA positions lie `north_min` minutes of latitude further from epoch `after` on, or further with each epoch."""
    out, seen = [], 0
    for line in text.splitlines():
        if "GGA" in line:
            cells = line[1:].split("*")[0].split(",")
            seen += 1
            if seen > after:
                cells[2] = f"{float(cells[2]) + north_min * (seen - after if steadily else 1):013.8f}"
            cells[7] = cells[7] if satellites is None else f"{satellites:02d}"
            body = ",".join(cells)
            total = 0
            for byte in body.encode():
                total ^= byte
            line = f"${body}*{total:02X}"
        out.append(line)
    return "\r\n".join(out) + "\r\n"


@pytest.fixture(scope="module")
def stepped(tmp_path_factory: pytest.TempPathFactory) -> BaseCheck:
    """Return the check of a log whose position stepped by 20 cm to the north after 500 s."""
    path = tmp_path_factory.mktemp("stepped") / "log.nmea"
    make_base_log(path, seed=12, grade="centimetre", duration_s=900.0)
    # a minute of latitude is about 1853 m long here
    path.write_text(with_step(path.read_text(), after=500, north_min=0.2 / 1853.0))
    return check_base(path, accuracy_m=0.1)


def test_a_step_within_the_log_is_the_answer_on_settling_and_on_shift(stepped: BaseCheck, tmp_path: Path) -> None:
    assert stepped.settled is False
    assert "did not stand still: its position stepped by" in stepped.sentences[0]
    assert "shifted within this log" in stepped.sentences[1]
    # what lay before the step is not to be used: the mean repeats from there on only
    assert any(f"(95 %) at once from {stepped.steady_from_utc:%H:%M:%S} UTC on" in s for s in stepped.sentences)
    content = stepped.to_dict()
    assert content["shift"]["answer"] == "moved_within_log"
    move = content["shift"]["within_log"][0]
    assert move["from_utc"] <= "2026-04-14T06:38:20" <= move["until_utc"]
    assert move["vector_m"][1] == pytest.approx(0.2, abs=0.03)
    assert content["shift"]["vector_m"] is None
    assert (stepped.steady_from_utc - stepped.start_utc).total_seconds() >= 500
    write_base(stepped, tmp_path / "base")
    assert "Moved within the log" in (tmp_path / "base" / "report.html").read_text()


def test_settled_says_of_what_kind_of_drift_and_what_few_satellites_mean(logs: dict[str, BaseCheck], tmp_path: Path) -> None:
    said = logs["centimetre"].sentences[0]
    assert "dies out with a time constant of 280 s; a step above" in said
    assert "steady drift above" in said
    path = tmp_path / "few.nmea"
    make_base_log(path, seed=12, grade="centimetre", duration_s=900.0)
    path.write_text(with_step(path.read_text(), after=0, north_min=0.0, satellites=9))
    few = check_base(path)
    assert few.settled
    assert "fewer than 12 satellites for 100 % of the time" in few.sentences[1]
    assert "few satellites" in few._repr_html_()


def test_coordinates_of_a_base_that_never_stood_still_are_not_recommended(logs: dict[str, BaseCheck], tmp_path: Path) -> None:
    path = tmp_path / "drift.nmea"
    make_base_log(path, seed=12, grade="centimetre", duration_s=900.0)
    path.write_text(with_step(path.read_text(), after=0, north_min=0.3 / 1853.0 / 900, steadily=True))
    said = " ".join(check_base(path).sentences)
    assert "moved steadily" in said and "do not enter its coordinates" in said
    praised = ("What matters most: enter the same coordinates", "These coordinates are as absolute")
    assert not any(words in said for words in praised)
    assert all(words in " ".join(logs["centimetre"].sentences) for words in praised)
