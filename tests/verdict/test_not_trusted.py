"""The stretches that the first screen names where no manoeuvres were."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analyzer.verdict.not_trusted import where_not_trusted


def drive(spans: list[tuple[int, int]], *, start: str = "2026-03-24T09:00:00Z") -> tuple[pd.DataFrame, np.ndarray]:
    """A drive of 20 minutes at 1 Hz and 10 m/s; `spans` are not trusted, first and last second."""
    frame = pd.DataFrame({"distance_m": np.arange(1200) * 10.0}, index=pd.date_range(start, periods=1200, freq="1s"))
    bad = np.zeros(1200, dtype=bool)
    for first, last in spans:
        bad[first : last + 1] = True
    return frame, bad


def test_the_longest_stretches_are_named_by_place_and_time_as_they_were_driven() -> None:
    said = where_not_trusted(*drive([(60, 70), (100, 130), (133, 140), (300, 300), (500, 520), (700, 799), (900, 901)]))
    assert said == ("where it is not trusted: km 0.60–0.70 (09:01:00 to 09:01:10 UTC); km 1.00–1.40 (09:01:40 to 09:02:20 UTC); "
                    "km 5.00–5.20 (09:08:20 to 09:08:40 UTC); km 7.00–7.99 (09:11:40 to 09:13:19 UTC); and 2 shorter stretches")


def test_nothing_is_named_where_all_is_trusted_and_a_day_beyond_midnight_is() -> None:
    assert where_not_trusted(*drive([])) == ""
    assert "(25.03. 00:05:00 UTC)" in where_not_trusted(*drive([(600, 600)], start="2026-03-24T23:55:00Z"))
