"""Why epochs are not trusted, in words with figures: for the line of a window and the verdict of a run."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import wording
from analyzer.assessment import Limit, Purpose
from analyzer.verdict.judge import BOUND_OF_AXIS, reason_texts
from analyzer.verdict.purposes import SI, limit_95

#: What is bounded on each axis, in words.
AXIS_WORDS = {
    "horizontal": "position", "vertical": "height", "along": "position along the track", "across": "position across the track",
    "speed": "speed", "heading": "heading",
}
#: Reason codes whose words have a figure, and the column it comes from.
FIGURE_OF = {"age": "correction_age_s", "age_limit": "correction_age_s", "baseline": "base_distance_m", "satellites_limit": "satellites_used"}


class Rows:
    """Rows of a table, column by column: all columns of a drive of days at once would be too much."""

    def __init__(self, table: pd.DataFrame, chosen: NDArray[np.bool_]) -> None:
        self._table, self._chosen = table, chosen

    def __getitem__(self, column: str) -> pd.Series:
        """Return a column of the chosen rows."""
        return pd.Series(self._table[column].array[self._chosen])


def code_weights(reasons: pd.Series, weight: NDArray[np.float64] | None = None) -> dict[str, float]:
    """Return reason code -> weight of the epochs that have it (their number by default), largest first, then as published."""
    held = pd.Categorical(reasons)
    # a missing category counts in the place before the first
    sums = np.bincount(held.codes.astype(np.int64) + 1, weights=weight, minlength=len(held.categories) + 1)[1:]
    order = list(reason_texts())
    found = dict.fromkeys(order, 0.0)
    for words, total in zip(held.categories.astype(str), sums, strict=True):
        for code in filter(None, words.split(",")):
            found[code] = found.get(code, 0.0) + float(total)
    return {code: found[code] for code in sorted(found, key=lambda c: -found[c]) if found[code] > 0}


def reason_words(code: str, bad: Rows, purpose: Purpose, lacking: Sequence[str] = (), *, within: bool = False) -> str:
    """Return what a reason code says of the epochs `bad`, with its figure where it has one: the worst, `within` which the others are."""
    if code == "not_recorded":
        return f"not recorded but needed: {wording.listing(_not_recorded(bad, purpose, lacking)) or 'a quantity of the purpose'}"
    if code == "state":
        states = sorted(set(map(str, bad["fix_state"].dropna().unique())) - {"fixed"})
        return f"not fixed ({', '.join(states).replace('_', ' ')})"
    column = FIGURE_OF.get(code)
    values = bad[column].dropna().to_numpy(np.float64) if column else np.empty(0)
    if not len(values):
        return reason_texts().get(code, code)
    up_to = "up to " if within and np.ptp(values) else ""
    if column == "base_distance_m":
        return f"the base is {up_to}{wording.length(float(values.max()))} away, too far"
    if column == "satellites_used":
        return f"{'down to ' if up_to else ''}{values.min():.0f} satellites where the purpose asks for {purpose.least_satellites}"
    most = purpose.largest_age_s if code == "age_limit" else None
    allowed = "" if most is None else f" where the purpose allows {most:g} s"
    return f"corrections {up_to}{wording.faithful(wording.single(float(values.max())), limit=most)} s old{allowed}"


def _not_recorded(bad: Rows, purpose: Purpose, lacking: Sequence[str]) -> list[str]:
    """Return in words what the purpose needs and `bad` does not have."""
    stateless = bad["fix_state"].isna().to_numpy(dtype=bool)
    placed = (bad["fix_state"] != "no_fix").to_numpy() & ~stateless

    def missing(column: str) -> bool:
        return bool((bad[column].isna().to_numpy() & placed).any())

    names = ["fix state"] if stateless.any() else []
    names += [AXIS_WORDS[x.axis] for x in purpose.limits if missing(BOUND_OF_AXIS[x.axis])]
    names += ["age of corrections"] if purpose.largest_age_s is not None and missing("correction_age_s") else []
    names += ["satellites used"] if purpose.least_satellites is not None and missing("satellites_used") else []
    return list(dict.fromkeys([*names, *lacking]))


def failing_figures(bad: Rows, purpose: Purpose, *, median: bool = False, part: bool = False) -> list[str]:
    """Return a phrase for each limit that the largest (or median) bound of `bad` misses: bound, and limit over margin.

    Where `bad` are a `part` of what was judged, the first phrase says that the figures hold there only.
    """
    words: list[str] = []
    for limit in purpose.limits:
        bound = bad[BOUND_OF_AXIS[limit.axis]].to_numpy()
        if not np.isfinite(bound).any():
            continue
        shown = float(np.nanmedian(bound) if median else np.nanmax(bound))
        if shown * purpose.margin > limit_95(limit):
            words.append(_figure(shown, limit, purpose.margin, "95 %, median" if median else "95 %", there=part and not words))
    return words


def _figure(bound: float, limit: Limit, margin: float, what: str, *, there: bool = False) -> str:
    """Return "position good to 32 cm (95 %), you need 6.57 cm (limit 10 cm / margin 1.52)"; what is needed is rounded down.

    With `there` it begins "there the position is good to".
    """
    bound = wording.single(bound)
    most, need = limit_95(limit), limit_95(limit) / margin
    if limit.quantity == "position":
        factor, unit = (100.0, " cm") if need < 1 else (1.0, " m")
        need = floored(need * factor)
        shown = wording.length(bound, limit_m=need / factor, up=True)
    else:
        factor, unit = (1 / SI[limit.unit], f" {limit.unit}") if limit.quantity == "speed" else (1.0, "°")
        need = floored(need * factor)
        shown = wording.faithful(wording.single(bound * factor), limit=need, up=True) + unit
    over = f" (limit {most * factor:.3g}{unit} / margin {margin:g})" if margin != 1 else ""
    subject = f"there the {AXIS_WORDS[limit.axis]} is" if there else AXIS_WORDS[limit.axis]
    return f"{subject} good to {shown} ({what}), you need {need:g}{unit}{over}"


def floored(value: float) -> float:
    """Return a positive number with three figures, rounded down."""
    step = 10.0 ** (math.floor(math.log10(value)) - 2)
    return float(f"{math.floor(value / step + 1e-9) * step:.3g}")
