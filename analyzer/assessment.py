"""The judged run: what `assess` returns and reports, exports and notebooks show."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pandas as pd

from analyzer.metrics.result import Metrics
from analyzer.recording import Finding, Recording
from analyzer.wording import listing

if TYPE_CHECKING:
    from analyzer.verdict.headline import Headline


@dataclass(frozen=True)
class SetupItem:
    """One item of the set-up: what was stated, and what the recording says to it.

    `status` is ``confirmed``, ``contradicted`` or ``not_checked``; `evidence` says why in words.
    """

    key: str
    label: str
    stated: str
    status: str
    evidence: str


@dataclass(frozen=True)
class Limit:
    """One limit of a purpose (schema: analyzer/verdict/schemas/purpose.json)."""

    key: str
    quantity: str
    axis: str
    value: float
    unit: str
    read_as: str
    reason: str
    source: str


@dataclass(frozen=True)
class Purpose:
    """What the positions are for: named limits, each with unit, reason and source.

    `channels_at` says where the required channels are named: file, line and key.
    """

    name: str
    title: str
    limits: tuple[Limit, ...]
    margin: float
    sha256: str
    largest_age_s: float | None = None
    least_rate_hz: float | None = None
    least_satellites: int | None = None
    required_channels: tuple[str, ...] = ()
    channels_at: str = "purpose"

    def limit(self, axis: str) -> Limit | None:
        """Return the position limit on `axis` (horizontal, along, across, vertical), or None."""
        return next((x for x in self.limits if x.axis == axis and x.quantity == "position"), None)


@dataclass(frozen=True)
class Verdict:
    """The answer for a run: `level` is one of tables.VERDICTS; `sentences` say it in words, most important first."""

    level: str
    sentences: tuple[str, ...]
    rules_version: str


def without_words(left_out: Sequence[str]) -> str:
    """Return in words that kinds of evidence were left out on request; empty where none was."""
    kinds = listing(kind.replace("_", " ") for kind in left_out)
    return f"judged without the evidence of {kinds}, as was asked: this is not the full judgement, and bounds may be too small" if kinds else ""


@dataclass(frozen=True)
class BasePlace:
    """Where the base is taken to stand: degrees, height [m], NaN where it is not known; `origin` says in words where that comes from."""

    latitude_deg: float
    longitude_deg: float
    height_m: float
    origin: str

    @property
    def place(self) -> tuple[float, float, float]:
        """Latitude, longitude [deg] and height [m]."""
        return self.latitude_deg, self.longitude_deg, self.height_m


@dataclass(frozen=True)
class Assessment:
    """A recording judged for a purpose.

    `epochs` has the columns of epochs.parquet (DEVELOPERS.md, Result folder) with index ``time_utc``; `segments`, `jumps`,
    `dropouts`, `windows`, `standstills` have the layouts given there. `setup` is the parsed set-up sheet or empty.
    `absolute` is the statement on absolute error in one sentence. `cannot_show` lists in words what this recording cannot show; `headline` holds the figures of the first screen.
    `base` is where the base is taken to stand, None where nothing says.
    `without` names the kinds of evidence that were left out on request: then this is not the full judgement.
    In a notebook it shows itself as a compact page.
    """

    recording: Recording
    metrics: Metrics
    purpose: Purpose
    verdict: Verdict
    epochs: pd.DataFrame
    segments: pd.DataFrame
    jumps: pd.DataFrame
    dropouts: pd.DataFrame
    windows: pd.DataFrame
    standstills: pd.DataFrame
    setup: Mapping[str, object] = field(default_factory=dict)
    setup_items: tuple[SetupItem, ...] = ()
    findings: tuple[Finding, ...] = ()
    cannot_show: tuple[str, ...] = ()
    absolute: str = "not checked: no known mark was visited"
    versions: Mapping[str, str] = field(default_factory=dict)
    headline: Headline | None = None
    base: BasePlace | None = None
    without: tuple[str, ...] = ()

    @property
    def run(self) -> str:
        """The run's own name by the set-up sheet, else that of the first file with positions without folders and suffixes; empty without either."""
        stated = self.setup.get("run")
        if stated not in (None, ""):
            return str(stated)
        fixes, sources = self.recording.fixes, self.recording.sources
        first = int(fixes["source_id"].iloc[0]) if len(fixes) else 0
        source = sources[first] if 0 <= first < len(sources) else next(iter(sources), None)
        return source.name.replace("\\", "/").rsplit("/", 1)[-1].split(".")[0] if source is not None else ""

    def _repr_html_(self) -> str:
        """Return the verdict, what to drive again and how good the positions are, for a notebook."""
        from analyzer.report.notebook import assessment_html

        return assessment_html(self)
