"""Which stretches are wrong fixes: inference along the chain of measured steps between them.

Each stretch k is right (offset about zero) or wrong, in one of some ways (offset normal with one of `SPREADS`). Between
neighbours the step ``o[k+1] - o[k]`` was measured with a variance, in plan a covariance: what watched along the track may have
seen nothing across it. A step nobody could measure has a huge variance and says nothing. A wrong fix ends with its stretch.
Another frame is kept by the next one with a given probability, and then no offset is drawn anew. Messages run forward and backward; for the wrong cases they carry a mixture of normals of the offset, of
which the `MOST` heaviest are kept. Linear in the number of stretches.

Source: smoothing of a hidden Markov chain with normal mixtures, e.g. Bar-Shalom, Li and Kirubarajan, Estimation with
Applications to Tracking and Navigation (2001), section 11.6, from memory, not re-read.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analyzer.evidence.track import Flags, Floats
from analyzer.log_sums import log_sum

#: Normals kept in a mixture, and of frames beside them.
MOST, MOST_FRAMES = 16, 16
#: Sigma of the offset of what is wrong, per horizontal axis and in height [m]: wrong fixes of a few centimetres to a metre,
#: larger in height, frames that differ in plan alone, and those of strangers' bases; and how common each is among wrong fixes.
SPREADS = ((0.15, 0.3), (0.5, 1.0), (0.5, 0.02), (2.0, 1.5))
SHARES = (0.3, 0.3, 0.3, 0.1)
#: How common each is among frames: one base in five that is set up anew is off by metres, on a mean of few autonomous positions.
FRAME_SHARES = (0.25, 0.3, 0.25, 0.2)
#: Share of steps whose variance is this many times what was learnt: velocity has bad moments, and a road bends up or down unseen.
TAIL, TAIL_VAR = 0.01, 9.0
#: Least share of frames in what is wrong: a stretch may keep what began before it.
LEAST_FRAME = 1e-5
#: Nothing is surer than this before looking.
SUREST = 1 - 1e-9
#: Probability of what is ruled out.
TINY = 1e-300

def covariance(plan: Floats, up: Floats) -> Floats:
    """Return variances (k, 4) in the order east, north, their covariance, up [m²] of steps known alike both ways in `plan` (k,)."""
    return np.column_stack([plan, plan, np.zeros(len(plan)), up])


def worst_in_plan(var: Floats) -> Floats:
    """Return the variance (k,) [m²] along the axis in plan that is known worst; `var` (k, 4) as from `covariance`."""
    east, north, both = var[:, 0], var[:, 1], var[:, 2]
    return np.asarray((east + north) / 2 + np.hypot((east - north) / 2, both))


#: Kinds of being wrong: each spread as a wrong fix, then as a frame that later stretches keep.
_VAR = covariance(*np.square(np.array((*SPREADS, *SPREADS)).T))
_LOG_SHARE = np.log((*SHARES, *FRAME_SHARES))
_IS_FRAME = np.arange(len(_VAR)) >= len(SPREADS)


@dataclass(frozen=True)
class Posterior:
    """Per stretch: probability of being wrong, and if it is, the offset east, north, up (k, 3) and its variance (k, 2).

    The variance is per horizontal axis and in height [m²]; `frame` (k,) is the share of `wrong` that is another frame, not a wrong fix.
    """

    wrong: Floats
    offset: Floats
    variance: Floats
    frame: Floats


@dataclass(frozen=True)
class _Mixture:
    """Normals of an offset: log weights (m,), means (m, 3), variances (m, 4), and the spread each belongs to (m,)."""

    weight: Floats
    mean: Floats
    var: Floats
    spread: NDArray[np.int64]

    def heaviest(self) -> _Mixture:
        """Return the mixture without what hardly weighs."""
        order = np.argsort(self.weight)[::-1]
        lasting = _IS_FRAME[self.spread[order]]
        keep = np.r_[order[~lasting][:MOST], order[lasting][:MOST_FRAMES]]
        return _Mixture(self.weight[keep], self.mean[keep], self.var[keep], self.spread[keep])


@dataclass(frozen=True)
class Lasting:
    """Frames among what is wrong: probability `begun` (k,) that one began with a stretch, and `kept` (k-1,) that the next keeps it."""

    begun: Floats
    kept: Floats

    @classmethod
    def none(cls, count: int) -> Lasting:
        """Return that none of `count` stretches stands in another frame."""
        return cls(np.zeros(count), np.zeros(max(count - 1, 0)))


def infer(
    steps: Floats, step_var: Floats, prior_wrong: Floats, *, right_sigma_m: tuple[float, float], frames: Lasting | None = None,
    changed: Floats | None = None,
) -> Posterior:
    """Return the posterior of every stretch.

    Parameters
    ----------
    steps : (k-1, 3) measured steps east, north, up [m].
    step_var : (k-1, 4) variances east, north, their covariance, and up [m²], see `covariance`.
    prior_wrong : (k,) probability of standing apart before looking at steps.
    right_sigma_m : sigma of a right fix about the truth, per horizontal axis and in height.
    frames : the part of `prior_wrong` that is another frame, and how it lasts; none where not given.
    changed : (k-1,) share of the variance of a right fix's error that is another one behind each step; 1 where not given. From one epoch
        to the next a right fix keeps its error.
    """
    right_var = covariance(*np.square(np.array([right_sigma_m]).T))[0]
    count = len(prior_wrong)
    frames = frames or Lasting.none(count)
    anew = np.ones(len(steps)) if changed is None else changed
    log_prior = _log_prior(prior_wrong, frames.begun)
    ahead = _pass(steps, step_var, log_prior, right_var, kept=frames.kept, anew=anew)
    back = _pass(-steps[::-1], step_var[::-1], log_prior[::-1], right_var, kept=frames.kept[::-1], anew=anew[::-1], backward=True)[::-1]
    wrong, offset, variance, frame = np.empty(count), np.zeros((count, 3)), np.empty((count, 2)), np.empty(count)
    for k, ((right_a, mix_a), (right_b, mix_b)) in enumerate(zip(ahead, back, strict=True)):
        weight, mean, var, lasting = _product(mix_a, mix_b, log_prior[k, 1:])
        total = log_sum(weight)
        right = right_a + right_b - log_prior[k, 0]
        wrong[k] = 1 / (1 + np.exp(np.clip(right - total, -700, 700)))
        share = np.exp(weight - total)
        offset[k] = share @ mean
        scatter = (mean - offset[k]) ** 2
        variance[k] = share @ np.column_stack([(var[:, :2] + scatter[:, :2]).mean(axis=1), var[:, 3] + scatter[:, 2]])
        frame[k] = share @ lasting
    return Posterior(wrong, offset, variance, frame)


def _log_prior(prior_wrong: Floats, frame: Floats) -> Floats:
    """Return the logarithms (k, 1 + kinds) of the probabilities of being right and of each kind of being wrong."""
    prior_wrong = np.clip(prior_wrong, 1 - SUREST, SUREST)  # what is taken for impossible no step could speak for
    frame = np.maximum(frame, LEAST_FRAME * prior_wrong)
    of_kind = np.where(_IS_FRAME, frame[:, None], np.maximum(prior_wrong - frame, LEAST_FRAME * prior_wrong)[:, None])
    return np.column_stack([np.log1p(-prior_wrong), np.log(of_kind) + _LOG_SHARE])


def _pass(
    steps: Floats, step_var: Floats, log_prior: Floats, right_var: Floats, *, kept: Floats, anew: Floats, backward: bool = False
) -> list[tuple[float, _Mixture]]:
    """Return per stretch the log weight of the right case and the mixture of the wrong ones, given everything before."""
    kinds = np.arange(len(_VAR))
    right, mix = float(log_prior[0, 0]), _Mixture(log_prior[0, 1:].copy(), np.zeros((len(kinds), 3)), _VAR.copy(), kinds)
    out = [(right, mix)]
    for k, (s, r) in enumerate(zip(steps, step_var, strict=True)):
        between = r + 2 * anew[k] * right_var
        # the earlier of two frames may go on: ahead that is the known one, backward the new one
        ends = np.where(_IS_FRAME, np.log1p(-kept[k]), 0.0)
        come = mix.weight if backward else mix.weight + ends[mix.spread]
        stays_right = right + _log_step(s[None, :], np.zeros((1, 4)), between[None, :])[0]
        to_right = np.logaddexp(stays_right, log_sum(come + _log_step(s + mix.mean, mix.var, (r + right_var)[None, :])))
        own = log_prior[k + 1, 1:]
        drawn = _drawn((right, _Mixture(come, s + mix.mean, mix.var, mix.spread)), s, (r, right_var), own + (ends if backward else 0.0))
        change = own - log_prior[k, 1:] if backward else np.zeros(len(own))
        going = _going_on(mix, s, between, np.log(kept[k] or TINY) + change)
        right = float(to_right + log_prior[k + 1, 0])
        mix = _joined(drawn, going).heaviest()
        top = max(right, float(mix.weight.max()))
        right, mix = right - top, _Mixture(mix.weight - top, mix.mean, mix.var, mix.spread)
        out.append((right, mix))
    return out


def _drawn(come: tuple[float, _Mixture], step: Floats, var: tuple[Floats, Floats], log_prior: Floats) -> _Mixture:
    """Return the offsets drawn anew behind a `step`, by where the chain may `come` from: a right fix, or what is moved on by the step.

    `var` are the variances (4,) of the step and of a right fix, `log_prior` (kinds,) weighs each kind.
    """
    right, mix = come
    r, right_var = var
    weight, mean = np.r_[right, mix.weight], np.vstack([step[None, :], mix.mean])
    seen = np.stack([np.vstack([times * (r + right_var)[None, :], mix.var + times * r]) for times in (1.0, TAIL_VAR)])
    # usual and bad moments, kinds and where the chain comes from side by side; each kind is known alike both ways in plan, so that its
    # variance is a number times the unit matrix
    shape = (2, len(_VAR), len(mean))
    total, own = (np.broadcast_to(x, (*shape, 4)).reshape(-1, 4) for x in (seen[:, None] + _VAR[:, None], _VAR[:, None]))
    known, off = _inverse(total), np.broadcast_to(mean, (*shape, 3)).reshape(-1, 3)
    mended = _applied(known, off)
    weights = weight + _log_normal(off, mended, total).reshape(shape) + log_prior[:, None] + np.log([1 - TAIL, TAIL])[:, None, None]
    spread = np.tile(np.repeat(np.arange(len(_VAR)), len(mean)), 2)
    return _Mixture(weights.ravel(), own[:, [0, 1, 3]] * mended, own - own[:, [0, 1, 0, 3]] ** 2 * known, spread)


def _going_on(mix: _Mixture, step: Floats, step_var: Floats, change: Floats) -> _Mixture:
    """Return the frames that go on behind a `step`; `change` (kinds,) is added to their weights."""
    lasting = _IS_FRAME[mix.spread]
    spread = mix.spread[lasting]
    fits = float(_log_step(step[None, :], np.zeros((1, 4)), step_var[None, :])[0])
    return _Mixture(mix.weight[lasting] + fits + change[spread], mix.mean[lasting], mix.var[lasting], spread)


def _joined(a: _Mixture, b: _Mixture) -> _Mixture:
    return _Mixture(np.r_[a.weight, b.weight], np.vstack([a.mean, b.mean]), np.vstack([a.var, b.var]), np.r_[a.spread, b.spread])


def _log_step(distance: Floats, known: Floats, step_var: Floats) -> Floats:
    """Return the log density at `distance` (m, 3) of `known` plus the variance of a step (m, 4), which is `TAIL_VAR` times as large in bad moments."""
    usual, bad = (_log_at(distance, known + times * step_var) for times in (1.0, TAIL_VAR))
    return np.asarray(np.logaddexp(np.log1p(-TAIL) + usual, np.log(TAIL) + bad))


def _product(a: _Mixture, b: _Mixture, log_prior: Floats) -> tuple[Floats, Floats, Floats, Flags]:
    """Return log weights, means, variances and which are frames of the product of two mixtures that both hold the prior (kinds,) once."""
    i, j = np.nonzero(a.spread[:, None] == b.spread[None, :])
    if not len(i):
        i, j = np.zeros(1, dtype=np.int64), np.zeros(1, dtype=np.int64)
    own = _VAR[a.spread[i]]
    of_a, of_b, of_own = _inverse(a.var[i]), _inverse(b.var[j]), _inverse(own)
    known = of_a + of_b - of_own
    # neither side is known worse than its kind, but for rounding
    known[:, [0, 1, 3]] = np.maximum(known[:, [0, 1, 3]], of_own[:, [0, 1, 3]])
    var = _inverse(known)
    mean = _applied(var, _applied(of_a, a.mean[i]) + _applied(of_b, b.mean[j]))
    zero = np.zeros_like(mean)
    weight = (
        a.weight[i]
        + _log_at(a.mean[i], a.var[i])
        + b.weight[j]
        + _log_at(b.mean[j], b.var[j])
        - log_prior[a.spread[i]]
        - _log_at(zero, own)
        - _log_at(mean, var)
    )
    return weight, mean, var, _IS_FRAME[a.spread[i]]


def _log_at(distance: Floats, var: Floats) -> Floats:
    """Return the log density at `distance` (m, 3) of normals with variances `var` (m, 4)."""
    return _log_normal(distance, _applied(_inverse(var), distance), var)


def _log_normal(distance: Floats, scaled: Floats, var: Floats) -> Floats:
    """Return the log density of `_log_at` where the distances are `scaled` by the inverse variances already."""
    return np.asarray(-0.5 * ((distance * scaled).sum(axis=1) + np.log((2 * np.pi) ** 3 * _area(var) * var[:, 3])))


def _area(var: Floats) -> Floats:
    """Return the determinants (m,) in plan of variances (m, 4)."""
    return np.asarray(var[:, 0] * var[:, 1] - var[:, 2] ** 2)


def _inverse(var: Floats) -> Floats:
    """Return the inverses (m, 4) of variances (m, 4), in the same order."""
    out = np.empty_like(var)
    area = _area(var)
    out[:, 0], out[:, 1], out[:, 2], out[:, 3] = var[:, 1] / area, var[:, 0] / area, -var[:, 2] / area, 1 / var[:, 3]
    return out


def _applied(var: Floats, to: Floats) -> Floats:
    """Return the products (m, 3) of matrices (m, 4) with vectors (m, 3)."""
    out = np.empty_like(to)
    out[:, 0] = var[:, 0] * to[:, 0] + var[:, 2] * to[:, 1]
    out[:, 1] = var[:, 2] * to[:, 0] + var[:, 1] * to[:, 1]
    out[:, 2] = var[:, 3] * to[:, 2]
    return out
