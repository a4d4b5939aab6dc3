"""A drive judged in overlapping blocks against the same drive judged at once.

26 minutes with faults, cut every four minutes: borders fall into a standstill, an outage of corrections, a fixed stretch and
a wrong fix. What must agree is stated per column: everything that is read, counted or measured exactly; bounds within
two per cent and 15 mm in 995 of 1000 epochs, trust in 998 and reasons in 995 of 1000: blocks of four minutes lose pairs of epochs at
their borders from which the noise is learnt. In blocks of eight minutes bounds agree within two per cent.
"""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import analyzer
from analyzer import tables
from analyzer.demo import DriveSpec, Fault, make_drive
from analyzer.evidence.blocks import plan
from analyzer.scratch import Scratch, Sizes
from analyzer.settings import thresholds

pytestmark = pytest.mark.usefixtures("no_pictures")

BLOCK_S, RATE_HZ = 240.0, 10.0
SMALL = Sizes(text_byte=1, epochs=1, block_epochs=int(BLOCK_S * RATE_HZ), overlap_s=400.0, piece=5000)
#: Relative and absolute tolerance, and the share of epochs within; speed noise is learnt from few moving epochs in places.
WITHIN = {"speed_bound_mps": (0.02, 1e-4, 0.995), "heading_bound_deg": (0.02, 1e-4, 0.995)}
USUAL = (0.02, 0.015, 0.995)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("long") / "drive"
    faults = (Fault("radio_loss", start_s=460, duration_s=60.0), Fault("wrong_fix", start_s=1420.0, duration_s=60.0, size=0.5),
              "damaged_bytes", "logger_gap", "spikes", "halls")
    return make_drive(place, DriveSpec(seed=13, duration_s=1560.0, rate_hz=RATE_HZ, long_rest_s=240.0, faults=faults))


def judged(folder: Path, scratch: Scratch) -> analyzer.Assessment:
    recording = analyzer.read(folder / "rover.nmea", solution_kind="gnss", scratch=scratch)
    return analyzer.assess(recording, windows=analyzer.read_windows(folder / "windows.csv"), scratch=scratch)


@pytest.fixture(scope="module")
def both(folder: Path) -> tuple[analyzer.Assessment, analyzer.Assessment]:
    large = replace(Sizes.usual(), text_byte=1 << 40, epochs=1 << 40)
    return judged(folder, Scratch(folder, large)), judged(folder, Scratch(folder, SMALL))


def test_borders_fall_into_what_they_could_harm(both: tuple[analyzer.Assessment, analyzer.Assessment]) -> None:
    whole, _ = both
    blocks = plan(pd.DatetimeIndex(whole.epochs.index), 1 / RATE_HZ, SMALL)
    assert len(blocks) == 7 and blocks[0].first == 0 and blocks[-1].last == len(whole.epochs)
    assert all(a.last == b.first and b.low < b.first for a, b in pairwise(blocks))
    borders = [whole.epochs.index[b.first] for b in blocks[1:]]

    def cut(frame: pd.DataFrame) -> int:
        return sum(bool(((frame["start_utc"] < t) & (frame["end_utc"] > t)).any()) for t in borders)

    outages = whole.dropouts[whole.dropouts["kind"] == "correction_outage"]
    assert cut(whole.standstills) and cut(outages) and cut(whole.segments)


def test_what_is_read_is_the_same(both: tuple[analyzer.Assessment, analyzer.Assessment]) -> None:
    whole, parted = (a.recording for a in both)
    pd.testing.assert_frame_equal(whole.fixes, parted.fixes, check_exact=True)
    pd.testing.assert_frame_equal(whole.satellites, parted.satellites, check_exact=True)
    for one, other in zip(whole.sources, parted.sources, strict=True):
        assert one.ledger == other.ledger and one.ledger.balanced and one.sha256 == other.sha256
    assert whole.findings == parted.findings


