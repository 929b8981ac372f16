"""Products of the derivatives of a sum of bursts by what is not known of it."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from acoustics.base.record import record

Complexes = NDArray[np.complex128]

_SIDE = 36  # of a block of a product that is worked on one core: under 200,000 real products


@record
class BurstDoubt:
    """Standard deviations of what is not known of the burst: of Q as a share of it, of the carrier [Hz]."""

    q_sd_share: float
    frequency_sd_hz: float


@record
class Products:
    """Integrals over all channels of n elements: of the derivatives by the amplitudes of p paths with each other,
    (n, p, p), of these with those by m errors, (n, p, m), and of the latter with each other, (n, m, m)."""

    own: Complexes
    cross: Complexes
    errors: Complexes


def product(left: Complexes, right: Complexes) -> Complexes:
    """``left^H right`` of shapes (..., k, m) and (..., k, n), in blocks that stay on one core.

    A linear algebra library that shares out such small products among cores spends its time on waiting for them.
    """
    rows, (length, across) = left.shape[-1], right.shape[-2:]
    left = np.swapaxes(left.conj(), -1, -2)
    total = np.zeros((*left.shape[:-2], rows, across), dtype=complex)
    for i, j, k in itertools.product(*(range(0, size, _SIDE) for size in (rows, across, length))):
        here, there, along = slice(i, i + _SIDE), slice(j, j + _SIDE), slice(k, k + _SIDE)
        total[..., here, there] += left[..., here, along] @ right[..., along, there]
    return total
