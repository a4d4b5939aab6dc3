"""The track as arrays."""

from __future__ import annotations

import pandas as pd

from analyzer.evidence.track import passed


def test_over_a_leap_second_one_more_passes_than_labels_tell() -> None:
    """Positive leap second at the end of 2016. Source: IERS Bulletin C 52 (6 July 2016)."""
    times = pd.DatetimeIndex(["2016-12-31T23:59:58Z", "2016-12-31T23:59:59Z", "2017-01-01T00:00:00Z", "2017-01-01T00:00:01Z"])
    assert passed(times).tolist() == [0, 1, 3, 4]
    assert passed(times[2:]).tolist() == [0, 1]
    assert len(passed(times[:0])) == 0
