"""Dropouts on invented drives whose losses are planted: kind, times, cause, and that clean drives have none."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from metric_tables import METRES_PER_DEGREE, START, drive, fixes, recording, without

from analyzer import tables
from analyzer.metrics.dropout_causes import advice, advice_for
from analyzer.metrics.dropout_table import COLUMNS, MISSING_LOGS
from analyzer.metrics.measure import measure
from analyzer.metrics.sky_seen import sky_partly
from analyzer.recording import Entry


def seconds(moments: pd.Series) -> np.ndarray:
    return np.asarray((moments - START) / pd.Timedelta(seconds=1))


def dropouts(frame: pd.DataFrame, **details) -> pd.DataFrame:
    return measure(recording(frame, details=details)).dropouts


@pytest.mark.parametrize("rate_hz", [1.0, 5.0, 10.0])
@pytest.mark.parametrize("interval_s", [1.0, 2.0, 5.0])
def test_a_clean_drive_has_no_dropout(rate_hz, interval_s):
    assert len(dropouts(drive(600, rate_hz, interval_s=interval_s))) == 0


@pytest.mark.parametrize("rate_hz", [1.0, 10.0, 20.0])
def test_outage_runs_from_the_last_correction_used_to_the_first_fresh_age(rate_hz):
    found = dropouts(drive(600, rate_hz, outages=[(200.0, 290.0)]))
    assert found["kind"].tolist() == ["correction_outage"]
    row = found.iloc[0]
    # the correction of 200 s is used, that of 290 s arrives at 290.3 s and is seen at the next epoch
    assert seconds(found["start_utc"])[0] == pytest.approx(200.0, abs=0.11)
    assert seconds(found["end_utc"])[0] == pytest.approx(290.3, abs=1.0 / rate_hz + 0.01)
    assert row["refix_s"] == pytest.approx(6.0, abs=2.0 / rate_hz + 0.31)
    assert row["cause"] == "corrections_stopped"
    assert "age climbed" in row["evidence"] and "satellites stayed" in row["evidence"]
    assert list(found.columns) == list(COLUMNS)


def test_outage_under_a_held_fix_is_an_outage():
    found = dropouts(drive(600, outages=[(200.0, 260.0)], hold_s=100.0))
    assert found["kind"].tolist() == ["correction_outage"]
    assert found["refix_s"].iloc[0] == 0.0
    assert found["duration_s"].iloc[0] == pytest.approx(60.3, abs=0.2)


def test_outage_that_never_ends_reaches_to_the_last_epoch():
    found = dropouts(drive(600, outages=[(300.0, 1e9)]))
    assert found["kind"].tolist() == ["correction_outage"]
    assert seconds(found["end_utc"])[0] == pytest.approx(599.9)
    assert np.isnan(found["refix_s"].iloc[0]) and pd.isna(found["fixed_again_utc"].iloc[0])


def test_age_that_vanishes_without_climbing_is_an_outage_where_satellites_stay():
    found = dropouts(drive(600, outages=[(300.0, 380.0)], hold_s=2.0, float_s=0.1))
    assert found["kind"].tolist() == ["correction_outage"]
    assert seconds(found["start_utc"])[0] == pytest.approx(300.0, abs=0.11)


def test_a_single_lost_correction_is_none_and_two_outages_stay_apart():
    assert len(dropouts(drive(600, outages=[(200.5, 201.5)]))) == 0
    found = dropouts(drive(600, outages=[(200.0, 230.0), (400.0, 470.0)]))
    assert found["kind"].tolist() == ["correction_outage"] * 2


def test_a_lone_correction_does_not_part_an_outage():
    found = dropouts(drive(600, outages=[(200.0, 240.0), (240.2, 280.0)], interval_s=1.0, transport_s=0.4))
    assert found["kind"].tolist() == ["correction_outage"]
    assert found["duration_s"].iloc[0] == pytest.approx(80.4, abs=0.2)


def test_many_long_outages_do_not_teach_the_sawtooth():
    spans = [(a, a + 20.0) for a in np.arange(60.0, 560.0, 50.0)]
    found = dropouts(drive(600, outages=spans))
    assert found["kind"].tolist() == ["correction_outage"] * len(spans)
    assert np.allclose(seconds(found["start_utc"]), [a for a, _ in spans], atol=0.11)


def test_underpass_is_a_fix_loss_with_obstructed_sky():
    found = dropouts(drive(600, sky=[(250.0, 258.0)]))
    assert found["kind"].tolist() == ["fix_loss"]
    row = found.iloc[0]
    assert seconds(found["start_utc"])[0] == pytest.approx(250.0)
    assert row["duration_s"] == pytest.approx(14.0, abs=0.2)
    assert (row["cause"], row["satellites_before"], row["satellites_min"]) == ("sky_obstruction", 20.0, 4.0)
    assert row["end_distance_m"] >= row["start_distance_m"]


@pytest.mark.parametrize(("few_s", "cause"), [
    ((200.5, 260.0), "sky_obstruction"), ((150.0, 260.0), "corrections_stopped"), ((210.0, 260.0), "corrections_stopped"),
], ids=["both at once", "few long before", "few only later"])
def test_a_sky_explains_lost_corrections_only_where_it_closed_with_them(few_s, cause):
    """Under trees corrections often keep coming; and what fell after the next corrections were due took none of them."""
    frame = drive(400, outages=[(200.0, 240.0)])
    moment = np.asarray((frame.index - START) / pd.Timedelta(seconds=1))
    frame.loc[(moment >= few_s[0]) & (moment < few_s[1]), "satellites_used"] = 8.0
    (found,) = dropouts(frame).to_dict("records")
    assert (found["kind"], found["cause"]) == ("correction_outage", cause)


@pytest.mark.parametrize(("lost_s", "back_s", "kinds"), [
    (100.0, 500.0, ["fix_loss", "correction_outage", "fix_loss"]), (199.5, 500.0, ["correction_outage"]), (100.0, 240.0, ["fix_loss", "correction_outage"]),
], ids=["lost long before and behind", "lost with the outage", "fixed soon"])
def test_a_short_outage_does_not_end_a_long_loss(lost_s, back_s, kinds):
    """What kept the fix away before corrections stopped keeps it away when they are back."""
    frame = drive(600, outages=[(200.0, 206.0)])
    t = seconds(frame.index.to_series())
    frame.loc[(t >= lost_s) & (t < back_s), "fix_state"] = "float"
    found = dropouts(frame)
    assert found["kind"].tolist() == kinds
    end = seconds(found["end_utc"])
    assert (end[1:] >= end[:-1]).all() and (seconds(found["start_utc"])[1:] >= end[:-1] - 1e-6).all()
    if len(kinds) == 3:
        assert end[-1] == pytest.approx(back_s, abs=0.11) and np.isnan(found["refix_s"].iloc[1])
        assert found["cause"].iloc[2] == "incomplete_corrections"


def test_short_losses_are_none_and_close_ones_are_joined():
    frame = drive(300)
    state = frame["fix_state"].astype(str).to_numpy()
    state[1000:1009] = "float"
    assert len(dropouts(frame.assign(fix_state=pd.Categorical(state, tables.FIX_STATES)))) == 0
    state[1000:1040], state[1020:1029] = "float", "fixed"
    found = dropouts(frame.assign(fix_state=pd.Categorical(state, tables.FIX_STATES)))
    assert found["duration_s"].tolist() == pytest.approx([4.0])
    assert found["cause"].tolist() == ["unknown"]


@pytest.mark.parametrize(("counted", "cause"), [(20.0, "unknown"), (5.0, "sky_obstruction"), (np.nan, "sky_obstruction")])
def test_a_lost_position_is_put_down_to_the_sky_only_where_satellites_were_not_counted_on(counted, cause):
    frame = drive(300)
    state = frame["fix_state"].astype(str).to_numpy()
    state[1000:1100] = "no_fix"
    frame = frame.assign(fix_state=pd.Categorical(state, tables.FIX_STATES))
    frame.loc[state == "no_fix", ["latitude_deg", "longitude_deg", "height_m"]] = np.nan
    frame.loc[state == "no_fix", "satellites_used"] = counted
    (found,) = dropouts(frame).to_dict("records")
    assert (found["kind"], found["cause"]) == ("fix_loss", cause)
    assert ("Satellites were hidden" in found["advice"]) == (cause == "sky_obstruction")


def test_before_the_first_fixed_only_corrections_without_fix_count():
    assert len(dropouts(drive(400, first_fixed_s=100.0, outages=[(40.0, 60.0)]))) == 0
    found = dropouts(drive(400, never_fixed=True))
    assert found["kind"].tolist() == ["no_fix_despite_corrections"]
    assert found["cause"].tolist() == ["incomplete_corrections"]
    assert seconds(found["start_utc"])[0] == pytest.approx(0.3, abs=0.11)
    assert seconds(found["end_utc"])[0] == pytest.approx(399.9)
    late = dropouts(drive(400, first_fixed_s=200.0))
    assert late["kind"].tolist() == ["no_fix_despite_corrections"]
    assert late["refix_s"].tolist() == pytest.approx([0.0])


@pytest.mark.parametrize(("first_fixed_s", "gaps", "pieces"), [
    (1e9, [(60.0, 80.0), (140.0, 160.0)], 3), (150.0, [(60.0, 80.0)], 2), (90.0, [(40.0, 60.0)], 0),
], ids=["never", "late", "soon enough"])
def test_gaps_of_the_logger_do_not_begin_a_wait_for_fixed_anew(first_fixed_s: float, gaps: list[tuple[float, float]], pieces: int):
    """The receiver went on meanwhile: no stretch between gaps lasts 80 s, all of them together do."""
    frame = drive(220, first_fixed_s=first_fixed_s)
    for start, end in gaps:
        frame = without(frame, start, end)
    found = dropouts(frame)
    waits = found[found["kind"] == "no_fix_despite_corrections"]
    assert len(waits) == pieces and (found["kind"] == "missing_epochs").sum() == len(gaps)
    assert not pieces or "in all nothing was fixed for" in waits["evidence"].iloc[0]
    assert waits["refix_s"].notna().sum() == (first_fixed_s == 150.0)


def test_a_short_loss_of_corrections_does_not_begin_the_wait_of_a_run_anew_that_never_was_fixed():
    found = dropouts(drive(180, never_fixed=True, outages=[(60.0, 80.0), (140.0, 155.0)]))
    assert found["kind"].tolist() == ["no_fix_despite_corrections"] * 3
    assert len(dropouts(drive(180, never_fixed=True, outages=[(60.0, 130.0)]))) == 0  # corrections for 60 s, then for 50 s


def test_another_base_heard_in_a_wait_for_fixed_is_named():
    frame = drive(200, never_fixed=True)
    ids = frame["station_id"].to_numpy(dtype=float, na_value=np.nan)
    ids[1000:1300] = 99
    (found,) = dropouts(frame.assign(station_id=pd.array(ids).astype("Int32"))).to_dict("records")
    assert found["cause"] == "incomplete_corrections" and "from 7 to 99: another base was heard as well" in found["evidence"]
    assert "Accept only your own station id" in found["advice"] and found["advice"].startswith(advice()["incomplete_corrections"])


@pytest.mark.parametrize(("used", "cause", "words"), [
    (17.0, "sky_obstruction", "satellites fell to 17 from the usual 20, and nothing else changed"), (18.0, "unknown", "neither satellites"),
])
def test_a_part_of_the_sky_is_the_cause_where_nothing_else_changed(used, cause, words):
    """A wall or a lorry on one side hides some satellites: too few to say so beside another cause, enough where there is none."""
    frame = drive(600)
    t = seconds(frame.index.to_series())
    lost = (t >= 300) & (t < 306)
    frame.loc[lost, "fix_state"] = "float"
    frame["satellites_used"] = np.where(lost, used, 20.0)
    found = dropouts(frame)
    assert found["cause"].tolist() == [cause] and words in found["evidence"].iloc[0]


@pytest.mark.parametrize(("cn0", "words"), [(38.5, "C/N0 lay at 38 where 42 dB-Hz are usual"), (40.0, "")])
def test_half_the_power_is_a_part_of_the_sky(cn0, words):
    scene = SimpleNamespace(satellites=np.full(10, 20.0), cn0_dbhz=np.full(10, cn0), usual=(20.0, 42.0), during=lambda values, *_: values)
    assert sky_partly(5.0, scene) == words


def test_fresh_corrections_without_a_fix_under_few_satellites_are_the_sky():
    never, late = drive(400, never_fixed=True), drive(400, first_fixed_s=200.0)
    assert dropouts(never.assign(satellites_used=9))["cause"].tolist() == ["sky_obstruction"]
    assert dropouts(never.assign(satellites_used=18))["cause"].tolist() == ["incomplete_corrections"]
    fixed = (late["fix_state"] == "fixed").to_numpy()
    fewer = dropouts(late.assign(satellites_used=np.where(fixed, 20, 12)))
    assert fewer["cause"].tolist() == ["sky_obstruction"] and "only 12 satellites were used, 20 while fixed" in fewer["evidence"].iloc[0]
    assert dropouts(late.assign(satellites_used=np.where(fixed, 20, 18)))["cause"].tolist() == ["incomplete_corrections"]


@pytest.mark.parametrize(("cn0", "used", "cause"), [
    (30.0, 18.0, "interference"), (30.0, 10.0, "sky_obstruction"), (30.0, 7.0, "sky_obstruction"),
    (36.0, 18.0, "sky_obstruction"), (44.0, 18.0, "unknown"),
])
def test_a_median_that_falls_while_satellites_stay_is_interference_where_no_satellites_are_listed(cn0, used, cause):
    """Trees and bridges take satellites away; a transmitter beside their band weakens every one."""
    frame = drive(600)
    t = seconds(frame.index.to_series())
    lost = (t >= 300) & (t < 330)
    frame.loc[lost, "fix_state"] = "float"
    frame["satellites_used"], frame["cn0_median_dbhz"] = np.where(lost, used, 20.0), np.where(lost, cn0, 45.0)
    found = dropouts(frame)
    assert found["cause"].tolist() == [cause]
    assert (cause == "interference") == (f"C/N0 of all satellites fell to 30 from the usual 45 dB-Hz while {used:.0f} of the usual 20 stayed" in found["evidence"].iloc[0])


@pytest.mark.parametrize(("lasts", "hidden", "cause"), [(200, 12, "incomplete_corrections"), (200, 150, "sky_obstruction"), (60, 12, "sky_obstruction")])
def test_a_fix_that_does_not_come_back_under_an_open_sky_lacks_corrections(lasts, hidden, cause):
    """What hid satellites when fixed was lost does not explain minutes of float with all of them back."""
    frame = drive(900)
    t = seconds(frame.index.to_series())
    frame.loc[(t >= 300) & (t < 300 + lasts), "fix_state"] = "float"
    frame["satellites_used"] = np.where((t >= 298) & (t < 298 + hidden), 10.0, 25.0)
    found = dropouts(frame)
    assert found["kind"].tolist() == ["fix_loss"] and found["cause"].tolist() == [cause]
    assert (cause == "incomplete_corrections") == (f"fixed did not come back for {lasts} s, though for {lasts - hidden + 2} s of it 25 satellites were used" in found["evidence"].iloc[0])


@pytest.mark.parametrize(("view", "cn0", "cause"), [
    (27, 45.0, "incomplete_corrections"), (27, 33.0, "sky_obstruction"), (10, 45.0, "sky_obstruction"), (np.nan, 45.0, "sky_obstruction"),
])
def test_strong_satellites_in_view_that_are_not_used_lack_corrections(view, cn0, cause):
    """Corrections of one system alone leave the others unused, under whatever sky."""
    found = dropouts(drive(400, never_fixed=True).assign(satellites_used=8, satellites_in_view=view, cn0_median_dbhz=cn0))
    assert found["cause"].tolist() == [cause]
    assert (cause == "incomplete_corrections") == ("only 8 of 27 satellites in view were used" in found["evidence"].iloc[0])


def test_the_age_before_a_loss_is_not_that_in_it():
    found = dropouts(drive(400, sky=[(200.0, 260.0)]))
    assert "corrections before it were fresh (age" in found["evidence"].iloc[0]


def test_missing_epochs_with_a_fix_right_after_are_the_logger():
    found = dropouts(without(drive(400), 200.0, 203.0))
    assert found["kind"].tolist() == ["missing_epochs"] and found["cause"].tolist() == ["logger_gap"]
    assert found["satellites_before"].notna().all() and found["satellites_min"].isna().all(), "no epoch, no satellites meanwhile"
    assert found["duration_s"].tolist() == pytest.approx([3.1])
    assert found["refix_s"].tolist() == pytest.approx([0.0])


def test_gaps_that_a_lone_epoch_parts_are_one_dropout_and_said_to_be_joined():
    gaps = without(without(drive(300, rate_hz=1.0), 100.0, 101.0), 102.0, 104.0)  # 99, 101, 104: 2 s and 3 s
    result = measure(recording(gaps))
    found = result.dropouts[result.dropouts["kind"] == "missing_epochs"]
    assert found["duration_s"].tolist() == [5.0] and result["longest_gap_s"].value == 3.0
    assert "2 gaps parted by 1 lone epoch are joined, the longest of them is 3.0 s" in found["evidence"].iloc[0]
    assert "dropouts of missing epochs join gaps" in result["longest_gap_s"].method
    one = measure(recording(without(drive(300, rate_hz=1.0), 100.0, 103.0))).dropouts
    assert "joined" not in one["evidence"].iloc[0]


@pytest.mark.parametrize(("lasts_s", "away_m", "cold", "cause"), [
    (3600.0, 900.0, False, "unknown"), (3600.0, 0.0, False, "unknown"), (3600.0, 0.0, True, "receiver_restart"), (20.0, 0.0, False, "logger_gap")])
def test_a_pause_between_two_stands_is_laid_on_nobody(lasts_s: float, away_m: float, cold: bool, cause: str):
    """Who parks for an hour and begins anew elsewhere has no disk to check and no supply voltage."""
    first = drive(200, speed_mps=0.0)
    second = drive(200, speed_mps=0.0, sky=[(0.0, 26.0)] if cold else [], first_fixed_s=0.0, seed=2).iloc[100:]
    second.index = second.index + pd.Timedelta(seconds=200.0 + lasts_s)
    second = second.assign(latitude_deg=second["latitude_deg"] + away_m / METRES_PER_DEGREE, byte_offset=second["byte_offset"] + 200_000)
    found = dropouts(pd.concat([first, second]))
    found = found[found["start_utc"] >= START + pd.Timedelta(seconds=199)]
    assert found["kind"].tolist() == (["missing_epochs", "fix_loss"] if cold else ["missing_epochs"])
    assert set(found["cause"]) == {cause}
    assert found["advice"].str.contains("check").any() == (cause == "logger_gap")


def test_missing_epochs_with_a_start_up_after_are_a_restart():
    frame = without(drive(400, sky=[(220.0, 226.0)]), 200.0, 220.0)
    found = dropouts(frame)
    assert found["kind"].tolist() == ["missing_epochs", "fix_loss"]
    assert found["cause"].tolist() == ["receiver_restart", "receiver_restart"]


@pytest.mark.parametrize(("after", "used", "cause"), [("float", 8, "receiver_restart"), ("float", 17, "logger_gap"), ("fixed", 8, "logger_gap")])
def test_a_float_on_few_satellites_right_after_missing_epochs_is_a_restart(after: str, used: int, cause: str):
    """A receiver that never stopped is fixed, or float under as many satellites as before."""
    frame = without(drive(400), 200.0, 208.0)
    second = (frame.index - START).total_seconds().to_numpy()
    anew = (second >= 200.0) & (second < 230.0)
    frame = frame.assign(satellites_used=np.where(anew, used, 18), fix_state=frame["fix_state"].where(~anew, after))
    found = dropouts(frame)
    assert set(found["cause"]) == {cause}
    assert ("satellites build up anew after it: 18 before, 8 after" in found["evidence"].iloc[0]) == (cause == "receiver_restart")


@pytest.mark.parametrize("every", [None, 1])
def test_a_text_of_the_receiver_in_a_gap_is_its_start_unless_texts_come_all_along(every: int | None):
    """What came while no epoch did was sent by a receiver that was not ready; the same text each second says nothing."""
    frame = without(drive(400, rate_hz=1.0), 200.0, 208.0)
    second = (frame.index - START).total_seconds().to_numpy()
    frame["fix_state"] = frame["fix_state"].where((second < 200.0) | (second >= 220.0), "float")
    at = int(frame["byte_offset"].iloc[199])
    messages = [(at + 50, "receiver start")] if every is None else [(int(x) + 50, "antenna good") for x in frame["byte_offset"]]
    found = dropouts(frame, messages=messages)
    assert set(found["cause"]) == {"receiver_restart" if every is None else "logger_gap"}
    assert ('a text of the receiver itself stands in place of the epochs: "receiver start"' in found["evidence"].iloc[0]) == (every is None)
    if every is not None:  # of a long log the first texts alone are kept
        assert set(dropouts(frame, messages=messages[:205])["cause"]) == {"logger_gap"}


def test_text_of_a_logger_and_damage_in_place_of_the_epochs_are_named():
    frame = without(drive(400, sky=[(220.0, 226.0)]), 200.0, 220.0)
    at = int(frame["byte_offset"].iloc[1999])
    found = dropouts(frame, notes=[(at + 50, "### logging stopped ###"), (at + 60, "### logging started ###")])
    assert found["cause"].iloc[0] == "logger_gap" and "logging stopped" in found["evidence"].iloc[0]
    other = dropouts(frame, notes=[(at - 50, "### logging stopped ###")])
    assert other["cause"].iloc[0] == "receiver_restart"
    broken = dropouts(frame, damage=np.arange(at + 90, at + 20_000, 100))
    assert broken["cause"].iloc[0] == "damaged_data"


def test_a_second_base_is_interference():
    frame = drive(400)
    state, ids = frame["fix_state"].astype(str).to_numpy(), frame["station_id"].to_numpy(dtype=float, na_value=np.nan)
    state[2000:2300], ids[1995:2300] = "float", 99
    found = measure(recording(frame.assign(fix_state=pd.Categorical(state, tables.FIX_STATES),
                                           station_id=pd.array(ids).astype("Int32"))))
    assert found.dropouts["cause"].tolist() == ["interference"]
    assert found["station_id_changes"].value == 2
    assert "station_id_changes" in {f.code for f in found.findings}


@pytest.mark.parametrize(("back", "climbs", "cause"), [
    (4000, True, "base_position_changed"), (3000, True, "interference"), (4000, False, "interference"),
], ids=["stays", "one's own comes back", "the age does not climb"])
def test_another_station_that_comes_in_place_of_a_silent_one_and_stays_is_another_base(back: int, climbs: bool, cause: str):
    frame = drive(400)
    state, ids = frame["fix_state"].astype(str).to_numpy(), frame["station_id"].to_numpy(dtype=float, na_value=np.nan)
    age = frame["correction_age_s"].to_numpy(dtype=float, na_value=np.nan).copy()
    state[2100:2300], ids[2250 if climbs else 2095:back] = "float", 99
    if climbs:
        age[2000:2250] = age[1999] + np.arange(250) / 10
    found = measure(recording(frame.assign(fix_state=pd.Categorical(state, tables.FIX_STATES), correction_age_s=age,
                                           station_id=pd.array(ids).astype("Int32")))).dropouts
    assert found["cause"].iloc[0] == cause
    assert found["kind"].iloc[0] == ("correction_outage" if climbs else "fix_loss")
    assert ("not heard again" in found["evidence"].iloc[0]) == (cause == "base_position_changed")


def test_a_run_without_corrections_says_so_and_one_without_ages_too():
    moment = np.arange(0.0, 100.0)
    frame = fixes(moment, fix_state="autonomous", latitude_deg=48 + moment * 1e-4, longitude_deg=11.0)
    alone = measure(recording(frame))
    assert "no_corrections" in {f.code for f in alone.findings} and len(alone.dropouts) == 0
    blind = measure(recording(drive(400, outages=[(200.0, 300.0)], empty_age=True)))
    assert "age_not_usable" in {f.code for f in blind.findings}
    assert blind.dropouts["kind"].tolist() == ["fix_loss"]


def test_letters_that_cannot_say_fixed_do_not_lose_the_fix():
    frame = drive(200, rate_hz=1.0)
    state, source = frame["fix_state"].astype(str).to_numpy(), np.full(len(frame), "reported", dtype=object)
    state[100:103], source[100:103] = "differential", "derived"
    frame = frame.assign(fix_state=pd.Categorical(state, tables.FIX_STATES), fix_state_source=pd.Categorical(source))
    frame.iloc[100:103, frame.columns.get_loc("correction_age_s")] = np.nan
    assert len(dropouts(frame)) == 0


def test_places_distance_and_epoch_ids():
    found = measure(recording(drive(600, outages=[(200.0, 260.0)])), base=(48.0, 11.0, 500.0))
    row = found.dropouts.iloc[0]
    assert row["start_distance_m"] == pytest.approx(200 * 15.0, abs=5.0)
    assert row["base_distance_m"] == pytest.approx(200 * 15.0, abs=5.0)
    inside = found.epochs["dropout_id"].notna().to_numpy()
    moments = np.asarray((found.epochs.index - START) / pd.Timedelta(seconds=1))
    assert moments[inside][[0, -1]] == pytest.approx([200.0, 260.2], abs=0.15)


@pytest.mark.parametrize(("left_out", "words"), [
    ({"correction_age_s": np.nan, "station_id": pd.NA}, "log age and station id of the corrections (GGA) on the next drive"),
    ({"station_id": pd.NA}, "log station id of the corrections (GGA) on the next drive"), ({}, "although all that would tell was logged")])
def test_an_unknown_cause_asks_only_for_what_was_not_logged(left_out, words):
    frame = drive(300)
    state = frame["fix_state"].astype(str).to_numpy()
    state[1000:1040] = "float"
    whole = recording(frame.assign(fix_state=pd.Categorical(state, tables.FIX_STATES), **left_out))
    listed = tables.SATELLITES.conform(pd.DataFrame({"source_id": 0, "system": "GPS", "signal_id": "1", "satellite_id": 1, "cn0_dbhz": 45.0, "used": True}, index=frame.index))
    (found,) = measure(replace(whole, satellites=listed)).dropouts.to_dict("records")
    assert found["cause"] == "unknown" and words in found["advice"] and "GSV" not in found["advice"]
    (bare,) = measure(whole).dropouts.to_dict("records")
    assert "log the satellites with their signals (GSV)" in bare["advice"]
    assert "log the messages of receiver and logger on the next drive" in advice_for("unknown", "no text explains it", MISSING_LOGS)


def test_every_cause_has_advice():
    assert set(advice()) == set(tables.CAUSES)


def test_a_receiver_that_never_used_corrections_is_not_told_to_wait_for_fixed():
    frame = drive(600).assign(fix_state=pd.Categorical(["autonomous"] * 6000, tables.FIX_STATES), correction_age_s=np.nan)
    late = frame[3300:3320].set_axis(frame.index[3300:3320] + pd.Timedelta(milliseconds=37))
    (row,) = dropouts(pd.concat([frame[:3000], late, frame[3320:]])).to_dict("records")
    assert (row["kind"], row["cause"]) == ("missing_epochs", "receiver_restart")
    assert "fixed" not in row["advice"] and "fix state" in row["advice"]


spans = st.lists(st.tuples(st.floats(0, 380), st.floats(0.5, 60)), max_size=4).map(
    lambda rows: [(a, a + b) for a, b in sorted(rows)])


@settings(max_examples=25, deadline=None)
@given(outages=spans, sky=spans, gap=st.tuples(st.floats(10, 350), st.floats(0.3, 30)))
def test_dropouts_never_overlap_and_keep_their_rules(outages, sky, gap):
    frame = without(drive(400, 2.0, outages=outages, sky=sky), gap[0], gap[0] + gap[1])
    result = measure(recording(frame))
    table = result.dropouts
    start, end = seconds(table["start_utc"]), seconds(table["end_utc"])
    assert np.all(start[1:] >= end[:-1] - 1e-5)
    assert np.all(table["duration_s"] >= 1.0 - 1e-6)
    assert set(table["kind"]) <= set(tables.DROPOUT_KINDS) and set(table["cause"]) <= set(tables.CAUSES)
    again = table["fixed_again_utc"].notna()
    assert np.all(table.loc[again, "fixed_again_utc"] >= table.loc[again, "end_utc"])
    shares = [m.value for m in result.values if m.key in {f"share_time_{s}" for s in tables.FIX_STATES}]
    assert sum(shares) == pytest.approx(1.0)


@pytest.mark.parametrize("rate_hz", [1.0, 10.0])
def test_whole_second_ages_teach_the_same_sawtooth(rate_hz):
    frame = drive(600, rate_hz, outages=[(a, a + 25.0) for a in (100.0, 180.0, 260.0, 340.0, 420.0, 500.0)])
    frame["correction_age_s"] = np.ceil(frame["correction_age_s"])
    found = dropouts(frame)
    assert found["kind"].tolist() == ["correction_outage"] * 6


def test_bytes_without_sentences_in_place_of_the_epochs_are_damage():
    frame = without(drive(400), 200.0, 205.0)
    rec = recording(frame)
    broken = replace(rec.sources[0].ledger, entries=(*rec.sources[0].ledger.entries, Entry("checksum", "GGA", 50, 0)))
    found = measure(replace(rec, sources=(replace(rec.sources[0], ledger=broken),))).dropouts
    assert found["cause"].tolist() == ["damaged_data"]
    paused = frame.assign(byte_offset=100 * np.arange(len(frame)))  # nothing was written meanwhile
    rec = replace(rec, fixes=paused, sources=(replace(rec.sources[0], ledger=broken),))
    assert measure(rec).dropouts["cause"].tolist() == ["logger_gap"]


def test_gaps_of_a_real_drive_are_placed_and_the_stopped_logger_is_named(shared_data):
    """Source: the row of long_gap_over_midnight in SOURCES.md beside the recordings."""
    moment, offset, notes = [], [], []
    position = 0
    for line in (shared_data / "drives" / "long_gap_over_midnight.nmea").read_bytes().splitlines(keepends=True):
        if line.startswith(b"$GPGGA,"):
            clock = line[7:13].decode()
            seconds_ = int(clock[:2]) * 3600 + int(clock[2:4]) * 60 + int(clock[4:])
            moment.append(seconds_ + (86400 if moment and seconds_ < moment[0] else 0))
            offset.append(position)
        elif line.strip() and not line.startswith(b"$"):
            notes.append((position, line.decode("ascii").strip()))
        position += len(line)
    since = np.asarray(moment, dtype=float) - moment[0]
    frame = fixes(since, fix_state="autonomous", latitude_deg=39.4, longitude_deg=-119.8)
    result = measure(recording(frame.assign(byte_offset=offset), details={"notes": notes}))
    assert len(frame) == 4469
    assert result.gaps["duration_s"].tolist() == [60.0, 798.0, 1250.0]
    assert result["rate_hz"].value == 0.5
    assert result.dropouts["kind"].tolist() == ["missing_epochs"] * 3
    assert result.dropouts["cause"].tolist() == ["unknown", "unknown", "logger_gap"]
    assert "program ENDED" in result.dropouts["evidence"].iloc[2]
