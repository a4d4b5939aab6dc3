"""The verdict of a run, in a level and in words, by a written precedence.

1. Nothing judged (no position inside the windows, or inside the run): ``not_evaluated``.
2. With windows: all ``fit`` → ``fit``, unless crossing lines wait for a pass (`with_undriven`); some usable → ``fit_with_exclusions``; none usable → ``not_evaluated`` where
   none is ``not_fit``, else ``not_fit``.
3. Without windows the judged time runs from the first fixed epoch (from the first position where there is none) to the
   end; time in which epochs are missing counts with it and is not trusted, but for pauses (`missing_time`). Share trusted at least `verdict.share_fit` → ``fit``; at least `verdict.share_usable` →
   ``fit_with_exclusions``; else ``not_evaluated`` where most of the rest is not evaluated
   and breaks no limit that can be checked, else ``not_fit``.
4. A rate below the purpose's least rate, where no windows answer for their own, or a required channel that is missing,
   lowers every level to ``not_fit``, and ``fit`` and ``fit_with_exclusions`` to ``not_evaluated``; so does a rate that is not known.
5. A fused solution that nothing independent watched (`unwatched`), where no windows answer for their own, lowers both to
   ``not_evaluated``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.assessment import Purpose, Verdict
from analyzer.metrics.result import Metrics
from analyzer.settings import thresholds
from analyzer.verdict.channel_names import lacking_channels
from analyzer.verdict.elsewhere import not_here
from analyzer.verdict.judge import RULES_VERSION
from analyzer.verdict.missing_time import missing_time
from analyzer.verdict.not_trusted import where_not_trusted
from analyzer.verdict.unwatched import USABLE, watched_level
from analyzer.verdict.why import Rows, code_weights, failing_figures, reason_words
from analyzer.wording import count, few, share_in_words

#: Reasons that the first screen has room for.
MOST_REASONS = 3
#: Manoeuvres that one sentence names; all stand in the table of manoeuvres.
MOST_NAMED = 5


def judge_run(
    epochs: pd.DataFrame, windows: pd.DataFrame, metrics: Metrics, purpose: Purpose, *, channels: tuple[str, ...] = (),
    unwatched: str = "",
) -> Verdict:
    """Return the verdict of the run. `channels` are the recorded quantities by name, `unwatched` is `unwatched.unwatched_words`."""
    lacking = lacking_channels(purpose, channels)
    level, sentences = _by_windows(windows) if len(windows) else _by_time(epochs, metrics, purpose, lacking)
    rate = metrics["rate_hz"].value
    lowered, about_rate = rate_level(level, float(rate) if isinstance(rate, (int, float)) else None, purpose)
    lowered, about_watch = watched_level(lowered, unwatched)
    sentences += [*about_rate, *about_watch]
    # windows answer for their own rate, and were lowered where nothing watched
    level = level if len(windows) else lowered
    if lacking:
        sentences.append(f"not recorded but needed for the purpose: {', '.join(lacking)}")
        level = "not_evaluated" if level in USABLE else level
    return Verdict(level, tuple(sentences), RULES_VERSION)


def with_undriven(verdict: Verdict, names: Sequence[str]) -> Verdict:
    """Return the verdict where the lines `names` were never passed: what was planned and not driven is no less missing than what failed."""
    if not names:
        return verdict
    words = f"not driven: {few(names, MOST_NAMED)}; no pass was made of their lines"
    return replace(verdict, level="fit_with_exclusions" if verdict.level == "fit" else verdict.level, sentences=(*verdict.sentences, words))


def rate_level(level: str, rate_hz: float | None, purpose: Purpose) -> tuple[str, list[str]]:
    """Return the level after the purpose's least rate, and what is said of a rate [Hz] that is too low or not known."""
    least = purpose.least_rate_hz
    if least is None or (rate_hz is not None and rate_hz >= 0.99 * least):
        return level, []
    if rate_hz is None:
        return "not_evaluated" if level in USABLE else level, [f"the rate of positions is not known; the purpose asks for at least {least:g} Hz"]
    return "not_fit", [f"positions came at {rate_hz:.4g} Hz; the purpose asks for at least {least:g} Hz"]


def usable_from(epochs: pd.DataFrame) -> tuple[pd.Timestamp, float] | None:
    """Return from which moment on a run without windows is judged, and for how long [s] it was recorded, but not trusted, before.

    None where all of it is judged, or where what lies before the first fixed position is trusted all the same.
    """
    fixed = (epochs["fix_state"] == "fixed").to_numpy()
    first = int(np.argmax(fixed)) if fixed.any() else 0
    if not (epochs["trust"].iloc[:first] != "trusted").any():
        return None
    times = pd.DatetimeIndex(epochs.index)
    return times[first], float((times[first] - times[0]).total_seconds())


