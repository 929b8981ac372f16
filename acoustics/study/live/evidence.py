"""Is what was heard enough to go to a station, or is it worth its time to listen once more?"""

from __future__ import annotations

import numpy as np

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.estimate.fuse import StationModel, station_posterior

_NODES = 4  # along each axis, of the sum over what the next pings may say


@record
class CommitRule:
    """When to commit: from a probability on; or, where the cost of a wrong station is given in seconds of the run [s],
    as soon as listening once more costs more time than the mistakes it is expected to save.
    """

    probability: float = 0.95
    wrong_station_cost_s: float | None = None

    def __post_init__(self) -> None:
        if not 0.0 < self.probability < 1.0:
            raise ParameterError(f"probability={self.probability}: expected above 0 and below 1")
        if self.wrong_station_cost_s is not None and not 0.0 < self.wrong_station_cost_s < np.inf:
            raise ParameterError(f"wrong_station_cost_s={self.wrong_station_cost_s}: expected above 0, finite")


@record
class Commit:
    """Whether to go to `station` now, and by what: its probability, and with a cost the two expected costs [s].

    `cost_now_s` is that of a wrong station times the probability of one; `cost_after_next_s` is the time to the next
    waypoint and of listening there, and what mistakes are then expected to cost; None where there is no next waypoint.
    """

    now: bool
    station: str
    probability: float
    why: str
    cost_now_s: float | None
    cost_after_next_s: float | None


def commit_or_not(
    station: str,
    probability: float,
    rule: CommitRule,
    *,
    refusal: str = "",
    next_takes_s: float | None = None,
    next_probability: float = 0.0,
) -> Commit:
    """The decision about the leading station; a `refusal` says why there is nothing to go by."""
    cost_now = cost_next = None
    if rule.wrong_station_cost_s is not None:
        cost_now = rule.wrong_station_cost_s * (1.0 - probability)
        if next_takes_s is not None:
            cost_next = next_takes_s + rule.wrong_station_cost_s * (1.0 - next_probability)
    if refusal:
        return Commit(False, station, probability, refusal, cost_now, cost_next)
    if cost_now is None:
        now = probability >= rule.probability
        why = f"its probability is {'' if now else 'not '}{rule.probability:g} or more"
    elif cost_next is None:
        now, why = True, "there is no time or place to listen once more"
    else:
        now = cost_now <= cost_next
        why = f"listening once more is {'not ' if now else ''}worth its time"
    return Commit(now, station, probability, why, cost_now, cost_next)


def expected_leader_probability(
    fix_m: Floats, covariance_m2: Floats, information: Floats, stations: StationModel
) -> Floats:
    """Expected probability of the leading station after more is heard.

    Parameters
    ----------
    fix_m : ndarray, shape (2,)
        Horizontal position found until now [m].
    covariance_m2 : ndarray, shape (2, 2)
        Its covariance [m^2].
    information : ndarray, shape (n, 2, 2)
        What each of n choices would add to the inverse of that [1/m^2].
    stations : StationModel
        The candidates.

    Returns
    -------
    ndarray, shape (n,)

    Notes
    -----
    The expected value of sample information (Raiffa and Schlaifer 1961, Applied Statistical Decision Theory, chapter
    4) with reward 1 for the right station. Given a station, or none, the place of the pinger is normal, and so is the
    fix after a further measurement; the mean over it is by the product of two Gauss-Hermite rules.
    """
    posterior = station_posterior(fix_m, covariance_m2, stations)
    known = np.linalg.inv(covariance_m2)
    place, spread = _places_by_station(fix_m, covariance_m2, stations)
    after = np.linalg.inv(known + information)[:, None]
    added = information[:, None]
    mean = np.einsum("nsij,nsj->nsi", after, known @ fix_m + np.einsum("nsij,sj->nsi", added, place))
    scatter = after @ (added @ spread @ added + added) @ after
    node, share = np.polynomial.hermite_e.hermegauss(_NODES)
    nodes = np.stack(np.meshgrid(node, node), axis=-1).reshape(-1, 2)
    shares = np.outer(share, share).ravel() / share.sum() ** 2
    size, axes = np.linalg.eigh(scatter)
    root = axes * np.sqrt(np.maximum(size, 0.0))[..., None, :]
    fixes = mean[..., None, :] + np.einsum("nsij,kj->nski", root, nodes)
    seen = station_posterior(fixes, np.broadcast_to(after[..., None, :, :], (*fixes.shape, 2)), stations)
    leading = seen[..., :-1].max(axis=-1) @ shares
    return np.asarray(leading @ posterior)


def _places_by_station(fix_m: Floats, covariance_m2: Floats, stations: StationModel) -> tuple[Floats, Floats]:
    """Mean (n_stations + 1, 2) [m] and covariance [m^2] of the pinger's place, given each station, last none."""
    variance = stations.spread_m**2
    gain = variance * np.linalg.inv(covariance_m2 + variance * np.eye(2))
    place = stations.places_m + (fix_m - stations.places_m) @ gain.T
    at_station = variance * (np.eye(2) - gain)
    spread = np.concatenate([np.tile(at_station, (len(place), 1, 1)), covariance_m2[None]])
    return np.concatenate([place, fix_m[None]]), spread
