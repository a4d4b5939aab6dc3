"""Plausible judged runs, made from formulas, for tests of what is shown; no quality is computed here."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd
from report_epochs import GAP, OUTAGES, at, epochs

from analyzer import tables
from analyzer.assessment import Assessment, Limit, Purpose, SetupItem, Verdict
from analyzer.metrics.metric import Metric, missing
from analyzer.metrics.result import Metrics
from analyzer.recording import Case, Entry, Finding, Ledger, Recording, Source

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
WINDOW_COLUMNS, SEGMENT_COLUMNS, JUMP_COLUMNS = (
    list(layout.names) for layout in (tables.WINDOWS, tables.SEGMENTS, tables.JUMPS)
)
DROPOUT_COLUMNS = re.findall(
    r"\w+",
    """
    dropout_id kind cause start_utc end_utc duration_s refix_s fixed_again_utc start_distance_m end_distance_m
    base_distance_m start_latitude_deg start_longitude_deg end_latitude_deg end_longitude_deg satellites_before
    satellites_min evidence advice
""",
)
STANDSTILL_COLUMNS = re.findall(
    r"\w+",
    """
    standstill_id start_utc end_utc n n_eff fix_state latitude_deg longitude_deg height_m var_ee_m2 var_nn_m2
    var_en_m2 var_uu_m2 cep50_m r95_m heading_deg check_point
""",
)
GAP_COLUMNS = ["start_utc", "end_utc", "duration_s", "missing", "start_distance_m", "bridged_m"]


def table(columns: list[str], rows: list[dict[str, object]] | None = None) -> pd.DataFrame:
    """Return a table with `columns`, empty cells where a row says nothing."""
    return pd.DataFrame(rows or [], columns=columns)


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
