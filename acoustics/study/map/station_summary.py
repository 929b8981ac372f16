"""The choice of station over a map, summed up: by cell with intervals, and over all cells."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from acoustics.base.frames import Floats
from acoustics.base.intervals import Interval
from acoustics.study.map.cells import Cells
from acoustics.study.map.result import Outcomes, OutcomeShare, StationMap
from acoustics.study.map.station_prediction import predicted_outcomes
from acoustics.study.map.stations import OUTCOMES, Chooser, Sights

_Z = float(ndtri(0.975))


def station_map(chooser: Chooser, sights: Sights, cells: Cells, heard: NDArray[np.bool_], counts: Floats) -> StationMap:
    """Predicted and simulated outcomes.

    Parameters
    ----------
    chooser, sights : Chooser, Sights
        How fixes become choices, and how the cells see the pinger.
    cells : Cells
        The grid.
    heard : ndarray of bool, shape (n_cells,)
        Where the pinger is heard.
    counts : ndarray, shape (n_cells, 4)
        How often each of `OUTCOMES` came of the pings simulated; all zero where none were.
    """
    predicted = predicted_outcomes(chooser, sights, heard)
    pings = int(counts.sum(axis=-1).max(initial=0))
    shadowed = np.where(np.array(OUTCOMES) == "undecided", pings, 0)
    counts = np.where(heard[:, None], counts, shadowed)

    def outcomes(shares: Floats) -> Outcomes:
        return Outcomes(*(cells.spread(share) for share in shares.T))

    simulated = counts / pings if pings else None
    low, high = _wilson(counts[:, 0], pings) if pings else (None, None)
    return StationMap(
        answers=chooser.answers,
        meant=cells.spread(chooser.meant(sights.pingers_m).astype(float)),
        pings=pings,
        predicted=outcomes(predicted),
        simulated=None if simulated is None else outcomes(simulated),
        right_low=None if low is None else cells.spread(low),
        right_high=None if high is None else cells.spread(high),
        over_cells=tuple(
            OutcomeShare(name, float(predicted[:, k].mean()), _mean_share(counts[:, k], pings) if pings else None)
            for k, name in enumerate(OUTCOMES)
        ),
    )


def _wilson(hits: Floats, trials: int) -> tuple[Floats, Floats]:
    """Ends of the 95 % score interval (Wilson 1927) of many shares at once."""
    centre = (hits + _Z**2 / 2) / (trials + _Z**2)
    reach = _Z / (trials + _Z**2) * np.sqrt(hits * (trials - hits) / trials + _Z**2 / 4)
    return np.maximum(centre - reach, 0.0), np.minimum(centre + reach, 1.0)


def _mean_share(hits: Floats, trials: int) -> Interval:
    """Mean over cells of the shares, each cell with its own true share; 95 % by the sum of their variances.

    The variances are those of shares drawn towards one half by a hit and a miss, so that none is zero.
    """
    share = (hits + 1) / (trials + 2)
    reach = _Z * float(np.sqrt(np.sum(share * (1 - share) / trials))) / len(hits)
    mean = float(hits.mean()) / trials
    return Interval(mean, max(mean - reach, 0.0), min(mean + reach, 1.0))
