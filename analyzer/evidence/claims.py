"""Claimed against realised sigma per fix state, with a confidence interval, in words; and whether innovations are honest."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import chi2

from analyzer import intervals
from analyzer.evidence.claimed_sigma import places_at_rest
from analyzer.evidence.consensus import RIGHT_SIGMA_M
from analyzer.evidence.knots import Knots, walk_model
from analyzer.evidence.noise import Noise
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.evidence.two_state import run_filter
from analyzer.recording import Finding
from analyzer.settings import thresholds

COLUMNS = ("fix_state", "n", "n_eff", "claimed_m", "shown_m", "ratio", "ratio_low", "ratio_high", "shown_by")
CONSISTENCY_COLUMNS = ("n", "n_eff", "mean", "low", "high", "expected")


def effective_size(values: Floats) -> float:
    """Return how many independent samples a series is worth: ``n (1 - r) / (1 + r)`` with its lag-one correlation r.

    Source: first-order correlated process, e.g. Bayley and Hammersley (1946), from memory, not re-read.
    """
    centred = values - values.mean()
    power = float(centred @ centred)
    if len(values) < 3 or power == 0.0:
        return float(len(values))
    r = float(np.clip(centred[1:] @ centred[:-1] / power, 0.0, 0.9999))
    return max(1.0, len(values) * (1 - r) / (1 + r))


def claims_table(
    states: pd.Series | NDArray[np.object_], track: Track, claimed: Floats, *, deviation: Floats, sigma: Floats, right: Flags
) -> pd.DataFrame:
    """Return one row per fix state that claims a sigma and shows one.

    `fixed` is judged at rest, about the mean of each stand: that shows at least part of its error. The other states are
    judged by their deviation from where the same stand is fixed, or from the walk between fixed stretches, where that is known
    better than the claim. The interval is that of a normal sigma with the effective number of samples (two axes).
    """
    rows = []
    deviation, sigma = off_stands(track, right, deviation, sigma)
    for state in pd.Series(states).dropna().unique():
        group: Flags = np.asarray(states == state) & np.isfinite(claimed)
        if state == "fixed":
            shown, count, size, claim = _at_rest(track, claimed, group & right)
            how = "at rest, about the mean of each stand"
        else:
            shown, count, size, claim = _off_walk(group, claimed, deviation, sigma)
            how = "against fixed positions of the same stand and the walk between fixed stretches"
        if not np.isfinite(shown):
            continue
        low, high = _interval(size)
        rows.append((state, count, size, claim, shown, shown / claim, shown / claim * low, shown / claim * high, how))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _at_rest(track: Track, claimed: Floats, group: Flags) -> tuple[float, int, float, float]:
    """Return sigma about the mean of the stands [m], epochs, effective samples and the median claim there.

    Nothing is added for what a stand cannot show (`unseen_at_rest`): this is what positions do at the least.
    """
    squares, size, count, claims = 0.0, 0.0, 0, []
    for start, end in intervals.runs(group & track.resting):
        seconds = float(track.t[end - 1] - track.t[start])
        if seconds < thresholds("analyzer.evidence")["claim.rest"]:
            continue
        places = places_at_rest(track, int(start), int(end))
        own = float(np.mean([effective_size(x) for x in places.T]))
        squares += own * float(places.var(axis=0).mean())
        size, count = size + own, count + int(end - start)
        claims.append(float(np.median(claimed[start:end])))
    if not claims:
        return float("nan"), 0, 0.0, float("nan")
    return float(np.sqrt(squares / size)), count, size, float(np.median(claims))


def off_stands(track: Track, right: Flags, deviation: Floats, sigma: Floats) -> tuple[Floats, Floats]:
    """Return deviations and their sigma with those of stands held against the median of their own right fixed positions.

    The car does not move in a stand: what was said there before or after the fix is measured whatever velocity says.
    """
    deviation, sigma = deviation.copy(), sigma.copy()
    for start, end in intervals.runs(track.resting):
        fixed = track.fixed[start:end] & right[start:end]
        if fixed.sum() * track.nominal_s >= thresholds("analyzer.evidence")["claim.same_stand"]:
            places = track.places[start:end, :2]
            deviation[start:end], sigma[start:end] = places - np.median(places[fixed], axis=0), RIGHT_SIGMA_M[0]
    return deviation, sigma


def _off_walk(group: Flags, claimed: Floats, deviation: Floats, sigma: Floats) -> tuple[float, int, float, float]:
    """Return RMS per axis of the deviation [m] less that of the walk, epochs, effective samples and the median claim."""
    use = group & np.isfinite(deviation).all(axis=1) & (np.nan_to_num(sigma, nan=np.inf) < 0.7 * np.nan_to_num(claimed))
    if use.sum() < thresholds("analyzer.evidence")["noise.least_pairs"]:
        return float("nan"), 0, 0.0, float("nan")
    square = float((deviation[use] ** 2).mean()) - float((sigma[use] ** 2).mean())
    size = float(np.mean([effective_size(x) for x in deviation[use].T]))
    return float(np.sqrt(max(square, 1e-6))), int(use.sum()), size, float(np.median(claimed[use]))


def ratio_beside(table: pd.DataFrame, track: Track) -> float:
    """Return how many times too small the claims of the states other than fixed are; NaN where too little shows it.

    Geometric mean of the ratios of `claims_table`, each weighted by its effective samples up to `claim.beside_most`. Fewer than
    `claim.beside_least` of them count where even the lower end of their interval lies above `claim.beside_few`.
    """
    limits = thresholds("analyzer.evidence")
    beside = table[table["fix_state"] != "fixed"]
    here = beside[["ratio", "n_eff"]].to_numpy(np.float64).reshape(-1, 2)
    rows = track.learnt.rows("claims_beside", here, np.full(len(here), float(np.median(track.t)) if len(track) else 0.0))
    if not len(rows):
        return float("nan")
    weight = np.minimum(rows[:, 1], limits["claim.beside_most"])
    ratio = float(np.exp(weight @ np.log(rows[:, 0]) / weight.sum()))
    few = rows[:, 1].sum() < limits["claim.beside_least"]
    return float("nan") if few and ratio * _interval(rows[:, 1].sum())[0] < limits["claim.beside_few"] else ratio


def _interval(size: float) -> tuple[float, float]:
    """Return the 95 % interval of a sigma from `size` effective samples of two axes, as multiples of it."""
    free = max(1.0, 2 * size)
    low, high = (float(np.sqrt(free / chi2.ppf(q, free))) for q in (0.975, 0.025))
    return low, high


def claim_findings(table: pd.DataFrame) -> tuple[Finding, ...]:
    """Return one sentence per fix state: a warning where the interval of the ratio lies above 1, else a note."""
    out = []
    for row in table.to_dict("records"):
        state, ratio, low, high = str(row["fix_state"]), float(row["ratio"]), float(row["ratio_low"]), float(row["ratio_high"])
        least = "at least " if state == "fixed" else ""
        text = (f"{state.capitalize()} claims {_length(float(row['claimed_m']))} and shows {least}{_length(float(row['shown_m']))} per axis, {ratio:.1f} times "
                f"the claim (95 % interval {low:.1f} to {high:.1f}, {float(row['n_eff']):.0f} effective samples, {row['shown_by']})")
        code, level, more = "claims_shown", "note", ""
        if low > 1.0:
            code, level = "claims_optimistic", "warning"
        elif state == "fixed":
            more = ": nothing against the claim, but errors slower than a stand are not in it"
        out.append(Finding(code, level, f"{text}{more}.", {"fix_state": state, "ratio": ratio, "interval": (low, high)}))
    return tuple(out)


def _length(metres: float) -> str:
    return f"{1000 * metres:.{0 if metres >= 0.001 else 1}f} mm" if metres < 0.1 else f"{metres:.2f} m"


def innovation_table(points: Knots, noise: Noise) -> pd.DataFrame:
    """Return the mean normalised innovation squared of the walk through right fixed stretches and its 95 % bounds.

    The mean of n_eff values with two degrees of freedom each lies within chi-square bounds of 2 n_eff degrees over n_eff
    where the learnt noise is honest. `points` are single moments (`knots.at_instants`) with white noise as learnt and no floor: what
    is held against the bounds is the learnt noise, not what is added to it for caution. Source: Bar-Shalom, Li and Kirubarajan (2001), section 5.4.
    """
    seen = np.isfinite(points.value).all(axis=1)
    if seen.sum() < 20 or not noise.learnt:
        return pd.DataFrame(columns=list(CONSISTENCY_COLUMNS))
    variance = np.asarray((noise.white_m * points.coarse) ** 2)
    run = run_filter(points.value, variance, walk_model(points, noise))
    spread = run.before_cov[:, 0] + variance
    # where the walk was forgotten, nothing was predicted
    use = seen & (spread < 1.0)
    use[np.flatnonzero(seen)[:3]] = False
    if use.sum() < 20:
        return pd.DataFrame(columns=list(CONSISTENCY_COLUMNS))
    innovation = (points.value[use] - run.before[use][:, [0, 2]]) / np.sqrt(spread[use])[:, None]
    size = float(np.mean([effective_size(x) for x in innovation.T]))
    low, high = (float(chi2.ppf(q, 2 * size) / size) for q in (0.025, 0.975))
    row = (int(use.sum()), size, float((innovation**2).sum(axis=1).mean()), low, high, 2.0)
    return pd.DataFrame([row], columns=list(CONSISTENCY_COLUMNS))
