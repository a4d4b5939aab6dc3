"""Whose height is off, where passes of one place disagree: the fewest and shortest errors that explain all pairs.

Each second n of a pass has a height error b[n]. Pairs measure ``b[i] - b[j]``; errors are rare, and where they are they last.
What is sought minimises::

    sum over pairs  T(off - b[i] + b[j])  +  sum over seconds  L(b[n], single)  +  sum over neighbours in time  L(b[n] - b[n+1], lasting)

with the Student cost T of four degrees of freedom and ``L(x, w) = w/2 ln(1 + x²/e²)``. A stretch that disagrees with many others
is off, not they. Where one pass stands against one other nothing tells which of them it is, and no error is known. The costs are
not convex: e shrinks from metres to centimetres while the weights of a least-squares problem follow.

Source: iteratively reweighted least squares with graduated non-convexity, e.g. Huber, Robust Statistics (1981), section 7.8, and
Blake and Zisserman, Visual Reconstruction (1987), chapter 7; from memory.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.linalg import cg, splu

from analyzer.evidence.track import Flags, Floats
from analyzer.settings import thresholds

Ints = NDArray[np.int64]
#: Degrees of freedom of the pairs' cost.
FREEDOM = 4.0
#: Errors are told from none from here on in each round [m].
EDGES_M = np.geomspace(1.0, 0.03, 12)
#: What is left of the weighed differences [1/m] that is as good as nothing: less than a nanometre of the best of them.
NOTHING = 1e-6
#: Pairs up to which the equations are solved at once; beyond, hundreds of laps held against each other would fill them in.
FEW = 6000
#: Rounds at each edge.
ROUNDS = 3


def errors_of(at_s: Floats, other_s: Floats, off_m: Floats, sigma_m: Floats) -> tuple[Floats, Floats, Flags]:
    """Return the height errors (p,) [m] of both sides of each pair, and whether that of the other is one that may as well be the own.

    `off_m` (p,) with `sigma_m` (p,) was seen at the times `at_s` against `other_s` [UTC s]; every pair is there from both sides.
    """
    seconds = np.floor(np.concatenate([at_s, other_s]) + 1e-6)
    when, node = np.unique(seconds, return_inverse=True)
    one, two = node[:len(at_s)], node[len(at_s):]
    pairs, neighbours = _differences(one, two, len(when)), _neighbours(when)
    error, normal = np.zeros(len(when)), _normal(pairs, neighbours)
    for edge in np.repeat(EDGES_M, ROUNDS):
        error = _solved(pairs, neighbours, normal, off_m=off_m, sigma_m=sigma_m, error=error, edge=float(edge))
    return error[one], error[two], _vague(when, error, one, two)[two]


def _vague(when: Floats, error: Floats, one: Ints, two: Ints) -> Flags:
    """Return which seconds (k,) are off, and might be right if the passes they are held against were off instead.

    That is so where those are of one piece too: seen on several other occasions, an error is where they meet.
    """
    lasting = thresholds("analyzer.evidence")["road.lasting"]
    off = np.flatnonzero(np.abs(error) > 2 * EDGES_M[-1])
    out = np.zeros(len(when), dtype=bool)
    for piece in np.split(off, np.flatnonzero(np.diff(when[off]) > lasting) + 1):
        others = np.unique(when[two[np.isin(one, piece)]])
        out[piece] = not (np.diff(others) > lasting).any()
    return out


def _differences(one: Ints, two: Ints, count: int) -> Any:
    rows = np.tile(np.arange(len(one)), 2)
    return sparse.csr_matrix((np.repeat([1.0, -1.0], len(one)), (rows, np.concatenate([one, two]))), shape=(len(one), count))


def _neighbours(when: Floats) -> Any:
    """Return the differences between neighbours in time."""
    near = np.flatnonzero(np.diff(when) <= thresholds("analyzer.evidence")["road.lasting"])
    return _differences(near + 1, near, len(when))


def _normal(pairs: Any, neighbours: Any) -> tuple[Any, Any]:
    """Return the places of a system of normal equations (k, k), and the matrix that makes its values of all weights.

    Weights are those of the pairs, of the neighbours and of the seconds, in this order: only they change from round to round.
    """
    count = pairs.shape[1]
    every = sparse.vstack([pairs, neighbours, sparse.identity(count)], format="csr")
    first, last = every.indptr[:-1], every.indptr[1:] - 1  # each row is a difference of two, or one
    of = np.arange(every.shape[0])
    two = np.flatnonzero(last > first)
    row = np.concatenate([every.indices[first], every.indices[last[two]], every.indices[first[two]], every.indices[last[two]]])
    column = np.concatenate([every.indices[first], every.indices[last[two]], every.indices[last[two]], every.indices[first[two]]])
    sign = np.repeat([1.0, -1.0], [len(of) + len(two), 2 * len(two)])
    place, which = np.unique(column.astype(np.int64) * count + row, return_inverse=True)
    values = sparse.csr_matrix((sign, (which, np.concatenate([of, two, two, two]))), shape=(len(place), len(of)))
    begins = np.searchsorted(place, np.arange(count + 1) * count)
    return sparse.csc_matrix((np.ones(len(place)), place % count, begins), shape=(count, count)), values


def _solved(pairs: Any, neighbours: Any, normal: tuple[Any, Any], *, off_m: Floats, sigma_m: Floats, error: Floats, edge: float) -> Floats:
    """Return the errors that the weights of the last ones ask for."""
    limits = thresholds("analyzer.evidence")
    left = (off_m - pairs @ error) / sigma_m
    weight = (FREEDOM + 1) / (FREEDOM + left**2) / sigma_m**2
    single = limits["road.error_cost"] / (error**2 + edge**2)
    lasting = limits["road.change_cost"] / ((neighbours @ error) ** 2 + edge**2)
    system, values = normal
    system.data = values @ np.concatenate([weight, lasting, single])
    right = pairs.T @ (weight * off_m)
    if len(off_m) <= FEW:  # positive definite: no pivot need be looked for
        found = splu(system, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}).solve(right)
    else:
        found, _ = cg(system, right, x0=error, rtol=1e-5, atol=NOTHING, maxiter=500, M=sparse.diags(1 / system.diagonal()))
    return np.asarray(found, dtype=np.float64)
