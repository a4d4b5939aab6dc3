"""Plausible judged runs, made from formulas, for tests of what is shown; no quality is computed here."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from analyzer import tables
from analyzer.assessment import Assessment, Limit, Purpose, SetupItem, Verdict
from analyzer.metrics.metric import Metric, missing
from analyzer.metrics.result import Metrics
from analyzer.recording import Case, Entry, Finding, Ledger, Recording, Source
from analyzer.report.view import PARTS

START = pd.Timestamp("2026-11-24T09:12:00Z")
LANE = Purpose(
    "lane",
    "lane 0.10 m",
    (
        Limit(
            "lane_horizontal",
            "position",
            "horizontal",
            0.10,
            "m",
            "95",
            "a car must be placed within its lane",
            "common practice",
        ),
    ),
    1.52,
    "ab" * 32,
    largest_age_s=10.0,
    least_rate_hz=1.0,
    least_satellites=None,
)
DROPOUT_COLUMNS = [
    "dropout_id",
    "kind",
    "cause",
    "start_utc",
    "end_utc",
    "duration_s",
    "refix_s",
    "fixed_again_utc",
    "start_distance_m",
    "end_distance_m",
    "base_distance_m",
    "start_latitude_deg",
    "start_longitude_deg",
    "end_latitude_deg",
    "end_longitude_deg",
    "satellites_before",
    "satellites_min",
    "evidence",
    "advice",
]
WINDOW_COLUMNS = [
    "name",
    "start_utc",
    "end_utc",
    "start_distance_m",
    "end_distance_m",
    "verdict",
    "worst_horizontal_bound_m",
    "share_trusted",
    "reason",
    "repeat",
    "accepted_by",
    "accepted_reason",
]
STANDSTILL_COLUMNS = [
    "standstill_id",
    "start_utc",
    "end_utc",
    "n",
    "n_eff",
    "fix_state",
    "latitude_deg",
    "longitude_deg",
    "height_m",
    "var_ee_m2",
    "var_nn_m2",
    "var_en_m2",
    "var_uu_m2",
    "cep50_m",
    "r95_m",
    "heading_deg",
    "check_point",
]
SEGMENT_COLUMNS = [
    "segment_id",
    "fix_state",
    "start_utc",
    "end_utc",
    "n",
    "offset_e_m",
    "offset_n_m",
    "offset_u_m",
    "sigma_e_m",
    "sigma_n_m",
    "sigma_u_m",
    "decision",
    "evidence",
]
JUMP_COLUMNS = ["time_utc", "from_state", "to_state", "de_m", "dn_m", "du_m", "sigma_m", "decision"]
GAP_COLUMNS = ["start_utc", "end_utc", "duration_s", "missing", "start_distance_m", "bridged_m"]
#: Start [s], end [s], kind, cause of the outages of the plausible run.
OUTAGES = (
    (672.0, 710.0, "correction_outage", "corrections_stopped"),
    (1491.0, 1524.0, "correction_outage", "corrections_stopped"),
    (300.0, 303.0, "correction_outage", "corrections_stopped"),
    (900.0, 912.0, "fix_loss", "sky_obstruction"),
)
GAP = (1800.0, 1806.0)


def at(seconds: float) -> pd.Timestamp:
    """Return the time `seconds` [s] after the start."""
    return START + pd.Timedelta(seconds=seconds)


def table(columns: list[str], rows: list[dict[str, object]] | None = None) -> pd.DataFrame:
    """Return a table with `columns`, empty cells where a row says nothing."""
    return pd.DataFrame(rows or [], columns=columns)


def motion(elapsed: np.ndarray) -> tuple[np.ndarray, ...]:
    """Return speed [m/s], distance [m], east [m], north [m] of an invented loop with two stops."""
    speed = 9.0 + 6.0 * np.sin(elapsed / 83.0) + 2.0 * np.sin(elapsed / 17.0)
    speed = np.where((elapsed < 60) | ((elapsed > 1000) & (elapsed < 1060)), 0.0, np.maximum(speed, 0.0))
    step = np.diff(elapsed, prepend=elapsed[:1])
    distance = np.cumsum(speed * step)
    heading = 2 * np.pi * distance / 9000.0 + 0.8 * np.sin(distance / 700.0)
    return speed, distance, np.cumsum(speed * step * np.sin(heading)), np.cumsum(speed * step * np.cos(heading))


def epochs(duration_s: float, rate_hz: float) -> pd.DataFrame:
    """Return epochs with the columns of epochs.parquet and local metres, gap included."""
    elapsed = np.arange(0.0, duration_s, 1.0 / rate_hz)
    elapsed = elapsed[(elapsed < GAP[0]) | (elapsed > GAP[1])]
    rng = np.random.default_rng(7)
    speed, distance, east, north = motion(elapsed)
    age = 1.0 + (elapsed % 1.0)
    state = np.full(len(elapsed), "fixed", dtype=object)
    state[elapsed < 25] = "autonomous"
    state[(elapsed >= 25) & (elapsed < 41)] = "float"
    dropout = pd.array([pd.NA] * len(elapsed), dtype="Int32")
    for number, (start, end, kind, _) in enumerate(OUTAGES, start=1):
        inside = (elapsed >= start) & (elapsed < end)
        dropout[inside] = number
        if kind == "correction_outage":
            age[inside] = 1.0 + elapsed[inside] - start
        state[inside & (elapsed > start + 10)] = "float"
    ageing = np.where(age > 3, 0.001 * age + 0.0045 * np.maximum(age - 10, 0), 0.0)
    claim = np.where(state == "fixed", 0.022, np.where(state == "float", 0.25, 2.2)) * (
        1 + 0.05 * rng.random(len(elapsed))
    )
    bound = np.hypot(claim, ageing)
    trust = np.where(bound * LANE.margin <= 0.10, "trusted", np.where(state == "float", "rejected", "doubtful"))
    frame = pd.DataFrame(
        {
            "source_id": 0,
            "latitude_deg": 61.0 + north / 111_000,
            "longitude_deg": 10.0 + east / 54_000,
            "height_m": 210.0,
            "fix_state": pd.Categorical(state, categories=tables.FIX_STATES),
            "correction_age_s": age,
            "satellites_used": np.round(16 + 3 * np.sin(elapsed / 200) - 6 * (state == "float")),
            "speed_mps": speed,
            "claimed_horizontal_m": claim / 2.45,
            "horizontal_bound_m": bound,
            "vertical_bound_m": 1.6 * bound,
            "along_bound_m": 0.8 * bound,
            "across_bound_m": 0.7 * bound,
            "trust": pd.Categorical(trust, categories=tables.TRUST),
            "reasons": np.where(age > 10, "old_corrections", np.where(trust == "trusted", "", "bound_over_limit")),
            "distance_m": distance,
            "dropout_id": dropout,
            "window": window_names(elapsed),
            "east_m": east,
            "north_m": north,
            "interval_s": 1.0 / rate_hz,
            "moving": speed > 0.1,
        },
        index=pd.DatetimeIndex(START + pd.to_timedelta(elapsed, unit="s"), name="time_utc").as_unit("us"),
    )
    for part in PARTS:
        frame[f"bound_{part}_m"] = 0.0
    frame["bound_claim_m"], frame["bound_ageing_m"] = claim, ageing
    return frame


def window_names(elapsed: np.ndarray) -> np.ndarray:
    """Return the manoeuvre of each second: fourteen of 90 s, two minutes apart."""
    number = ((elapsed - 120) // 135).astype(int) + 1
    inside = (elapsed >= 120) & ((elapsed - 120) % 135 < 90) & (number <= 14)
    return np.where(inside, np.char.add("M", np.char.zfill(number.astype(str), 2)), "")


def windows(frame: pd.DataFrame) -> pd.DataFrame:
    """Return windows.csv of the manoeuvres in `frame`; the verdicts are set by hand."""
    rows = []
    for name, part in frame[frame["window"] != ""].groupby("window"):
        worst = float(part["horizontal_bound_m"].max())
        again = name in ("M05", "M11")
        rows.append(
            {
                "name": name,
                "start_utc": part.index[0],
                "end_utc": part.index[-1],
                "start_distance_m": part["distance_m"].iloc[0],
                "end_distance_m": part["distance_m"].iloc[-1],
                "verdict": "not_fit" if again else "fit",
                "worst_horizontal_bound_m": worst,
                "share_trusted": float((part["trust"] == "trusted").mean()),
                "reason": f"corrections {part['correction_age_s'].max():.0f} s old" if again else "",
                "repeat": again,
            }
        )
    return table(WINDOW_COLUMNS, rows)


def dropouts(frame: pd.DataFrame) -> pd.DataFrame:
    """Return dropouts.csv of the planted outages and the gap that lie inside `frame`."""
    rows = []
    for number, (start, end, kind, cause) in enumerate((*OUTAGES, (*GAP, "missing_epochs", "logger_gap")), start=1):
        part = frame[(frame.index >= at(start - 1)) & (frame.index <= at(end))]
        if not len(part):
            continue
        rows.append(
            {
                "dropout_id": number,
                "kind": kind,
                "cause": cause,
                "start_utc": at(start),
                "end_utc": at(end),
                "duration_s": end - start,
                "refix_s": 6.0 if kind == "correction_outage" else np.nan,
                "start_distance_m": part["distance_m"].iloc[0],
                "end_distance_m": part["distance_m"].iloc[-1],
                "satellites_before": 16.0,
                "satellites_min": 10.0,
                "evidence": f"age rose to {end - start:.0f} s while satellites stayed"
                if "corr" in kind
                else "satellites fell",
                "advice": "record the corrections at the base too, then the side that failed can be named",
            }
        )
    return table(DROPOUT_COLUMNS, rows)


def standstills(frame: pd.DataFrame) -> pd.DataFrame:
    """Return standstills.csv of the two stops."""
    rows = []
    for number, (start, end) in enumerate(((0.0, 60.0), (1001.0, 1059.0)), start=1):
        part = frame[(frame.index >= at(start)) & (frame.index < at(end))]
        if len(part):
            rows.append(
                {
                    "standstill_id": number,
                    "start_utc": part.index[0],
                    "end_utc": part.index[-1],
                    "n": len(part),
                    "n_eff": 9.0,
                    "fix_state": "fixed",
                    "latitude_deg": 61.0,
                    "longitude_deg": 10.0,
                    "height_m": 210.0,
                    "var_ee_m2": 2.1e-5,
                    "var_nn_m2": 3.6e-5,
                    "var_en_m2": 0.6e-5,
                    "var_uu_m2": 9e-5,
                    "cep50_m": 0.0063,
                    "r95_m": 0.0131,
                    "heading_deg": 12.0,
                }
            )
    return table(STANDSTILL_COLUMNS, rows)


def values(frame: pd.DataFrame) -> tuple[Metric, ...]:
    """Return the figures of the trade that the report always shows, one of them not evaluated."""
    n = len(frame)
    route = float(frame["distance_m"].iloc[-1]) if n else 0.0
    return (
        Metric("rate_hz", 10.0, "Hz", n, "median interval of epochs"),
        Metric("missing_epochs", 5, "-", n, "epochs expected by the nominal rate less epochs recorded"),
        Metric("longest_gap_s", 6.0, "s", n, "largest interval"),
        Metric("route_length_m", route, "m", n, "sum of steps while moving"),
        Metric("time_to_first_fixed_s", 41.0, "s", n, "first epoch of state fixed"),
        Metric("share_time_fixed", 0.9996, "-", n, "time counted until the next epoch, never across a gap"),
        Metric("age_p50_s", 1.5, "s", n, "median", interval=(1.4, 1.6)),
        Metric("age_p95_s", 1.9, "s", n, "95th percentile"),
        missing("cn0_median_dbhz", "dB-Hz", "median over tracked signals", "no GSV sentences in the log"),
    )


def source() -> Source:
    """Return one log whose ledger balances."""
    entries = (
        Entry("accepted", "GGA", 21_540, 1_809_360),
        Entry("accepted", "RMC", 21_540, 1_680_120),
        Entry("checksum", "GGA", 2, 168, (Case(81_200, 81_284, "$GNGGA,091233.10,61<b>"),)),
        Entry("proprietary", "PX", 30, 1_200),
    )
    return Source("rover.nmea", "nmea", "cd" * 32, 3_490_848, 3_490_848, Ledger(entries, 3_490_848))


def assessment(*, duration_s: float = 2160.0, rate_hz: float = 10.0) -> Assessment:
    """Return a plausible judged run of `duration_s` [s] at `rate_hz` [Hz]."""
    frame = epochs(duration_s, rate_hz)
    local = frame[["interval_s", "distance_m", "east_m", "north_m", "moving"]].assign(up_m=0.0)
    lost, stood = dropouts(frame), standstills(frame)
    gaps = table(
        GAP_COLUMNS,
        [
            {
                "start_utc": at(GAP[0] - 1 / rate_hz),
                "end_utc": frame.index[frame.index > at(GAP[1])][0],
                "duration_s": 6.0,
                "missing": 60,
            }
        ]
        if duration_s > GAP[1] + 1
        else None,
    )
    metrics = Metrics(values(frame), local, pd.DataFrame(), pd.DataFrame(), gaps, stood, lost, (61.0, 10.0, 210.0))
    return Assessment(
        recording=Recording((source(),)),
        metrics=metrics,
        purpose=LANE,
        verdict=Verdict("fit_with_exclusions", ("Two manoeuvres must be driven again.",), "1.0"),
        epochs=frame.drop(columns=["east_m", "north_m", "interval_s", "moving"]),
        segments=table(SEGMENT_COLUMNS),
        jumps=table(JUMP_COLUMNS),
        dropouts=lost,
        windows=windows(frame),
        standstills=stood,
        setup={
            "run": "07",
            "vehicle": "car A",
            "reference_point": "rear axle centre",
            "output_point": "reference_point",
            "base": {"name": "Hut", "station_id": 12},
        },
        setup_items=(
            SetupItem("base", "base as last time", "Hut", "confirmed", "station id 12 throughout"),
            SetupItem(
                "frame", "frame and height type", "ellipsoidal", "contradicted", "the log gives heights above the geoid"
            ),
            SetupItem("offsets", "reference point and offsets", "1.10 m forward", "not_checked", "no mark visited"),
        ),
        findings=(Finding("low_resolution", "warning", "Coordinates have 5 decimals of a minute: steps of 1.85 cm"),),
        cannot_show=(
            "A constant offset of the whole day: no known mark was visited",
            "Which side lost the corrections: only the rover's log was given",
        ),
        versions={"postdrive": "0.1.0", "numpy": np.__version__},
    )


def empty() -> Assessment:
    """Return a judged run without a single epoch."""
    full = assessment(duration_s=20.0)
    metrics = replace(
        full.metrics,
        values=(),
        epochs=full.metrics.epochs.iloc[:0],
        origin=None,
        gaps=full.metrics.gaps.iloc[:0],
        dropouts=table(DROPOUT_COLUMNS),
        standstills=table(STANDSTILL_COLUMNS),
    )
    return replace(
        full,
        metrics=metrics,
        epochs=full.epochs.iloc[:0],
        dropouts=table(DROPOUT_COLUMNS),
        windows=table(WINDOW_COLUMNS),
        standstills=table(STANDSTILL_COLUMNS),
        setup={},
        setup_items=(),
        findings=(),
        cannot_show=(),
        verdict=Verdict("not_evaluated", ("No epoch was recorded.",), "1.0"),
        recording=Recording(()),
        versions={},
    )
