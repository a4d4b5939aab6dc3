"""Epochs from sentences: grouping, precedence, satellites, duplicates, clocks; on real drives too."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from nmea_lines import read_lines, sentence

from analyzer import tables
from analyzer.parsers.nmea_epochs import EpochResult, build_epochs
from analyzer.parsers.nmea_text import blocks_of, read_text

DAY = "010524"


def build(lines: Iterable[str], given: date | None = None) -> EpochResult:
    return build_epochs(read_lines(lines), source_id=3, date=given)


def clock(seconds: float) -> str:
    whole, hundredths = divmod(round(seconds * 100), 100)
    return f"{whole // 3600:02d}{whole // 60 % 60:02d}{whole % 60:02d}.{hundredths:02d}"


def gga(time: str, *, quality: str = "4", minutes: float = 7.038, rest: str = "10,0.9,545.4,M,46.9,M,1.0,0031") -> str:
    return sentence(f"GNGGA,{time},48{minutes:09.6f},N,01131.000000,E,{quality},{rest}")


def rmc(time: str, *, status: str = "A", day: str = DAY, speed: str = "22.4", mode: str = "R") -> str:
    return sentence(f"GNRMC,{time},{status},4807.038000,N,01131.000000,E,{speed},84.4,{day},,,{mode}")


def gst(time: str) -> str:
    return sentence(f"GNGST,{time},0.006,0.023,0.020,273.6,0.023,0.020,0.031")


def drive(start_s: float, count: int, interval_s: float = 1.0) -> list[list[str]]:
    """Return the sentences of epochs of a moving car."""
    out = []
    for k in range(count):
        time = clock(start_s + k * interval_s)
        out.append([gga(time, minutes=7 + k * 1e-3), rmc(time), gst(time)])
    return out


def flat(epochs: Sequence[Sequence[str]]) -> list[str]:
    return [line for epoch in epochs for line in epoch]


def codes(result: EpochResult) -> list[str]:
    return [finding.code for finding in result.findings]


def times(result: EpochResult) -> list[str]:
    return [stamp.strftime("%Y-%m-%d %H:%M:%S.%f")[:-4] for stamp in result.fixes.index]


def aside(result: EpochResult) -> dict[tuple[str, str], int]:
    return {(part.kind, part.tag): len(part.start) for part in result.set_aside}


def real(shared_data: Path, name: str) -> EpochResult:
    text = read_text(blocks_of(shared_data / "drives" / name))
    return build_epochs(text.sentences, source_id=0, date=None)


def states(result: EpochResult) -> dict[str, int]:
    counts = result.fixes["fix_state"].value_counts()
    return {str(state): int(count) for state, count in counts.items() if count}


# --- real drives: counts taken independently, SOURCES.md of the recordings


def test_mountain_drive(shared_data: Path) -> None:
    result = real(shared_data, "mountain_drive_2010.nmea")
    fixes = result.fixes
    assert len(fixes) == 10_412
    assert states(result) == {"autonomous": 10_238, "estimated": 89, "no_fix": 85}
    assert fixes["latitude_deg"].notna().sum() == 10_327
    reported = fixes[fixes["fix_state_source"] == "reported"]
    assert len(reported) == 2602
    assert reported["fix_state"].value_counts()[["autonomous", "estimated", "no_fix"]].tolist() == [2560, 23, 19]
    assert fixes["pdop"].notna().sum() >= 10_400  # GSA stands before its RMC, so it leads its epoch
    gaps = fixes.index.to_series().diff().dt.total_seconds()
    assert gaps.nlargest(2).round(1).tolist() == [206.6, 11.9]
    assert gaps.nlargest(2).index.strftime("%H:%M").tolist() == ["13:17", "13:10"]
    assert not result.set_aside


def test_long_gap_over_midnight(shared_data: Path) -> None:
    result = real(shared_data, "long_gap_over_midnight.nmea")
    fixes = result.fixes
    assert len(fixes) == 4469
    assert states(result) == {"autonomous": 3494, "differential": 975}
    days = pd.Series(fixes.index.strftime("%Y-%m-%d")).value_counts()
    assert days.to_dict() == {"2005-09-26": 4246, "2005-09-25": 223}
    gaps = fixes.index.to_series().diff().dt.total_seconds()
    assert sorted(gaps[gaps > 2]) == [60.0, 798.0, 1250.0]
    assert set(result.satellites["system"].dropna().unique()) == {"GPS", "SBAS"}


def test_float_with_gst_and_gns(shared_data: Path) -> None:
    result = real(shared_data, "float_with_gst_and_gns.nmea")
    fixes = result.fixes
    assert len(fixes) == 34
    assert states(result) == {"float": 9, "differential": 25}
    assert fixes["sigma_north_m"].notna().all()
    assert (fixes["speed_mps"].notna() & fixes["correction_age_s"].notna()).all()
    # one numbering runs through three talkers: 13 or 14 in view, not three times that
    assert fixes["satellites_in_view"].between(13, 14).all()
    assert fixes["satellites_in_view"].iloc[0] == 13
    first = result.satellites.loc[fixes.index[0]]
    assert first.groupby("system", observed=True)["used"].sum().to_dict() == {"GPS": 6, "GLONASS": 4, "Galileo": 0}


def test_static_fixed(shared_data: Path) -> None:
    result = real(shared_data, "static_fixed_2hz.nmea")
    assert len(result.fixes) == 120
    assert states(result) == {"fixed": 120}
    assert result.fixes["correction_age_s"].eq(0).all()
    assert (np.diff(result.fixes.index.asi8) == 500_000).all()


@pytest.mark.parametrize("name", ["mountain_drive_2010.nmea", "float_with_gst_and_gns.nmea"])
def test_plain_reader_gives_the_same_epochs(shared_data: Path, name: str) -> None:
    content = (shared_data / "drives" / name).read_bytes().decode("latin-1")
    slow = build_epochs(read_lines([line.strip() for line in content.splitlines()]), source_id=0, date=None)
    fast = real(shared_data, name)
    shared = [column for column in tables.FIXES.names if column != "byte_offset"]
    pd.testing.assert_frame_equal(slow.fixes[shared], fast.fixes[shared], rtol=1e-6, atol=1e-9)
    pd.testing.assert_frame_equal(slow.satellites, fast.satellites, check_categorical=False)


# --- grouping


def test_tables_follow_the_schema() -> None:
    result = build(flat(drive(32_400, 5)))
    assert result.fixes.columns.tolist() == list(tables.FIXES.names)
    assert str(result.fixes.index.dtype) == tables.TIME_DTYPE
    for column in tables.FIXES.columns:
        assert str(result.fixes[column.name].dtype) == column.dtype, column.name
    assert result.fixes["source_id"].eq(3).all()
    assert times(result)[0] == "2024-05-01 09:00:00.00"


def test_empty_input() -> None:
    result = build_epochs({}, source_id=0, date=None)
    assert len(result.fixes) == 0 and result.fixes.columns.tolist() == list(tables.FIXES.names)
    assert result.undated and not result.findings and not result.set_aside


def test_zda_beside_the_epoch_opens_none_and_dates_across_midnight() -> None:
    lines = []
    for k in range(-3, 3):
        time = clock((86_400 + k) % 86_400)
        lines.append(gga(time))
        day = "01" if k < 0 else "02"
        lines.append(sentence(f"GNZDA,{clock((86_400 + k) % 86_400 + 0.05)},{day},05,2024,00,00"))
    result = build(lines)
    assert times(result) == [
        "2024-05-01 23:59:57.00", "2024-05-01 23:59:58.00", "2024-05-01 23:59:59.00", "2024-05-02 00:00:00.00",
        "2024-05-02 00:00:01.00", "2024-05-02 00:00:02.00",
    ]
    early = build([gga("235959.99"), sentence("GNZDA,000000.04,02,05,2024,00,00"), gga("000000.99")])
    assert times(early) == ["2024-05-01 23:59:59.99", "2024-05-02 00:00:00.99"]


def test_interleaved_outputs_of_one_instant_join() -> None:
    epochs = drive(32_400, 4)
    lines = flat([[epochs[k + 1][0], *epochs[k][1:]] for k in range(3)])
    result = build([epochs[0][0], *lines, *epochs[3][1:]])
    assert len(result.fixes) == 4
    assert result.fixes[["speed_mps", "sigma_up_m", "height_m"]].notna().all(axis=None)
    assert not result.set_aside


def test_first_complete_epoch_stays() -> None:
    epochs = drive(32_400, 3)
    time = clock(32_401)
    cut = [gga(time, minutes=9)]
    lines = flat([epochs[0], cut, epochs[1], epochs[1], epochs[2]])
    result = build(lines)
    assert times(result) == ["2024-05-01 09:00:00.00", "2024-05-01 09:00:01.00", "2024-05-01 09:00:02.00"]
    assert aside(result)[("duplicate_epoch", "GGA")] == 2
    assert "duplicate_epochs" in codes(result)


def test_duplicate_block_with_its_untimed_sentences_is_set_aside_to_the_byte() -> None:
    gsa = sentence("GNGSA,A,3,04,05,09,12,,,,,,,,,2.5,1.3,2.1,1")
    epochs = [[*epoch, gsa] for epoch in drive(32_400, 5)]
    lines = flat([*epochs[:3], epochs[2], *epochs[3:]])
    result = build(lines)
    assert len(result.fixes) == 5
    assert aside(result) == {("duplicate_epoch", kind): 1 for kind in ("GGA", "RMC", "GST", "GSA")}
    total = sum(int((part.end - part.start).sum()) for part in result.set_aside)
    assert total == sum(len(line) + 2 for line in epochs[2])
    assert result.fixes["pdop"].notna().all()


def test_backward_block_is_sorted_and_reported() -> None:
    epochs = drive(32_400, 30)
    result = build(flat([*epochs[:10], *epochs[20:], *epochs[10:20]]))
    assert len(result.fixes) == 30 and result.fixes.index.is_monotonic_increasing
    assert codes(result) == ["backward_epochs"]
    assert result.fixes["latitude_deg"].is_monotonic_increasing
    assert "at most by 19 s" in result.findings[0].text


def test_replayed_block_is_duplicate_and_no_leap_second() -> None:
    epochs = drive(32_400, 30)
    result = build(flat([*epochs[:20], *epochs[15:]]))
    assert len(result.fixes) == 30
    assert times(result)[0] == "2024-05-01 09:00:00.00"
    assert aside(result)[("duplicate_epoch", "GGA")] == 5
    assert sorted(codes(result)) == ["backward_epochs", "duplicate_epochs"]


def test_late_leap_second_count() -> None:
    before = drive(32_418, 20)
    after = [[gga(clock(t), minutes=7.02 + k * 1e-3), rmc(clock(t)), gst(clock(t))]
             for k, t in enumerate(range(32_420, 32_460))]
    result = build(flat([*before, *after]))
    assert len(result.fixes) == 60
    assert times(result)[0] == "2024-05-01 09:00:00.00"
    assert (np.diff(result.fixes.index.asi8) == 1_000_000).all()
    assert result.fixes["time_origin"].eq("retimed").sum() == 20
    assert codes(result) == ["late_leap_seconds"]
    assert "18 s" in result.findings[0].text
    assert result.fixes["latitude_deg"].is_monotonic_increasing


def test_leap_second_is_set_aside() -> None:
    # 2016-12-31 23:59:60 UTC was a leap second (IERS Bulletin C 52)
    lines = []
    for time, day in zip(("235959.00", "235960.00", "000000.00", "000001.00"), ("311216",) * 2 + ("010117",) * 2,
                         strict=True):
        lines += [gga(time), rmc(time, day=day), sentence(f"GNZDA,{time},{day[:2]},{day[2:4]},20{day[4:]},00,00")]
    result = build(lines)
    assert times(result) == ["2016-12-31 23:59:59.00", "2017-01-01 00:00:00.00", "2017-01-01 00:00:01.00"]
    assert aside(result) == {("leap_second", "GGA"): 1, ("leap_second", "RMC"): 1, ("leap_second", "ZDA"): 1}
    assert codes(result) == ["leap_second"]


def test_estimate_without_a_position_opens_no_epoch() -> None:
    epochs = drive(32_400, 5)
    result = build(flat([*epochs[:2], epochs[2][2:], *epochs[3:]]))
    assert len(result.fixes) == 4
    assert codes(result) == ["estimates_without_epoch"]
    assert not result.set_aside


def test_sentences_without_a_time_form_no_epoch() -> None:
    void = [sentence("GNRMC,,V,,,,,,,,,,N"), sentence("GNGSA,A,1,,,,,,,,,,,,,99.9,99.9,99.9")]
    result = build([*void, *void, *flat(drive(32_400, 3))])
    assert len(result.fixes) == 3
    assert sorted(codes(result)) == ["sentences_without_epoch", "sentences_without_time"]
    assert result.fixes["pdop"].isna().all()


def test_several_residual_sentences_of_one_epoch_are_no_duplicates() -> None:
    lines = []
    for epoch in drive(32_400, 3):
        time = epoch[0].split(",")[1]
        grs = [sentence(f"GNGRS,{time},1,0.1,0.2,,,,,,,,,,,{system},1") for system in (1, 2, 3)]
        lines += [*epoch, *grs]
    result = build(lines)
    assert len(result.fixes) == 3 and not result.set_aside and not result.findings


@settings(max_examples=80, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(["gga", "rmc", "gst", "zda", "gsa", "gsv", "void"]),
                          st.sampled_from([0, 1, 2, 3, 43_200, 86_398, 86_399, 86_400]),
                          st.sampled_from([DAY, "020524", "060180", "150904", ""])), max_size=40),
       st.sampled_from([None, date(2024, 5, 1)]))
def test_any_order_of_sentences_gives_a_proper_table(pieces: list[tuple[str, int, str]], day: date | None) -> None:
    makers = {
        "gga": lambda t, d: gga(t), "rmc": lambda t, d: rmc(t, day=d), "gst": lambda t, d: gst(t),
        "zda": lambda t, d: sentence(f"GNZDA,{t},{d[:2]},{d[2:4]},20{d[4:]},00,00") if d else sentence("GNZDA,,,,,,"),
        "gsa": lambda t, d: sentence("GNGSA,A,3,04,05,,,,,,,,,,,2.5,1.3,2.1"),
        "gsv": lambda t, d: sentence("GPGSV,1,1,02,04,16,162,46,07,84,207,48"),
        "void": lambda t, d: sentence("GNRMC,,V,,,,,,,,,,N"),
    }
    result = build([makers[kind](clock(t) if t < 86_400 else "235960.00", d) for kind, t, d in pieces], day)
    index = result.fixes.index
    assert index.is_unique and index.is_monotonic_increasing
    assert np.isin(result.satellites.index, index).all()
    positions = sum(kind in ("gga", "rmc") for kind, _, _ in pieces)
    assert len(index) <= positions
    starts = np.concatenate([np.empty(0), *(part.start for part in result.set_aside)])
    assert len(np.unique(starts)) == len(starts)


# --- dates


def test_undated_log_keeps_spans_and_takes_a_given_date() -> None:
    lines = [gga(clock((86_395 + k) % 86_400)) for k in range(10)]
    result = build(lines)
    assert result.undated and len(result.fixes) == 10
    assert (np.diff(result.fixes.index.asi8) == 1_000_000).all()
    dated = build(lines, date(2024, 5, 1))
    assert not dated.undated
    assert times(dated)[0] == "2024-05-01 23:59:55.00" and times(dated)[-1] == "2024-05-02 00:00:04.00"
    assert dated.fixes["time_origin"].eq("given").all()


def test_clock_before_the_fix() -> None:
    void = [[gga(clock(k), quality="0", rest="00,99.9,,M,,M,,"), rmc(clock(k), status="V", day="060180", mode="N")]
            for k in range(8)]
    result = build(flat([*void, *drive(32_400, 20)]))
    assert times(result)[0] == "2024-05-01 08:59:52.00"
    assert (np.diff(result.fixes.index.asi8) == 1_000_000).all()
    assert result.fixes["time_origin"].iloc[:8].eq("retimed").all()
    assert codes(result) == ["clock_before_fix"]
    assert "1980-01-06" in result.findings[0].text


def test_log_older_than_its_satellites_is_suspected() -> None:
    old = (date(2024, 5, 1) - timedelta(weeks=1024)).strftime("%d%m%y")
    lines = []
    for k in range(5):
        time = clock(32_400 + k)
        lines += [gga(time), rmc(time, day=old), sentence("GAGSV,1,1,01,19,82,349,44")]
    result = build(lines)
    assert codes(result) == ["date_implausible"]
    repaired = build(lines, date(2024, 5, 1))
    assert codes(repaired) == ["week_rollover"]
    assert times(repaired)[0] == "2024-05-01 09:00:00.00"


# --- values and precedence


def test_published_gns_with_companion() -> None:
    # sentences of public test suites; values of the GNS field list (mode letters R: fixed)
    result = build([
        "$GNGNS,014035.00,4332.69262,S,17235.48549,E,RR,13,0.9,25.63,11.24,,*70",
        "$GPGNS,014035.00,,,,,,8,,,,1.0,23*76",
        "$GLGNS,014035.00,,,,,,5,,,,1.0,23*67",
    ], date(2024, 5, 1))
    row = result.fixes.iloc[0]
    assert len(result.fixes) == 1 and not result.set_aside
    assert row["latitude_deg"] == pytest.approx(-43.544877, abs=1e-9)
    assert row["longitude_deg"] == pytest.approx(172.591424833, abs=1e-9)
    assert (row["fix_state"], row["fix_state_source"]) == ("fixed", "reported")
    assert row["height_m"] == pytest.approx(36.87)
    assert (row["satellites_used"], row["correction_age_s"], row["station_id"]) == (13, 1.0, 23)


def test_published_gga() -> None:
    # `$GPGGA,172814.0,…` of public test suites: height -6.776 m, age 2.0 s, station 31
    result = build(
        ["$GPGGA,172814.0,3723.46587704,N,12202.26957864,W,2,6,1.2,18.893,M,-25.669,M,2.0,0031*4F",
         "$GPGST,172814.0,0.006,0.023,0.020,273.6,0.023,0.020,0.031*6A"], date(2014, 1, 1))
    row = result.fixes.iloc[0]
    assert row["latitude_deg"] == pytest.approx(37.391097950667, abs=1e-9)
    assert row["longitude_deg"] == pytest.approx(-122.037826310667, abs=1e-9)
    assert row["height_m"] == pytest.approx(-6.776)
    assert (row["station_id"], row["fix_state"]) == (31, "differential")
    assert row["sigma_north_m"] == pytest.approx(0.023)


@pytest.mark.parametrize(("quality", "state"), list(enumerate((
    "no_fix", "autonomous", "differential", "precise", "fixed", "float", "estimated", "manual", "simulated"))))
def test_gga_quality_rules_over_mode(quality: int, state: str) -> None:
    # NMEA 0183 GGA field 6, as listed in "NMEA Revealed" v2.24
    row = build([gga("090000.00", quality=str(quality)), rmc("090000.00", mode="D")]).fixes.iloc[0]
    assert (row["fix_state"], row["fix_state_source"]) == (state, "reported")


@pytest.mark.parametrize(("letter", "state"), [
    ("N", "no_fix"), ("A", "autonomous"), ("D", "differential"), ("P", "precise"), ("R", "fixed"), ("F", "float"),
    ("E", "estimated"), ("M", "manual"), ("S", "simulated")])
def test_mode_letters(letter: str, state: str) -> None:
    row = build([rmc("090000.00", mode=letter)]).fixes.iloc[0]
    assert (row["fix_state"], row["fix_state_source"]) == (state, "derived")


@pytest.mark.parametrize(("status", "state"), [("A", "autonomous"), ("V", "no_fix")])
def test_status_of_sentences_without_a_mode(status: str, state: str) -> None:
    assert build([rmc("090000.00", status=status, mode="")]).fixes["fix_state"].tolist() == [state]
    gll = sentence(f"GPGLL,4916.45,N,12311.12,W,090000.00,{status}")
    assert build([gll], date(2024, 5, 1)).fixes["fix_state"].tolist() == [state]


def test_quality_of_no_edition_leaves_it_to_the_next_source() -> None:
    result = build([gga("090000.00", quality="9"), rmc("090000.00", mode="F"), gga("090001.00", quality="9")])
    assert result.fixes["fix_state"].tolist() == ["float", "autonomous"]
    assert result.fixes["fix_state_source"].tolist() == ["derived", "derived"]
    assert codes(result) == ["unlisted_quality"]


def test_vtg_gives_speed_and_mode_only_where_rmc_does_not() -> None:
    vtg = sentence("GNVTG,220.86,T,,M,2.550,N,4.724,K,D")
    lines = [sentence("GPGLL,4916.45,N,12311.12,W,090000.00,A"), vtg, rmc("090001.00"), vtg, rmc("090002.00"), vtg]
    result = build(lines)
    assert result.fixes["fix_state"].tolist() == ["differential", "fixed", "fixed"]
    assert result.fixes["speed_mps"].tolist() == pytest.approx([4.724 / 3.6, 22.4 * 1852 / 3600, 22.4 * 1852 / 3600])
    assert result.fixes["course_deg"].tolist() == pytest.approx([220.86, 84.4, 84.4])


def test_height_needs_the_separation_and_zeros_are_no_position() -> None:
    zeros = sentence("GNGGA,090001.00,0000.0000,N,00000.0000,E,0,00,99.9,0.0,M,0.0,M,,")
    result = build([gga("090000.00", rest="10,0.9,545.4,M,,M,,"), zeros, rmc("090002.00")])
    assert result.fixes["height_m"].isna().iloc[0] and result.fixes["height_msl_m"].iloc[0] == 545.4
    assert np.isnan(result.fixes["latitude_deg"].iloc[1]) and np.isnan(result.fixes["hdop"].iloc[1])
    assert result.fixes["fix_state"].iloc[1] == "no_fix"
    assert pd.isna(result.fixes["station_id"].iloc[2]) and np.isnan(result.fixes["correction_age_s"].iloc[2])


def test_every_mode_of_a_heading_is_kept_and_an_unknown_letter_is_none() -> None:
    """Modes of THS: A autonomous, E estimated, M manual, S simulator, V not valid (IEC 61162-1, from memory, not re-read)."""
    lines = [line for second, letter in enumerate("AEMSVX")
             for line in (rmc(f"09000{second}.00"), sentence(f"GNTHS,10.5,{letter}"))]
    fixes = build(lines).fixes
    assert fixes["heading_mode"].astype(object).tolist()[:5] == ["autonomous", "estimated", "manual", "simulated", "not_valid"]
    assert pd.isna(fixes["heading_mode"].iloc[5])
    assert fixes["heading_deg"].notna().tolist() == [True, True, True, True, False, True]
    assert build([rmc("090000.00"), "$GPHDT,274.07,T*03"]).fixes["heading_mode"].isna().all()


def test_heading_and_rate_of_turn() -> None:
    lines = [
        rmc("090000.00"), "$GPHDT,274.07,T*03", sentence("HEROT,-60.0,A"),
        rmc("090001.00"), sentence("GNTHS,10.5,A"), sentence("HEROT,3.0,V"),
        rmc("090002.00"), sentence("GNTHS,11.5,V"),
    ]
    fixes = build(lines).fixes
    assert fixes["heading_mode"].astype(object).tolist()[1:] == ["autonomous", "not_valid"] and pd.isna(fixes["heading_mode"].iloc[0])
    assert fixes["heading_deg"].tolist() == pytest.approx([274.07, 10.5, np.nan], nan_ok=True)
    # NMEA: negative is bow to port, degrees per minute; ISO 8855: positive to the left
    assert fixes["yaw_rate_radps"].tolist() == pytest.approx([np.deg2rad(1.0), np.nan, np.nan], nan_ok=True)


# --- satellites


def gsv_group(talker: str, in_view: int, satellites: str, signal: str = "") -> str:
    return sentence(f"{talker}GSV,1,1,{in_view:02d},{satellites}{',' + signal if signal else ''}")


def test_untimed_sentences_that_lead_their_epoch() -> None:
    lines = []
    for k in range(6):
        gsa = sentence(f"GPGSA,A,3,04,05,,09,12,,,24,,,,,{1 + k}.5,1.3,2.1")
        time = clock(32_400 + k)
        lines += [gga(time), gsa, rmc(time)] if k % 3 == 0 else [gsa, rmc(time)]
    fixes = build(lines).fixes
    assert fixes["pdop"].tolist() == pytest.approx([1.5, 2.5, 3.5, 4.5, 5.5, 6.5])
    assert fixes["satellites_used"].tolist() == [10, 5, 5, 10, 5, 5]


def test_untimed_sentences_that_trail_their_epoch() -> None:
    lines = []
    for k in range(6):
        lines += [gga(clock(32_400 + k)), sentence(f"GPGSA,A,3,04,05,,09,12,,,24,,,,,{1 + k}.5,1.3,2.1")]
    fixes = build(lines, date(2024, 5, 1)).fixes
    assert fixes["pdop"].tolist() == pytest.approx([1.5, 2.5, 3.5, 4.5, 5.5, 6.5])


def test_in_view_takes_the_larger_of_signals_and_sums_systems() -> None:
    lines = [
        gga("090000.00"), gsv_group("GP", 9, "04,16,162,46,07,84,207,48", "1"), gsv_group("GP", 7, "04,16,162,40", "8"),
        gsv_group("GA", 5, "19,82,349,44,01,44,220,00", "7"), gsv_group("GL", 8, "65,10,100,", "1"), rmc("090000.00"),
    ]
    result = build(lines)
    assert result.fixes["satellites_in_view"].tolist() == [22]
    assert result.fixes["cn0_median_dbhz"].tolist() == [45]  # of 40, 44, 46, 48; 00 and empty are not tracked
    assert result.satellites["signal_id"].tolist() == ["1", "1", "8", "7", "7", "1"]
    assert result.satellites["cn0_dbhz"].isna().sum() == 2


def test_systems_by_talker_id_and_number() -> None:
    lines = [
        gga("090000.00"),
        sentence("GNGSA,A,3,04,,,,,,,,,,,,1.5,0.8,1.3,1"), sentence("GNGSA,A,3,04,,,,,,,,,,,,1.5,0.8,1.3,3"),
        sentence("GNGSA,A,3,70,,,,,,,,,,,,1.5,0.8,1.3"),
        gsv_group("GP", 3, "04,16,162,46,07,84,207,48,33,10,120,40"), gsv_group("GA", 1, "04,16,162,46"),
        gsv_group("GL", 1, "70,16,162,46"), gsv_group("GB", 1, "04,10,100,41"), gsv_group("GQ", 1, "01,10,100,41"),
        gsv_group("GI", 1, "02,10,100,41"), gsv_group("GN", 2, "70,10,100,41,195,10,100,41"), rmc("090000.00"),
    ]
    table = build(lines).satellites
    assert list(zip(table["system"], table["satellite_id"], table["used"], strict=True)) == [
        ("GPS", 4, True), ("GPS", 7, False), ("SBAS", 33, False), ("Galileo", 4, True), ("GLONASS", 70, True),
        ("BeiDou", 4, False), ("QZSS", 1, False), ("NavIC", 2, False), ("GLONASS", 70, True), ("QZSS", 195, False),
    ]
    assert table.columns.tolist() == list(tables.SATELLITES.names)
