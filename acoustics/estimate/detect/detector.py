"""Detection of bursts in noise of unknown level: thresholds for a stated rate of false alarms, and the events found."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtri, chndtr, fdtri

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.base.running import running_minimum
from acoustics.estimate.detect.matched_filter import Singles
from acoustics.estimate.detect.noise_level import looks_of_mean, recent_noise_power

# Of the channels' median noise, 30 dB: hydrophones differ by a few decibels, and an unplugged input hears the
# converter alone. A channel under it hears nothing; common practice, no source.
FAILED_SHARE = 1e-3
PAST_BURSTS = 4  # an onset looks back over three, and one more is the filter's own rise
# Independent ones: powers behind a filter as long as a burst are correlated by (1 - t / length)^2, 2/3 of a length.
_LOOKS_IN_A_BURST = 1.5
_NOISE_EVERY = 4  # outputs: those between are of the same samples and tell little more of the noise
_NOISE_MEMORY_S = 1.0  # long against a burst, short against a passing boat; its row is in benchmarks/constants.py
_RISE = 4.0  # 6 dB over what was heard just before: an onset, not the tail of an echo train
# 10 dB: no echo is stronger than what came before it by more than a hull's shadow takes from the direct sound.
_STRONGER = 10.0
# Of the repetition interval: within it of an onset only something far stronger can be a ping.
_DEAD_TIME = 0.5


def detection_threshold(false_alarm_probability: ArrayLike, n_channels: int, noise_looks: float = np.inf) -> Floats:
    """Threshold for twice the normalised power of a matched quadrature filter, summed over channels.

    Parameters
    ----------
    false_alarm_probability : array_like, shape (...)
        Of one look in noise alone, in (0, 1).
    n_channels : int
        Channels with independent Gaussian noise.
    noise_looks : float
        Independent looks at noise alone of which each channel's power, by which it is normalised, is the mean; over 0.

    Returns
    -------
    ndarray, shape (...)
        Quantile of chi-square with two degrees of freedom a channel: the envelope of each is Rayleigh. Of noise from
        few looks that of F, with twice the looks of all channels below, times two a channel: for one channel
        ``2 N (p^(-1/N) - 1)``, the constant false-alarm rate of averaged cells.

    Raises
    ------
    ParameterError
        A probability outside (0, 1), no channel or no look.

    References
    ----------
    Urick (1983), Principles of Underwater Sound, 3rd ed., ch. 12; Richards (2014), Fundamentals of Radar Signal
    Processing, 2nd ed., sec. 6.3 (non-coherent integration) and 6.5 (cell averaging; from memory).
    """
    p = np.asarray(false_alarm_probability, dtype=float)
    if not np.all((p > 0) & (p < 1)) or n_channels < 1 or not noise_looks > 0:
        raise ParameterError(
            f"false_alarm_probability={p.tolist()}, n_channels={n_channels}, noise_looks={noise_looks}: expected "
            "probabilities in (0, 1), at least one channel and looks above 0"
        )
    freedom = 2.0 * n_channels
    if not np.isfinite(noise_looks):
        return np.asarray(chdtri(freedom, p))
    return np.asarray(freedom / fdtri(freedom * noise_looks, freedom, p))  # the upper quantile of F, of small p as well


@cache
def _threshold(false_alarm_probability: float, n_channels: int, noise_looks: float) -> float:
    return float(detection_threshold(false_alarm_probability, n_channels, noise_looks))


def detection_probability(energy_ratio: ArrayLike, n_channels: int, false_alarm_probability: ArrayLike) -> Floats:
    """Probability that one look at a burst of known shape and unknown phase is over the threshold.

    Parameters
    ----------
    energy_ratio : array_like, shape (...)
        ``2 E / N0`` of each channel [1], 0 or more.
    n_channels : int
        Channels, with independent noise of known level.
    false_alarm_probability : array_like, shape (...)
        Of one look.

    Returns
    -------
    ndarray, shape (...)
        Generalised Marcum function ``Q_n(sqrt(n 2E/N0), sqrt(threshold))``: the upper tail of the noncentral
        chi-square distribution with 2 n degrees of freedom and noncentrality ``n 2E/N0``.

    Raises
    ------
    ParameterError
        As `detection_threshold`, or a negative ratio.

    References
    ----------
    Marcum (1960), IRE Transactions on Information Theory 6, 59-267; Van Trees (2001), Detection, Estimation, and
    Modulation Theory, Part I, sec. 4.4 (from memory).
    """
    ratio = np.asarray(energy_ratio, dtype=float)
    if not np.all(ratio >= 0):
        raise ParameterError(f"energy_ratio={ratio.tolist()}: expected 0 or more")
    threshold = detection_threshold(false_alarm_probability, n_channels)
    return np.asarray(1.0 - chndtr(threshold, 2.0 * n_channels, n_channels * ratio))


@record
class Event:
    """Something heard in a pinger's band.

    `first` and `peak_at` are the first hypothetical start over the threshold and the largest one shortly after, in
    samples of the recording; `power` is the largest value of the statistic, `threshold` what it had to exceed.
    """

    first: int
    peak_at: int
    power: float
    threshold: float


@dataclass
class BandDetector:
    """Events in one pinger's band, block after block, at a constant false-alarm rate.

    Attributes
    ----------
    step : int
        Samples of the recording between two outputs of the filter.
    looks_in_a_burst : int
        Outputs for each length of the burst.
    repetition : int
        Outputs for each repetition interval.
    memory : int
        Outputs by which the noise is measured, one of every four.
    false_alarm_probability : float
        Of one output.
    least_noise : float
        Power of the converter's own noise, once a burst has shown it: without one, samples may stand still.
    noise : ndarray, shape (n_channels,)
        Mean power of the recent noise in each channel.

    Notes
    -----
    The noise in each channel is that of the last second by `recent_noise_power`: an ordered-statistic constant
    false-alarm rate, of a higher threshold while a recording has told little of its noise. The echo train after an
    onset is suppressed: an onset must rise by 6 dB over what came just before it, and in the first half of the
    repetition interval only an event 10 dB stronger begins again.

    References
    ----------
    Rohling (1983), IEEE Transactions on Aerospace and Electronic Systems AES-19, 608-621.
    """

    step: int
    looks_in_a_burst: int
    repetition: int
    memory: int
    false_alarm_probability: float
    least_noise: float = 0.0
    n_working: int = 1
    noise: Floats = field(default_factory=lambda: np.zeros(0))
    _recent: Singles | None = None
    _quiet: Floats = field(default_factory=lambda: np.zeros(0))
    _past: Floats | None = None
    _held: Event | None = None

    def hear(self, power: Singles, n_own: int) -> None:
        """Measure the noise anew. Call once a block, in order: its first `n_own` outputs join those of a second."""
        kept = power[:, :n_own:_NOISE_EVERY]
        self._recent = (
            kept if self._recent is None else np.concatenate([self._recent, kept], axis=-1)[:, -self.memory :]
        )
        self._quiet = recent_noise_power(self._recent)

    @property
    def noise_looks(self) -> float:
        """So many independent looks would tell the noise by their mean as well."""
        if self._recent is None:
            return np.inf
        return looks_of_mean(_LOOKS_IN_A_BURST * self._recent.shape[-1] * _NOISE_EVERY / self.looks_in_a_burst)

    def statistic(self, power: Singles) -> Floats:
        """Twice the power over the noise's, summed over the channels that have noise at all; shape (n_outputs,)."""
        self.noise = np.maximum(self._quiet, self.least_noise)
        working = self.noise > FAILED_SHARE * np.sort(self.noise)[len(power) // 2]
        self.n_working = max(int(working.sum()), 1)
        return np.asarray(np.divide(2.0, self.noise, out=np.zeros(len(power)), where=working) @ power)

    def with_past(self, statistic: Floats) -> Floats:
        """The statistic of a block, with its values of the last four bursts before it in front."""
        past = np.full(PAST_BURSTS * self.looks_in_a_burst, 2.0 * self.n_working) if self._past is None else self._past
        return np.concatenate([past, statistic])

    def events(self, statistic: Floats, floor: Floats, first_sample: int, n_own: int) -> list[Event]:
        """Onsets in a block.

        Parameters
        ----------
        statistic : ndarray, shape (n_outputs,)
            Of `statistic`.
        floor : ndarray, shape (n_outputs,)
            What other pingers can have leaked into this band.
        first_sample : int
            Of the recording, where the first output stands.
        n_own : int
            Outputs in which events may begin; the others only show how they go on.
        """
        lag = span = 3 * self.looks_in_a_burst // 2
        joined = self.with_past(statistic[:n_own])
        self._past = joined[n_own:]
        before = running_minimum(joined[len(joined) - n_own - lag - span :], span)[:n_own]
        threshold = np.maximum(_threshold(self.false_alarm_probability, self.n_working, self.noise_looks), floor)
        own = statistic[:n_own]
        over = np.flatnonzero((own > threshold[:n_own]) & (own > _RISE * before))
        found: list[Event] = []
        while len(over):
            event = self._event(statistic, threshold, int(over[0]), first_sample)
            new = self._is_new(event)
            if new:
                found.append(event)
                self._held = event
            over = over[over > over[0] + (3 if new else 2) * self.looks_in_a_burst]
        return found

    def _is_new(self, event: Event) -> bool:
        """Whether an onset is more than the echo train of the event before."""
        held = self._held
        if held is None or event.first - held.first >= _DEAD_TIME * self.repetition * self.step:
            return True
        return event.power > _STRONGER * held.power and event.first > held.peak_at

    def _event(self, statistic: Floats, threshold: Floats, k: int, first_sample: int) -> Event:
        part = statistic[k : k + 2 * self.looks_in_a_burst]
        peak = int(np.argmax(part))
        return Event(
            first_sample + k * self.step,
            first_sample + (k + peak) * self.step,
            float(part[peak]),
            float(threshold[k]),
        )


def band_detector(
    *, step: int, length_s: float, pri_s: float, sample_rate_hz: float, false_alarms_per_hour: float
) -> BandDetector:
    """A detector for a filter with so many samples between outputs; the rate of false alarms is an upper limit.

    Every output counts as a look of its own, though neighbours are correlated: the true rate is lower.
    """
    per_second = sample_rate_hz / step
    return BandDetector(
        step=step,
        looks_in_a_burst=max(int(np.ceil(length_s * per_second)), 1),
        repetition=int(pri_s * per_second),
        memory=max(int(_NOISE_MEMORY_S * per_second / _NOISE_EVERY), 1),
        false_alarm_probability=min(false_alarms_per_hour / (3600.0 * per_second), 0.1),
    )
