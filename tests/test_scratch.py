"""Columns in temporary files: the same values as in memory, and memory that is given back."""

from __future__ import annotations

import gc
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import psutil
import pytest
from numpy.typing import NDArray

from analyzer.errors import OutputError
from analyzer.scratch import LEAST, Scratch, held, keeper

COUNT = 2_000_000


def test_columns_are_the_same_and_no_file_has_a_name(tmp_path: Path) -> None:
    scratch = Scratch(tmp_path)
    values = np.arange(COUNT, dtype=np.float64)
    kept = scratch.keep(values)
    assert scratch.holds(kept) and not scratch.holds(values) and np.array_equal(kept, values)
    assert scratch.keep(kept) is kept, "what is in a file already is not written again"
    assert not list(tmp_path.iterdir())
    frame = pd.DataFrame({"x": kept}, copy=False)
    assert np.shares_memory(frame["x"].to_numpy(np.float64), kept), "a table of it copies nothing"


def test_short_arrays_stay_in_memory() -> None:
    scratch = Scratch()
    values = np.zeros(LEAST // 8 - 1)
    assert scratch.keep(values) is values and scratch.columns == 0


def test_pieces_make_one_column_with_rows() -> None:
    scratch = Scratch()
    spool = scratch.spool()
    pieces = [np.full((n, 3), n, dtype=np.int32) for n in (1, 0, 40_000)]
    for piece in pieces:
        spool.add(piece)
    assert np.array_equal(spool.finish(np.int32, (3,)), np.concatenate(pieces))
    assert scratch.spool().finish(np.float64).shape == (0,)


def test_released_memory_is_not_resident_and_its_content_stays() -> None:
    scratch = Scratch()
    array = scratch.empty(20 * COUNT // 4, np.float64)
    array[:] = 7.0
    size = array.nbytes
    process = psutil.Process()
    scratch.release()
    before = process.memory_info().rss
    assert float(array.sum()) == 7.0 * len(array)
    scratch.release()
    assert process.memory_info().rss - before < size / 4
    del array
    gc.collect()
    assert scratch.columns == 0


def test_columns_that_outlive_their_scratch_are_given_back_by_themselves() -> None:
    process = psutil.Process()
    gc.collect()
    before = process.memory_info().rss
    kept = Scratch().keep(np.ones(10 * COUNT))
    gc.collect()
    total = float(kept.sum())  # from here on all of it is in memory, until it is given back
    until = time.monotonic() + 10
    while process.memory_info().rss > before + kept.nbytes / 2 and time.monotonic() < until:
        time.sleep(0.05)
    assert process.memory_info().rss < before + kept.nbytes / 2 and total == len(kept)


def test_arrays_of_a_dataclass_are_held() -> None:
    @dataclass(frozen=True)
    class Pair:
        first: NDArray[np.float64]
        name: str

    scratch = Scratch()
    pair = held(Pair(np.ones(COUNT), "x"), keeper(scratch))
    assert scratch.holds(pair.first) and pair.name == "x"
    assert keeper(None)(pair.first) is pair.first


def test_a_folder_that_is_not_there_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="no room for temporary columns"):
        Scratch(tmp_path / "absent").keep(np.zeros(LEAST))
