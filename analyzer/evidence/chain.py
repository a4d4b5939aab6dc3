"""Which stretches are wrong fixes: inference along the chain of measured steps between them.

Each stretch k is right (offset about zero) or wrong (offset normal with `spread`). Between neighbours the step
``o[k+1] - o[k]`` was measured with variance `step_var` per axis; a step nobody could measure has a huge variance and
says nothing. Messages run forward and backward; for the wrong case they carry a mixture of normals of the offset, of
which the `MOST` heaviest are kept. Linear in the number of stretches.

Source: smoothing of a hidden Markov chain with normal mixtures, e.g. Bar-Shalom, Li and Kirubarajan, Estimation with
Applications to Tracking and Navigation (2001), section 11.6, from memory, not re-read.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp

from analyzer.evidence.track import Floats

#: Normals kept in a mixture.
MOST = 12


@dataclass(frozen=True)
class Posterior:
    """Per stretch: probability of being wrong, and the offset's mean (k, 2) and variance per axis (k,) [m, m²] if it is."""

    wrong: Floats
    offset: Floats
    variance: Floats


@dataclass(frozen=True)
class _Mixture:
    """Weighted normals of an offset: log weights (m,), means (m, 2), variances per axis (m,)."""

    weight: Floats
    mean: Floats
    var: Floats

    def heaviest(self) -> _Mixture:
        keep = np.argsort(self.weight)[::-1][:MOST]
        return _Mixture(self.weight[keep], self.mean[keep], self.var[keep])


@dataclass(frozen=True)
class _Prior:
    spread_var: float
    right_var: float


def infer(steps: Floats, step_var: Floats, prior_wrong: Floats, *, spread_m: float, right_sigma_m: float) -> Posterior:
    """Return the posterior of every stretch.

    Parameters
    ----------
    steps : (k-1, 2) measured steps east, north [m].
    step_var : (k-1,) variance per axis [m²].
    prior_wrong : (k,) probability of a wrong fix before looking at steps.
    spread_m : sigma per axis of a wrong fix's offset.
    right_sigma_m : sigma per axis of a right fix about the truth.
    """
    prior = _Prior(spread_m**2, right_sigma_m**2)
    ahead = _pass(steps, step_var, prior_wrong, prior)
    back = _pass(-steps[::-1], step_var[::-1], prior_wrong[::-1], prior)[::-1]
    count = len(prior_wrong)
    wrong, offset, variance = np.empty(count), np.zeros((count, 2)), np.empty(count)
    for k, ((right_a, mix_a), (right_b, mix_b)) in enumerate(zip(ahead, back, strict=True)):
        both = _product(mix_a, mix_b, prior.spread_var)
        right = right_a + right_b - np.log1p(-prior_wrong[k])
        total = logsumexp(both.weight)
        wrong[k] = 1 / (1 + np.exp(np.clip(right - (total - np.log(prior_wrong[k])), -700, 700)))
        share = np.exp(both.weight - total)
        offset[k] = share @ both.mean
        variance[k] = share @ (both.var + ((both.mean - offset[k]) ** 2).sum(axis=1) / 2)
    return Posterior(wrong, offset, variance)


def _pass(steps: Floats, step_var: Floats, prior_wrong: Floats, prior: _Prior) -> list[tuple[float, _Mixture]]:
    """Return per stretch the log weight of the right case and the mixture of the wrong one, given everything before."""
    s2, g2 = prior.spread_var, prior.right_var
    right = float(np.log1p(-prior_wrong[0]))
    mix = _Mixture(np.array([np.log(prior_wrong[0])]), np.zeros((1, 2)), np.array([s2]))
    out = [(right, mix)]
    for s, r, p in zip(steps, step_var, prior_wrong[1:], strict=True):
        ahead = s + mix.mean
        stays_right = _log_at(s[None, :], np.array([r + 2 * g2]))[0] + right
        to_right = np.logaddexp(stays_right, logsumexp(mix.weight + _log_at(ahead, mix.var + r + g2)))
        mean = np.vstack([s[None, :], ahead])
        var = np.r_[r + g2, mix.var + r]
        weight = np.r_[right, mix.weight] + _log_at(mean, var + s2)
        shrink = s2 / (s2 + var)
        mix = _Mixture(weight + np.log(p), mean * shrink[:, None], var * shrink).heaviest()
        right = float(to_right + np.log1p(-p))
        top = max(right, float(mix.weight.max()))
        right, mix = right - top, _Mixture(mix.weight - top, mix.mean, mix.var)
        out.append((right, mix))
    return out


def _product(a: _Mixture, b: _Mixture, spread_var: float) -> _Mixture:
    """Return the product of two mixtures that both hold the prior once, with the prior divided out once."""
    precision = 1 / a.var[:, None] + 1 / b.var[None, :] - 1 / spread_var
    var = 1 / np.maximum(precision, 1 / spread_var)
    mean = var[..., None] * (a.mean[:, None] / a.var[:, None, None] + b.mean[None, :] / b.var[None, :, None])
    zero = np.zeros((1, 2))
    weight = (
        (a.weight + _log_at(a.mean, a.var))[:, None] + (b.weight + _log_at(b.mean, b.var))[None, :]
        - _log_at(zero, np.array([spread_var]))[0] - _log_at(mean.reshape(-1, 2), var.ravel()).reshape(var.shape)
    )
    return _Mixture(weight.ravel(), mean.reshape(-1, 2), var.ravel())


def _log_at(distance: Floats, var: Floats) -> Floats:
    """Return the log density of isotropic normals in the plane, variance `var` per axis, at `distance` (m, 2)."""
    return np.asarray(-np.log(2 * np.pi * var) - (distance**2).sum(axis=1) / (2 * var))
