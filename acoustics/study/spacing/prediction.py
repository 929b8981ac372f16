"""What is predicted of an array at several spacings, over bearings and pings that were measured."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from acoustics.accuracy.ambiguity import CycleAmbiguity, mixture_bearing_rms
from acoustics.base.frames import Floats
from acoustics.base.record import record


@record
class Prediction:
    """At spacings of shape (n,), over bearings: RMS error with the right integers [deg], share of pings with wrong
    ones, and RMS error of these [deg]."""

    right_deg: Floats
    wrong: Floats
    wrong_deg: Floats

    @classmethod
    def over(cls, right_deg: Floats, ambiguity: CycleAmbiguity, weight: Floats) -> Prediction:
        """Of errors with the right integers by bearing, (n, n_bearings) [deg], and of the ambiguity by bearing for k
        kinds of pings, (n, k, n_bearings), which count by weights (n, k)."""
        each = weight[..., None] / right_deg.shape[-1]
        # A bearing at which most integers are wrong has few right ones.
        wrong, right = each * ambiguity.wrong_probability, each * (1.0 - ambiguity.wrong_probability)
        return cls(
            _rms(right_deg[:, None], right),
            wrong.sum(axis=(1, 2)),
            _rms(np.rad2deg(ambiguity.wrong_bearing_rms), wrong),
        )

    def some(self, rows: NDArray[np.intp]) -> Prediction:
        """At some of the spacings."""
        return Prediction(self.right_deg[rows], self.wrong[rows], self.wrong_deg[rows])

    @property
    def rms_deg(self) -> Floats:
        """Of all pings [deg]."""
        return mixture_bearing_rms(self.right_deg, self.wrong, self.wrong_deg)


def _rms(values: Floats, weights: Floats) -> Floats:
    """Over all axes but the first, shape (n,); 0 where nothing has a weight."""
    total, square = (part.sum(axis=(1, 2)) for part in (weights, weights * values**2))
    return np.sqrt(np.divide(square, total, out=np.zeros_like(square), where=total > 0))
