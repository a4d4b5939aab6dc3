"""What the evidence says of every epoch."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field

import pandas as pd

from analyzer.errors import UsageError
from analyzer.evidence.solution_kind import KindFound
from analyzer.recording import Finding

#: Kinds of evidence that can be switched off (`analyzer.assess(without=…)`, ``--without``), in the order they are applied.
KINDS = (
    "ageing", "baseline", "scatter", "segment", "standstill", "sky", "frozen", "check_point", "bridge",
    "independent", "alignment", "settling", "road",
)


def checked_kinds(names: Collection[str]) -> tuple[str, ...]:
    """Return the kinds of evidence that are left out, in the order of `KINDS`.

    Raises
    ------
    UsageError : a name is none of `KINDS`.
    """
    unknown = [name for name in ([names] if isinstance(names, str) else names) if name not in KINDS]
    if unknown or isinstance(names, str):
        which = f"there is no part '{unknown[0]}'" if unknown else f"'{names}' is a text"
        raise UsageError(f"without: {which}; give a list with names out of {', '.join(KINDS)}.")
    return tuple(kind for kind in KINDS if kind in names)


@dataclass(frozen=True)
class Evidence:
    """Error bounds per epoch and what they rest on.

    Attributes
    ----------
    bounds : index of the fixes; the bound columns and parts of `tables.EPOCHS`, and ``shown_horizontal_m``
        ``shown_vertical_m`` (what the bound would be without the parts that only stand for lack of evidence),
        ``contradicted`` (independent evidence speaks against the position) and ``undecided`` (two sources disagree and
        nothing decides).
    segments, jumps : layouts of tables.SEGMENTS and tables.JUMPS.
    segment_id : Int32 per epoch.
    cannot_show : what nothing in the recording can show, in words.
    claims : claimed against realised sigma per fix state, columns of `claims.COLUMNS`.
    innovations : mean normalised innovation squared with its chi-square bounds, columns of `claims.CONSISTENCY_COLUMNS`.
    kind : the solution kind that the data show, whatever is stated.
    unwatched : axes of the track (across, along, up) on which nothing independent watched a fused solution; empty for others.
    """

    bounds: pd.DataFrame
    segments: pd.DataFrame
    jumps: pd.DataFrame
    segment_id: pd.Series
    findings: tuple[Finding, ...] = ()
    cannot_show: tuple[str, ...] = ()
    claims: pd.DataFrame = field(default_factory=pd.DataFrame)
    innovations: pd.DataFrame = field(default_factory=pd.DataFrame)
    kind: KindFound | None = None
    unwatched: tuple[str, ...] = ()
