"""The pinger's burst: its envelope and phase, and what a window over it tells about its arrival time."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gamma, gammainc

from acoustics.base.checks import checked
from acoustics.base.frames import Floats
from acoustics.base.record import record

# Build-up times below this fraction of the time constant: the closed form cancels and a series takes over.
_EARLY = 1e-3
_LARGEST_EXPONENT = 300.0  # the product of two exponentials then is far from the ends of double precision


@record
class BurstMoments:
    """What a window over a burst holds, for a burst of unit rms on its plateau; arrays of one shape.

    Parameters
    ----------
    energy_s : ndarray, shape (...)
        Integral of the squared burst [s]; times the squared rms pressure it is the energy.
    mean_square_angular_frequency : ndarray, shape (...)
        Integral of the squared derivative over that of the square [rad^2/s^2]: carrier included.
    mean_square_angular_bandwidth : ndarray, shape (...)
        The same of the complex envelope about the mean frequency [rad^2/s^2]: carrier left out.
    """

    energy_s: Floats
    mean_square_angular_frequency: Floats
    mean_square_angular_bandwidth: Floats


def burst_envelope(t_s: ArrayLike, *, frequency_hz: float, length_s: float, q: float) -> Floats:
    """Envelope of a tone burst through a resonant transducer.

    Parameters
    ----------
    t_s : array_like, shape (...)
        Time since the burst began [s].
    frequency_hz : float
        Frequency of the carrier, taken as the resonance [Hz].
    length_s : float
        Time that the transducer is driven [s].
    q : float
        Quality factor of the transducer [1].

    Returns
    -------
    ndarray, shape (...)
        0 before the burst, ``1 - exp(-pi f t / q)`` while driven, and the decay with the same time constant
        from the value reached [1].

    Raises
    ------
    ParameterError
        A frequency, length or q that is not positive.

    References
    ----------
    Response of a resonant circuit to a keyed tone at its resonance, time constant ``q / (pi f)``: Kinsler et
    al. (2000), Fundamentals of Acoustics, 4th ed., ch. 1.
    """
    length = float(checked("length_s", length_s, above=0.0))
    return _envelope(np.asarray(t_s, dtype=float), _rate(frequency_hz, q), length)


def _envelope(t: Floats, rate: float, length: float) -> Floats:
    """As `burst_envelope`, of parameters that were checked: fits ask for it dozens of times a ping."""
    driven = -np.expm1(-rate * np.minimum(np.maximum(t, 0.0), length))
    if not np.any(t > length):
        return driven
    return np.asarray(driven * np.exp(-rate * np.maximum(t - length, 0.0)))


def burst_phase(t_s: ArrayLike, *, frequency_hz: float, length_s: float, sweep_hz: float = 0.0) -> Floats:
    """Phase of the burst's carrier, 0 at its start.

    Parameters
    ----------
    t_s : array_like, shape (...)
        Time since the burst began [s].
    frequency_hz : float
        Frequency in the middle of the driven part [Hz].
    length_s : float
        Time that the transducer is driven [s].
    sweep_hz : float
        Frequency at the end less that at the start of the driven part, linear in between [Hz]. The decay
        keeps the last frequency.

    Returns
    -------
    ndarray, shape (...)
        Integral of the angular frequency [rad].

    Raises
    ------
    ParameterError
        A frequency or length that is not positive, or a sweep through zero frequency.
    """
    t = np.asarray(t_s, dtype=float)
    f, length = (
        float(checked("frequency_hz", frequency_hz, above=0.0)),
        float(checked("length_s", length_s, above=0.0)),
    )
    sweep = float(checked("sweep_hz", sweep_hz, minimum=-2.0 * f, maximum=2.0 * f))
    driven = np.minimum(t, length)
    offset_cycles = sweep * (driven * (driven / length - 1.0) / 2.0 + np.maximum(t - length, 0.0) / 2.0)
    return 2.0 * np.pi * (f * t + offset_cycles)


def burst_moments(
    window_s: ArrayLike, *, frequency_hz: float, length_s: float, q: float, sweep_hz: float = 0.0
) -> BurstMoments:
    """Energy and mean-square frequencies of the part of a burst inside a window from its start.

    Parameters
    ----------
    window_s : array_like, shape (...)
        Length of the window [s]; inf takes the whole burst with its decay.
    frequency_hz, length_s, q, sweep_hz : float
        The burst, see `burst_envelope` and `burst_phase`.

    Returns
    -------
    BurstMoments
        Arrays of the shape of `window_s`. ``2 / N0 * energy * mean square`` is the Fisher information about
        the arrival time. A window of zero length holds no energy.

    Raises
    ------
    ParameterError
        A negative window; a frequency, length or q that is not positive.

    Notes
    -----
    The burst is ``sqrt(2) env(t) cos(phase(t))``, averaged over the phase of the carrier, so that a window
    need not hold whole cycles: the square becomes ``env^2``, the squared derivative ``env'^2 + env^2 w^2``.
    Only what happens inside the window counts; the cut at its end is the observer's and tells nothing about
    the arrival.

    References
    ----------
    Kay (1993), Fundamentals of Statistical Signal Processing: Estimation Theory, eq. 3.14 (from memory).
    """
    window = checked("window_s", window_s, minimum=0.0, allow_infinite=True)
    rate, length = _rate(frequency_hz, q), float(checked("length_s", length_s, above=0.0))
    sweep = 2.0 * np.pi * float(checked("sweep_hz", sweep_hz, minimum=-2.0 * frequency_hz, maximum=2.0 * frequency_hz))
    driven = np.minimum(window, length)
    reached = -np.expm1(-rate * length)
    decayed = -np.expm1(-2.0 * rate * np.maximum(window - length, 0.0))

    tail = reached**2 * decayed / (2.0 * rate)
    energy = _driven_moment(driven, rate, 0) + tail
    slope = rate / 2.0 * (-np.expm1(-2.0 * rate * driven) + reached**2 * decayed)
    some = energy > 0

    def mean(integral: Floats) -> Floats:
        return np.divide(integral, energy, out=np.zeros_like(energy), where=some)

    # Offset of the angular frequency from the carrier: sweep (t / length - 1/2) while driven, then sweep / 2.
    offset, offset_squared = np.zeros_like(energy), np.zeros_like(energy)
    if sweep:
        place, place_squared = (_driven_moment(driven, rate, n) / length**n + tail for n in (1, 2))
        offset = sweep * (mean(place) - 0.5 * some)
        offset_squared = sweep**2 * (mean(place_squared) - mean(place) + 0.25 * some)
    carrier = 2.0 * np.pi * frequency_hz
    bandwidth = mean(slope) + np.maximum(offset_squared - offset**2, 0.0)
    return BurstMoments(energy, bandwidth + (carrier + offset) ** 2, bandwidth)


def _driven_moment(t: Floats, rate: float, order: int) -> Floats:
    """Integral of ``u^order (1 - exp(-rate u))^2`` from 0 to t."""
    x = rate * t

    def exponential_moment(decay: float) -> Floats:
        return gamma(order + 1) * gammainc(order + 1, decay * t) / decay ** (order + 1)

    n = order + 1
    closed = t**n / n - 2.0 * exponential_moment(rate) + exponential_moment(2.0 * rate)
    series = t**n * x**2 * (1.0 / (n + 2) - x / (n + 3) + 7.0 / 12.0 * x**2 / (n + 4))
    return np.where(x < _EARLY, series, closed)


def _rate(frequency_hz: float, q: float) -> float:
    """Reciprocal of the envelope's time constant [1/s]."""
    return float(np.pi * checked("frequency_hz", frequency_hz, above=0.0) / checked("q", q, above=0.0))


