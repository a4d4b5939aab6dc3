"""The tables of an assessment as pictures need them: joined, with local metres, cut to what a picture can show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer import intervals, tables
from analyzer.assessment import Assessment
from analyzer.report.decimate import decimate

#: Columns of `Frame` that a picture may ask for; one that the assessment lacks is all missing.
NUMBERS = (
    "latitude_deg",
    "longitude_deg",
    "horizontal_bound_m",
    "vertical_bound_m",
    "along_bound_m",
    "across_bound_m",
    "claimed_horizontal_m",
    "correction_age_s",
    "satellites_used",
    "speed_mps",
    "distance_m",
    "east_m",
    "north_m",
    "interval_s",
)
PARTS = (
    "claim",
    "class",
    "ageing",
    "baseline",
    "scatter",
    "segment",
    "standstill",
    "sky",
    "frozen",
    "check_point",
    "bridge",
    "alignment",
    "settling",
)
Flags = NDArray[np.bool_]
LABELS = ("fix_state", "trust", "window", "dropout_id", "reasons")
#: Epochs beyond which a view holds only what a picture could show, more slots of time than the finest picture has, and
#: epochs thinned at once.
LONG, FINEST, PIECE = 500_000, 12_000, 500_000
_FROM_METRICS = ("east_m", "north_m", "interval_s", "distance_m")


def column(frame: pd.DataFrame, name: str) -> pd.Series:
    """Return the column `name` of `frame`, or one of missing values."""
    return frame[name] if name in frame else pd.Series(pd.NA, index=frame.index, dtype=object, name=name)


def number(frame: pd.DataFrame, name: str) -> NDArray[np.float64]:
    """Return the column `name` as floats, NaN for missing."""
    return np.asarray(pd.to_numeric(column(frame, name), errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan))


def flags(frame: pd.DataFrame, name: str) -> NDArray[np.bool_]:
    """Return the column `name` as true or false, false for missing."""
    return np.array([bool(v) if pd.notna(v) else False for v in column(frame, name)], dtype=np.bool_)


@dataclass(frozen=True)
class View:
    """One run made ready to draw.

    Attributes
    ----------
    frame : every epoch, with `NUMBERS`, `LABELS` (``reasons`` as one text) and the parts of the bound.
    breaks : per epoch, whether epochs are missing right before it.
    """

    frame: pd.DataFrame
    breaks: NDArray[np.bool_]

    def __len__(self) -> int:
        """Return the number of epochs."""
        return len(self.frame)

    @property
    def placed(self) -> bool:
        """Whether any epoch has a place in local metres."""
        return bool(np.isfinite(self.frame["east_m"]).any())

    def thinned(self, buckets: int) -> View:
        """Return the view with the epochs that matter: see `analyzer.report.decimate`."""
        keep = _decimated(self.frame, buckets, self.breaks)
        return View(self.frame.iloc[keep], self.breaks[keep])

    def in_place(self, cells: int) -> View:
        """Return the view with each way between two cells of the map once per trust, `cells` along its longer side: laps lie on each other.

        Thinned by time, a route of many laps would become chords across what was not driven.
        """
        east, north = (self.frame[f"{axis}_m"].to_numpy(np.float64) for axis in ("east", "north"))
        known = np.isfinite(east) & np.isfinite(north)
        placed = np.flatnonzero(known)
        if not len(placed):
            return self
        cell_m = max(float(np.ptp(east[placed])), float(np.ptp(north[placed])), 1.0) / cells
        x, y = ((side[placed] - side[placed].min()) // cell_m for side in (east, north))
        code = ((x * (cells + 2) + y) * 8 + pd.factorize(self.frame["trust"])[0][placed] + 1).astype(np.int64)
        cut = np.cumsum(self.breaks | ~known)[placed]
        begun = np.r_[True, (code[1:] != code[:-1]) | (cut[1:] != cut[:-1])]
        # where a line ends its last place counts as well
        begun |= np.r_[cut[1:] != cut[:-1], True]
        rows, code, cut = placed[begun], code[begun], cut[begun]
        pair = np.sort(np.stack([code[:-1], code[1:]]), axis=0)
        drawn = np.zeros(len(rows), dtype=bool)
        drawn[1:][np.unique(pair, axis=1, return_index=True)[1]] = True
        drawn &= np.r_[False, cut[1:] == cut[:-1]]
        kept = drawn | np.r_[drawn[1:], False]
        kept[0] = True
        return View(self.frame.iloc[rows[kept]], ~drawn[kept])

    def stretches(self, name: str) -> pd.DataFrame:
        """Return runs of equal `name`, ``value start_utc end_utc start end reach start_m end_m``.

        A run lasts until the next one begins, and is cut where epochs are missing. `start` and `end` are half-open
        positions in `frame`; `reach` is `end`, or one more where the next run follows at once, so that lines join.
        """
        return stretches(self.frame, name, self.breaks)


def build(assessment: Assessment) -> View:
    """Return the view of all epochs of `assessment`; of a long run only of those that any picture could show."""
    frame, local = assessment.epochs, assessment.metrics.epochs
    breaks = _breaks(frame.index, assessment.metrics.gaps)
    local = local if local.index.equals(frame.index) else local.reindex(frame.index)
    if len(frame) > LONG:
        frame, local, breaks = _wanted(frame, local, breaks)
    columns: dict[str, object] = {n: number(local if n in _FROM_METRICS and n in local else frame, n) for n in NUMBERS}
    if not np.isfinite(np.asarray(columns["distance_m"])).any():
        columns["distance_m"] = number(frame, "distance_m")
    columns |= {f"bound_{part}_m": number(frame, f"bound_{part}_m") for part in PARTS}
    columns |= {name: _labels(column(frame, name)) for name in LABELS if name != "dropout_id"}
    columns["dropout_id"] = column(frame, "dropout_id").array
    return View(pd.DataFrame(columns, index=frame.index), breaks)


def _wanted(frame: pd.DataFrame, local: pd.DataFrame, breaks: Flags) -> tuple[pd.DataFrame, pd.DataFrame, Flags]:
    """Return the rows that `View.thinned` would keep for the finest picture, with the columns a view has.

    Found and taken some at a time: rows from all over a drive, taken at once, would bring all of its columns into memory.
    """
    names = {*NUMBERS, *LABELS, *(f"bound_{part}_m" for part in PARTS)}
    columns = [name for name in frame.columns if name in names]
    shown, beside, broken = [], [], []
    for start in range(0, len(frame), PIECE):
        here = slice(start, start + PIECE)
        part = frame.iloc[here]
        keep = _decimated(part, max(FINEST * len(part) // len(frame), 1), breaks[here])
        shown.append(part[columns].iloc[keep])
        beside.append(local.iloc[here].iloc[keep])
        broken.append(breaks[here][keep])
    return pd.concat(shown), pd.concat(beside), np.concatenate(broken)


def _decimated(frame: pd.DataFrame, buckets: int, breaks: NDArray[np.bool_]) -> NDArray[np.int64]:
    return decimate(
        frame,
        buckets=buckets,
        changes=("fix_state", "trust", "window", "dropout_id"),
        highest=("horizontal_bound_m", "vertical_bound_m", "correction_age_s", "speed_mps"),
        lowest=("satellites_used", "speed_mps"),
        within=("window", "dropout_id"),
        breaks=breaks,
    )


def _labels(values: pd.Series) -> pd.Categorical:
    """Return `values` as a category of texts; a list becomes its parts joined by a comma."""
    if isinstance(values.dtype, pd.CategoricalDtype):
        return pd.Categorical(values)
    flat = [_flat(v) for v in values] if values.dtype == object else values
    return pd.Categorical(flat)


def _flat(value: object) -> str | None:
    """Return one label as text, None for none."""
    if isinstance(value, str):
        return value or None
    if isinstance(value, Sequence | np.ndarray):
        return ", ".join(str(v) for v in value) or None
    return None if value is None or value is pd.NA or value != value else str(value)


def _breaks(times: pd.Index, gaps: pd.DataFrame) -> NDArray[np.bool_]:
    """Return whether epochs are missing right before each time, by the table of gaps."""
    out = np.zeros(len(times), dtype=bool)
    if len(gaps) and len(times):
        ends = np.asarray(pd.DatetimeIndex(times).searchsorted(_moments(gaps["end_utc"])))
        out[ends[ends < len(times)]] = True
    return out


def _moments(values: pd.Series) -> pd.DatetimeIndex:
    """Return times as an index in UTC, whatever type an empty column has."""
    return pd.DatetimeIndex(pd.to_datetime(values, utc=True)).as_unit("us")


def stretches(frame: pd.DataFrame, name: str, breaks: NDArray[np.bool_]) -> pd.DataFrame:
    """Return the runs of equal `name` of `frame`, see `View.stretches`."""
    values = frame[name]
    codes = pd.factorize(values)[0]
    spans = intervals.equal_runs(codes, breaks)
    start, end = spans[:, 0], spans[:, 1]
    last = np.where((end == len(frame)) | np.r_[breaks, True][end], end - 1, end)
    times, distance = frame.index, number(frame, "distance_m")
    return pd.DataFrame(
        {
            "value": np.asarray(values.astype(object))[start],
            "start": start,
            "end": end,
            "reach": last + 1,
            "start_utc": times[start],
            "end_utc": times[last],
            "start_m": distance[start],
            "end_m": distance[last],
        }
    )


def dropout_places(assessment: Assessment, run: View, *, near: float = 0.05) -> pd.DataFrame:
    """Return where dropouts begin on the map, ``text east_m north_m``; those without a place are left out.

    One that begins without a position stands where the last position before it was. Dropouts closer together than the
    share `near` of the map's size have one text, so that none covers another.
    """
    times = run.frame.index
    starts = _moments(column(assessment.dropouts, "start_utc"))
    at = np.clip(pd.DatetimeIndex(times).searchsorted(starts), 0, max(len(times) - 1, 0))
    places = run.frame[["east_m", "north_m"]].ffill().iloc[at].reset_index(drop=True)
    places = places.assign(text=[f"D{n}" for n in column(assessment.dropouts, "dropout_id")]).dropna()
    size = max((run.frame[side].max() - run.frame[side].min() for side in ("east_m", "north_m")), default=0.0)
    groups: list[list[int]] = []
    spots = places[["east_m", "north_m"]].to_numpy(dtype=float)
    for row in range(len(spots)):
        home = next((g for g in groups if np.hypot(*(spots[row] - spots[g[0]])) < near * size), None)
        if home is None:
            groups.append([row])
        else:
            home.append(row)
    texts = [_together(list(places["text"].iloc[group])) for group in groups]
    return places.iloc[[group[0] for group in groups]].assign(text=texts)


def _together(names: list[str]) -> str:
    """Return up to three names in full, and of more the first and how many follow."""
    return ", ".join(names) if len(names) <= 3 else f"{names[0]} and {len(names) - 1} more"


def present(values: pd.Series, order: Sequence[str]) -> list[str]:
    """Return the labels of `order` that occur in `values`, in that order."""
    found = set(values.dropna().unique())
    return [name for name in order if name in found]


STATE_ORDER = tables.FIX_STATES
TRUST_ORDER = tables.TRUST
