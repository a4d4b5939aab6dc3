"""How fast a batch goes and how long it still takes, from what was done so far."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Pace:
    """State of a batch at one moment.

    Attributes
    ----------
    drives, done, failed, skipped : how many there are, were assessed, failed, and were finished before.
    total_bytes, done_bytes : size of the inputs to be assessed, and of those that were [byte].
    elapsed_s : time since the first drive was given to a worker [s].
    ended_s : the same, when the last drive ended [s]; what is known about the rate dates from then.
    last : the drive that ended last, and how, in words; empty before.
    """

    drives: int
    done: int = 0
    failed: int = 0
    skipped: int = 0
    total_bytes: int = 0
    done_bytes: int = 0
    elapsed_s: float = 0.0
    ended_s: float = 0.0
    last: str = ""

    @property
    def ended(self) -> int:
        """Drives of which the outcome is known."""
        return self.done + self.failed + self.skipped

    @property
    def drives_per_minute(self) -> float | None:
        """Rate of drives that were assessed or failed, None before the first one."""
        tried = self.done + self.failed
        return 60.0 * tried / self.ended_s if tried and self.ended_s > 0 else None

    @property
    def left_s(self) -> float | None:
        """Time left [s] at the rate so far, None before the first drive.

        A drive costs something by itself and something by its bytes, so half of the work is counted by either.
        """
        if self.ended >= self.drives:
            return 0.0
        tried, all_tried = self.done + self.failed, self.drives - self.skipped
        share = 0.5 * tried / all_tried + 0.5 * min(self.done_bytes / max(self.total_bytes, 1), 1.0)
        if not tried or self.ended_s <= 0:
            return None
        return max(self.ended_s * (1.0 - share) / share - (self.elapsed_s - self.ended_s), 0.0)

    def words(self) -> str:
        """Return the state in words."""
        parts = [f"{self.ended} of {self.drives} drives"]
        if self.failed:
            parts.append(f"{self.failed} failed")
        rate, left = self.drives_per_minute, self.left_s
        if rate is not None and self.ended < self.drives:
            parts.append(f"{_short(rate)} drives/min" if rate >= 1 else f"{_short(60 * rate)} drives/h")
        if left is not None and self.ended < self.drives:
            parts.append(f"about {_span(left)} left")
        return ", ".join(parts)


def _short(rate: float) -> str:
    """Return a rate with as many digits as it is worth."""
    return f"{rate:.0f}" if rate >= 100 else f"{rate:.3g}"


def _span(seconds: float) -> str:
    """Return a length of time in one unit, or two."""
    if seconds < 90:
        return f"{max(round(seconds), 1)} s"
    minutes = round(seconds / 60)
    if minutes < 90:
        return f"{minutes} min"
    hours, rest = divmod(minutes, 60)
    return f"{hours} h {rest:02d} min" if hours < 48 else f"{round(hours / 24)} days"