def test_what_is_measured_is_the_same(both: tuple[analyzer.Assessment, analyzer.Assessment]) -> None:
    whole, parted = both
    for name in ("dropouts", "standstills"):
        pd.testing.assert_frame_equal(getattr(whole, name), getattr(parted, name), check_exact=True)
    for name in ("epochs", "gaps", "stretches", "transitions"):
        pd.testing.assert_frame_equal(getattr(whole.metrics, name), getattr(parted.metrics, name), check_exact=True)
    assert [(m.key, m.value) for m in whole.metrics.values] == [(m.key, m.value) for m in parted.metrics.values]


def test_epochs_agree_column_by_column(both: tuple[analyzer.Assessment, analyzer.Assessment]) -> None:
    whole, parted = (a.epochs for a in both)
    assert list(whole.columns) == list(parted.columns) == list(tables.EPOCHS.names)
    for name in whole.columns:
        one, other = whole[name], parted[name]
        if "bound" in name:
            x, y = one.to_numpy(np.float64), other.to_numpy(np.float64)
            assert np.array_equal(np.isnan(x), np.isnan(y)), name
            within, beside, share = WITHIN.get(name, USUAL)
            known = np.isfinite(x)
            near = np.abs(x - y)[known] <= within * np.abs(x[known]) + beside
            assert near.mean() >= share if known.any() else True, (name, near.mean())
        elif name in ("trust", "reasons"):
            assert (one.astype(str).to_numpy() == other.astype(str).to_numpy()).mean() >= (0.998 if name == "trust" else 0.995), name
        else:
            pd.testing.assert_series_equal(one, other, check_exact=True, check_categorical=False)


def test_larger_blocks_agree_to_two_per_cent(folder: Path, both: tuple[analyzer.Assessment, analyzer.Assessment]) -> None:
    whole = both[0].epochs
    parted = judged(folder, Scratch(folder, replace(SMALL, block_epochs=int(2 * BLOCK_S * RATE_HZ)))).epochs
    for name in ("horizontal_bound_m", "vertical_bound_m"):
        x, y = whole[name].to_numpy(np.float64), parted[name].to_numpy(np.float64)
        assert (np.abs(x - y) <= 0.02 * np.abs(x) + 1e-4)[np.isfinite(x)].mean() >= 0.999
    assert (whole["trust"].astype(str).to_numpy() == parted["trust"].astype(str).to_numpy()).mean() >= 0.999


def test_stretches_are_those_of_the_whole_drive(both: tuple[analyzer.Assessment, analyzer.Assessment]) -> None:
    whole, parted = both
    columns = ["segment_id", "start_utc", "end_utc", "n"]
    pd.testing.assert_frame_equal(whole.segments[columns], parted.segments[columns])
    # whether a gap is bridged is a limit on a sigma that blocks know to some per cent
    tested = thresholds("analyzer.evidence")["wrong.tested"]
    open_ = (np.abs(whole.jumps["sigma_m"] / tested - 1) < 0.05).to_numpy()
    assert open_.sum() <= 2 and (whole.jumps["decision"] == parted.jumps["decision"])[~open_].all()
    told = ~(np.r_[False, open_] | np.r_[open_, False])
    assert (whole.segments["decision"] == parted.segments["decision"])[told].all() and not (parted.segments["decision"] == "wrong")[~told].any()
    assert whole.verdict.level == parted.verdict.level
    pd.testing.assert_frame_equal(whole.windows[["name", "verdict", "repeat"]], parted.windows[["name", "verdict", "repeat"]])


def test_the_result_says_how_it_was_judged(both: tuple[analyzer.Assessment, analyzer.Assessment]) -> None:
    whole, parted = ([f.code for f in a.findings] for a in both)
    assert "judged_in_blocks" in parted and "judged_in_blocks" not in whole
    assert [code for code in parted if code != "judged_in_blocks"] == whole


def test_the_result_folder_is_whole(both: tuple[analyzer.Assessment, analyzer.Assessment], tmp_path: Path) -> None:
    _, parted = both
    analyzer.write_results(parted, tmp_path / "result")
    found = analyzer.load_result(tmp_path / "result")
    pd.testing.assert_series_equal(found.epochs(["trust"])["trust"].astype(str), parted.epochs["trust"].astype(str))
    summary = json.loads((tmp_path / "result" / "summary.json").read_text(encoding="utf-8"))
    assert any(f["code"] == "judged_in_blocks" for f in summary["verdict"]["findings"])
