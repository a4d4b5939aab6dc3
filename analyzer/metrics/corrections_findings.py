"""What the figures of a correction link mean, in words."""

from __future__ import annotations

import pandas as pd

from analyzer import wording
from analyzer.metrics.corrections_clock import repeated_long
from analyzer.metrics.metric import Metric
from analyzer.recording import Finding
from analyzer.settings import thresholds


def at_place(place: str) -> str:
    """Return in words where corrections were recorded."""
    return "at a place that was not stated" if place == "unknown" else f"at the {place.replace('_', ' ')}"


def line_findings(values: list[Metric], place: str, line_rate: float | None) -> list[Finding]:
    """Return findings on the load of the line."""
    figure = {m.key: m.value for m in values}
    share, need = (figure.get(f"corrections_{place}_{name}") for name in ("line_share", "set_time_s"))
    if not isinstance(share, float) or not isinstance(need, float):
        return []
    limit = thresholds("analyzer.metrics", "thresholds_link.toml")["line.busy_share"]
    text = (f"The corrections {at_place(place)} fill {share:.0%} of a line of {line_rate:.0f} bit/s; one full set takes "
            f"{need:.2f} s, so corrections cannot be younger than that on arrival.")
    more = " They do not fit: send fewer messages, a longer interval, or use a faster line." if share > 1 else ""
    level = "problem" if share > 1 else "warning" if share > limit else "note"
    return [Finding("corrections_line_load", level, text + more, {"share": share, "set_time_s": need})]


def damage_findings(count: int, place: str, failed: int | None) -> list[Finding]:
    """Return a finding on damaged messages."""
    if not failed:
        return []
    share = failed / (failed + count)
    level = "warning" if share > thresholds("analyzer.metrics", "thresholds_link.toml")["crc.share"] else "note"
    text = (f"{failed} of {failed + count} correction messages recorded {at_place(place)} were damaged (CRC); a rover "
            f"drops each of them.")
    return [Finding("corrections_damaged", level, text, {"failed": failed, "share": share})]


def overlap_findings(rows: pd.DataFrame, place: str, fixes: pd.DataFrame | None) -> list[Finding]:
    """Return a finding where corrections and rover log are of different times."""
    index = pd.DatetimeIndex(fixes.index if fixes is not None else []).dropna()
    moment = rows.index.dropna()
    if not len(index) or not len(moment) or (moment.min() <= index.max() and index.min() <= moment.max()):
        return []
    apart = max(moment.min() - index.max(), index.min() - moment.max())
    text = (f"The corrections recorded {at_place(place)} and the rover log share no time: by time of week they are "
            f"at least {wording.duration(apart.total_seconds())} apart, so they say nothing about this drive.")
    return [Finding("corrections_other_time", "warning", text, {"apart_s": apart.total_seconds()})]


def repeat_findings(stretches: pd.DataFrame) -> list[Finding]:
    """Return a finding for stretches of the stream that were recorded more than once."""
    out = []
    for place, part in repeated_long(stretches).groupby("place", sort=False):
        longest = float(part["duration_s"].max())
        text = (f"A stretch of the corrections recorded {at_place(str(place))} comes again {wording.times(len(part))}, up to "
                f"{longest:.0f} s long (first at byte {int(part['start_byte'].iloc[0])}): files were joined twice or a "
                f"recording was replayed; repeats are left out of the figures.")
        out.append(Finding("corrections_repeated", "warning", text, {"times": len(part), "longest_s": longest}))
    return out
