"""Claims of a size that no solution has: the field holds another unit, or something else, and is no claim."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analyzer import wording
from analyzer.evidence.claim import claimed_sigma
from analyzer.recording import Finding, Recording
from analyzer.settings import thresholds

#: So many epochs tell of what size claims are.
MOST = 1_000_000
_CLAIMS = ("sigma_north_m", "sigma_east_m", "sigma_up_m")


def without_wrong_claims(recording: Recording) -> Recording:
    """Return the recording without its claims, and with a finding, where those of its fixed epochs cannot be metres.

    Without a fixed epoch only claims that are too small for any solution are left out.
    """
    fixes, limits = recording.fixes, thresholds("analyzer.evidence")
    part = fixes.iloc[::len(fixes) // MOST + 1]  # a drive of days must not be copied for a look at it
    claims, fixed = claimed_sigma(part)[0], (part["fix_state"] == "fixed").to_numpy()
    of_fixed = bool(np.isfinite(claims[fixed]).any())
    told = claims[fixed] if of_fixed else claims
    if not np.isfinite(told).any():
        return recording
    usual = float(np.nanmedian(told))
    if limits["claim.smallest"] <= usual <= (limits["claim.largest"] if of_fixed else np.inf):
        return recording
    text = (f"{'Fixed positions' if fixed.any() else 'Positions'} claim {wording.faithful(1000 * usual)} mm (GST, median), which no such position can be "
            "good to: another unit or field stands there. The claims are not used, class values stand in; log GST in metres.")
    kept = fixes.assign(**{name: np.full(len(fixes), np.nan, dtype=np.float32) for name in _CLAIMS})
    return replace(recording, fixes=kept, findings=(*recording.findings, Finding("claim_scale", "warning", text, {"claim_m": usual})))
