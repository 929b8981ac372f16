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
            at_full_scale = full_scale_v is not None and abs(end) >= 0.999 * full_scale_v
            clipped[k] |= end != 0 and runs >= (1 if at_full_scale else _FLAT_RUNS)
    return clipped


def off_centre_channels(volts: Floats, full_scale_v: float | None) -> NDArray[np.bool_]:
    """Channels, shape (n_channels,), whose mean is over a tenth of the full scale, which it takes from the range."""
    if full_scale_v is None:
        return np.zeros(len(volts), dtype=bool)
    return np.abs(volts.mean(axis=-1)) > _OFF_CENTRE * full_scale_v


def what_is_left(hydrophones_m: Floats) -> str:
    """What the hydrophones that remain observe, in words for a flag."""
    rank = array_rank(hydrophones_m) if len(hydrophones_m) > 1 else 0
    return f"the other {len(hydrophones_m)} stand {_WHAT_IS_LEFT[rank]}"
