"""Noise density of every channel, from samples that hold bursts as well, and the steady tones that stand out of it."""

from __future__ import annotations

import numpy as np
import scipy

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.estimate.detect import median_bias, quantisation_density

# Long segments part a tone from the noise; so many of them at least are needed for a median over time.
_SEGMENT_S = 0.12
_LEAST_SEGMENTS = 8
_SHORTEST = 64  # samples of a segment
_BACKGROUND_BINS = 101  # under a tone: the median of so many bins around it
_LEAST_OVER_BACKGROUND = 4.0  # 6 dB; and so many standard deviations of a bin in noise alone:
_DEVIATIONS = 6.0
_LOBE = 2  # bins on either side of a tone that hold its power, by a Hann window
_MOST_TONES = 32  # as many as a scenario takes
_FIRST_BAND = 30  # third-octave bands from 1 kHz, by their number in IEC 61260-1


@record
class NoiseSpectrum:
    """One-sided densities from segments of the whole recording.

    Attributes
    ----------
    frequency_hz : ndarray, shape (n_bins,)
        Of the bins [Hz].
    density : ndarray, shape (n_channels, n_bins)
        Median over time, less its bias in noise: what bursts and knocks leave alone; no less than `converter_density`
        [unit^2/Hz].
    converter_density : float
        Of the converters, by the steps of the samples: what is below it a recording does not show [unit^2/Hz].
    n_segments : int
        The median's.
    """

    frequency_hz: Floats
    density: Floats
    converter_density: float
    n_segments: int


@record
class SteadyTone:
    """A tone that lasts: its frequency [Hz], and its mean square at each channel, shape (n_channels,) [unit^2]."""

    frequency_hz: float
    mean_square: Floats


def noise_spectrum(samples: Floats, sample_rate_hz: float) -> NoiseSpectrum:
    """Noise density of each channel, bursts and knocks left out as far as they fill less than half of the time.

    Parameters
    ----------
    samples : ndarray, shape (n_channels, n_samples)
        In any unit.
    sample_rate_hz : float
        Of each channel [Hz].

    Raises
    ------
    ParameterError
        If there are too few samples for a median over time.

    Notes
    -----
    Half-overlapping Hann-windowed periodograms (Welch 1967, IEEE Transactions on Audio and Electroacoustics 15,
    70-73), of each bin the median over time less its bias (Allen et al. 2012, Physical Review D 85, 122006,
    appendix B).
    """
    from scipy import signal  # here, for it takes as long to load as the rest of a short command

    longest = min(_SEGMENT_S * sample_rate_hz, 2 * samples.shape[-1] / (_LEAST_SEGMENTS + 1))
    if longest < _SHORTEST:
        raise ParameterError(f"samples: {samples.shape[-1]} a channel are too few for a spectrum")
    segment = 1 << int(np.log2(longest))
    channels = [
        signal.welch(channel, sample_rate_hz, "hann", nperseg=segment, detrend="constant", average="median")
        for channel in samples
    ]
    least = quantisation_density(samples, sample_rate_hz)
    density = np.maximum([of_channel for _, of_channel in channels], least)
    return NoiseSpectrum(channels[0][0], density, least, 2 * samples.shape[-1] // segment - 1)


def band_densities(noise: NoiseSpectrum) -> tuple[Floats, Floats]:
    """Density in third-octave bands from 1 kHz, tones left out by the median over a band's bins.

    Returns
    -------
    centre_hz : ndarray, shape (n_bands,)
        Exact middles, base ten (IEC 61260-1:2014, 5.4) [Hz].
    density : ndarray, shape (n_channels, n_bands)
        [unit^2/Hz].
    """
    top = noise.frequency_hz[-1]
    centres = 10.0 ** (np.arange(_FIRST_BAND, int(10 * np.log10(top)) + 1) / 10)
    centres = centres[centres * 10**0.05 <= top]
    edges = np.searchsorted(noise.frequency_hz, np.append(centres * 10**-0.05, centres[-1:] * 10**0.05))
    parts = [np.median(noise.density[:, a : max(b, a + 1)], axis=-1) for a, b in zip(edges, edges[1:], strict=False)]
    return centres, np.array(parts).reshape(len(centres), len(noise.density)).T


def steady_tones(noise: NoiseSpectrum) -> tuple[SteadyTone, ...]:
    """Tones that stand out of the noise around them for most of the time, in the order of frequency, 32 at most.

    Notes
    -----
    The frequency by the two largest amplitudes of a Hann-windowed spectrum (Grandke 1983, IEEE Transactions on
    Instrumentation and Measurement IM-32, 350-355). In noise alone the median of n periodograms deviates by
    ``1 / sqrt(n)``, about: 6 of these, and 6 dB at least, make a tone.
    """
    from scipy import signal  # here, for it takes as long to load as the rest of a short command

    # The bias belongs to noise: a tone's periodograms are alike.
    power = noise.density * median_bias(noise.n_segments)
    together = power.mean(axis=0)
    background = scipy.ndimage.median_filter(together, _BACKGROUND_BINS, mode="nearest")
    deviation = 1.0 / np.sqrt(noise.n_segments * len(power))
    least = max(_LEAST_OVER_BACKGROUND, 1.0 + _DEVIATIONS * deviation)
    found, _ = signal.find_peaks(together / np.maximum(background, 1e-300), height=least, distance=2 * _LOBE)
    found = found[(found > 2 * _LOBE) & (found < len(together) - 2 * _LOBE)]
    strongest = np.sort(found[np.argsort(-together[found])[:_MOST_TONES]])
    spacing = float(noise.frequency_hz[1])
    under = scipy.ndimage.median_filter(power, (1, _BACKGROUND_BINS), mode="nearest")
    tones = []
    for k in strongest:
        side = 1 if together[k + 1] > together[k - 1] else -1
        ratio = np.sqrt(together[k + side] / together[k])
        offset = side * np.clip((2 * ratio - 1) / (ratio + 1), 0.0, 0.5)
        lobe = slice(k - _LOBE, k + _LOBE + 1)
        mean_square = np.maximum(np.sum(power[:, lobe] - under[:, lobe], axis=-1), 0.0) * spacing
        tones.append(SteadyTone(float((k + offset) * spacing), mean_square))
    return tuple(tones)
