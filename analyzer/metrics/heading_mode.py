"""What the mode of a true heading says (THS, IEC 61162-1, from memory, not re-read): only autonomous is a measured heading.

``estimated``, ``manual``, ``simulated`` and ``not_valid`` headings enter no statement that needs the direction of the car:
antenna offsets, mounting yaw, headings of stands, alignment. They are still held against the course, to show how wrong they are.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.recording import Finding
from analyzer.tables import HEADING_MODES

AUTONOMOUS, *_OTHERS = HEADING_MODES


def doubted(fixes: pd.DataFrame) -> NDArray[np.bool_]:
    """Return the epochs (n,) whose heading calls itself other than autonomous; an epoch without a mode is none."""
    if "heading_mode" not in fixes:
        return np.zeros(len(fixes), dtype=bool)
    return np.asarray(fixes["heading_mode"].isin(_OTHERS), dtype=bool)


def usable_heading(fixes: pd.DataFrame) -> NDArray[np.float64]:
    """Return the heading of each epoch (n,) [deg], NaN where its mode is other than autonomous."""
    return np.where(doubted(fixes), np.nan, fixes["heading_deg"].to_numpy(np.float64))


def ever_autonomous(fixes: pd.DataFrame) -> bool:
    """Return whether any heading of the drive calls itself autonomous: only then does a change of mode say something."""
    return "heading_mode" in fixes and bool((fixes["heading_mode"] == AUTONOMOUS).any())


def mode_findings(fixes: pd.DataFrame, nominal_s: float) -> tuple[Finding, ...]:
    """Return in words for how long the heading was other than autonomous while there was a position, none where never.

    Parameters
    ----------
    fixes : rows of `tables.FIXES`.
    nominal_s : usual interval between epochs [s].
    """
    placed = (fixes["fix_state"].astype(object) != "no_fix").to_numpy() & fixes["latitude_deg"].notna().to_numpy()
    some = doubted(fixes) & placed
    if not some.any():
        return ()
    seconds = {m: float(c) * nominal_s for m, c in fixes.loc[some, "heading_mode"].value_counts().items() if c}
    words = ", ".join(f"{str(mode).replace('_', ' ')} for {s:.1f} s" for mode, s in seconds.items())
    lead = "The heading was not a measured one all the time" if ever_autonomous(fixes) else "The heading never was a measured one"
    last = pd.Timestamp(fixes.index[np.flatnonzero(some)[-1]])
    text = (f"{lead} (THS mode {words}, last at {last:%H:%M:%S} UTC): there it shows no alignment, and antenna offsets, mounting yaw "
            "and headings of stands are not taken from it.")
    return (Finding("heading_mode", "warning", text, {"seconds": seconds, "last_utc": last}),)
