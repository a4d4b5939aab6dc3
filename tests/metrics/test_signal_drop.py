"""Each satellite against itself: noise in the band weakens all alike, what hides the sky weakens some and leaves others."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from metric_tables import START, drive, recording

from analyzer import read, tables
from analyzer.metrics.measure import measure
from analyzer.metrics.signal_drop import Listed, signal_drop

NUMBERS = np.arange(1, 21)
ELEVATION_DEG = np.linspace(8.0, 85.0, 20)
#: A low satellite is weaker under an open sky by some 12 dB (common practice).
OPEN_DBHZ = 36.0 + 12.0 * np.sin(np.deg2rad(ELEVATION_DEG))
EPOCHS = pd.DatetimeIndex(START + pd.to_timedelta(np.arange(600.0), unit="s")).as_unit("us")
LOST = np.isin(np.arange(600), np.arange(300, 330))


def satellites(drop_db: np.ndarray, *, unheard=0, flicker_db=0.0) -> pd.DataFrame:
    """Return 20 satellites once a second, weaker by `drop_db` from 300 to 330 s, where the last `unheard` are not heard at all."""
    rng = np.random.default_rng(7)
    drop_db = drop_db + flicker_db * rng.normal(size=(len(EPOCHS), len(NUMBERS)))
    level = np.where(LOST[:, None], OPEN_DBHZ - drop_db, OPEN_DBHZ) + 0.7 * rng.normal(size=(len(EPOCHS), len(NUMBERS)))
    level[LOST, len(NUMBERS) - unheard:] = np.nan
    return tables.SATELLITES.conform(pd.DataFrame({
        "source_id": 0, "system": "GPS", "signal_id": "1", "satellite_id": np.tile(NUMBERS, len(EPOCHS)),
        "elevation_deg": np.tile(ELEVATION_DEG, len(EPOCHS)), "azimuth_deg": 0.0, "cn0_dbhz": np.rint(level).ravel(), "used": True,
    }, index=EPOCHS.repeat(len(NUMBERS))))


def cause(table: pd.DataFrame, *, used=18.0, lost=LOST) -> tuple[str, str]:
    """Return the cause and evidence of a fix `lost`."""
    found = dropout(table, used=used, lost=lost)
    return str(found["cause"]), str(found["evidence"])


def dropout(table: pd.DataFrame, *, used=18.0, lost=LOST, age_s=None) -> pd.Series:
    """Return the dropout of a fix `lost`, its median C/N0 as a receiver's log holds it; `age_s` of corrections meanwhile."""
    frame = drive(600, rate_hz=1.0)
    frame.loc[lost, "fix_state"] = "float"
    frame["satellites_used"] = 20.0
    frame.loc[lost, "satellites_used"] = used
    if age_s is not None:
        frame.loc[lost, "correction_age_s"] = age_s
    frame["cn0_median_dbhz"] = table["cn0_dbhz"].groupby(level=0).median().reindex(frame.index).to_numpy()
    whole = recording(frame)
    return measure(type(whole)(whole.sources, fixes=whole.fixes, satellites=table)).dropouts.iloc[0]


@pytest.mark.parametrize("used", [18.0, 9.0, 5.0])
def test_all_alike_is_interference_however_many_the_receiver_gave_up(used):
    said, why = cause(satellites(np.full(20, 13.0)), used=used)
    assert said == "interference" and "20 of the usual 20 signals were heard, weaker alike, the middle half of them by 12 to 14 dB" in why


def test_what_weakens_all_is_not_known_and_advised_on_as_such():
    table = satellites(np.full(20, 13.0))
    assert "or the antenna, its cable or its supply failed" in cause(table)[1]
    said = dropout(table)["advice"]
    assert "transmitters" in said and "connectors" in said and "radio channel" not in said
    few = dropout(satellites(np.full(20, 13.0), unheard=12), used=8.0)
    assert few["cause"] == "sky_obstruction" and "the 8 of 20 signals that were left were all weaker" in few["evidence"]
    assert "transmitters" in few["advice"] and "hidden" in few["advice"]
    assert "that were left" not in dropout(satellites(np.r_[np.full(12, 20.0), np.zeros(8)]), used=8.0)["evidence"]


def test_corrections_that_are_lost_while_all_signals_weaken_say_so():
    found = dropout(satellites(np.full(20, 13.0)), age_s=np.arange(LOST.sum()) + 2.0)
    assert (found["kind"], found["cause"]) == ("correction_outage", "corrections_stopped")
    assert "20 of the usual 20 signals were heard, weaker alike" in found["evidence"] and "transmitters" in found["advice"]


@pytest.mark.parametrize(("seconds", "least", "expected"), [(4, 2.0, "sky_obstruction"), (4, 6.0, "interference"), (30, 2.0, "interference")])
def test_a_short_loss_in_which_satellites_ran_out_was_a_bridge(seconds, least, expected):
    used = np.full(LOST.sum(), 9.0)
    used[1] = least
    lost = (np.arange(600) >= 300) & (np.arange(600) < 300 + seconds)
    assert cause(satellites(np.full(20, 13.0)), used=used[:seconds], lost=lost)[0] == expected