def only_untold(judged: pd.DataFrame) -> NDArray[np.bool_]:
    """Return which epochs are not evaluated and would not fail anyway: no quantity that was not recorded could help the others."""
    return np.asarray((judged["trust"] == "not_evaluated") & (judged["reasons"].astype(object) == "not_recorded"), dtype=bool)


def _by_windows(windows: pd.DataFrame) -> tuple[str, list[str]]:
    verdicts = windows["verdict"].to_numpy(str)
    usable = int(np.isin(verdicts, USABLE).sum())
    again = windows.loc[windows["repeat"].to_numpy(bool), "name"].tolist()
    apart = windows.loc[not_here(windows), "name"].tolist()
    words = f"{usable} of {count(len(windows), 'manoeuvre')} usable"
    for said, names in (("Not in this recording", apart), ("Drive again", again)):
        words += f". {said}: {few(names, MOST_NAMED, of=len(windows))}" if names else ""
    if (verdicts == "fit").all():
        return "fit", [words]
    if usable:
        return "fit_with_exclusions", [words]
    return ("not_fit" if (verdicts == "not_fit").any() else "not_evaluated"), [words]


def _by_time(epochs: pd.DataFrame, metrics: Metrics, purpose: Purpose, lacking: tuple[str, ...]) -> tuple[str, list[str]]:
    limits = thresholds("analyzer.verdict")
    weight = metrics.epochs["interval_s"].fillna(0).to_numpy(np.float64)
    fixed = (epochs["fix_state"] == "fixed").to_numpy()
    starts = np.flatnonzero(fixed if fixed.any() else (epochs["fix_state"] != "no_fix").to_numpy())[:1]
    if not len(starts):
        return "not_evaluated", ["no position was logged that could be judged"]
    if not weight[starts[0] :].sum():
        return "not_evaluated", ["a single position lasts for no time that could be judged"]
    judged, weight = epochs.iloc[starts[0] :], weight[starts[0] :]
    bad, missing_s = (judged["trust"] != "trusted").to_numpy(), missing_time(judged, metrics)
    whole = float(weight.sum()) + missing_s
    trusted = 1.0 if not bad.any() and not missing_s else float(weight[~bad].sum() / whole)
    unknown = float(weight[only_untold(judged)].sum() / whole)
    never = "whose fix state is not recorded" if epochs["fix_state"].isna().all() else "which never was fixed"
    lead = "since the first fixed position" if fixed.any() else f"of the run, {never},"
    words = [f"{share_in_words(trusted)} of the time {lead} is trusted"]
    if trusted >= limits["verdict.share_fit"]:
        return "fit", [*words, *filter(None, [where_not_trusted(judged, bad)])]
    words.append(_why_not(judged, bad, weight, purpose=purpose, lacking=lacking, missing_s=missing_s))
    if trusted >= limits["verdict.share_usable"]:
        return "fit_with_exclusions", [*words, *filter(None, [where_not_trusted(judged, bad)])]
    return ("not_evaluated" if unknown > (1 - trusted) / 2 else "not_fit"), words


def _why_not(
    judged: pd.DataFrame, bad: NDArray[np.bool_], weight: NDArray[np.float64], *, purpose: Purpose, lacking: tuple[str, ...],
    missing_s: float,
) -> str:
    """Say in one sentence why epochs are not trusted: the commonest reasons with their share of time, and the bounds that miss."""
    rows, whole = Rows(judged, bad), weight.sum() + missing_s
    lost = [f"no epoch was logged ({share_in_words(missing_s / whole)} of the time)"] if missing_s else []
    shares = code_weights(rows["reasons"], weight[bad])
    named = [f"{reason_words(code, rows, purpose, lacking, within=True)} ({share_in_words(share / whole)} of the time)"
             for code, share in list(shares.items())[:MOST_REASONS]]
    more = len(shares) - len(named)
    # reasons overlap where an epoch has several
    overlap = ["some of it for several of these reasons"] if sum(shares.values()) > weight[bad].sum() * (1 + 1e-6) else []
    words = [*lost, *named, *([f"{more} more {'reason' if more == 1 else 'reasons'}"] if more > 0 else []), *overlap]
    return f"what is not trusted: {'; '.join([*words, *failing_figures(rows, purpose, median=True, part=not bad.all())])}"
