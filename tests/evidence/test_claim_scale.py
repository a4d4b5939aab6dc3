"""Claims that cannot be metres."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analyzer import Recording, assess, read
from analyzer.demo import DriveSpec, make_drive
from analyzer.evidence.claim_scale import without_wrong_claims

CLAIMS = ["sigma_north_m", "sigma_east_m", "sigma_up_m"]


@pytest.fixture(scope="module")
def drive(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    place = tmp_path_factory.mktemp("claims") / "drive"
    return read(make_drive(place, DriveSpec(seed=5, duration_s=240.0, rate_hz=5.0)) / "rover.nmea")


def scaled(drive: Recording, factor: float) -> Recording:
    return replace(drive, fixes=drive.fixes.assign(**{c: (drive.fixes[c] * factor).astype(np.float32) for c in CLAIMS}))


@pytest.mark.parametrize("factor", [1000.0, 0.001])
def test_claims_in_another_unit_are_named_and_left_out(drive: Recording, factor: float) -> None:
    found = without_wrong_claims(scaled(drive, factor))
    assert [f.code for f in found.findings[len(drive.findings):]] == ["claim_scale"]
    assert found.fixes[CLAIMS].isna().all().all() and (found.fixes[CLAIMS].dtypes == drive.fixes[CLAIMS].dtypes).all()
    whole, without = assess(scaled(drive, factor)), assess(scaled(drive, np.nan))
    assert (whole.epochs["trust"] == without.epochs["trust"]).all()
    assert "solution_kind_contradicted" not in {f.code for f in whole.findings}


@pytest.mark.parametrize("factor", [0.25, 1.0, 3.0, np.nan])
def test_optimistic_and_absent_claims_are_no_matter_of_units(drive: Recording, factor: float) -> None:
    one = scaled(drive, factor)
    assert without_wrong_claims(one) is one


def test_without_a_fixed_epoch_metres_are_right(drive: Recording) -> None:
    rough = replace(scaled(drive, 1000.0), fixes=scaled(drive, 1000.0).fixes.assign(fix_state="autonomous"))
    assert without_wrong_claims(rough) is rough
    fine = replace(scaled(drive, 0.001), fixes=scaled(drive, 0.001).fixes.assign(fix_state="float"))
    assert "claim_scale" in {f.code for f in without_wrong_claims(fine).findings}
