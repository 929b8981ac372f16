"""How well the build-up of a burst tells between beginnings that lie whole cycles of its carrier apart."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from acoustics.base.checks import checked
from acoustics.base.frames import Floats
from acoustics.physics.burst import burst_moments

_NODES = 25
# How far off an arrival is looked at: in its standard deviations, in cycles, and of the window.
_FARTHEST_SD, _FARTHEST_CYCLES, _FARTHEST_SHARE = 4.0, 1.5, 0.6
_LEAST_SHARE = 1e-6  # of the window, under which shifted build-ups differ by no more than rounding
_LEAST_Z = 1e-3  # a burst that weak tells nothing


def cycle_choice_variance(
    energy_ratio_2e_n0: ArrayLike,
    window_s: ArrayLike,
    *,
    frequency_hz: float,
    length_s: float,
    q: float,
    sweep_hz: float = 0.0,
    n_channels: int,
) -> Floats:
    """Variance of a normal onset that would mistake cycles as often as the likelihood of the burst itself does.

    Parameters
    ----------
    energy_ratio_2e_n0 : array_like, shape (...)
        ``2 E / N0`` of the window at one channel [1].
    window_s : array_like, shape (...)
        Part of the burst that is used [s].
    frequency_hz, length_s, q, sweep_hz : float
        The burst, see `burst_envelope` and `burst_phase` [Hz, s, 1, Hz].
    n_channels : int
        Channels that decide together [1].

    Returns
    -------
    ndarray, shape (...)
        Of each channel's onset [s^2]; above its Cramer-Rao bound, and inf where a window of half a cycle or less
        tells nothing.

    Raises
    ------
    ParameterError
        A negative ratio or window; a frequency, length or q that is not positive.

    Notes
    -----
    Phase delays leave the choice between beginnings of the burst at the channels. Take the one that comes up
    oftenest: half of the channels half a cycle early, half of them half a cycle late. With s the waveforms that are
    compared, x the samples, all divided by the noise, the right one loses if ``<x, D> > (|s1|^2 - |s0|^2) / 2`` with
    ``D = s1 - s0``: with probability Q(|D| / 2) if nothing else were unknown. But the arrival c and the amplitude of
    the ping come from the same samples, which leaves noise that is normal to their derivatives P, and a burst with
    a corner fits ill where c is off::

        z(c) = (|D|^2 / 2 - <s(0) - P s(0), D>) / sqrt(|D|^2 - |P D|^2)

    averaged over the arrivals that fit the samples, with the amplitude in proportion. The variance returned gives
    this z to normal onsets. The inner products of two shifted build-ups are in closed form, averaged over the phase
    of the carrier; a sweep adds information without a corner. The decay, after the burst's whole length, is left out.
    Sets of cycles that part the channels otherwise count as if onsets were normal. By simulation the probability of a
    wrong cycle then comes out too small by up to a tenth of itself with six channels in a ring, or with Q = 4 in a
    window of two or three cycles; elsewhere it agrees.

    References
    ----------
    Van Trees (1968), Detection, Estimation, and Modulation Theory, Part I, sec. 4.2 (known signals in white noise)
    and 4.4 (unwanted parameters). The average over the arrival is derived here; simulation in
    tests/benchmarks/waveform_accuracy.py.
    """
    ratio, window = np.broadcast_arrays(
        checked("energy_ratio_2e_n0", energy_ratio_2e_n0, minimum=0.0),
        checked("window_s", window_s, minimum=0.0, allow_infinite=True),
    )
    burst = {"frequency_hz": frequency_hz, "length_s": length_s, "q": q, "sweep_hz": sweep_hz}
    energy = burst_moments(window, **burst).energy_s
    window = np.minimum(window, length_s)
    driven = burst_moments(window, **burst)
    half = 0.5 / frequency_hz
    rate = np.pi * frequency_hz / q
    some = (ratio > 0) & (window > half)
    result = np.full(ratio.shape, np.inf)
    if some.any():
        z = _separation(
            (n_channels * ratio[some] / energy[some])[:, None],
            (driven.energy_s * driven.mean_square_angular_bandwidth)[some][:, None],
            window[some][:, None],
            rate=rate,
            half_s=half,
        )
        result[some] = n_channels * (half / (2.0 * z)) ** 2
    return result


def _separation(density: Floats, slopes: Floats, window: Floats, *, rate: float, half_s: float) -> Floats:
    """The averaged z of `cycle_choice_variance`, shape (k,).

    Parameters
    ----------
    density : ndarray, shape (k, 1)
        ``2 E / N0`` of all channels for each second of the squared burst [1/s].
    slopes : ndarray, shape (k, 1)
        Integral of the squared derivative of the complex envelope, its mean frequency left out [1/s].
    window : ndarray, shape (k, 1)
        End of the window [s].
    rate, half_s : float
        Of the build-up [1/s], and half a cycle [s].
    """
    # Products of waveforms in units of the noise: a the build-up shifted by c, 0 the one that arrived, t the
    # derivative of a by c. What has no corner, a sweep, counts by its information alone.
    zero = np.zeros_like(window)
    smooth = np.maximum(density * (slopes - _slopes(zero, window, rate)), 0.0)
    slope, size = density * _slope(zero, zero, window, rate), density * _overlap(zero, zero, window, rate)
    sd = 1.0 / np.sqrt(density * _slopes(zero, window, rate) + smooth - slope**2 / size)
    sd = np.maximum(sd, _LEAST_SHARE * window)
    farthest = np.minimum(_FARTHEST_CYCLES * 2.0 * half_s, _FARTHEST_SHARE * window)
    c = np.linspace(-1.0, 1.0, _NODES) * np.minimum(_FARTHEST_SD * sd, farthest)
    aa, a0 = density * _overlap(c, c, window, rate), density * _overlap(c, zero, window, rate)
    ta, t0 = density * _slope(c, c, window, rate), density * _slope(c, zero, window, rate)
    tt = density * _slopes(c, window, rate) + smooth
    # The arrivals that maximise the likelihood, by the slope that the noise must make up for there.
    standard = (ta * a0 / aa - t0 + smooth * c) / np.sqrt(tt - ta**2 / aa)
    weight = np.maximum(np.gradient(standard, axis=-1), 0.0) * np.exp(-0.5 * standard**2)
    weight = weight / weight.sum(axis=-1, keepdims=True)

    # b is the build-up moved by half a cycle either way, d the difference of b and a; a mean over both.
    b = np.minimum(c + half_s * np.array([-1.0, 1.0])[:, None, None], window)
    ba = density * _overlap(b, c, window, rate)
    dd = (density * _overlap(b, b, window, rate) - 2.0 * ba + aa).mean(axis=0) + smooth * half_s**2
    td = (density * _slope(c, b, window, rate) - ta).mean(axis=0)
    ad = (ba - aa).mean(axis=0)
    d0 = (density * _overlap(b, zero, window, rate) - a0).mean(axis=0)
    determinant = tt * aa - ta**2

    def along(x1: Floats, x2: Floats, y1: Floats, y2: Floats) -> Floats:
        """Inner product of two waveforms' parts along the derivatives by arrival and amplitude."""
        return (x1 * y1 * aa - (x1 * y2 + x2 * y1) * ta + x2 * y2 * tt) / determinant

    noise = np.sqrt(np.maximum(dd - along(td, ad, td, ad), 1e-12 * dd))
    louder = -slope / size * c
    z = (0.5 * (1.0 + louder) * dd - (d0 - along(td, ad, t0, a0))) / noise
    mean = (weight * z).sum(axis=-1, keepdims=True)
    spread = (weight * ((z - mean) ** 2 + (0.5 * dd / noise) ** 2 / aa)).sum(axis=-1)
    return np.maximum(mean[:, 0], _LEAST_Z) / np.sqrt(1.0 + spread)


def _overlap(x: Floats, y: Floats, window: Floats, rate: float) -> Floats:
    """Integral to the window's end of build-ups ``1 - exp(-rate (t - x))`` that begin at x and at y."""
    once, twice = _decays(np.maximum(x, y), window, rate)
    by_x, by_y = np.exp(rate * x), np.exp(rate * y)
    return window - np.maximum(x, y) - (by_x + by_y) * once / rate + by_x * by_y * twice / (2.0 * rate)


def _slope(x: Floats, y: Floats, window: Floats, rate: float) -> Floats:
    """The same of the first one's derivative by x times the second."""
    once, twice = _decays(np.maximum(x, y), window, rate)
    return np.exp(rate * x) * (0.5 * np.exp(rate * y) * twice - once)


def _slopes(x: Floats, window: Floats, rate: float) -> Floats:
    """The same of the squared derivative of the build-up that begins at x."""
    return -0.5 * rate * np.expm1(-2.0 * rate * (window - x))


def _decays(begin: Floats, window: Floats, rate: float) -> tuple[Floats, Floats]:
    first, last = np.exp(-rate * begin), np.exp(-rate * window)
    return first - last, first**2 - last**2
