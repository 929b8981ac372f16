"""How the places err at which a run heard its pings: reckoned one from the other, or each measured by itself."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.physics.error_model import ErrorSizes


@record
class PlaceErrors:
    """Of r runs, errors along x and along y beside those of the start, alike along both.

    `step_sd_m`, (r, p): of the step to each ping; `carried`, (p, p): whether a step, the last axis, moves a place.
    """

    step_sd_m: Floats
    carried: Floats

    @property
    def variance_m2(self) -> Floats:
        """Of the place that is known worst, (r,) [m^2]."""
        variance = self.carried @ (self.step_sd_m**2)[..., None]
        return np.asarray(variance.max(axis=(1, 2)))

    def subset(self, runs: NDArray[np.intp]) -> PlaceErrors:
        """Of some of the runs."""
        return PlaceErrors(self.step_sd_m[runs], self.carried)


def place_errors(errors: ErrorSizes, position_m: Floats, distance_m: Floats) -> PlaceErrors:
    """Of runs with pings at places (r, p, 3) after a way (r, p) [m].

    Reckoned by compass and log a place has the errors of all steps before it: a random walk. Measured by itself it has
    one of its own, which it shares with the pings that follow from the same place: where no run moves on.
    """
    if errors.dead_reckoned:
        legs = np.diff(distance_m, axis=-1, prepend=0.0)
        return PlaceErrors(errors.drift_sd_m_per_root_m * np.sqrt(legs), np.tri(legs.shape[1]))
    elsewhere = np.any(np.diff(position_m[..., :2], axis=1, prepend=np.inf) != 0, axis=(0, -1))
    place = np.cumsum(elsewhere)
    step_sd = np.where(elsewhere, errors.position_sd_m, 0.0)
    return PlaceErrors(np.tile(step_sd, (len(position_m), 1)), np.equal.outer(place, place).astype(float))
