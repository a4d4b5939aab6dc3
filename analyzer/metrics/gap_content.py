"""What a log holds in place of epochs that are missing: another file, text of a program or of the receiver, damage, or bytes nobody could use."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np

from analyzer.settings import thresholds

if TYPE_CHECKING:
    from analyzer.metrics.dropout_causes import Cause, Scene

_STOP_OR_START = re.compile(r"start|stop|end|begin|open|clos|log|record|boot|power|session|restart", re.IGNORECASE)


def in_place(last: int, first: int, lost: float, scene: Scene) -> Cause | None:
    """Return what stands in the log in place of about `lost` epochs: another file, text of a program, damage; None where nothing does."""
    limit = thresholds("analyzer.metrics")
    if scene.source_id[last] != scene.source_id[first]:
        return "logger_gap", "the log goes on in another file"
    if note := _note_between(last, first, scene):
        return "logger_gap", f"the log holds text of a program in place of the epochs: {note}"
    damaged = damaged_between(last, first, scene)
    if damaged >= max(1.0, limit["cause.damaged_share"] * lost):
        return "damaged_data", f"{damaged} damaged sentences stand in place of about {lost:.0f} epochs"
    if filled := _bytes_instead(last, first, lost, scene):
        return "damaged_data", filled
    return None


def _note_between(last: int, first: int, scene: Scene) -> str:
    """Return the text of stop or start notes between two epochs of one source, shortened; empty where none."""
    source = int(scene.source_id[last])
    if not 0 <= source < len(scene.notes):
        return ""
    low, high = scene.byte_offset[last], scene.byte_offset[first]
    found = [t.strip() for o, t in scene.notes[source] if low < o < high and _STOP_OR_START.search(t)]
    return "; ".join(f'"{t[:80]}"' for t in found[:3])


def message_between(last: int, first: int, scene: Scene) -> str:
    """Return the texts of TXT sentences between two epochs of one source, shortened; empty where none, or where they stand between many epochs.

    A logger that paused has none: what came while no epoch did, the receiver sent.
    """
    source = int(scene.source_id[last])
    if not 0 <= source < len(scene.messages):
        return ""
    limit = thresholds("analyzer.metrics")
    # only the first texts of a long log are kept: their share is that of the epochs up to the last of them
    own = scene.byte_offset[scene.source_id == source]
    between = np.unique(np.searchsorted(own, [at for at, _ in scene.messages[source]]))
    if len(between) > max(limit["cause.messages_few"], limit["cause.messages"] * between[-1:].sum()):
        return ""
    found = [text.strip() for at, text in scene.messages[source] if scene.byte_offset[last] < at < scene.byte_offset[first]]
    return "; ".join(f'"{text[:80]}"' for text in found[:3])


def damaged_between(last: int, first: int, scene: Scene) -> int:
    """Return the number of damaged sentences between two epochs of one source."""
    source = int(scene.source_id[last])
    if not 0 <= source < len(scene.damage):
        return 0
    low, high = np.searchsorted(scene.damage[source], [scene.byte_offset[last], scene.byte_offset[first]])
    return int(high - low)


def _bytes_instead(last: int, first: int, lost: float, scene: Scene) -> str:
    """Return in words that the log holds as many bytes as the missing epochs would take, or an empty text.

    A logger or receiver that paused leaves nothing behind; sentences that could not be used leave their bytes.
    """
    source = int(scene.source_id[last])
    if not 0 <= source < len(scene.set_aside) or not scene.set_aside[source] or lost < 0.5:
        return ""
    steps = np.diff(scene.byte_offset[scene.source_id == source])
    steps = steps[steps > 0]
    if not len(steps):
        return ""
    usual = float(np.median(steps))
    extra = float(scene.byte_offset[first] - scene.byte_offset[last]) - usual
    if extra < thresholds("analyzer.metrics")["cause.damaged_share"] * lost * usual:
        return ""
    return f"{extra:.0f} bytes that could not be used stand in place of about {lost:.0f} epochs"
