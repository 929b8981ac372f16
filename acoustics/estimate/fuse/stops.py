"""Pings heard at one place: what undetected echoes do to all of them alike, which no number of pings averages out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.least_squares import transposed
from acoustics.base.record import record
from acoustics.physics.error_model import EFFECTS, echo_coherence

_LEAST_COHERENCE = 0.5  # of two pings of one stop
# Excess path over the range of an echo that a window hides: 0.2 ms of 7 ms.
_HIDDEN_EXCESS = 0.03
_LEAST = 1e-12
assert EFFECTS["echo"].lasts == "stop"


@record
class UndetectedEchoes:
    """Which share of the covariance of each ping's delays is by echoes that no sample shows, shape (n_pings,) or
    (..., n_pings), and the carrier's frequency [Hz]."""

    lasting_share: Floats
    frequency_hz: float

    def __post_init__(self) -> None:
        share = np.asarray(self.lasting_share, dtype=float)
        object.__setattr__(self, "lasting_share", share)
        if share.ndim < 1 or not np.all((share >= 0.0) & (share <= 1.0)):
            raise ParameterError("lasting_share: expected a number from 0 to 1 for each ping")
        if not 0.0 < self.frequency_hz < np.inf:
            raise ParameterError(f"frequency_hz={self.frequency_hz}: expected a finite value above 0")


@record
class Stops:
    """Where pings of r runs were heard at one place: `coherence`, (r, p, s), of each ping's echoes with those of a
    stop, 0 for pings of other stops and for one that is alone; `pings`, (r, p): how many there are at its stop, itself
    included; `first`, (r, p): which ping its stop began with."""

    coherence: Floats
    pings: NDArray[np.int64]
    first: NDArray[np.intp]


def stops_of(places_m: Floats, heard: NDArray[np.bool_], wavelength_m: Floats) -> Stops:
    """Stops along the way of hydrophones.

    Parameters
    ----------
    places_m : ndarray, shape (r, p, n, 3)
        Of the hydrophones in the site frame [m].
    heard : ndarray of bool, shape (r, p)
        Others do not count.
    wavelength_m : ndarray, shape (p,)
        [m].

    Notes
    -----
    A stop lasts as long as the hydrophones are within half the coherence of its first ping; coherence counts from the
    middle of the stop.
    """
    r, p, _, _ = places_m.shape
    stop, first, there = np.zeros((r, p), dtype=np.intp), np.zeros((r, p), dtype=np.intp), places_m[:, 0]
    for i in range(1, p):
        left = _coherence(places_m[:, i] - there, wavelength_m[i]) < _LEAST_COHERENCE
        stop[:, i], first[:, i] = stop[:, i - 1] + left, np.where(left, i, first[:, i - 1])
        there = np.where(left[:, None, None], places_m[:, i], there)
    member = (stop[..., None] == np.arange(stop.max() + 1)) & heard[..., None]
    count = member.sum(axis=1)
    used = np.flatnonzero(np.any(count > 1, axis=0))
    member, count = member[..., used] & (count > 1)[:, None, used], count[:, used]
    middle = np.einsum("rps,rpni->rsni", member, places_m) / np.maximum(count, 1)[..., None, None]
    coherence = np.zeros(member.shape)
    run, ping, which = np.nonzero(member)
    coherence[run, ping, which] = _coherence(places_m[run, ping] - middle[run, which], wavelength_m[ping])
    return Stops(coherence, np.maximum(np.sum(np.where(member, count[:, None], 0), axis=-1), 1), first)


def _coherence(moved_m: Floats, wavelength_m: Floats) -> Floats:
    """Of the echoes at hydrophones that moved by (..., n, 3), mean over them."""
    apart = np.linalg.norm(moved_m, axis=-1) * (2.0 * np.pi / np.asarray(wavelength_m)[..., None])
    return np.asarray(echo_coherence(apart, _HIDDEN_EXCESS).mean(axis=-1))


def by_stop(covariance: Floats, differences: Floats, lasting: Floats) -> Floats:
    """Effect on the delays of pings of one standard deviation of what each channel's echoes do at each stop.

    Parameters
    ----------
    covariance : ndarray, shape (r, p, k, k)
        Of each ping's delays.
    differences : ndarray, shape (p, k, n)
        Of which arrivals they are the difference; rows of zeros are no delays.
    lasting : ndarray, shape (r, p, s)
        Share of the covariance that lasts at each stop.

    Returns
    -------
    ndarray, shape (r, p, k, s n)
        B with ``B B' = lasting * covariance``: the same for all pings of a stop where their covariances are.
    """
    size, axes = np.linalg.eigh(differences @ transposed(differences))
    there = size > _LEAST
    length = np.sqrt(np.where(there, size, 0.0))[:, None]
    shorter = np.divide(1.0, length, out=np.zeros_like(length), where=there[:, None])
    root, inverse = (axes * length) @ transposed(axes), (axes * shorter) @ transposed(axes)
    size, axes = np.linalg.eigh(inverse @ covariance @ inverse)
    of_arrivals = (
        root @ (axes * np.sqrt(np.maximum(size, 0.0))[..., None, :]) @ transposed(axes) @ inverse @ differences
    )
    spread = of_arrivals[..., None, :] * np.sqrt(lasting)[:, :, None, :, None]
    return spread.reshape(*covariance.shape[:-1], -1)
