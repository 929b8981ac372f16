"""The direct sound once it is fitted: what of the samples it leaves, and what an echo may be taken for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.least_squares import transposed
from acoustics.estimate.tdoa.segment import AlignedSegments
from acoustics.estimate.tdoa.toa import BuildUp, direct_columns
from acoustics.physics.burst import Burst

_LEAST = 1e-9


@dataclass(frozen=True)
class DirectFit:
    """The direct sound of m pings, linear about its fit.

    Parameters
    ----------
    since_s : ndarray, shape (m, n_channels, n)
        Times of the samples since each channel's onset [s].
    carrier : ndarray of complex, shape (m, n_channels, n)
        With the phase that was fitted; 0 from the end of the fit on.
    columns : ndarray, shape (m, n_channels, 3, n)
        As `direct_columns`, of unit length.
    length : ndarray, shape (m, n_channels, 3)
        What they were divided by.
    inverse : ndarray, shape (m, n_channels, 3, 3)
        Of their products.
    residual : ndarray, shape (m, n_channels, n)
        Samples less what the columns explain.
    """

    since_s: Floats
    carrier: NDArray[np.complex128]
    columns: Floats
    length: Floats
    inverse: Floats
    residual: Floats

    @classmethod
    def of(cls, aligned: AlignedSegments, burst: Burst, fit: BuildUp, end_s: Floats, *, ridge: float) -> DirectFit:
        """By the samples up to `end_s` after each onset, shape () or (m, 1) [s].

        `ridge` is added to the squares of the columns, 1 each, for those that coincide.
        """
        inside = aligned.before(fit.onset_s + end_s)
        since = aligned.time_s - fit.onset_s[..., None]
        carrier = np.exp(1j * (burst.carrier * aligned.time_s + fit.phase[..., None])) * inside
        columns = direct_columns(burst, since, carrier)
        length = np.maximum(np.linalg.norm(columns, axis=-1), _LEAST)
        columns = columns / length[..., None]
        inverse = np.linalg.inv(columns @ transposed(columns) + ridge * np.eye(3))
        samples = (aligned.samples * inside)[..., None]
        residual = (samples - transposed(columns) @ (inverse @ (columns @ samples)))[..., 0]
        return cls(since, carrier, columns, length, inverse, residual)