Complexes = NDArray[np.complex128]
Envelopes = NDArray[Any]  # real, or complex where the burst is swept


@record
class Burst:
    """What a pinger sends, by its data sheet: carrier [Hz], length [s], the transducer's Q, sweep of a chirp [Hz].

    Raises
    ------
    ParameterError
        A frequency, length or Q that is not positive, or a sweep as wide as the frequency.
    """

    frequency_hz: float
    length_s: float
    q: float = 8.0
    sweep_hz: float = 0.0

    def __post_init__(self) -> None:
        for name in ("frequency_hz", "length_s", "q"):
            checked(name, getattr(self, name), above=0.0)
        checked("sweep_hz", abs(self.sweep_hz), maximum=self.frequency_hz)

    @property
    def carrier(self) -> float:
        """Angular frequency of the carrier [rad/s]."""
        return 2.0 * np.pi * self.frequency_hz

    def complex_envelope(self, t_s: Floats) -> Envelopes:
        """Complex envelope about the carrier at times since the burst began; real without a sweep [1]."""
        return self._turned(_envelope(t_s, self.build_up_rate, self.length_s), t_s)

    def later_envelopes(self, t_s: Floats, later_s: Floats) -> Envelopes:
        """Complex envelopes of bursts that begin `later_s`, (..., k), after one that began `t_s` ago, (..., n); shape
        (..., k, n) [1].

        While a steady tone is driven what its envelope lacks of the plateau is a product of one factor by each.
        """
        exponent = self.build_up_rate * max(np.abs(t_s).max(initial=0.0), np.abs(later_s).max(initial=0.0))
        driven = t_s.max(initial=-np.inf) - later_s.min(initial=np.inf) <= self.length_s
        if self.sweep_hz or not driven or exponent > _LARGEST_EXPONENT:
            return self.complex_envelope(t_s[..., None, :] - later_s[..., None])
        lacks = np.exp(-self.build_up_rate * t_s)[..., None, :] * np.exp(self.build_up_rate * later_s)[..., None]
        return np.maximum(np.subtract(1.0, lacks, out=lacks), 0.0, out=lacks)

    def complex_envelope_and_slope(self, t_s: Floats) -> tuple[Envelopes, Envelopes]:
        """Complex envelope about the carrier at times since the burst began, and its derivative [1, 1/s]."""
        size = _envelope(t_s, self.build_up_rate, self.length_s)
        slope: Envelopes = self.build_up_rate * (((t_s > 0) & (t_s <= self.length_s)) - size)
        if self.sweep_hz:
            offset = 2.0 * np.pi * self.sweep_hz * (np.clip(t_s, 0.0, self.length_s) / self.length_s - 0.5)
            slope = slope + 1j * offset * size
        return self._turned(size, t_s), self._turned(slope, t_s)

    @property
    def build_up_rate(self) -> float:
        """Reciprocal of the envelope's time constant [1/s]."""
        return np.pi * self.frequency_hz / self.q

    def _turned(self, envelope: Envelopes, t_s: Floats) -> Envelopes:
        """An envelope with the phase by which the carrier is ahead of a steady tone's."""
        if not self.sweep_hz:
            return envelope
        phase = burst_phase(t_s, frequency_hz=self.frequency_hz, length_s=self.length_s, sweep_hz=self.sweep_hz)
        return np.asarray(envelope * np.exp(1j * (phase - self.carrier * t_s)))

    def moments(self, window_s: Floats) -> BurstMoments:
        """Energy and mean squares of the part of the burst inside windows [s] of any shape."""
        return burst_moments(
            window_s, frequency_hz=self.frequency_hz, length_s=self.length_s, q=self.q, sweep_hz=self.sweep_hz
        )
