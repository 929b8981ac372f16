"""Which station one ping would choose on a map, and what comes of the choice."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.intervals import BEARING_GUESS_SD
from acoustics.base.record import record
from acoustics.estimate.direction import MISFIT_P
from acoustics.estimate.fuse import (
    NEAREST_M,
    NONE_OF_THESE,
    StationModel,
    decisions,
    single_ping_posterior,
    station_posterior,
)
from acoustics.estimate.position import Fix
from acoustics.scene.scene import Scene
from acoustics.study.stations import station_model

Ints = NDArray[np.intp]

OUTCOMES = ("right", "other", "none", "undecided")
SIMULATED_PINGS = 50  # of each cell at most: a decision costs as much as several fixes
SURE = 0.5
_EXACT_M = 1e-3


@record
class Chooser:
    """How a fix becomes a choice: the answers, none of these the last, the stations, and the vehicle's own sd."""

    answers: tuple[str, ...]
    stations: StationModel
    own_sd_m: float

    @classmethod
    def of(cls, scene: Scene) -> Chooser | None:
        """None where there are fewer than two stations to choose from."""
        if len(scene.stations) < 2:
            return None
        answers = (*(station.name for station in scene.stations), NONE_OF_THESE)
        return cls(answers, station_model(scene), scene.vehicle.position_sd_m)

    def meant(self, pingers_m: Floats) -> Ints:
        """The answer that an exact fix would give for pingers of shape (..., 2 or more) [m]; the last is none."""
        exact = np.broadcast_to(_EXACT_M**2 * np.eye(2), (*pingers_m.shape[:-1], 2, 2))
        return decisions(station_posterior(pingers_m[..., :2], exact, self.stations))


@record
class Sights:
    """How cells see the pinger in the site frame, shape (n_cells, ...).

    Parameters
    ----------
    waypoints_m : ndarray, shape (n_cells, 2)
        The vehicle, seen from above [m].
    pingers_m : ndarray, shape (n_cells, 2)
        The pinger [m].
    heading : ndarray, shape (n_cells,)
        Of the vehicle [rad].
    information : ndarray, shape (n_cells, 2, 2)
        Of one ping about bearing [rad] and inverse of the distance [1/m], in which the errors are nearly normal however
        badly the distance is seen.
    """

    waypoints_m: Floats
    pingers_m: Floats
    heading: Floats
    information: Floats

    def take(self, cells: Ints) -> Sights:
        """Some of them."""
        return Sights(self.waypoints_m[cells], self.pingers_m[cells], self.heading[cells], self.information[cells])

    @property
    def bearing(self) -> Floats:
        """Site bearing of the pinger, shape (n_cells,) [rad]."""
        away = self.pingers_m - self.waypoints_m
        return np.arctan2(away[:, 1], away[:, 0])

    @property
    def inverse_m(self) -> Floats:
        """Inverse of the horizontal distance, shape (n_cells,) [1/m]."""
        return 1.0 / np.linalg.norm(self.pingers_m - self.waypoints_m, axis=-1)


def of_bearing_and_inverse(information: Floats, away_m: Floats) -> Floats:
    """Information about bearing and inverse distance, shape (n, 2, 2), from that about a place seen from above.

    Parameters
    ----------
    information : ndarray, shape (n, 2, 2)
        About x and y [1/m^2].
    away_m : ndarray, shape (n, 2)
        That place, seen from the vehicle [m].

    Notes
    -----
    As little is added as keeps it regular: no bearing is worse than a guess all round, no distance under 0.3 m.
    """
    x, y = away_m[:, 0], away_m[:, 1]
    distance = np.maximum(np.hypot(x, y), NEAREST_M)
    slope = np.stack([np.stack([-y, x], axis=-1), -distance[:, None] * away_m], axis=-1)
    guess = np.diag([BEARING_GUESS_SD**-2, NEAREST_M**2])
    return np.asarray(np.swapaxes(slope, -1, -2) @ information @ slope + guess)


def outcomes(chooser: Chooser, posterior: Floats, meant: Ints) -> Ints:
    """What comes of posteriors (n, n_stations + 1) where `meant` (n,) is right, by index in `OUTCOMES`.

    Undecided is where no answer is more probable than all the others together.
    """
    chosen, none = decisions(posterior), len(chooser.stations.prior)
    right, decided = chosen == meant, posterior.max(axis=-1) > SURE
    return np.select([~decided, right, chosen == none], [3, 0, 2], default=1)


def counts_by_row(found: Ints) -> Floats:
    """How often each of `OUTCOMES` occurs in rows of indices (n, k), shape (n, 4)."""
    return np.stack([(found == o).sum(axis=-1) for o in range(len(OUTCOMES))], axis=-1).astype(float)


def simulated_outcomes(chooser: Chooser, sights: Sights, fix: Fix, rng: np.random.Generator) -> Floats:
    """How often each of `OUTCOMES` comes of simulated fixes, shape (n_cells, 4).

    Parameters
    ----------
    sights : Sights
        Of the cells.
    fix : Fix
        Batch shape (n_cells, trials): relative to the vehicle, in the frame that heads with it, with what it states of
        itself. Those count that are refused as a position too, since they tell a bearing; not those that misfit the
        delays. The first 50 of each cell are taken.
    rng : Generator
        For the error of the vehicle's own place.
    """
    place, covariance = fix.position_m[:, :SIMULATED_PINGS], fix.covariance_m2[:, :SIMULATED_PINGS]
    n, trials = place.shape[:2]
    place, covariance = place[..., :2].reshape(-1, 2), covariance[..., :2, :2].reshape(-1, 2, 2)
    misfit = fix.p_value[:, :SIMULATED_PINGS].ravel() < MISFIT_P
    given = np.asarray(np.isfinite(place).all(axis=-1)) & ~misfit
    place, covariance = np.where(given[:, None], place, 1.0), np.where(given[:, None, None], covariance, np.eye(2))
    posterior = single_ping_posterior(
        chooser.stations,
        np.repeat(sights.waypoints_m, trials, axis=0) + rng.normal(size=place.shape) * chooser.own_sd_m,
        np.where(given, np.arctan2(place[:, 1], place[:, 0]) + np.repeat(sights.heading, trials), np.nan),
        1.0 / np.maximum(np.hypot(place[:, 0], place[:, 1]), NEAREST_M),
        of_bearing_and_inverse(np.asarray(np.linalg.inv(covariance), dtype=float), place),
        own_sd_m=chooser.own_sd_m,
    )
    found = outcomes(chooser, posterior, np.repeat(chooser.meant(sights.pingers_m), trials))
    return counts_by_row(found.reshape(n, trials))
