"""Where the pinger of a placement may be, and how well one arrival from there is timed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats, direction
from acoustics.base.record import record
from acoustics.physics.direct_rays import DirectRays


@record
class Directions:
    """Where the pinger may be, shape (n_directions,), and the variance of one arrival from there.

    Bearing and depression are in the body frame [rad], the range is from its origin [m]; variances are those of the
    carrier and of the envelope [s^2]. `rays`: where the water bends them, from there to the
    origin, in the frame that stands level and heads with the vehicle.
    """

    bearing: Floats
    depression: Floats
    range_m: Floats
    carrier_variance_s2: Floats
    envelope_variance_s2: Floats
    rays: DirectRays | None = None

    @property
    def source_m(self) -> Floats:
        """Places of the pinger, body frame, shape (n_directions, 3) [m]."""
        return self.range_m[:, None] * direction(self.bearing, self.depression)

    def take(self, which: NDArray[np.intp] | slice) -> Directions:
        """Some of them."""
        rays = None if self.rays is None else self.rays.take(which)
        return Directions(
            self.bearing[which],
            self.depression[which],
            self.range_m[which],
            self.carrier_variance_s2[which],
            self.envelope_variance_s2[which],
            rays,
        )

    def alike(self) -> list[NDArray[np.intp]]:
        """Which of them have the same variances."""
        links, of_link = np.unique(
            np.stack([self.carrier_variance_s2, self.envelope_variance_s2]), axis=1, return_inverse=True
        )
        return [np.flatnonzero(of_link == k) for k in range(links.shape[1])]
