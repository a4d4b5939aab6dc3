"""Figures and times in words: units always, and never a rounding that hides a failure."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import pandas as pd

from analyzer.errors import UsageError

ABSENT = "–"
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_MOST_DIGITS = 7
#: Classes of letters and marks that turn the direction of writing (Unicode Standard Annex 9).
_TURNING = frozenset({"R", "AL", "AN", "RLE", "RLO", "RLI", "LRO"})


def absent(value: object) -> bool:
    """Return whether `value` is missing: None, NA, NaT or NaN."""
    return value is None or value is pd.NA or value is pd.NaT or (isinstance(value, float) and math.isnan(value))


def rounded(value: float, digits: int, *, up: bool = False) -> Decimal:
    """Return `value` to `digits` significant digits but never coarser than 1; upwards where `up`."""
    exact = Decimal(repr(float(value)))
    if not exact:
        return Decimal(0)
    step = Decimal(1).scaleb(min(exact.adjusted() - digits + 1, 0))
    return exact.quantize(step, rounding=ROUND_CEILING if up else ROUND_HALF_EVEN)


def single(value: float) -> float:
    """Return a value that was stored in single precision without the digits that its rounding adds."""
    return float(f"{value:.6g}")


def plain(value: Decimal) -> str:
    """Return `value` without an exponent and without trailing zeros behind the point."""
    text = f"{value:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def faithful(value: float, *, digits: int = 2, limit: float | None = None, up: bool = False) -> str:
    """Return `value` rounded, with as many digits as it takes to stay on its side of `limit`.

    A value above the limit never prints as the limit itself: 10.4 against 10 prints 10.4, and where seven digits do
    not tell them apart the words "just over" or "just under" do.
    """
    if limit is None or not math.isfinite(limit) or value == limit:
        return plain(rounded(value, digits, up=up))
    mark = Decimal(repr(float(limit)))
    for n in range(digits, _MOST_DIGITS + 1):
        shown = rounded(value, n, up=up)
        if shown != mark and (shown > mark) == (value > limit):
            return plain(shown)
    return f"just {'over' if value > limit else 'under'} {plain(mark)}"


def length(value_m: float | None, *, limit_m: float | None = None, up: bool = False) -> str:
    """Return a length [m] in mm, cm, m or km; `up` rounds upwards, as an error bound must."""
    if value_m is None or absent(value_m):
        return ABSENT
    if not math.isfinite(value_m):
        return "unlimited"
    size = abs(value_m)
    if 0 < size < 0.0005:
        return "under 1 mm"
    factor, unit = next(
        f
        for top, f in ((0.00995, (1e3, "mm")), (1.0, (1e2, "cm")), (1000.0, (1.0, "m")), (math.inf, (1e-3, "km")))
        if size < top
    )
    digits = 4 if unit == "km" else 2
    scaled = float(Decimal(repr(float(value_m))) * Decimal(str(factor)))
    edge = None if limit_m is None else float(Decimal(repr(float(limit_m))) * Decimal(str(factor)))
    return f"{faithful(scaled, digits=digits, limit=edge, up=up)} {unit}"


def share(value: float | None) -> str:
    """Return a share (0 to 1) in per cent; only everything prints as 100 % and only nothing as 0 %."""
    if value is None or absent(value):
        return ABSENT
    percent = Decimal(repr(float(value))) * 100
    if percent in (0, 100):
        return f"{plain(percent)} %"
    for places in range(1, 5):
        shown = percent.quantize(Decimal(1).scaleb(-places))
        if 0 < shown < 100:
            return f"{plain(shown)} %"
    return "under 0.0001 %" if percent < 50 else "over 99.9999 %"


def length_in_words(metres: float) -> str:
    """Return a length rounded up to two figures, in cm below one metre, as the sentences of a verdict say it."""
    if not np.isfinite(metres):
        return "an unknown size"
    value, unit = (metres * 100, "cm") if metres < 1 else (metres, "m")
    step = 10.0 ** (np.floor(np.log10(value)) - 1) if value > 0 else 0.1
    return f"{np.ceil(value / step - 1e-9) * step:.{max(0, -int(np.floor(np.log10(step) + 1e-9)))}f} {unit}"


def share_in_words(share: float) -> str:
    """Return a share as per cent to a tenth, as the sentences of a verdict say it; a remainder is never rounded away."""
    if 0 < share < 0.001:
        return "less than 0.1 %"
    if 0.999 < share < 1:
        return "more than 99.9 %"
    return f"{100 * share:.1f} %" if 0 < share < 1 else f"{100 * share:.0f} %"


def duration(value_s: float | None, *, limit_s: float | None = None) -> str:
    """Return a duration [s]: "1.2 s", "71 s", "4 min 12 s", "1 h 02 min"."""
    if value_s is None or absent(value_s):
        return ABSENT
    if 0 < abs(value_s) < 1e-6:
        return "under 1 µs"
    if value_s < 120:
        return f"{faithful(value_s, limit=limit_s)} s"
    whole = round(value_s)
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    minutes = round(value_s / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min"


def kilometre(distance_m: float | None) -> str:
    """Return a place on the route: "km 3.42"."""
    return ABSENT if distance_m is None or absent(distance_m) else f"km {distance_m / 1000:.2f}"


def reach(start_m: float | None, end_m: float | None) -> str:
    """Return a stretch of the route: "km 3.42–3.80", or one place where both ends print alike."""
    start, end = kilometre(start_m), kilometre(end_m)
    return start if end in (start, ABSENT) else f"{start}–{end.removeprefix('km ')}"


def size(value_byte: int) -> str:
    """Return a size in bytes with a thin grouping, exact as a ledger must be."""
    return f"{value_byte:,}".replace(",", " ")


def count(n: int, one: str, many: str | None = None) -> str:
    """Return "1 gap" or "3 gaps"; the plural is `one` with an s unless given."""
    return f"{size(n)} {one if n == 1 else many or one + 's'}"


def times(n: int) -> str:
    """Return "once", "twice" or "3 times"."""
    return {1: "once", 2: "twice"}.get(n, count(n, "time"))


def listing(words: Iterable[str]) -> str:
    """Return "M05", "M05 and M11" or "M05, M07 and M11"."""
    parts = [str(word) for word in words]
    return " and ".join(parts) if len(parts) < 3 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def few(names: Iterable[object], most: int, *, of: int | None = None) -> str:
    """Return up to `most` names, and of more the first and how many follow: "M05, M07 and 95 more"; "all" where they are all `of`."""
    parts = [str(name) for name in names]
    if len(parts) <= most:
        return ", ".join(parts)
    return "all" if len(parts) == of else f"{', '.join(parts[:most])} and {size(len(parts) - most)} more"


def one_line(text: str) -> str:
    """Return `text` on one line: names that users write may hold line breaks."""
    return " ".join(text.split())


def isolated(name: str) -> str:
    """Return a name that users wrote, set apart where it runs from right to left, so that it does not turn the words and figures around it about."""
    turns = any(unicodedata.bidirectional(letter) in _TURNING for letter in name)
    return f"\u2068{name}\u2069" if turns else name


def sentence(text: str) -> str:
    """Return `text` with a capital at its start and a full stop at its end, where it has no end mark."""
    text = text.strip()
    text = text[:1].upper() + text[1:]
    return text if not text or text[-1] in ".!?" else f"{text}."


def words(code: object) -> str:
    """Return a code as words: ``correction_outage`` becomes "correction outage"."""
    return ABSENT if absent(code) or code == "" else str(code).replace("_", " ")


@dataclass(frozen=True)
class Clock:
    """Times in UTC, with the time of a place beside them where a zone is given."""

    zone: str | None = None

    def __post_init__(self) -> None:
        if self.zone is None:
            return
        try:
            ZoneInfo(self.zone)
        except (ZoneInfoNotFoundError, ValueError, OSError) as fault:
            raise UsageError(
                f"time zone {self.zone!r} is not known: give a name such as Europe/Berlin, or none for UTC alone."
            ) from fault

    @property
    def note(self) -> str:
        """Say in which time the report speaks."""
        local = f"; local time is that of {self.zone}" if self.zone else ""
        return f"Times are UTC{local}."

    def day(self, moment: pd.Timestamp) -> str:
        """Return the UTC date: "24 Nov 2026"."""
        return f"{moment.day} {_MONTHS[moment.month - 1]} {moment.year}"

    def time(self, moment: object, *, digits: int = 2) -> str:
        """Return the UTC time of day with at most `digits` of a second, none where they are zero; cut, not rounded."""
        if absent(moment) or not isinstance(moment, pd.Timestamp):
            return ABSENT
        part = f"{moment.microsecond:06d}"[:digits].rstrip("0")
        return f"{moment:%H:%M:%S}{'.' + part if part else ''}"

    def span(self, start: pd.Timestamp, end: pd.Timestamp) -> str:
        """Return "24 Nov 2026, 09:12–09:48 UTC", with both dates where they differ and seconds where it is short."""
        form = "%H:%M:%S" if end - start < pd.Timedelta(minutes=2) else "%H:%M"
        if start.date() == end.date():
            text = f"{self.day(start)}, {start:{form}}–{end:{form}} UTC"
        else:
            text = f"{self.day(start)}, {start:{form}} to {self.day(end)}, {end:{form}} UTC"
        if self.zone is None:
            return text
        first, last = (moment.tz_convert(self.zone) for moment in (start, end))
        return f"{text} ({first:{form}}–{last:{form}} {last:%Z})"
