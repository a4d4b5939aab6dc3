"""The weighted least squares behind the adjustment of stands, with a check of what the stands can tell apart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Codes = NDArray[np.int64]
#: Relative eigenvalue below which a combination of unknowns is not seen by the stands.
_BLIND = 1e-9


@dataclass(frozen=True)
class Task:
    """Which unknowns there are: a shift per group, a position per place (None where places are known)."""

    group: Codes
    groups: int
    reference: int
    place: Codes | None


@dataclass(frozen=True)
class Fit:
    """Shifts (groups, axes) with covariance, what is fixed to the car (groups, 2), weighted squared residuals."""

    shift: Array
    covariance: Array
    lever: Array
    lever_covariance: Array
    squares: float
    degrees: int


def empty_fit(groups: int, axes: int) -> Fit:
    """Return a fit that knows nothing."""
    return Fit(
        np.full((groups, axes), np.nan),
        np.full((groups, axes, axes), np.nan),
        np.full((groups, 2), np.nan),
        np.full((groups, 2, 2), np.nan),
        0.0,
        0,
    )


def fit(task: Task, seen: Array, variance: Array, *, heading: Array | None = None) -> Fit:
    """Fit shifts, places and, with `heading`, car-fixed parts to observations (axes, n) of these variances.

    `heading` [rad] is clockwise from north; a car-fixed part (forward, left) adds its turned vector to east and north.
    Without known places the reference group has no shift, and car-fixed parts are relative to the reference group.
    """
    axes, count = seen.shape
    if not count:
        return empty_fit(task.groups, axes)
    columns = _columns(task, axes, heading is not None)
    design = _design(task, columns, axes, count, heading=heading)
    root = 1.0 / np.sqrt(variance.reshape(-1))
    values, vectors = np.linalg.eigh((design * root[:, None]).T @ (design * root[:, None]))
    seen_by = values > _BLIND * max(float(values[-1]), 1e-300)
    inverse = (vectors[:, seen_by] / values[seen_by]) @ vectors[:, seen_by].T
    answer = inverse @ (design.T @ (seen.reshape(-1) * root**2))
    rest = (seen.reshape(-1) - design @ answer) * root
    blind = vectors[:, ~seen_by]
    shift, shift_cov = _contrasts(task, columns["shift"], columns["reference_shift"], answer, inverse, blind)
    lever, lever_cov = _levers(task, columns, answer, inverse, blind, heading is not None)
    return Fit(shift, shift_cov, lever, lever_cov, float(rest @ rest), int(count * axes - seen_by.sum()))


def _columns(task: Task, axes: int, levers: bool) -> dict[str, Codes]:
    """Return the column numbers of the unknowns: ``place``, ``shift`` (groups, axes; -1 for none), ``lever``."""
    places = 0 if task.place is None else int(task.place.max()) + 1
    place = np.arange(places * axes).reshape(places, axes)
    fixed = task.reference if task.place is not None else -1
    present = np.isin(np.arange(task.groups), task.group)
    free = present & (np.arange(task.groups) != fixed)
    shift = np.full((task.groups, axes), -1)
    shift[free] = place.size + np.arange(int(free.sum()) * axes).reshape(-1, axes)
    start = place.size + int(free.sum()) * axes
    lever = np.full((task.groups, 2), -1)
    if levers:
        lever[present] = start + np.arange(int(present.sum()) * 2).reshape(-1, 2)
    total = start + (int(present.sum()) * 2 if levers else 0)
    return {
        "place": place,
        "shift": shift,
        "reference_shift": np.array([fixed]),
        "lever": lever,
        "total": np.array([total]),
    }


def _design(task: Task, columns: dict[str, Codes], axes: int, count: int, *, heading: Array | None) -> Array:
    """Return the design matrix, rows axis by axis."""
    design = np.zeros((axes * count, int(columns["total"][0])))
    at = np.arange(count)
    for axis in range(axes):
        rows = axis * count + at
        if task.place is not None:
            design[rows, columns["place"][task.place, axis]] = 1.0
        column = columns["shift"][task.group, axis]
        design[rows[column >= 0], column[column >= 0]] = 1.0
    if heading is not None:
        sine, cosine = np.sin(heading), np.cos(heading)
        forward, left = columns["lever"][task.group].T
        design[at, forward], design[at, left] = sine, -cosine
        design[count + at, forward], design[count + at, left] = cosine, sine
    return design


def _contrasts(
    task: Task, columns: Codes, fixed: Codes, answer: Array, inverse: Array, blind: Array
) -> tuple[Array, Array]:
    """Return the shift of each group and its covariance; NaN where the stands cannot see it."""
    groups, axes = columns.shape
    value, covariance = np.full((groups, axes), np.nan), np.full((groups, axes, axes), np.nan)
    if fixed[0] >= 0 and fixed[0] in task.group:
        value[fixed[0]], covariance[fixed[0]] = 0.0, 0.0
    for group in range(groups):
        chosen = columns[group]
        if (chosen < 0).any() or _hidden(blind[chosen]):
            continue
        value[group], covariance[group] = answer[chosen], inverse[np.ix_(chosen, chosen)]
    return value, covariance


def _levers(
    task: Task, columns: dict[str, Codes], answer: Array, inverse: Array, blind: Array, asked: bool
) -> tuple[Array, Array]:
    """Return the car-fixed part per group against the reference group, or as it is where places are known."""
    value, covariance = np.full((task.groups, 2), np.nan), np.full((task.groups, 2, 2), np.nan)
    if not asked:
        return value, covariance
    base = columns["lever"][task.reference] if task.place is not None else None
    for group in range(task.groups):
        own = columns["lever"][group]
        if (own < 0).any() or (base is not None and (group == task.reference or (base < 0).any())):
            continue
        matrix = np.zeros((2, len(answer)))
        matrix[[0, 1], own] = 1.0
        if base is not None:
            matrix[[0, 1], base] -= 1.0
        if blind.size and np.abs(matrix @ blind).max() > 1e-6:
            continue
        value[group], covariance[group] = matrix @ answer, matrix @ inverse @ matrix.T
    return value, covariance


def _hidden(part: Array) -> bool:
    """Return whether unseen combinations touch these unknowns."""
    return bool(part.size and np.abs(part).max() > 1e-6)
