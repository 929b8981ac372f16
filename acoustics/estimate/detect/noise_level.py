"""The level of the noise at each channel: its density before a burst, and its recent power behind a matched filter."""

from __future__ import annotations

import numpy as np
import scipy
from numpy.lib.stride_tricks import sliding_window_view

from acoustics.base.frames import Floats
from acoustics.estimate.detect.matched_filter import Singles
from acoustics.physics.noise import quantisation_noise_density

# Long enough to tell the carrier's band, a thirty-second of its frequency, from the rest; short enough that the samples
# before a ping hold several. Flat: halved or doubled, accuracy moves under 5 % (benchmarks/constants.py)
_SEGMENT_CYCLES = 32.0
_LEAST_SEGMENTS = 4  # a median over fewer is no better than a mean
_COMPARED = 1 << 14  # samples whose differences show the step of a converter, in a millisecond
_LOUDEST_OVER_NOISE = 1e10  # 100 dB: more than hydrophones and converters span
_QUANTILE = 0.25  # the lower quartile: what bursts and echoes that fill under half of the time leave alone


def band_noise_density(
    pressure: Floats | Singles, sample_rate_hz: float, frequency_hz: float, width_hz: float
) -> Floats | None:
    """One-sided noise density of each channel about a carrier, shape (n_channels,); None for too few samples.

    Parameters
    ----------
    pressure : ndarray, shape (n_channels, n_samples)
        Noise alone.
    sample_rate_hz, frequency_hz : float
        Rate and carrier [Hz].
    width_hz : float
        Of the band to average over [Hz].

    Notes
    -----
    Half-overlapping Hann-windowed periodograms (Welch 1967, IEEE Transactions on Audio and Electroacoustics 15,
    70-73), of each bin the median over time, so that a knock does not count, less its bias (Allen et al. 2012,
    Physical Review D 85, 122006, appendix B).
    """
    segment = scipy.fft.prev_fast_len(int(_SEGMENT_CYCLES * sample_rate_hz / frequency_hz), real=True)
    if pressure.shape[-1] < _LEAST_SEGMENTS * segment:
        return None
    # As signal.welch(average="median") does, but for the band alone: medians of all bins take most of its time, and
    # scipy.signal takes seconds to load.
    window = np.hanning(segment + 1)[:-1].astype(np.float32)
    frames = sliding_window_view(pressure.astype(np.float32), segment, axis=-1)[:, :: segment // 2]
    half = int(max(width_hz / 2.0 * segment / sample_rate_hz, 1.0))
    middle = round(frequency_hz * segment / sample_rate_hz)
    band = slice(max(middle - half, 1), min(middle + half, (segment - 1) // 2) + 1)  # one-sided: neither end
    spectrum = scipy.fft.rfft(frames * window, axis=-1)[..., band]
    power = (spectrum.real**2 + spectrum.imag**2) * (2.0 / (sample_rate_hz * np.sum(window**2)))
    return np.asarray(np.median(power, axis=1).mean(axis=-1) / median_bias(power.shape[1]))


def quantisation_density(volts: Floats | Singles, sample_rate_hz: float) -> float:
    """Noise density of the converters of a recorder, by the smallest difference of two samples [V^2/Hz].

    Water may be so quiet that samples without a burst are all zero: the burst still has the converter's noise.

    Parameters
    ----------
    volts : ndarray, shape (n_channels, n_samples)
        As recorded, of converters that are alike; floats without steps have next to no such noise [V].
    sample_rate_hz : float
        Rate [Hz].

    Returns
    -------
    float
        One-sided; 0 where nothing changes.
    """
    steps = np.diff(volts[:, :_COMPARED], axis=-1)
    if np.count_nonzero(steps) < _COMPARED // 4:  # else a part of the samples tells as much as all
        steps = np.diff(volts, axis=-1)
    volts = volts[:, : steps.shape[-1] + 1]
    changes = np.flatnonzero(steps)
    if not changes.size:
        return 0.0
    # Neighbours, and some samples whatever their places: those of a strong tone in silence are all far apart.
    some = np.diff(np.sort(volts[:, 1:].flat[changes[:: -(-changes.size // _COMPARED)]]))
    step = min(np.abs(steps.ravel()[changes]).min(), some[some > 0].min(initial=np.inf))
    # A converter of one bit has its full scale for a step.
    return float(quantisation_noise_density(step, 1, sample_rate_hz))


def median_bias(n_segments: int) -> float:
    """Median of so many periodograms of noise over their mean [1] (Allen et al. 2012, appendix B)."""
    even = 2.0 * np.arange(1, (n_segments - 1) // 2 + 1)
    return float(1.0 + np.sum(1.0 / (even + 1.0) - 1.0 / even))


def noise_power(powers: Singles) -> Floats:
    """Mean power of the noise under bursts, shape (n,), from powers of shape (n, n_times).

    Notes
    -----
    The lower quartile of the power, divided by that of the unit exponential: an ordered-statistic estimate (Rohling
    1983, IEEE Transactions on Aerospace and Electronic Systems AES-19, 608-621). Bursts and echoes raise it by 2 dB
    where they fill a third of the time, which they do in a recording of one ping, and by 5 dB where they fill 60 %.
    """
    rank = int(_QUANTILE * powers.shape[-1])
    return np.partition(powers, rank, axis=-1)[:, rank].astype(float) / -np.log1p(-_QUANTILE)


def looks_of_mean(n_looks: float) -> float:
    """How many looks at noise tell its mean power by their mean as well as `noise_power` does by so many.

    The quantile q of N exponentials has the variance ``q / ((1 - q) N)``, and what it is divided by is its mean,
    ``-ln(1 - q)`` (David & Nagaraja 2003, Order Statistics, 3rd ed., section 10.2): a quarter of the looks.
    """
    return n_looks * (1.0 - _QUANTILE) / _QUANTILE * float(np.log1p(-_QUANTILE)) ** 2


def recent_noise_power(powers: Singles) -> Floats:
    """Mean power of the noise behind a matched filter, shape (n_channels,), in the unit of `powers`.

    Parameters
    ----------
    powers : ndarray, shape (n_channels, n_outputs)
        Power of the filter's recent outputs, bursts included.
    """
    quiet = noise_power(powers)
    # Where a recording is quiet but for its bursts, all that remains is what single precision makes of them.
    return np.maximum(quiet, _LOUDEST_OVER_NOISE**-1 * powers.max(axis=-1))
