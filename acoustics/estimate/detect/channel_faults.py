"""Faults of channels that a recording shows by itself: failed, clipped, off centre, and wired wrongly."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats, array_rank
from acoustics.estimate.detect.detector import FAILED_SHARE

_LOUD_SHARE = 100.0  # 20 dB over the median: more than gains and places differ by; common practice, no source
# Equal samples at an extreme, in so many runs: a sine's own top holds two at any rate that hears the carrier, and noise
# of a count or two holds a third by chance now and then, seldom twice.
_FLAT_RUN, _FLAT_RUNS = 3, 2
_AT_THE_END = 0.999  # of full scale: files that hold fractions round
_LOUDEST_CYCLES = 10  # of a wave that is judged
# A third harmonic of 6 % is that of a sine cut off at 0.75 of its height; and so much over what lies beside it:
_THIRD_SHARE, _OVER_NEIGHBOURS = 0.06, 4.0
_CLEAR = 10.0  # 20 dB: a weaker carrier's harmonics lie in the noise
# Of the carrier's frequency: where beside the harmonic that is, and how far off carrier and harmonic at least.
_NEIGHBOURS, _APART = np.array([-0.6, -0.5, -0.4, -0.3, 0.3, 0.4, 0.5, 0.6]), 0.25
_OFF_CENTRE = 0.1  # of full scale: a tenth of the range lost, 1 dB; common practice, no source
_WHAT_IS_LEFT = {
    0: "at one place and observe nothing",
    1: "in a line, which tells front from back and up from down no longer",
    2: "in a plane, which has a mirror image on its other side",
    3: "in a volume, which has no mirror image",
}


def failed_channels(noise_density: Floats) -> NDArray[np.bool_]:
    """Channels, shape (n_channels,), whose noise is nothing, or 30 dB under the median of them all."""
    usual = float(np.median(noise_density[noise_density > 0])) if np.any(noise_density > 0) else np.inf
    return ~(noise_density > FAILED_SHARE * usual)


def noisy_channels(noise_density: Floats) -> NDArray[np.bool_]:
    """Channels, shape (n_channels,), whose noise is 20 dB over the median of them all."""
    working = noise_density[noise_density > 0]
    return noise_density > _LOUD_SHARE * (float(np.median(working)) if len(working) else np.inf)


def clipped_channels(volts: Floats, full_scale_v: float | None) -> NDArray[np.bool_]:
    """Channels whose samples stand at the ends of the converter's range or have flat tops.

    Parameters
    ----------
    volts : ndarray, shape (n_channels, n_samples)
        Samples about a ping.
    full_scale_v : float or None
        Voltage at the ends of the stored range, if known.

    Returns
    -------
    ndarray of bool, shape (n_channels,)
        Where two runs or more, of three or more equal samples, stand at the largest or smallest value; one run where
        that value is the end of the range.
    """
    clipped = np.zeros(len(volts), dtype=bool)
    for k, samples in enumerate(volts):
        for end in (samples.max(initial=0.0), samples.min(initial=0.0)):
            at_end = np.concatenate([[False], samples == end, [False]]).astype(np.int8)
            starts, stops = np.flatnonzero(np.diff(at_end) == 1), np.flatnonzero(np.diff(at_end) == -1)
            runs = int(np.sum(stops - starts >= _FLAT_RUN))
            at_full_scale = full_scale_v is not None and abs(end) >= _AT_THE_END * full_scale_v
            clipped[k] |= end != 0 and runs >= (1 if at_full_scale else _FLAT_RUNS)
    return clipped


def samples_at_the_ends(volts: Floats | NDArray[np.float32], full_scale_v: float | None) -> NDArray[np.int64]:
    """How many samples of each channel stand at the ends of the range, shape (n_channels,); 0 if that is unknown."""
    if full_scale_v is None:
        return np.zeros(len(volts), dtype=np.int64)
    return np.count_nonzero(np.abs(volts) >= _AT_THE_END * full_scale_v, axis=-1)


def flat_topped_channels(volts: Floats, sample_rate_hz: float, frequency_hz: float) -> NDArray[np.bool_]:
    """Channels whose wave is cut off before the converter, at no end of its range and by no equal samples.

    Parameters
    ----------
    volts : ndarray, shape (n_channels, n_samples)
        Samples about a ping.
    sample_rate_hz, frequency_hz : float
        Rate and carrier [Hz].

    Returns
    -------
    ndarray of bool, shape (n_channels,)
        Where, over the ten loudest cycles, the third harmonic, or what sampling makes of it, is over 6 % of the carrier
        and four times what lies beside it, the carrier ten times.

    Notes
    -----
    A sine cut off evenly at cos(a) of its height has the third harmonic ``(sin 2a - sin 4a / 2) / (3 pi)`` (by its
    Fourier integral). A filter after the cut that stops three times the carrier hides it; so does a rate of four times
    the carrier, which folds the harmonic onto the carrier itself.
    """
    n = int(_LOUDEST_CYCLES * sample_rate_hz / frequency_hz)
    third_hz, *beside_hz = _folded(3 * frequency_hz + np.append(0.0, _NEIGHBOURS) * frequency_hz, sample_rate_hz)
    apart_hz = _APART * frequency_hz
    beside_hz = [f for f in beside_hz if abs(f - third_hz) > apart_hz and abs(f - frequency_hz) > apart_hz]
    if volts.shape[-1] <= n or abs(third_hz - frequency_hz) < 0.5 * frequency_hz:
        return np.zeros(len(volts), dtype=bool)
    centred = volts - volts.mean(axis=-1, keepdims=True)
    energy = np.cumsum(centred**2, axis=-1)
    start = np.argmax(energy[:, n:] - energy[:, :-n], axis=-1)
    loudest = np.take_along_axis(centred, start[:, None] + np.arange(n), axis=-1) * np.hanning(n)
    looked_at = np.array([frequency_hz, third_hz, *beside_hz])
    waves = np.exp(-2j * np.pi / sample_rate_hz * np.outer(np.arange(n), looked_at))
    carrier, third, *beside = np.abs(loudest @ waves).T
    noise = np.median(beside, axis=0)
    return (carrier > _CLEAR * noise) & (third > _THIRD_SHARE * carrier) & (third > _OVER_NEIGHBOURS * noise)


def _folded(frequency_hz: Floats, sample_rate_hz: float) -> Floats:
    """Where sampling puts frequencies, from 0 to half of the rate [Hz]."""
    return np.abs(frequency_hz - sample_rate_hz * np.round(frequency_hz / sample_rate_hz))


def off_centre_channels(volts: Floats, full_scale_v: float | None) -> NDArray[np.bool_]:
    """Channels, shape (n_channels,), whose mean is over a tenth of the full scale, which it takes from the range."""
    if full_scale_v is None:
        return np.zeros(len(volts), dtype=bool)
    return np.abs(volts.mean(axis=-1)) > _OFF_CENTRE * full_scale_v


def what_is_left(hydrophones_m: Floats) -> str:
    """What the hydrophones that remain observe, in words for a flag."""
    rank = array_rank(hydrophones_m) if len(hydrophones_m) > 1 else 0
    return f"the other {len(hydrophones_m)} stand {_WHAT_IS_LEFT[rank]}"
