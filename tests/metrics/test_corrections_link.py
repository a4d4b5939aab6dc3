"""Figures of the correction link, on made streams with known faults and on a real recording."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer import geodesy, tables, timebase
from analyzer.metrics.corrections_clock import time_messages
from analyzer.metrics.corrections_epochs import epochs_s, find_gaps
from analyzer.metrics.corrections_link import compare_places, measure_link
from analyzer.parsers.rtcm import read_stream

WEEK_S = 604_800
BASE = (48.0, 11.0, 500.0)


def stream(seconds, *, place="rover", station=7, types=(1074, 1084), start=100_000.0, size=200, source_id=0,
           position=(), position_every=10) -> pd.DataFrame:
    """Return messages of `types` at each of `seconds`, and 1006 every so many seconds with ECEF `position`."""
    rows = []
    for second in seconds:
        for number in types:
            rows.append((number, (start + second) % WEEK_S, size, "GPS" if number < 1080 else "GLONASS"))
        if len(position) and second % position_every == 0:
            rows.append((1006, np.nan, 27, None))
    table = pd.DataFrame(rows, columns=["message_type", "epoch_s", "size_byte", "system"])
    stated = table["message_type"].to_numpy() == 1006
    xyz = position if len(position) else (np.nan,) * 3
    table = table.assign(
        station_id=pd.array([station] * len(table), dtype="Int32"), source_id=source_id,
        byte_offset=np.cumsum(table["size_byte"]) - table["size_byte"], satellites=10, signals=20,
        place=pd.Categorical([place] * len(table), categories=["base", "rover", "unknown"]),
        x_m=np.where(stated, xyz[0], np.nan), y_m=np.where(stated, xyz[1], np.nan),
        z_m=np.where(stated, xyz[2], np.nan), antenna_height_m=np.where(stated, 1.5, np.nan),
        crc=(table["epoch_s"].fillna(0).to_numpy() * 7 + table["message_type"]).astype(np.int64) % (1 << 24),
        epoch_scale=pd.Categorical([None if s else "week" for s in stated], categories=["week", "day"]),
        sent_utc=pd.DatetimeIndex([pd.NaT] * len(table), dtype=tables.TIME_DTYPE),
    )
    table["system"] = table["system"].astype("category")
    table.index = pd.DatetimeIndex([pd.NaT] * len(table), dtype=tables.TIME_DTYPE)
    return tables.CORRECTIONS.conform(table)


def joined(*parts: pd.DataFrame) -> pd.DataFrame:
    """Return parts recorded one after the other in one stream."""
    out = pd.concat(parts)
    out["byte_offset"] = np.cumsum(out["size_byte"].to_numpy()) - out["size_byte"].to_numpy()
    out["system"] = out["system"].astype("category")
    return out


def rover_log(first: str, seconds: int, station: int | None = None) -> pd.DataFrame:
    index = pd.date_range(first, periods=seconds, freq="s", tz="UTC").as_unit("us")
    frame = pd.DataFrame(index=index)
    if station is not None:
        frame["station_id"] = pd.array([station] * seconds, dtype="Int32")
    return tables.FIXES.conform(frame)


def ecef(east=0.0, north=0.0, up=0.0) -> np.ndarray:
    place = geodesy.from_enu(east, north, up, origin=BASE)
    return np.array([float(v) for v in geodesy.to_ecef(*place)])


def codes(result) -> set[str]:
    return {f.code for f in result.findings}


def value(result, key):
    return next(m.value for m in result.values if m.key == key)


# 2024-01-01 00:00:00 UTC is GPS week 2295, second 86418 (leap seconds of the tzdata package).
NEW_YEAR_S = 86_418.0


def test_rates_and_gap():
    seconds = [s for s in range(100) if not 40 <= s < 52]
    result = measure_link(stream(seconds, start=NEW_YEAR_S, position=ecef()), date=date(2024, 1, 1))
    assert value(result, "corrections_rover_interval_s") == 1.0
    assert value(result, "corrections_rover_rate_1074_hz") == pytest.approx(0.88)
    assert value(result, "corrections_rover_rate_1006_hz") == pytest.approx(0.08)
    assert value(result, "corrections_rover_longest_gap_s") == 13.0
    (gap,) = result.gaps.to_dict("records")
    assert (gap["start_utc"], gap["end_utc"]) == (
        pd.Timestamp("2024-01-01 00:00:39", tz="UTC"), pd.Timestamp("2024-01-01 00:00:52", tz="UTC"))
    assert (gap["duration_s"], gap["missing_epochs"], gap["station_id"], gap["place"]) == (13.0, 12, 7, "rover")
    assert codes(result) == set()


@given(st.sets(st.integers(0, 300), min_size=20), st.integers(0, WEEK_S - 1))
@settings(max_examples=60, deadline=None)
def test_gaps_add_up_at_any_time_of_week(seconds, start):
    """Whatever is missing, and across the end of the week: steps that are no gap and gaps make the whole span."""
    timed = time_messages(stream(sorted(seconds), types=(1074,), start=float(start))).messages
    times = epochs_s(timed, 7)
    assert np.diff(times).tolist() == np.diff(sorted(seconds)).tolist()
    gaps = find_gaps(timed, "rover")
    step = np.diff(times)
    usual = np.median(step)
    assert gaps["duration_s"].sum() == step[(step > 1.5 * usual) & (step >= 1)].sum()
    assert gaps["start_utc"].isna().all()


def test_line_load():
    """663 bytes each second on 9600 bit/s, 8N1: 691 ms per set, 69 % full; on 4800 it does not fit."""
    table = stream(range(60), types=(1074,), size=663, position=())
    slow, fast = measure_link(table, line_rate=4800), measure_link(table, line_rate=9600)
    assert value(fast, "corrections_rover_set_time_s") == pytest.approx(0.690625)
    assert value(fast, "corrections_rover_line_share") == pytest.approx(0.690625)
    assert value(fast, "corrections_rover_bytes_per_second") == pytest.approx(663)
    load = {f.level for r in (slow, fast) for f in r.findings if f.code == "corrections_line_load"}
    assert load == {"problem", "note"}
    assert "do not fit" in next(f.text for f in slow.findings if f.code == "corrections_line_load")
    without = measure_link(table)
    assert next(m for m in without.values if m.key == "corrections_rover_set_time_s").not_evaluated


def test_set_size_counts_messages_without_time():
    result = measure_link(stream(range(20), position=ecef(), size=100))
    assert value(result, "corrections_rover_set_size_p50_byte") == 200.0
    assert value(result, "corrections_rover_set_size_max_byte") == 227


def test_changed_reference_position():
    """A base that is set up again 0.30 m east and 0.05 m higher."""
    table = joined(stream(range(50), position=ecef()), stream(range(50, 100), position=ecef(0.30, 0.0, 0.05)))
    result = measure_link(table, date=date(2024, 1, 2))
    assert value(result, "corrections_rover_reference_change_m") == pytest.approx(np.hypot(0.30, 0.05), abs=1e-6)
    first, second = result.positions.to_dict("records")
    assert (first["latitude_deg"], first["longitude_deg"]) == pytest.approx(BASE[:2], abs=1e-9)
    assert first["height_m"] == pytest.approx(BASE[2], abs=1e-4)
    assert second["change_horizontal_m"] == pytest.approx(0.30, abs=1e-5)
    assert second["change_vertical_m"] == pytest.approx(0.05, abs=1e-5)
    assert codes(result) == {"corrections_reference_changed"}
    text = next(f.text for f in result.findings if f.code == "corrections_reference_changed")
    assert "0.300 m horizontally" in text
    assert "+0.050 m in height" in text


def test_rounding_is_no_change_and_nonsense_is_named():
    table = joined(stream(range(50), position=ecef()), stream(range(50, 100), position=ecef() + 1e-4))
    assert value(measure_link(table), "corrections_rover_reference_change_m") == 0.0
    assert "corrections_reference_impossible" in codes(measure_link(stream(range(20), position=(0.0, 0.0, 0.0))))


def test_late_reference_position():
    table = stream(range(200), position=ecef(), position_every=60).iloc[1:]
    assert "corrections_reference_late" not in codes(measure_link(stream(range(200), position=ecef())))
    late = table[(table["message_type"] != 1006) | (table["byte_offset"] > 30_000)]
    assert "corrections_reference_late" in codes(measure_link(late))


def test_foreign_station_is_interleaved():
    table = joined(stream(range(60), position=ecef()), stream(range(30), station=9, source_id=1))
    found = {f.code: f for f in measure_link(table).findings}
    assert "9 (60 messages)" in found["corrections_foreign_station"].text
    assert value(measure_link(table), "corrections_rover_stations") == 2
    assert "corrections_other_station" in codes(measure_link(stream(range(60)), station_id=12))


def test_station_of_the_rover_log():
    table = stream(range(60), start=NEW_YEAR_S, position=ecef())
    other, same = (rover_log("2024-01-01 00:00:00", 60, station=s) for s in (55, 7))
    assert "corrections_station_differs" in codes(measure_link(table, fixes=other))
    assert "corrections_station_differs" not in codes(measure_link(table, fixes=same))


@pytest.mark.parametrize(("types", "expected"), [
    ((1074,), {"corrections_no_reference_position"}),
    ((1071,), {"corrections_no_reference_position", "corrections_no_observations"}),
    ((1071, 1072), {"corrections_no_reference_position"}),
    ((1003,), {"corrections_no_reference_position"}),
    ((1060,), {"corrections_no_reference_position", "corrections_no_observations"}),
])
def test_types_that_never_come(types, expected):
    result = measure_link(stream(range(20), types=types))
    assert codes(result) == expected
    words = next((f.text for f in result.findings if f.code == "corrections_no_observations"), "")
    assert ("state-space" in words) == (types == (1060,))


def test_damage():
    table = stream(range(50), position=ecef())
    result = measure_link(table, crc_failures={"rover": 10})
    assert value(result, "corrections_rover_crc_failures") == 10
    assert next(f.level for f in result.findings if f.code == "corrections_damaged") == "warning"
    assert codes(measure_link(table, crc_failures={"rover": 0})) == set()


def test_repeated_stretch_of_a_real_recording(shared_data):
    """SOURCES: msm_no_reference_position holds one stretch of 66 s three times over, and no 1005 or 1006."""
    raw = (shared_data / "corrections" / "msm_no_reference_position.rtcm3").read_bytes()
    read = read_stream([raw], name="x", source_id=0, place="rover")
    result = measure_link(read.corrections, crc_failures={"rover": read.crc_failures}, line_rate=9600)
    assert value(result, "corrections_rover_messages") == 1375
    assert value(result, "corrections_rover_crc_failures") == 0
    assert result.timed.stretches["duration_s"].tolist() == [66.0, 66.0]
    assert result.timed.stretches["end_byte"].iloc[-1] == len(raw)
    assert value(result, "corrections_rover_repeated_messages") == 916
    assert value(result, "corrections_rover_rate_1077_hz") == 1.0
    assert value(result, "corrections_rover_gaps") == 0
    assert codes(result) == {
        "corrections_no_reference_position", "corrections_repeated", "corrections_line_load"}
    assert result.timed.origin == "none"


def test_two_files_that_overlap_count_once():
    table = pd.concat([stream(range(60), position=ecef()), stream(range(40, 100), source_id=1, position=ecef())])
    result = measure_link(table)
    assert result.timed.stretches["duration_s"].tolist() == [20.0]
    assert value(result, "corrections_rover_rate_1074_hz") == 1.0


def test_the_same_message_sent_twice_is_no_stretch():
    table = stream(range(60), types=(1074,), position=ecef())
    table = joined(table.iloc[:10], table.iloc[9:])
    assert value(measure_link(table), "corrections_rover_repeated_messages") == 1
    assert "corrections_repeated" not in codes(measure_link(table))


def test_anchor_rover_log_before_date_and_never_today():
    table = stream(range(60), start=NEW_YEAR_S)
    log = rover_log("2024-01-01 00:00:00", 60)
    timed = time_messages(table, fixes=log, date=date(1999, 1, 1))
    assert timed.origin == "rover_log"
    assert timed.messages.index[0] == log.index[0]
    assert time_messages(table, date=date(2024, 1, 1)).messages.index.equals(timed.messages.index)
    bare = time_messages(table)
    assert bare.origin == "none"
    assert bare.messages.index.isna().all()


@given(st.integers(0, 20_000), st.integers(0, 86_399))
@settings(max_examples=60, deadline=None)
def test_anchor_finds_any_moment(day, second):
    """Time of week plus the date gives the moment back, leap seconds of its year included."""
    moment = pd.Timestamp("1981-01-04", tz="UTC") + pd.Timedelta(days=day % 17_000, seconds=second)
    _, of_week = timebase.utc_to_gps(np.array([moment.tz_localize(None)], dtype="datetime64[us]"))
    table = stream(range(5), start=float(of_week[0]))
    assert time_messages(table, date=moment.date()).messages.index[0] == moment


def test_time_of_day_messages_take_the_week_of_their_neighbours():
    table = stream(range(100), start=3 * 86_400.0 - 50)
    day = table["message_type"] == 1084
    table.loc[day, "epoch_s"] = table.loc[day, "epoch_s"] % 86_400
    table.loc[day, "epoch_scale"] = "day"
    both = time_messages(table).messages.groupby("message_type")["message_s"].apply(list)
    assert both[1074] == both[1084]


def test_recording_of_another_day():
    table = stream(range(60), start=NEW_YEAR_S)
    assert "corrections_other_time" in codes(measure_link(table, fixes=rover_log("2024-01-03 10:00:00", 600)))
    assert "corrections_other_time" not in codes(measure_link(table, fixes=rover_log("2024-01-01 00:00:30", 600)))


def test_date_in_a_stream_anchors_it(shared_data):
    """Message 1013 of this capture carries a UTC date, GPS time of week agrees with it to the second."""
    raw = (shared_data / "corrections" / "small_network_stream.rtcm3").read_bytes()
    timed = time_messages(read_stream([raw], name="x", source_id=0).corrections)
    assert timed.origin == "stream"
    assert timed.messages.index[0] == pd.Timestamp("2024-03-13 16:35:27", tz="UTC")


def test_link_or_base():
    base = stream([s for s in range(300) if not 200 <= s < 220], place="base")
    rover = stream([s for s in range(300) if not (50 <= s < 60 or 200 <= s < 220 or 250 <= s < 251)], place="rover")
    result = compare_places(base, rover)
    assert result.gaps["cause"].tolist() == ["correction_link", "base_outage", "correction_link"]
    assert result.gaps["base_epochs"].tolist() == [10, 0, 1]
    assert result.gaps["duration_s"].tolist() == [11.0, 21.0, 2.0]
    assert result.values[0].value == pytest.approx(1 - 11 / 280)
    assert result.values[1].value == 0


def test_mostly_base_is_base_and_mostly_link_is_link():
    base = stream([s for s in range(300) if not 100 <= s < 110], place="base")
    lost = stream([s for s in range(300) if not 99 <= s < 112], place="rover")
    assert compare_places(base, lost).gaps["cause"].tolist() == ["base_outage"]
    lost = stream([s for s in range(300) if not 80 <= s < 140], place="rover")
    judged = compare_places(base, lost).gaps.iloc[0]
    assert (judged["cause"], judged["base_silent_s"], judged["base_epochs"]) == ("correction_link", 11.0, 50)


def test_base_recording_that_does_not_reach():
    judged = compare_places(stream(range(50), place="base"), stream([*range(80), *range(100, 150)])).gaps
    assert judged["cause"].tolist() == ["corrections_stopped"]


def test_silence_at_both_ends_of_the_drive():
    base = stream(range(300), place="base", start=NEW_YEAR_S)
    rover = stream(range(60, 200), start=NEW_YEAR_S)
    log = rover_log("2024-01-01 00:00:10", 281)
    judged = compare_places(base, rover, fixes=log).gaps
    assert judged["cause"].tolist() == ["correction_link", "correction_link"]
    assert judged["duration_s"].tolist() == [50.0, 91.0]
    assert judged["start_utc"].iloc[0] == log.index[0]
    assert judged["end_utc"].iloc[1] == log.index[-1]


def test_part_of_an_epoch_lost():
    rover = stream(range(100))
    rover = rover[~((rover["message_type"] == 1084) & (rover["epoch_s"] == 100_050.0))]
    result = compare_places(stream(range(100), place="base"), rover)
    assert result.values[1].value == 1
    assert len(result.gaps) == 0


def test_other_stations_are_not_compared():
    result = compare_places(stream(range(50), place="base", station=1), stream(range(50), station=2))
    assert [f.code for f in result.findings] == ["corrections_not_comparable"]
    assert result.values[0].not_evaluated


def test_nothing_recorded():
    result = measure_link(tables.CORRECTIONS.empty())
    assert (result.values, result.findings) == ((), ())
    assert compare_places(tables.CORRECTIONS.empty(), tables.CORRECTIONS.empty()).values[0].not_evaluated


def test_a_table_of_the_bare_schema_is_enough():
    """Other readers give the columns of the schema only."""
    table = stream([s for s in range(60) if s != 30], position=ecef())[list(tables.CORRECTIONS.names)]
    result = measure_link(table)
    assert value(result, "corrections_rover_rate_1074_hz") == pytest.approx(59 / 60)
    assert result.gaps["duration_s"].tolist() == [2.0]
    assert codes(result) == set()
