"""Headings that call themselves other than autonomous enter no statement that needs the direction of the car."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analyzer.metrics.heading_mode import doubted, ever_autonomous, mode_findings, usable_heading
from analyzer.metrics.standstill import mean_direction
from tests.metrics.metric_tables import fixes

MODES = ["estimated", "manual", "simulated", "not_valid", "autonomous", None]


def table(modes: list[str | None], **columns: object) -> pd.DataFrame:
    values = {"heading_deg": 30.0, "latitude_deg": 48.0, "longitude_deg": 11.0} | columns
    return fixes(np.arange(len(modes), dtype=float), heading_mode=pd.Categorical(modes), **values)


def test_only_autonomous_headings_and_those_without_a_mode_are_used() -> None:
    frame = table(MODES)
    assert doubted(frame).tolist() == [True, True, True, True, False, False]
    assert np.isfinite(usable_heading(frame)).tolist() == [False, False, False, False, True, True]
    assert mean_direction(usable_heading(table(["estimated", "autonomous"], heading_deg=[200.0, 30.0]))) == pytest.approx(30.0)


def test_the_finding_says_how_long_and_which() -> None:
    (finding,) = mode_findings(table(MODES[:2] * 3 + ["autonomous"]), 0.5)
    assert "estimated for 1.5 s" in finding.text and "manual for 1.5 s" in finding.text and "not a measured one all" in finding.text
    (never,) = mode_findings(table(["not_valid"] * 4), 1.0)
    assert "never was a measured one" in never.text and "not valid for 4.0 s" in never.text
    assert not ever_autonomous(table(["not_valid"] * 4))


@pytest.mark.parametrize("frame", [
    table(["autonomous"] * 3), table([None] * 3), table(["not_valid"] * 3, fix_state="no_fix"),
    table(["autonomous"] * 3).drop(columns="heading_mode"),
], ids=["autonomous", "no THS", "no position", "older table"])
def test_nothing_is_said_where_nothing_is_doubted(frame: pd.DataFrame) -> None:
    assert mode_findings(frame, 1.0) == ()
