"""Which stretches are wrong fixes: inference along the chain of measured steps between them.

Each stretch k is right (offset about zero) or wrong, in one of some ways (offset normal with one of `SPREADS`). Between
neighbours the step ``o[k+1] - o[k]`` was measured with a variance; a step nobody could measure has a huge variance and
says nothing. Messages run forward and backward; for the wrong cases they carry a mixture of normals of the offset, of
which the `MOST` heaviest are kept. Linear in the number of stretches.

Source: smoothing of a hidden Markov chain with normal mixtures, e.g. Bar-Shalom, Li and Kirubarajan, Estimation with
Applications to Tracking and Navigation (2001), section 11.6, from memory, not re-read.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from analyzer.evidence.track import Floats

#: Normals kept in a mixture.
MOST = 16
#: Sigma of the offset of what is wrong, per horizontal axis and in height [m]: wrong fixes of a few centimetres to a metre,
#: larger in height, frames that differ in plan alone, and those of strangers' bases; and how common each is.
SPREADS = ((0.15, 0.3), (0.5, 1.0), (0.5, 0.02), (2.0, 1.5))
SHARES = (0.3, 0.3, 0.3, 0.1)
#: Share of steps whose variance is this many times what was learnt: velocity has bad moments, and a road bends up or down unseen.
TAIL, TAIL_VAR = 0.05, 9.0
_VAR = np.array(SPREADS) ** 2
_LOG_SHARE = np.log(SHARES)


@dataclass(frozen=True)
class Posterior:
    """Per stretch: probability of being wrong, and if it is, the offset east, north, up (k, 3) and its variance (k, 2).

    The variance is per horizontal axis and in height [m²].
    """

    wrong: Floats
    offset: Floats
    variance: Floats


@dataclass(frozen=True)
class _Mixture:
    """Normals of an offset: log weights (m,), means (m, 3), variances (m, 2), and the spread each belongs to (m,)."""

    weight: Floats
    mean: Floats
    var: Floats
    spread: NDArray[np.int64]

    def heaviest(self) -> _Mixture:
        keep = np.argsort(self.weight)[::-1][:MOST]
        return _Mixture(self.weight[keep], self.mean[keep], self.var[keep], self.spread[keep])


def infer(steps: Floats, step_var: Floats, prior_wrong: Floats, *, right_sigma_m: tuple[float, float]) -> Posterior:
    """Return the posterior of every stretch.

    Parameters
    ----------
    steps : (k-1, 3) measured steps east, north, up [m].
    step_var : (k-1, 2) variances per horizontal axis and in height [m²].
    prior_wrong : (k,) probability of a wrong fix before looking at steps.
    right_sigma_m : sigma of a right fix about the truth, per horizontal axis and in height.
    """
    right_var = np.asarray(right_sigma_m) ** 2
    ahead = _pass(steps, step_var, prior_wrong, right_var)
    back = _pass(-steps[::-1], step_var[::-1], prior_wrong[::-1], right_var)[::-1]
    count = len(prior_wrong)
    wrong, offset, variance = np.empty(count), np.zeros((count, 3)), np.empty((count, 2))
    for k, ((right_a, mix_a), (right_b, mix_b)) in enumerate(zip(ahead, back, strict=True)):
        weight, mean, var = _product(mix_a, mix_b)
        total = logsumexp(weight)
        right = right_a + right_b - np.log1p(-prior_wrong[k])
        wrong[k] = 1 / (1 + np.exp(np.clip(right - (total - np.log(prior_wrong[k])), -700, 700)))
        share = np.exp(weight - total)
        offset[k] = share @ mean
        scatter = (mean - offset[k]) ** 2
        variance[k] = share @ (var + np.column_stack([scatter[:, :2].sum(axis=1) / 2, scatter[:, 2]]))
    return Posterior(wrong, offset, variance)


def _pass(steps: Floats, step_var: Floats, prior_wrong: Floats, right_var: Floats) -> list[tuple[float, _Mixture]]:
    """Return per stretch the log weight of the right case and the mixture of the wrong ones, given everything before."""
    kinds = np.arange(len(_VAR))
    right = float(np.log1p(-prior_wrong[0]))
    mix = _Mixture(
        np.log(prior_wrong[0]) + _LOG_SHARE, np.zeros((len(kinds), 3)), _VAR.copy(), kinds
    )
    out = [(right, mix)]
    for s, r, p in zip(steps, step_var, prior_wrong[1:], strict=True):
        ahead = s + mix.mean
        stays_right = right + _log_step(s[None, :], np.zeros((1, 2)), (r + 2 * right_var)[None, :])[0]
        to_right = np.logaddexp(stays_right, logsumexp(mix.weight + _log_step(ahead, mix.var, (r + right_var)[None, :])))
        come, seen_mean = np.r_[right, mix.weight], np.vstack([s[None, :], ahead])
        weights, means, variances = [], [], []
        for share_of, times in ((np.log1p(-TAIL), 1.0), (np.log(TAIL), TAIL_VAR)):
            seen_var = np.vstack([times * (r + right_var)[None, :], mix.var + times * r])
            for own, share in zip(_VAR, _LOG_SHARE, strict=True):
                shrink = own / (own + seen_var)
                weights.append(come + _log_at(seen_mean, seen_var + own) + np.log(p) + share + share_of)
                means.append(seen_mean * shrink[:, [0, 0, 1]])
                variances.append(seen_var * shrink)
        mix = _Mixture(
            np.concatenate(weights), np.vstack(means), np.vstack(variances), np.tile(np.repeat(kinds, len(seen_mean)), 2)
        ).heaviest()
        right = float(to_right + np.log1p(-p))
        top = max(right, float(mix.weight.max()))
        right, mix = right - top, _Mixture(mix.weight - top, mix.mean, mix.var, mix.spread)
        out.append((right, mix))
    return out


def _log_step(distance: Floats, known: Floats, step_var: Floats) -> Floats:
    """Return the log density at `distance` (m, 3) of `known` plus the variance of a step (m, 2), which is `TAIL_VAR` times as large in bad moments."""
    usual, bad = (_log_at(distance, known + times * step_var) for times in (1.0, TAIL_VAR))
    return np.asarray(np.logaddexp(np.log1p(-TAIL) + usual, np.log(TAIL) + bad))


def _product(a: _Mixture, b: _Mixture) -> tuple[Floats, Floats, Floats]:
    """Return log weights, means and variances of the product of two mixtures that both hold the prior once."""
    i, j = np.nonzero(a.spread[:, None] == b.spread[None, :])
    if not len(i):
        i, j = np.zeros(1, dtype=np.int64), np.zeros(1, dtype=np.int64)
    own = _VAR[a.spread[i]]
    var = 1 / np.maximum(1 / a.var[i] + 1 / b.var[j] - 1 / own, 1 / own)
    wide = [0, 0, 1]
    mean = var[:, wide] * (a.mean[i] / a.var[i][:, wide] + b.mean[j] / b.var[j][:, wide])
    zero = np.zeros_like(mean)
    weight = (
        a.weight[i]
        + _log_at(a.mean[i], a.var[i])
        + b.weight[j]
        + _log_at(b.mean[j], b.var[j])
        - _LOG_SHARE[a.spread[i]]
        - _log_at(zero, own)
        - _log_at(mean, var)
    )
    return weight, mean, var


def _log_at(distance: Floats, var: Floats) -> Floats:
    """Return the log density at `distance` (m, 3) of normals with variances `var` (m, 2), horizontal per axis and height."""
    flat = -np.log(2 * np.pi * var[:, 0]) - (distance[:, :2] ** 2).sum(axis=1) / (2 * var[:, 0])
    return np.asarray(flat - 0.5 * np.log(2 * np.pi * var[:, 1]) - distance[:, 2] ** 2 / (2 * var[:, 1]))
