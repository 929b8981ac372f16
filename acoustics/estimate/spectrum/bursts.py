"""Bursts of any frequency in samples: what stands out of the noise for a short while, and comes again."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import scipy
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.special import gammainccinv

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.estimate.detect import Singles, noise_power, quantisation_density

_SEGMENT_S = 1e-3  # about the shortest burst; longer ones fill several
_FALSE_ALARMS = 1e-3  # of the whole recording, if its noise were Gaussian
_MARGIN = 4.0  # 6 dB over that: real noise is not; common practice, no source
_LOWEST_BIN = 4  # below, the window's lobe about zero
_KNOCK_SHARE = 0.25  # of all bins within 10 dB of the loudest at once: a knock, not a burst
_SPLATTER = 10**-2.5  # of a louder event at the same time: the edges of its burst
_SAME_BINS = 0.75  # events of one pinger differ by less in frequency
_WEAKEST = 10**-1.2  # of the strongest of its frequency: weaker ones are late echoes
_DEAD_TIME_S = 0.05  # no pinger repeats so fast, and what comes so soon is an echo
_MOST_EVENTS = 2000


@record
class BurstTrain:
    """Bursts at one frequency, as a rule a pinger's.

    Attributes
    ----------
    frequency_hz : float
        To a fraction of a kilohertz [Hz].
    time_s, length_s : ndarray, shape (n,)
        When each stood out of the noise from, and how long, echoes included, to about a millisecond [s].
    over_noise_db : float
        Power of the strongest over the noise in a band of 1 kHz or so [dB].
    """

    frequency_hz: float
    time_s: Floats
    length_s: Floats
    over_noise_db: float


def find_bursts(samples: Floats | Singles, sample_rate_hz: float, *, overlap: bool = True) -> tuple[BurstTrain, ...]:
    """Trains of bursts, the loudest first; a single one is a train of one.

    Parameters
    ----------
    samples : ndarray, shape (n_channels, n_samples)
        In any unit; channels count by their power over their own noise.
    sample_rate_hz : float
        Of each channel [Hz].
    overlap : bool
        Whether segments overlap by half; without, bursts of a millisecond may lose 6 dB, in half of the time.

    Raises
    ------
    ParameterError
        If there are too few samples to tell noise from bursts.

    Notes
    -----
    Periodograms of a millisecond, divided by the noise of channel and bin (an ordered-statistic
    estimate, Rohling 1983, see `estimate.detect`); in noise their mean over the channels is gamma-distributed.
    Neighbouring cells over the threshold are one event; those of one frequency are one train.
    """
    segment = 1 << round(np.log2(_SEGMENT_S * sample_rate_hz))
    if samples.shape[-1] < 8 * segment:
        raise ParameterError(f"samples: {samples.shape[-1]} a channel are too few to tell bursts from noise")
    n_channels = len(samples)
    step = segment // 2 if overlap else segment
    least = quantisation_density(samples, sample_rate_hz) * sample_rate_hz / 2
    ratio = _over_noise(samples[0], segment, step, least)
    for channel in samples[1:]:
        ratio += _over_noise(channel, segment, step, least)
    ratio /= n_channels
    threshold = _MARGIN * gammainccinv(n_channels, _FALSE_ALARMS / ratio.size) / n_channels
    hits = ratio > threshold
    if not hits.any():
        return ()
    labels: NDArray[np.int32] = scipy.ndimage.label(hits, structure=np.ones((3, 3)))[0]
    at = _peaks(ratio, hits, labels)
    frames = np.array([(box[1].start, box[1].stop) for box in scipy.ndimage.find_objects(labels)])
    events = np.column_stack([_refined_bin(ratio, at), frames, ratio[at[:, 0], at[:, 1]]])
    width = np.count_nonzero(ratio[:, at[:, 1]] > events[:, 3] / 10.0, axis=0)
    events = events[(width < _KNOCK_SHARE * len(ratio)) & (at[:, 0] >= _LOWEST_BIN)]
    events = _without_splatter(events[np.argsort(-events[:, 3])][:_MOST_EVENTS])
    step_s = step / sample_rate_hz
    return tuple(_train(of_one, sample_rate_hz / segment, step_s) for of_one in _by_frequency(events, step_s))


def _peaks(ratio: Floats, hits: NDArray[np.bool_], labels: NDArray[np.int32]) -> NDArray[np.intp]:
    """Where each label is largest, shape (n_labels, 2); ndimage.maximum_position also sorts what has no label."""
    at = np.argwhere(hits)
    label = labels[hits]
    order = np.lexsort((ratio[hits], label))
    return at[order[np.searchsorted(label[order], np.arange(1, label.max() + 1), side="right") - 1]]


def _over_noise(channel: Floats | Singles, segment: int, step: int, least: float) -> Floats:
    """Power over that of the noise, shape (n_bins, n_frames), whose samples have a mean square of `least` at least."""
    # As signal.spectrogram does, in half of its time: `locate` looks at every block.
    frames = sliding_window_view(channel.astype(np.float32), segment)[::step]
    window = np.hanning(segment + 1)[:-1].astype(np.float32)
    spectrum = scipy.fft.rfft(frames * window, axis=-1)
    power = (spectrum.real**2 + spectrum.imag**2).T
    # Where nothing at all was heard between bursts, rounding is what remains.
    floor = max(least * float(window @ window), float(power.max()) * 1e-12, float(np.finfo(np.float32).tiny))
    return power / np.maximum(noise_power(power), floor)[:, None]


def _refined_bin(ratio: Floats, at: NDArray[np.intp]) -> Floats:
    """Frequency of each peak in bins, by a parabola through the logarithms of its neighbours."""
    k = np.clip(at[:, 0], 1, len(ratio) - 2)
    below, middle, above = (np.log(np.maximum(ratio[k + d, at[:, 1]], 1e-300)) for d in (-1, 0, 1))
    curve = below - 2 * middle + above
    shift = np.where(curve < 0, 0.5 * (below - above) / np.where(curve < 0, curve, 1.0), 0.0)
    return k + np.clip(shift, -0.5, 0.5)


def _without_splatter(events: Floats) -> Floats:
    """Events, strongest first, without those that a far louder one explains at the same time."""
    begin, end, power = events[:, 1], events[:, 2], events[:, 3]
    meet = (begin[:, None] <= end) & (end[:, None] >= begin)
    return events[~np.any(meet & (power[:, None] < _SPLATTER * power), axis=1)]


def _by_frequency(events: Floats, step_s: float) -> Iterator[Floats]:
    """Events of one frequency after another, the strongest first, echoes left out."""
    while len(events):
        of_one = np.abs(events[:, 0] - events[0, 0]) < _SAME_BINS
        loud = events[of_one & (events[:, 3] > _WEAKEST * events[0, 3])]
        events = events[~of_one]
        near = np.abs(loud[:, 1][:, None] - loud[:, 1]) < _DEAD_TIME_S / step_s
        stronger = np.tri(len(loud), k=-1, dtype=bool)  # those before it in the order of strength
        # The direct sound may be the weaker part, and stand apart from its echoes.
        loud[:, 1] = np.min(np.where(near, loud[:, 1], np.inf), axis=1)
        yield loud[~np.any(near & stronger, axis=1)]


def _train(events: Floats, spacing_hz: float, step_s: float) -> BurstTrain:
    order = np.argsort(events[:, 1])
    frequency = float(np.average(events[:, 0], weights=events[:, 3])) * spacing_hz
    begin, end = events[order, 1], events[order, 2]
    return BurstTrain(frequency, (begin + 0.5) * step_s, (end - begin) * step_s, float(10 * np.log10(events[0, 3])))
