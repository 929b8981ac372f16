"""Arrival times as evidence, as long as they keep to the clock that they are said to keep to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from acoustics.base.record import record
from acoustics.estimate.fuse.fusion import FusedFix
from acoustics.estimate.fuse.run import PingClock

_WIDER = (1.0, 3.0, 10.0, 30.0)  # times the stated jitter; beyond, arrival times tell next to nothing
_FEW = 0.25  # of the pings: so many may be off the clock each for itself, as a double ping is
_UNLIKELY = 1e-3  # a p-value under it says that the stated errors are too small


@record
class ClockEvidence:
    """What became of a run's arrival times.

    `used`: how many the position rests on; `off_clock`: indices of the pings whose arrival is off the clock, as of a
    double ping, and left out; `jitter_sd_s`: with which they count, wider than stated where they scatter more;
    `reason`: what is odd, or why none is used.
    """

    used: int
    off_clock: tuple[int, ...]
    jitter_sd_s: float
    reason: str


NO_CLOCK = "the arrival times keep to no steady clock and are left out"
SCATTERED = "the arrival times scatter more than stated and count for less"


def fuse_by_clock(
    fuse: Callable[[PingClock | None, frozenset[int]], FusedFix], clock: PingClock
) -> tuple[FusedFix, ClockEvidence]:
    """Fuse one run with its arrival times, where these agree with the time differences.

    Parameters
    ----------
    fuse : callable
        The fusion of the run, of batch shape (), by a clock, without the arrival times of some of its pings; without
        any where the clock is None.
    clock : PingClock
        As stated.

    Notes
    -----
    A wrong statement must cost no more than the weight of the arrival times. No ping may be lost by its arrival that
    its time differences alone would keep: a few such arrivals are left out, and where there are many, or the run fits
    badly as a whole, the jitter is taken as wider, at last without limit. The widest is tried first: what fits none
    takes long to fuse, and does so least where the times say least.
    """
    alone = fuse(None, frozenset())
    kept = alone.inliers

    def with_jitter(wider: float) -> tuple[FusedFix, ClockEvidence] | None:
        """The fusion by a clock with so many times the stated jitter, unless the arrival times do not keep to it."""
        stated = replace(clock, jitter_sd_s=wider * clock.jitter_sd_s)
        off: frozenset[int] = frozenset()
        fix = fuse(stated, off)
        lost = kept & ~fix.inliers
        if 0 < lost.sum() <= _FEW * kept.sum():
            off = frozenset(np.flatnonzero(lost).tolist())
            fix = fuse(stated, off)
            lost = kept & ~fix.inliers
        if lost.any() or fix.p_value < min(_UNLIKELY, float(alone.p_value)):
            return None
        used = int(fix.inliers.sum()) - len(off)
        return fix, ClockEvidence(used, tuple(sorted(off)), stated.jitter_sd_s, SCATTERED if wider > 1 else "")

    widest = with_jitter(_WIDER[-1])
    if widest is None:
        return alone, ClockEvidence(0, (), np.inf, NO_CLOCK)
    return next(filter(None, map(with_jitter, _WIDER[:-1])), widest)
