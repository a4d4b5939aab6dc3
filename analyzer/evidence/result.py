"""What the evidence says of every epoch."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from analyzer.evidence.solution_kind import KindFound
from analyzer.recording import Finding

#: Kinds of evidence that can be switched off (``evidence.gather(without=…)``), in the order they are applied.
KINDS = (
    "ageing", "baseline", "scatter", "segment", "standstill", "sky", "frozen", "check_point", "bridge",
    "independent", "alignment", "road",
)


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
