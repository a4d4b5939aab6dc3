"""A result folder is read back as it was judged."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

from analyzer.assessment import Assessment
from analyzer.demo import make_drive
from analyzer.errors import InputError, UsageError
from analyzer.judging import assess
from analyzer.parsers.reading import read
from analyzer.results.load import TABLE_NAMES, load_result
from analyzer.results.write import write_results

pytestmark = pytest.mark.usefixtures("no_pictures")


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> tuple[Assessment, Path]:
    folder = tmp_path_factory.mktemp("judged")
    drive = make_drive(folder / "drive", seed=6, duration_s=150.0, rate_hz=5.0, faults=("radio_loss",))
    assessment = assess(read(drive / "rover.nmea"))
    write_results(assessment, folder / "result")
    return assessment, folder / "result"


def test_epochs_come_back_with_their_types(judged: tuple[Assessment, Path]) -> None:
    assessment, folder = judged
    epochs = load_result(folder).epochs()
    wanted = assessment.epochs
    assert list(epochs.columns) == list(wanted.columns)
    assert epochs.index.equals(wanted.index)
    for name in wanted:
        if str(wanted[name].dtype) == "category":
            assert (epochs[name].astype(object).fillna("") == wanted[name].astype(object).fillna("")).all(), name
            assert str(epochs[name].dtype) == "category"
        else:
            pd.testing.assert_series_equal(epochs[name], wanted[name], check_names=False)


def test_some_columns_only(judged: tuple[Assessment, Path]) -> None:
    loaded = load_result(judged[1])
    assert list(loaded.epochs(["trust", "speed_mps"]).columns) == ["trust", "speed_mps"]
    assert "time_utc" in loaded.epoch_columns
    with pytest.raises(UsageError, match="no column wrong"):
        loaded.epochs(["wrong"])


def test_tables_come_back(judged: tuple[Assessment, Path]) -> None:
    assessment, folder = judged
    loaded = load_result(folder)
    for name in TABLE_NAMES:
        table, wanted = loaded.table(name), getattr(assessment, name)
        assert list(table.columns) == list(wanted.columns)
        assert len(table) == len(wanted)
        for column in table:
            if str(column).endswith("_utc"):
                assert str(table[column].dtype) == "datetime64[us, UTC]"
    gone = loaded.table("dropouts")
    assert gone["duration_s"].tolist() == pytest.approx(assessment.dropouts["duration_s"].tolist())
    assert gone["start_utc"].tolist() == assessment.dropouts["start_utc"].tolist()
    with pytest.raises(UsageError, match="no table"):
        loaded.table("wrong")


def test_incomplete_and_damaged_folders_are_one_sentence(judged: tuple[Assessment, Path], tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such folder"):
        load_result(tmp_path / "none")
    with pytest.raises(InputError, match=r"summary\.json"):
        load_result(tmp_path)
    (tmp_path / "summary.json").write_text("{")
    with pytest.raises(InputError, match="cannot be read"):
        load_result(tmp_path)
    (tmp_path / "summary.json").write_text(json.dumps({"schema_version": 99}))
    with pytest.raises(InputError, match="version 99"):
        load_result(tmp_path)
    (tmp_path / "summary.json").write_text(json.dumps({"schema_version": 1, "run": "x"}))
    with pytest.raises(InputError, match=r"epochs\.parquet"):
        load_result(tmp_path)
    (tmp_path / "epochs.parquet").write_bytes((judged[1] / "epochs.parquet").read_bytes()[:2000])
    with pytest.raises(InputError, match="cannot be read"):
        load_result(tmp_path).epochs()
