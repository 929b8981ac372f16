"""What decisions after runs past all stations come to: shares by truth, over all, and by the number of pings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.intervals import Interval, rate_interval
from acoustics.base.record import record
from acoustics.estimate.fuse import StationModel
from acoustics.study.stations.runs import Decisions


@record
class PingCount:
    """Probability of the right station, all stations by their priors, from so many pings over the same leg."""

    pings: int
    right: Interval


@record
class Outcome:
    """Decisions over simulated runs, see `StationStudy`."""

    decided: NDArray[np.int64]
    right: tuple[Interval, ...]
    overall: Interval
    stated: float
    sure_share: Interval
    median_rms_m: Floats
    median_error_m: Floats
    by_pings: tuple[PingCount, ...]
    wrong_integer: Interval


def outcome(
    model: StationModel, drawn: Sequence[Decisions], by_pings: Sequence[tuple[int, Sequence[Decisions]]]
) -> Outcome:
    """Of the main runs past each truth, the stations first, and of runs of other numbers of pings past the stations."""
    n = len(model.prior)
    truths, main = n + 1, drawn[:n]
    decided = np.array([np.bincount(d.chosen, minlength=truths + 1) for d in drawn])
    sure = np.concatenate([d.stated[d.chosen < truths] for d in main])
    hits = sum(int(decided[t, t]) for t in range(n))
    fixes = sum(int(decided[t, :truths].sum()) for t in range(n))
    return Outcome(
        decided=decided,
        right=tuple(rate_interval(int(decided[t, t]), int(decided[t].sum())) for t in range(truths)),
        overall=_overall(model, main),
        stated=float(sure.mean()) if sure.size else 0.0,
        sure_share=rate_interval(hits, fixes) if fixes else Interval(0.0, 0.0, 1.0),
        median_rms_m=np.array([np.median(d.rms_m) for d in drawn]),
        median_error_m=np.array([np.median(d.error_m) for d in drawn]),
        by_pings=tuple(PingCount(count, _overall(model, some)) for count, some in by_pings),
        wrong_integer=_wrong_integer(drawn[:n]),
    )


def _wrong_integer(decisions: Sequence[Decisions]) -> Interval:
    wrong = sum(int(d.wrong_integers.sum()) for d in decisions)
    heard = sum(int(d.heard.sum()) for d in decisions)
    return rate_interval(wrong, heard) if heard else Interval(0.0, 0.0, 1.0)


def _overall(model: StationModel, decisions: Sequence[Decisions]) -> Interval:
    """Share of right decisions, stations weighted by their priors, with the interval of as many equal runs."""
    right = [d.chosen == t for t, d in enumerate(decisions)]
    weights = model.prior / model.prior.sum()
    share = float(sum(w * r.mean() for w, r in zip(weights, right, strict=True)))
    runs = sum(len(r) for r in right)
    effective = max(1, int(runs / (len(right) * np.sum(weights**2))))
    around = rate_interval(int(round(share * effective)), effective)
    return Interval(share, min(around.low, share), max(around.high, share))
