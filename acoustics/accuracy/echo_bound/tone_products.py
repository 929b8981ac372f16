"""Products of the derivatives of overlapping tone bursts, in closed form.

While a steady tone is driven all derivatives are sums of four functions of time: 1, t, exp(-r t) and t exp(-r t). From
one path's beginning to the next their weights are the same, so that an interval costs a matrix of 4 by 4.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from acoustics.accuracy.echo_bound.products import BurstDoubt, Complexes, Products, product
from acoustics.base.frames import Floats
from acoustics.physics.burst import Burst

_ONE, _TIME, _DECAY, _LATE = range(4)  # the functions, t from the beginning of an interval


def tone_products(
    burst: Burst, doubt: BurstDoubt, delay_s: Floats, window_s: Floats, carried: Complexes, by: Floats
) -> Products:
    """Products of derivatives within windows from the first path on, none of which is longer than the burst.

    Parameters
    ----------
    burst, doubt : Burst, BurstDoubt
        Without a sweep.
    delay_s : ndarray, shape (n, n_channels, p)
        When each path begins [s].
    window_s : ndarray, shape (n,)
        How long the samples count at each channel [s].
    carried : ndarray of complex, shape (n, n_channels, p)
        Each path's amplitude with its phase, 0 where there is none.
    by : ndarray, shape (n, n_channels, p, m - 2)
        Derivative of the times by the errors; those by Q and carrier come last.
    """
    rate = burst.build_up_rate
    start = np.minimum(delay_s - delay_s.min(axis=-1, keepdims=True), window_s[:, None, None])
    order = np.argsort(start, axis=-1)
    begins, sounding = (np.take_along_axis(values, order, axis=-1) for values in (start, carried))
    end = np.broadcast_to(window_s[:, None, None], (*start.shape[:-1], 1))
    gap = np.diff(begins, axis=-1, append=end)
    weights = _added(burst, doubt, sounding, np.take_along_axis(by, order[..., None], axis=2))
    later = _later(rate, gap)
    for path in range(1, gap.shape[-1]):
        weights[:, :, path] += later[:, :, path - 1] @ weights[:, :, path - 1]
    turned = _integrals(rate, gap) @ weights
    flat, other = (part.reshape(len(part), -1, part.shape[-1]) for part in (weights, turned))
    by_path = sounding.conj()[..., None] * _with_each_envelope(rate, gap, turned)
    return Products(
        own=np.sum(carried.conj()[..., None] * carried[..., None, :] * _envelopes(rate, start, window_s), axis=1),
        cross=np.sum(np.take_along_axis(by_path, np.argsort(order, axis=-1)[..., None], axis=2), axis=1),
        errors=product(flat, other),
    )


def _added(burst: Burst, doubt: BurstDoubt, carried: Complexes, by: Floats) -> Complexes:
    """What each path adds to the weights of the four functions when it begins, (n, n_channels, p, 4, m).

    Its envelope is ``1 - exp(-r t)``; while it is driven it is a function of t / Q alone.
    """
    rate, by_carrier = burst.build_up_rate, 2j * np.pi * doubt.frequency_sd_hz * carried
    added = np.zeros((*by.shape[:-1], 4, by.shape[-1] + 2), dtype=complex)
    later = -carried[..., None] * by
    added[..., _ONE, :-2] = 1j * burst.carrier * later
    added[..., _DECAY, :-2] = (rate - 1j * burst.carrier) * later
    added[..., _LATE, -2] = -rate * doubt.q_sd_share * carried
    added[..., _TIME, -1] = by_carrier
    added[..., _LATE, -1] = -by_carrier
    return added


def _later(rate: float, gap: Floats) -> Floats:
    """Weights at the end of intervals by those at their beginnings, (..., 4, 4)."""
    later, left = np.zeros((*gap.shape, 4, 4)), np.exp(-rate * gap)
    later[..., _ONE, _ONE] = later[..., _TIME, _TIME] = 1.0
    later[..., _ONE, _TIME] = gap
    later[..., _DECAY, _DECAY] = later[..., _LATE, _LATE] = left
    later[..., _DECAY, _LATE] = gap * left
    return later


def _integrals(rate: float, gap: Floats) -> Floats:
    """Integrals of the products of the four functions over intervals, (..., 4, 4)."""
    found: Floats = np.zeros((*gap.shape, 4, 4))
    once, twice = _moments(rate, gap), _moments(2.0 * rate, gap)
    for i, j, value in (
        (_ONE, _ONE, gap), (_ONE, _TIME, gap**2 / 2), (_TIME, _TIME, gap**3 / 3),
        (_ONE, _DECAY, once[0]), (_ONE, _LATE, once[1]), (_TIME, _DECAY, once[1]), (_TIME, _LATE, once[2]),
        (_DECAY, _DECAY, twice[0]), (_DECAY, _LATE, twice[1]), (_LATE, _LATE, twice[2]),
    ):  # fmt: skip
        found[..., i, j] = found[..., j, i] = value
    return found


def _moments(rate: float, gap: Floats) -> tuple[Floats, Floats, Floats]:
    """Integrals of 1, t and t^2, each times exp(-rate t), over intervals."""
    x = rate * gap
    left = np.exp(-x)
    return -np.expm1(-x) / rate, (1 - left * (1 + x)) / rate**2, (2 - left * (2 + x * (2 + x))) / rate**3


def _with_each_envelope(rate: float, gap: Floats, turned: NDArray[Any]) -> NDArray[Any]:
    """Integrals of the envelope of each path, in the order in which they begin, with the derivatives, (..., p, m).

    `turned`, (..., p, 4, m), has those of the four functions in the interval that begins with each path.
    """
    decayed, left = turned[..., _DECAY, :].copy(), np.exp(-rate * gap)[..., None]
    for path in reversed(range(gap.shape[-1] - 1)):
        decayed[..., path, :] += left[..., path, :] * decayed[..., path + 1, :]
    return np.cumsum(turned[..., ::-1, _ONE, :], axis=-2)[..., ::-1, :] - decayed


def _envelopes(rate: float, start_s: Floats, window_s: Floats) -> Floats:
    """Integrals of the envelopes of two paths each, (..., p, p)."""
    here, there = start_s[..., None], start_s[..., None, :]
    together = window_s[:, None, None, None] - np.maximum(here, there)
    once, twice = (-np.expm1(-each * together) / each for each in (rate, 2.0 * rate))
    return together - once - np.exp(-rate * np.abs(here - there)) * (once - twice)
