"""RMC and ZDA of one log that give different days."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from nmea_lines import read_lines, sentence

from analyzer.parsers.nmea_epochs import EpochResult, build_epochs

DAY = date(2026, 3, 24)
WEEKS = timedelta(weeks=1024)  # ten bits of week number, GPS interface specification


def build(rmc: date, zda: date, *, start_s: int = 32_400, every: int = 5) -> EpochResult:
    """Return 60 epochs whose RMC says one day and whose ZDA, beside every fifth, says another."""
    lines = []
    for k in range(60):
        second = (start_s + k) % 86_400
        over = timedelta(days=(start_s + k) // 86_400)
        time = f"{second // 3600:02d}{second // 60 % 60:02d}{second % 60:02d}.00"
        lines.append(sentence(f"GNRMC,{time},A,4807.0380,N,01131.0000,E,22.4,84.4,{rmc + over:%d%m%y},,,R"))
        if k % every == 0:
            lines.append(sentence(f"GNZDA,{time},{zda + over:%d,%m,%Y},00,00"))
    return build_epochs(read_lines(lines), source_id=0, date=None)


@pytest.mark.parametrize(("rmc", "zda", "older"), [(DAY - WEEKS, DAY, "RMC"), (DAY, DAY - WEEKS, "ZDA"), (DAY - 2 * WEEKS, DAY, "RMC")])
@pytest.mark.parametrize("start_s", [32_400, 86_370])
def test_of_two_days_1024_weeks_apart_the_later_holds_and_is_said(rmc: date, zda: date, older: str, start_s: int) -> None:
    result = build(rmc, zda, start_s=start_s)
    assert result.fixes.index[0].date() == DAY
    assert (result.fixes.index[-1] - result.fixes.index[0]).total_seconds() == 59
    assert [f.code for f in result.findings] == ["week_rollover"]
    assert result.findings[0].text.startswith(f"{older} is dated {(min(rmc, zda)).isoformat()}")


def test_other_days_of_rmc_and_zda_are_said_with_both() -> None:
    result = build(DAY, DAY + timedelta(days=365))
    assert result.fixes.index[0].date() == DAY
    assert [f.code for f in result.findings] == ["dates_disagree"]
    assert "12 epochs" in result.findings[0].text and "2026-03-24" in result.findings[0].text and "2027-03-24" in result.findings[0].text


def test_days_that_agree_over_midnight_say_nothing() -> None:
    result = build(DAY, DAY, start_s=86_370)
    assert not result.findings


def test_fixed_in_real_time_before_any_system_was_ready_is_suspected() -> None:
    old = build(DAY - 2 * WEEKS, DAY - 2 * WEEKS)  # 1986-12-23
    assert [f.code for f in old.findings] == ["date_implausible"]
    assert "1986-12-23" in old.findings[0].text
