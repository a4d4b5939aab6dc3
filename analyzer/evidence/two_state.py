"""A two-state filter and smoother in plain arithmetic: quick for tens of thousands of knots, both axes at once.

State (x, y) of each axis: ``x' = x + f y + w1``, ``y' = a y + w2`` with cov(w) = [[q11, q12], [q12, q22]]; observed is
``x + c y``. The axes east and north share every variance.

Source: Kalman filter and Rauch-Tung-Striebel smoother, e.g. Bar-Shalom, Li and Kirubarajan (2001), sections 5.2 and
8.6, from memory, not re-read; tested here against a dense solution.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analyzer.evidence.track import Flags, Floats

#: Variance of a state nothing is known of [m²].
UNKNOWN = 1e8


@dataclass(frozen=True)
class Model:
    """Transitions to each knot from the one before; row 0 is not used. `c` is the share of y that is observed."""

    f: Floats
    a: Floats
    q11: Floats
    q12: Floats
    q22: Floats
    y_var: float
    c: float


@dataclass(frozen=True)
class Filtered:
    """States (k, 4) as x, y east, x, y north and covariances (k, 3) as xx, xy, yy, before and after each observation."""

    before: Floats
    before_cov: Floats
    after: Floats
    after_cov: Floats


def correlated_error(dt: Floats, walk_var: Floats, sigma: float, time_s: float) -> Model:
    """Return the model of a walk x and an exponentially correlated error y on top of it, both observed as a sum.

    `dt` (k-1,) [s] between knots, `walk_var` (k-1,) variance of the walk's steps.
    """
    a = np.r_[1.0, np.exp(-dt / time_s)]
    zero = np.zeros(len(a))
    return Model(zero, a, np.r_[0.0, walk_var], zero, sigma**2 * (1 - a**2), sigma**2, 1.0)


def drifting_walk(dt: Floats, walk_var: Floats, sigma: float, time_s: float) -> Model:
    """Return the model of a walk x that drifts by an exponentially correlated rate y; only x is observed.

    Exact for a constant step: the integral of the rate over dt has variance s² T² (2 dt/T - 3 + 4a - a²).
    """
    step = np.r_[0.0, dt]
    a = np.exp(-step / time_s)
    q11 = np.r_[0.0, walk_var] + sigma**2 * time_s**2 * np.maximum(2 * step / time_s - 3 + 4 * a - a**2, 0.0)
    return Model(time_s * (1 - a), a, q11, sigma**2 * time_s * (1 - a) ** 2, sigma**2 * (1 - a**2), sigma**2, 0.0)


def reversed_model(model: Model) -> Model:
    """Return the model of the same knots in reversed order: the rate is a stationary process, its sign turns."""

    def turn(values: Floats, sign: float = 1.0) -> Floats:
        return np.asarray(np.r_[values[:1], sign * values[:0:-1]])

    return Model(
        turn(model.f, -1), turn(model.a), turn(model.q11), turn(model.q12, -1), turn(model.q22), model.y_var, model.c
    )


def run_filter(value: Floats, value_var: Floats, model: Model, fresh: Flags | None = None) -> Filtered:
    """Filter forward; where `fresh[k]` is true x is forgotten just before knot k is used, y is kept.

    `value` (k, 2), rows of NaN are not observed; `value_var` (k,).
    """
    count = len(value)
    before, after = np.empty((count, 4)), np.empty((count, 4))
    before_cov, after_cov = np.empty((count, 3)), np.empty((count, 3))
    xe = ye = xn = yn = 0.0
    p11, p12, p22, c = UNKNOWN, 0.0, model.y_var, model.c
    columns = (
        np.isfinite(value).all(axis=1),
        np.zeros(count, bool) if fresh is None else fresh,
        *np.nan_to_num(value).T,
        value_var,
        model.f,
        model.a,
        model.q11,
        model.q12,
        model.q22,
    )
    for k, (seen, forget, east, north, r, f, a, q11, q12, q22) in enumerate(
        zip(*(np.asarray(x).tolist() for x in columns), strict=True)
    ):
        if k:
            xe, ye, xn, yn = xe + f * ye, a * ye, xn + f * yn, a * yn
            p11, p12, p22 = p11 + 2 * f * p12 + f * f * p22 + q11, a * (p12 + f * p22) + q12, a * a * p22 + q22
            p11 = min(p11, 2 * UNKNOWN)
        before[k], before_cov[k] = (xe, ye, xn, yn), (p11, p12, p22)
        if forget:
            p11, p12 = UNKNOWN, 0.0
        if seen:
            g1, g2 = p11 + c * p12, p12 + c * p22
            s = g1 + c * g2 + r
            g1, g2 = g1 / s, g2 / s
            de, dn = east - xe - c * ye, north - xn - c * yn
            xe, ye, xn, yn = xe + g1 * de, ye + g2 * de, xn + g1 * dn, yn + g2 * dn
            h1, h2 = p11 + c * p12, p12 + c * p22
            p11, p12, p22 = max(p11 - g1 * h1, 1e-12), p12 - g1 * h2, max(p22 - g2 * h2, 1e-14)
        after[k], after_cov[k] = (xe, ye, xn, yn), (p11, p12, p22)
    return Filtered(before, before_cov, after, after_cov)


def smooth(value: Floats, value_var: Floats, model: Model) -> tuple[Floats, Floats]:
    """Return smoothed states (k, 4) and covariances (k, 3) by fusing the forward and the backward filter.

    The two share the prior of y, which is divided out once.
    """
    ahead = run_filter(value, value_var, model)
    back = run_filter(value[::-1], value_var[::-1], reversed_model(model))
    mean_a, cov_a = ahead.after, ahead.after_cov
    mean_b, cov_b = back.before[::-1], back.before_cov[::-1]
    ia, ib = _inverse(cov_a), _inverse(cov_b)
    i11, i12 = ia[0] + ib[0], ia[1] + ib[1]
    i22 = ia[2] + ib[2] - 1 / model.y_var
    det = np.maximum(i11 * i22 - i12**2, 1e-30)
    cov = np.column_stack([i22 / det, -i12 / det, i11 / det])
    out = np.empty_like(mean_a)
    for axis in (0, 2):
        v1 = (
            ia[0] * mean_a[:, axis]
            + ia[1] * mean_a[:, axis + 1]
            + ib[0] * mean_b[:, axis]
            + ib[1] * mean_b[:, axis + 1]
        )
        v2 = (
            ia[1] * mean_a[:, axis]
            + ia[2] * mean_a[:, axis + 1]
            + ib[1] * mean_b[:, axis]
            + ib[2] * mean_b[:, axis + 1]
        )
        out[:, axis] = cov[:, 0] * v1 + cov[:, 1] * v2
        out[:, axis + 1] = cov[:, 1] * v1 + cov[:, 2] * v2
    return out, cov


def _inverse(cov: Floats) -> tuple[Floats, Floats, Floats]:
    det = np.maximum(cov[:, 0] * cov[:, 2] - cov[:, 1] ** 2, 1e-30)
    return cov[:, 2] / det, -cov[:, 1] / det, cov[:, 0] / det
