"""How probable it is that a fixed stretch stands apart, before the steps between stretches are looked at."""

from __future__ import annotations

import numpy as np
from scipy.special import expit, logit

from analyzer import intervals
from analyzer.evidence.ageing import Ageing
from analyzer.evidence.chain import Lasting
from analyzer.evidence.claim import RADIUS_95
from analyzer.evidence.returns import Returns
from analyzer.evidence.road import NOTHING, Pairs
from analyzer.evidence.road_odds import odds_of
from analyzer.evidence.stations import Told
from analyzer.evidence.stretches import Stretches
from analyzer.evidence.track import Flags, Floats, Track
from analyzer.settings import thresholds


class PriorOf:
    """Prior probability that a stretch stands apart: a wrong fix, or another frame, by how it began and how long it lasts."""

    def __init__(
        self, track: Track, ageing: Ageing, foreign: Flags, returns: Returns, *, told: Told | None = None, fused: bool = False,
        unaligned: Flags | None = None, road: Pairs = NOTHING,
    ) -> None:
        self.track = track
        self.returns = returns
        self.told = told
        self.road = road
        self.fused = fused
        self.ageing = ageing
        #: outages of corrections behind which the base may have come back in another place: it does so once in a drive where radio is lost often
        self.outages = max(1, len(intervals.runs(ageing.excess_s > thresholds("analyzer.evidence")["wrong.frame_outage"])))
        self.foreign = foreign
        #: (n,) epochs whose heading lastingly disagrees with the course: their reference point lies beside the true one
        self.unaligned = np.zeros(len(foreign), dtype=bool) if unaligned is None else unaligned

    def __call__(self, stretches: Stretches, by_slew: Flags, wrong: Floats | None = None) -> Floats:
        """Return the prior of each stretch; `by_slew` (k,) says which began with a slow step, see `slow_ends`.

        `wrong` (k,) is what is known of the stretches so far: heights of those that are wrong say nothing of others.
        """
        return self.parts(stretches, by_slew, wrong)[0]

    def parts(
        self, stretches: Stretches, by_slew: Flags, wrong: Floats | None = None, *, unwatched: Flags | None = None
    ) -> tuple[Floats, Lasting]:
        """Return the prior of each stretch (k,), and the part of it that is another frame, with how likely the next stretch keeps one.

        `unwatched` (k,) are stretches behind a slow step, where nothing would have shown that the wrong fix it led into was left again:
        they are no less likely to hold one than what lies before the step, however long they last; where that was taken anew behind a loss
        the step mostly mended it.
        """
        t = self.track.t
        spans_s = np.column_stack([t[stretches.spans[:, 0]], t[stretches.spans[:, 1] - 1]]) if len(stretches) else np.zeros((0, 2))
        fix, frame = odds_of(self.road, spans_s + self.track.begun_s, wrong, stretches.by_jump)
        least = np.zeros(len(stretches))
        for k in np.flatnonzero(unwatched) if unwatched is not None else ():
            anew = k > 1 and not (by_slew[k - 1] or stretches.by_jump[k - 1])
            least[k] = thresholds("analyzer.evidence")["wrong.unprompted" if anew else "wrong.slew"]
        begun = [self._by_its_begin(stretches, by_slew, k) for k in range(len(stretches))]
        both = np.array([_weighed(max(b[0], low), b[1], float(f), float(o)) for b, low, f, o in zip(begun, least, fix, frame, strict=True)]).reshape(-1, 2)
        return both[:, 0], Lasting(both[:, 1], np.array([self._kept(stretches, k) for k in range(len(stretches) - 1)]))

    def _kept(self, stretches: Stretches, k: int) -> float:
        """Return how probable it is that stretch k + 1 stands in the frame that stretch k stands in, where that is another than the base's.

        Where no step is ever measured nothing would end a doubt that is carried on: there each stretch has its own.
        """
        limits = thresholds("analyzer.evidence")
        if self.unbridged:
            return 0.0
        lost = slice(stretches.spans[k, 1] - 1, stretches.spans[k + 1, 0] + 1)
        if self.foreign[lost.start] != self.foreign[lost.stop - 1] or self._turned(*stretches.spans[k]) != self._turned(*stretches.spans[k + 1]):
            return 0.0
        outage_s = float(self.ageing.excess_s[lost].max(initial=0.0))
        return float(limits["frame.kept" if outage_s <= limits["wrong.frame_outage"] else "frame.kept_outage"])

    def _by_its_begin(self, stretches: Stretches, by_slew: Flags, k: int) -> tuple[float, float]:
        """Return the probabilities of a wrong fix and of another frame by how the stretch began, ends and lasts."""
        limits = thresholds("analyzer.evidence")
        start, end = stretches.spans[k]
        told = self._known_apart(start, end)
        if told is not None:
            return 0.0, limits[told]
        fix, frame = self._begun(stretches, by_slew, k)
        if self._mended(stretches, k):
            fix = min(limits["wrong.before_jump"], limits["wrong.mended"] * fix)
        return fix, frame

    def _begun(self, stretches: Stretches, by_slew: Flags, k: int) -> tuple[float, float]:
        """Return the probabilities of a wrong fix and of another frame by how the stretch began and how long it lasts."""
        limits = thresholds("analyzer.evidence")
        start, end = stretches.spans[k]
        length = self.track.t[end - 1] - self.track.t[start]
        lasting = np.exp(-length / limits["wrong.lasting"]) * (1 - limits["wrong.least_share"]) + limits["wrong.least_share"]
        ends_slow = k + 1 < len(stretches) and by_slew[k + 1]
        if by_slew[k] or ends_slow:
            # a loss before it, or the end of the drive behind it, says on which side the wrong fix is more likely
            kind = "slew" if by_slew[k] and ends_slow else "before_jump" if ends_slow and k > 0 else "first_then_slew" if ends_slow else "after_slew"
            return float(limits[f"wrong.{kind}"] * lasting), 0.0
        if k == 0:
            return float(limits["wrong.first_unseen" if self._begins_unseen(stretches) else "wrong.first"] * lasting), 0.0
        if stretches.by_jump[k]:
            return float(limits["wrong.after_jump"] * lasting), self._frame_at_once(stretches, k)
        lost = slice(stretches.spans[k - 1, 1], start)
        between = self.track.placed[lost] & ~self.track.fixed[lost]
        kept = between.sum() * self.track.nominal_s < limits["wrong.loss"]
        outage_s = float(self.ageing.excess_s[lost].max(initial=0.0))
        frame = self._frame(self.track.t[lost.start - 1], self.track.t[start], outage_s, held=bool(kept))
        kind = "never_lost" if kept else "after_loss_unseen" if self.track.from_places else "after_loss"
        return float(limits[f"wrong.{kind}"] * lasting), frame

    @staticmethod
    def _mended(stretches: Stretches, k: int) -> bool:
        """Return whether a jump ends stretch `k`."""
        return bool(k + 1 < len(stretches) and stretches.by_jump[k + 1])

    def _begins_unseen(self, stretches: Stretches) -> bool:
        """Return whether the log does not show how the first fix was taken, nor a jump that mended it, which says more of it than its beginning."""
        start = stretches.spans[0, 0]
        return not self._mended(stretches, 0) and not (self.track.placed[:start] & ~self.track.fixed[:start]).any()

    def _known_apart(self, start: int, end: int) -> str | None:
        """Return the threshold of what says beforehand that epochs [start, end) stand apart; None where nothing does."""
        if self.foreign[start]:
            return "wrong.foreign"
        if self._turned(start, end):
            return "wrong.unaligned"
        limits = thresholds("analyzer.evidence")
        if self.told is not None and self.told.elsewhere_at(min(self.track.t[end - 1], self.track.t[start] + limits["station.repeat"])):
            return "wrong.frame_told"
        if self.unbridged and self.returns.moved_by(self.track.t[start : start + 1])[0] > limits["return.least"]:
            return "wrong.frame_told"
        return None

    def _turned(self, start: int, end: int) -> bool:
        """Return whether epochs [start, end) stand apart by their heading: that ends with them."""
        return bool(self.unaligned[start:end].mean() > 0.5)

    def frame_radius(self, corrected: Flags) -> Floats:
        """Return how far positions may be off where another base than the first may speak (n,): 95 % radius [m], 0 elsewhere.

        `corrected` (n,) says which positions use corrections at all. Another station's frame is metres off, unless steps show
        how far; one that a base told of or that was seen at a return is off by what was told or seen.
        """
        limits = thresholds("analyzer.evidence")
        seen = self.returns.moved_by(self.track.t)
        radius = np.where(seen > 0, seen + RADIUS_95 * limits["return.noise"], 0.0)
        if self.told is not None:
            radius = np.maximum(radius, self.told.shift_by(self.track.t))
        return np.where(corrected, np.maximum(radius, np.where(self.foreign, limits["frame.foreign"], 0.0)), 0.0)

    def _frame(self, before_s: float, after_s: float, outage_s: float, *, held: bool) -> float:
        """Return the probability that the base came back in another place, from what it said of itself where that was recorded.

        Where the fix was `held` all the time the base was not started anew: a rover would have had to fix anew with it.
        """
        limits = thresholds("analyzer.evidence")
        if outage_s <= limits["wrong.frame_outage"]:
            return 0.0
        if self.told is not None and len(self.told.at_s):
            at = self.told.at_s
            lately = (at > before_s) & (at < after_s + limits["station.repeat"])
            if self.told.moved[lately].any():
                return limits["wrong.frame_told"]
            if lately.any() and (at <= before_s).any():
                return 0.0
        odds = self.returns.odds_between(before_s - self.track.nominal_s, after_s + self.track.nominal_s)
        if held or outage_s <= limits["wrong.unbridged_outage"]:
            base = limits["wrong.frame"]
        else:
            base = limits["wrong.frame_unbridged" if self.unbridged else "wrong.frame_long"]
        return float(expit(logit(base / self.outages) + odds))

    def _frame_at_once(self, stretches: Stretches, k: int) -> float:
        """Return the probability that the base's coordinates changed under a fix that was held, at the jump that begins stretch `k`.

        Both sides last then for longer than receivers keep wrong fixes: one taken behind a loss and mended by a jump is by far more common.
        In a fused solution a jump may be the end of what moved slowly.
        """
        if self.unbridged:
            return 0.0
        limits = thresholds("analyzer.evidence")
        length = min(float(self.track.t[end - 1] - self.track.t[start]) for start, end in stretches.spans[k - 1:k + 1])
        return float(limits["wrong.frame_held"] * np.clip(length / (2 * limits["wrong.lasting"]) - 1.0, 0.0, 1.0))

    @property
    def unbridged(self) -> bool:
        """Return whether no independent velocity leads across a loss."""
        return self.fused or self.track.from_places


def _weighed(fix: float, frame: float, fix_odds: float, frame_odds: float) -> tuple[float, float]:
    """Return the prior of a stretch by what leads up to it, and by what other passes of its road say: log odds of either kind; and its frame's part."""
    elsewhere = _shifted(frame, frame_odds)
    weighed = _shifted(fix, fix_odds) + elsewhere
    most = min(weighed, max(thresholds("analyzer.evidence")["wrong.frame_told"], fix, frame))
    return most, elsewhere * most / weighed if weighed > 0 else 0.0


def _shifted(probability: float, log_odds: float) -> float:
    """Return a probability after evidence of `log_odds`; 0 and 1 stay."""
    return float(expit(logit(probability) + log_odds)) if log_odds and 0.0 < probability < 1.0 else probability