def test_a_hidden_side_of_the_sky_is_no_interference_though_the_median_falls():
    """Twelve of twenty lie behind leaves, eight are as strong as before: the median falls by over 15 dB."""
    table = satellites(np.r_[np.full(12, 20.0), np.zeros(8)])
    assert table["cn0_dbhz"].groupby(level=0).median().iloc[310] < table["cn0_dbhz"].median() - 12.0
    assert cause(table, used=8.0)[0] == "sky_obstruction"
    assert cause(table, used=14.0)[0] == "sky_obstruction"


@pytest.mark.parametrize(("drop_db", "unheard"), [
    (np.linspace(10.0, 24.0, 20), 0), (np.full(20, 7.0), 0), (np.full(20, 13.0), 12), (np.full(20, 13.0), 17), (np.full(20, 13.0), 20),
])
def test_leaves_of_unlike_thickness_thin_leaves_and_an_empty_sky_are_no_interference(drop_db, unheard):
    assert cause(satellites(drop_db, unheard=unheard), used=9.0)[0] == "sky_obstruction"


def test_leaves_of_one_thickness_flicker():
    """Over half a minute all satellites lose the same, but not in the same seconds."""
    assert cause(satellites(np.full(20, 13.0), flicker_db=6.0), used=9.0)[0] == "sky_obstruction"


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(0.0, 25.0), min_size=20, max_size=20), st.floats(-0.3, 0.3))
def test_the_quartiles_are_those_of_the_planted_drops(drops, shift_s):
    found = signal_drop(300.4 + shift_s, 329.6 + shift_s, Listed(satellites(np.array(drops)), EPOCHS, ~LOST))
    assert found is not None and found.heard == found.usual == 20
    assert [found.least_db, found.most_db] == pytest.approx(np.percentile(drops, (25, 75)), abs=1.1)


def test_nothing_is_said_where_nothing_can_be_compared():
    table = satellites(np.zeros(20))
    assert signal_drop(300.0, 330.0, Listed()) is None
    assert signal_drop(300.0, 330.0, Listed(table, EPOCHS, np.zeros(600, dtype=bool))) is None
    assert signal_drop(300.0, 330.0, Listed(table[table["satellite_id"] < 5], EPOCHS, ~LOST)) is None


def test_the_roofs_of_a_real_mountain_road_are_no_interference(shared_data):
    """Open recording of a car drive (SOURCES.md): in its tunnels all signals fall alike by up to 28 dB, within one listing of the satellites.

    Its positions are autonomous and are called fixed here, so that where they end a fix is lost.
    """
    whole = read(shared_data / "drives" / "mountain_drive_2010.nmea")
    state = whole.fixes["fix_state"].cat.rename_categories({"autonomous": "fixed", "fixed": "autonomous"}).cat.set_categories(list(tables.FIX_STATES))
    fixes = whole.fixes.assign(fix_state=state, correction_age_s=1.0)
    found = measure(type(whole)(whole.sources, fixes=fixes, satellites=whole.satellites)).dropouts
    lost = found[found["kind"] == "fix_loss"]
    assert len(lost) >= 10 and (lost["cause"] == "sky_obstruction").all() and not (found["cause"] == "interference").any()
    begins = (lost["start_utc"] - fixes.index[0]).dt.total_seconds()
    listed = Listed(whole.satellites, pd.DatetimeIndex(fixes.index), (state == "fixed").to_numpy())
    drops = (signal_drop(s + 10.0 * k, s + 10.0 * k + 10.0, listed) for s in begins for k in range(-3, 4))
    assert any(d is not None and d.least_db > 20.0 and d.most_db - d.least_db < 4.0 for d in drops), "roofs that the drop alone would take for a transmitter"


@pytest.mark.parametrize(("weaker_db", "unheard", "roof", "expected"), [
    (0.0, 0, False, "receiver_restart"), (2.0, 3, False, "receiver_restart"), (13.0, 0, False, None), (0.0, 15, False, "sky_obstruction"),
    (0.0, 0, True, "sky_obstruction"),
])
def test_a_position_that_is_lost_under_an_open_sky_is_a_receiver_that_begins_anew(weaker_db, unheard, roof, expected):
    """A roof hides signals, if only for the first of the seconds without a position; a receiver that starts loses its solution alone."""
    frame = drive(600, 1.0)
    blind = (np.arange(600) >= 300) & (np.arange(600) < 308)
    state = np.where(blind, "no_fix", np.where(LOST, "float", frame["fix_state"].astype(str)))
    frame["fix_state"] = pd.Categorical(state, categories=list(tables.FIX_STATES))
    frame.loc[blind, ["latitude_deg", "longitude_deg", "correction_age_s"]] = np.nan
    table = satellites(np.full(20, weaker_db), unheard=unheard)
    if roof:
        table.loc[EPOCHS[299:302], "cn0_dbhz"] = np.nan
    frame["satellites_used"] = np.where(blind, 0.0, 18.0)
    frame["cn0_median_dbhz"] = table["cn0_dbhz"].groupby(level=0).median().reindex(frame.index).to_numpy()
    whole = recording(frame)
    found = measure(type(whole)(whole.sources, fixes=whole.fixes, satellites=table)).dropouts
    assert found["kind"].tolist() == ["fix_loss"]
    assert (found["cause"].iloc[0] == expected) if expected else found["cause"].iloc[0] in ("interference", "sky_obstruction")
    assert (expected == "receiver_restart") == ("there was no position for 8 s while" in found["evidence"].iloc[0])
