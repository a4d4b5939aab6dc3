"""The verdict of each window: usable, or to be driven again, with the reason in words.

Precedence: no epoch or no evaluated one → ``not_evaluated``; every epoch trusted and none missing → ``fit``; trusted
share at least `window.share_usable` and no hole longer than `window.longest_exclusion` → ``fit_with_exclusions``;
mostly not evaluated → ``not_evaluated``; else ``not_fit``. A rate of its own below the purpose's least rate lowers ``fit`` and
``fit_with_exclusions`` to ``not_fit``, a fused solution that nothing independent watched to ``not_evaluated``. Usable windows are ``fit`` and ``fit_with_exclusions``;
the others are to be driven again, but for those that lie beside the recording altogether: there the sheet is wrong, or another log is meant.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from analyzer import intervals, tables
from analyzer.assessment import Purpose
from analyzer.settings import thresholds
from analyzer.verdict.elsewhere import beside, beyond_ends, with_shift
from analyzer.verdict.held import Held, held_time
from analyzer.verdict.run import only_untold, rate_level
from analyzer.verdict.unwatched import USABLE, watched_level
from analyzer.verdict.why import Rows, code_weights, failing_figures, reason_words
from analyzer.wording import share_in_words

#: Epochs from which on a window tells its own rate.
LEAST_FOR_RATE = 3


def judge_windows(
    windows: pd.DataFrame, epochs: pd.DataFrame, nominal_s: float | None, purpose: Purpose, *, lacking: Sequence[str] = (),
    unwatched: str = "",
) -> pd.DataFrame:
    """Return the judged windows, layout `tables.WINDOWS`.

    `windows` has ``name start_utc end_utc``; `epochs` the columns of `tables.EPOCHS`; `nominal_s` is the usual interval
    between epochs [s], None where it is not known; `lacking` names the required channels that were not recorded;
    `unwatched` as for `run.judge_run`.
    """
    rows = [_judge_one(*span, epochs, nominal_s, purpose, lacking, unwatched) for span in _spans(windows)]
    frame = pd.DataFrame(rows, columns=list(tables.WINDOWS.names)) if rows else tables.WINDOWS.empty()
    return tables.WINDOWS.conform(with_shift(frame, pd.DatetimeIndex(epochs.index)))


def window_of(windows: pd.DataFrame, times: pd.DatetimeIndex) -> pd.Categorical:
    """Return the name of the window each time lies in; the first listed where windows overlap."""
    spans = _spans(windows)
    words = sorted({str(name) for name, _, _ in spans})
    codes = np.full(len(times), -1, dtype=np.int16)
    for name, start, end in reversed(spans):
        codes[times.searchsorted(start) : times.searchsorted(end, side="right")] = words.index(str(name))
    return pd.Categorical.from_codes(codes, categories=pd.Index(words, dtype="str")).remove_unused_categories()


def _spans(windows: pd.DataFrame) -> list[tuple[str, pd.Timestamp, pd.Timestamp]]:
    return list(zip(windows["name"], windows["start_utc"], windows["end_utc"], strict=True))


def _judge_one(
    name: str, start: pd.Timestamp, end: pd.Timestamp, epochs: pd.DataFrame, nominal_s: float | None, purpose: Purpose,
    lacking: Sequence[str], unwatched: str,
) -> dict[str, object]:
    part = epochs.iloc[epochs.index.searchsorted(start) : epochs.index.searchsorted(end, side="right")]
    bound = part["horizontal_bound_m"].to_numpy(np.float64)
    row: dict[str, object] = {
        "name": name,
        "start_utc": start,
        "end_utc": end,
        "accepted_by": None,
        "accepted_reason": None,
        "start_distance_m": part["distance_m"].iloc[0] if len(part) else np.nan,
        "end_distance_m": part["distance_m"].iloc[-1] if len(part) else np.nan,
        "worst_horizontal_bound_m": np.nanmax(bound) if np.isfinite(bound).any() else np.nan,
    }
    times = pd.DatetimeIndex(epochs.index)
    if not len(part):
        apart = beside(start, end, times)
        reason = apart or ("no epoch lies in this window" if len(times) else "no epoch that counts is left")
        return row | {"verdict": "not_evaluated", "share_trusted": np.nan, "repeat": not apart, "reason": reason}
    at_s = intervals.seconds(pd.DatetimeIndex(part.index), start)
    held = held_time((part["trust"] == "trusted").to_numpy(bool), at_s, (end - start).total_seconds(), nominal_s or 1.0)
    level, about_rate = rate_level(_level(held, part), _own_rate(part, nominal_s), purpose)
    level, about_watch = watched_level(level, unwatched)
    words = [*about_rate, *about_watch, *([] if held.whole else [*beyond_ends(start, end, times), *_why(part, held, purpose, lacking)])]
    return row | {"verdict": level, "share_trusted": held.share, "repeat": level not in USABLE, "reason": "; ".join(words)}


def _level(held: Held, part: pd.DataFrame) -> str:
    """Return the verdict of a window in which at least one epoch lies."""
    limits = thresholds("analyzer.verdict")
    if held.whole:
        return "fit"
    if held.share >= limits["window.share_usable"] and held.hole_s <= limits["window.longest_exclusion"]:
        return "fit_with_exclusions"
    return "not_evaluated" if only_untold(part).mean() > 0.5 else "not_fit"


def _own_rate(part: pd.DataFrame, nominal_s: float | None) -> float | None:
    """Return the rate [Hz] of a window: of its own epochs, of the run where they are too few to tell; None where nothing tells."""
    if len(part) < LEAST_FOR_RATE:
        return 1 / nominal_s if nominal_s else None
    return 1 / float(np.median(np.diff(intervals.seconds(pd.DatetimeIndex(part.index)))))


def _why(part: pd.DataFrame, held: Held, purpose: Purpose, lacking: Sequence[str]) -> list[str]:
    """Return what is wrong, how good it was, what is needed: the phrases of one line for `drive again`."""
    words = []
    untrusted = (part["trust"] != "trusted").to_numpy()
    bad = Rows(part, untrusted)
    if held.missing_s:
        words.append(f"{held.missing_s:.1f} s of positions missing")
    if untrusted.any():
        unknown = bool((bad["trust"] == "not_evaluated").mean() > 0.5)
        others = [code for code in code_weights(bad["reasons"]) if code != "not_recorded" or not unknown]
        words += [reason_words(code, bad, purpose, lacking) for code in [*(["not_recorded"] if unknown else []), *others[:1]]]
        words += failing_figures(bad, purpose)
    return [*words, f"trusted for {share_in_words(held.share)} of the time"]
