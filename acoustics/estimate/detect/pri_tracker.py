"""PRI tracker: which events fit the pulse repetition interval of a pinger, and how to find it again when lost."""

from __future__ import annotations

from dataclasses import dataclass

# Width of the gate: the jitter of the start and of the filter, a few lengths of a burst; and what interval and clock
# may be off, of the interval, which is stated to a few per cent; common practice, no source.
_GATE_S = 0.01
_GATE_SHARE = 0.03
_MISSES_TO_LOSE = 3.5  # intervals: three pings may be missed in a row, as they are behind a hull
_STRONGER = 4.0  # 6 dB: pings of one pinger differ by less from one to the next
_LEARNING = 0.25  # of each new interval: the mean of the last seven or so
_LARGEST_CHANGE = 0.05  # of the stated interval: no clock is worse, and a train of another interval is another pinger


@dataclass
class PriTracker:
    """Follows one pinger by its PRI; times in seconds, powers in any one unit.

    The first event begins the series. Later ones count if they come a whole number of intervals after the last; an
    event off the series begins a new one if it is 6 dB stronger, if another stood one interval before it while the
    PRI is unknown, or if nothing fitted it for over three intervals.
    """

    pri_s: float
    interval_s: float = 0.0
    last_s: float | None = None
    power: float = 0.0
    stray_s: float | None = None
    accepted: int = 0
    rejected: int = 0
    missed: int = 0

    def accept(self, time_s: float, power: float) -> bool:
        """Whether the event is a ping of this train; call in the order of time."""
        if self.last_s is None:
            return self._begin(time_s, power)
        elapsed = time_s - self.last_s
        turns = round(elapsed / self.interval_s)
        if turns >= 1 and self._fits(elapsed, turns):
            if turns <= _MISSES_TO_LOSE:
                learnt = self.interval_s + _LEARNING * (elapsed / turns - self.interval_s)
                limit = _LARGEST_CHANGE * self.pri_s
                self.interval_s = min(max(learnt, self.pri_s - limit), self.pri_s + limit)
            self.missed += turns - 1
            self.last_s, self.stray_s = time_s, None
            self.power += _LEARNING * (power - self.power)
            self.accepted += 1
            return True
        follows_a_stray = self.stray_s is not None and elapsed > self.interval_s and self._turn(time_s - self.stray_s)
        if power > _STRONGER * self.power or follows_a_stray or elapsed > _MISSES_TO_LOSE * self.interval_s:
            self.missed += max(turns - 1, 0)
            return self._begin(time_s, power)
        self.stray_s = time_s
        self.rejected += 1
        return False

    def nothing_until(self, time_s: float) -> None:
        """Count the pings that were due between the last one and the end of the recording."""
        if self.last_s is not None:
            self.missed += int((time_s - self.last_s) / self.interval_s)

    def _begin(self, time_s: float, power: float) -> bool:
        self.interval_s, self.last_s, self.power, self.stray_s = self.pri_s, time_s, power, None
        self.accepted += 1
        return True

    def _turn(self, elapsed: float) -> bool:
        turns = round(elapsed / self.interval_s)
        return turns >= 1 and self._fits(elapsed, turns)

    def _fits(self, elapsed: float, turns: int) -> bool:
        return abs(elapsed - turns * self.interval_s) <= _GATE_S + _GATE_SHARE * self.interval_s * min(turns, 4)
