"""What the bursts of a train are: frequency, length, build-up and level, from all channels and pings together."""

from __future__ import annotations

import numpy as np
import scipy
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.estimate.spectrum.build_up import LONGEST_STRETCH_S, measured_build_up
from acoustics.estimate.spectrum.bursts import BurstTrain

_MOST_PINGS = 16  # more make no number better that a scenario takes
_MARGIN_S = 2e-3  # kept before an event and after it
_LONGEST_S = 0.3  # of an event, echoes included; the burst itself is shorter
# Bands on either side of the carrier, of its frequency: the edges' energy lies in the narrow one, where less noise
# hides it; the wide one holds the build-up of a Q over 2.
_EDGE_BAND, _BUILD_UP_BAND = 0.2, 0.5
_ONSET_SHARE = 0.02  # of the largest power, 17 dB under the echoes' sum at worst, and so much over the noise:
_ONSET_OVER_NOISE = 8.0
_SHORTEST_CYCLES = 8.0  # of a burst: a shorter one has no end apart from its build-up
_END_SHARE = 0.25  # of the edges' energy, that their likeness at the burst's length must reach; 0.5 without noise
_STRONG_DB = 24.0  # over the noise; in weaker bursts noise alone looks like an end (tests/benchmarks/spectrum.py)
_CLEAREST = 1.6  # times as deep as the second
_SHORTEST_S = 1e-3  # that `find_bursts` tells apart
# The phase over such a lag, a share of the length, gives the frequency, undisturbed but where an echo comes in.
_LAG_SHARE, _LONGEST_LAG_S = 0.2, 0.8e-3


@record
class MeasuredBurst:
    """A train's bursts measured; NaN for what cannot be told.

    Attributes
    ----------
    frequency_hz : float
        Of the carrier, the middle of a sweep [Hz].
    length_s : float
        From the beginning to the end of the drive, however many echoes follow [s].
    q, q_sd : float
        Of the build-up ``1 - exp(-pi f t / Q)``, and its standard deviation [1].
    mean_square : ndarray, shape (n_channels,)
        Over the length, echoes in it included, the median over the pings; where the length is not known, over the
        time that the burst is heard [unit^2].
    direct_mean_square : ndarray, shape (n_channels,)
        Of the direct sound once built up [unit^2]; NaN where Q is.
    pri_s, pri_sd_s : float
        Interval from ping to ping, and the standard deviation of the pings about a steady clock [s].
    n_pings : int
        In the samples, whole or not.
    early_echo : bool
        An echo came while the burst built up: Q and the direct sound allow for one, and more may bend them.
    """

    frequency_hz: float
    length_s: float
    q: float
    q_sd: float
    mean_square: Floats
    direct_mean_square: Floats
    pri_s: float
    pri_sd_s: float
    n_pings: int
    early_echo: bool


def measure_bursts(samples: Floats, sample_rate_hz: float, train: BurstTrain) -> MeasuredBurst:
    """Measure a train that `find_bursts` found in the same samples, shape (n_channels, n_samples).

    Notes
    -----
    The length: a burst's edges are where its complex envelope changes. The envelope of direct sound and echoes is the
    burst's own convolved with the paths, so the autocorrelation of its derivative has, whatever the paths are, the
    opposite of the burst's end against its beginning at a lag of the length: its most negative value. The frequency
    is the median of the phase's slope over that length. For the build-up see `measured_build_up`. An echo of nearly
    the direct sound's strength and equally late in all pings may hide the length.
    """
    parts, starts = _segments(samples, sample_rate_hz, train)
    if not len(parts):
        nothing = np.full(len(samples), np.nan)
        return MeasuredBurst(
            train.frequency_hz, np.nan, np.nan, np.nan, nothing, nothing, np.nan, np.nan, len(train.time_s), False
        )
    envelope, _ = complex_envelope(parts, sample_rate_hz, train.frequency_hz, _EDGE_BAND)
    onset = _onsets(envelope, sample_rate_hz)
    # Once roughly, to turn the end of the burst against its beginning; then over the length.
    heard_s = max(float(np.median(train.length_s)) - _SHORTEST_S, _SHORTEST_S)
    rough = _from_onset(envelope, onset, min(int(heard_s * sample_rate_hz), envelope.shape[-1]))
    coarse = train.frequency_hz + off_carrier_hz(rough, sample_rate_hz)
    envelope, window = complex_envelope(parts, sample_rate_hz, coarse, _EDGE_BAND)
    strong = train.over_noise_db > _STRONG_DB
    length_s = _length_s(envelope, window, sample_rate_hz, _SHORTEST_CYCLES / coarse) if strong else float("nan")
    span = max(int((heard_s if np.isnan(length_s) else length_s) * sample_rate_hz), 2)
    burst = _from_onset(envelope, onset, span)
    frequency = coarse + off_carrier_hz(burst, sample_rate_hz)
    wide, window = complex_envelope(parts, sample_rate_hz, frequency, _BUILD_UP_BAND)
    onset = _onsets(wide, sample_rate_hz)
    each = _channel_onsets(wide, onset, sample_rate_hz)
    stretch_s = min(LONGEST_STRETCH_S, LONGEST_STRETCH_S if np.isnan(length_s) else length_s)
    silent = _before(sample_rate_hz)
    rise = measured_build_up(wide, each, sample_rate_hz, frequency, stretch_s, window, silent)
    mean_square = np.median(np.mean(np.abs(burst) ** 2, axis=-1), axis=0) / 2.0
    pri_s, pri_sd_s = _interval((starts + onset) / sample_rate_hz)
    return MeasuredBurst(
        frequency_hz=frequency,
        length_s=length_s,
        q=rise.q,
        q_sd=rise.q_sd,
        mean_square=mean_square,
        direct_mean_square=rise.mean_square,
        pri_s=pri_s,
        pri_sd_s=pri_sd_s,
        n_pings=len(train.time_s),
        early_echo=rise.early_echo,
    )


def _segments(samples: Floats, rate: float, train: BurstTrain) -> tuple[Floats, Floats]:
    """Samples about the bursts that lie wholly inside, shape (n_pings, n_channels, n), and their first indices."""
    from scipy import signal  # here, for it takes as long to load as the rest of a short command

    length = min(float(np.median(train.length_s)), _LONGEST_S) + 2 * _MARGIN_S
    n = int(length * rate)
    first = np.round((train.time_s - _MARGIN_S) * rate).astype(int)
    first = first[(first >= 0) & (first + n <= samples.shape[-1])]
    if len(first) > _MOST_PINGS:
        first = first[np.linspace(0, len(first) - 1, _MOST_PINGS).astype(int)]
    # Filters work in a circle: what stands at the end must not come up at the beginning.
    ends = signal.windows.tukey(n, _MARGIN_S / 2 * rate / n)
    return np.moveaxis(samples[:, first[:, None] + np.arange(n)], 0, 1) * ends, first


def complex_envelope(parts: Floats, rate: float, frequency_hz: float, share: float) -> tuple[np.ndarray, Floats]:
    """Analytic signal in a band about the carrier, turned to zero frequency, shape of `parts`, and the filter there.

    The band is flat for half of its width and falls to zero as a cosine. The filter's response has shape (n,), in
    the order of `fftfreq`, the carrier at zero.
    """
    n = parts.shape[-1]
    turned = parts * np.exp(-2j * np.pi * frequency_hz / rate * np.arange(n))
    off = np.abs(scipy.fft.fftfreq(n, 1.0 / rate)) / (share * frequency_hz)
    window = 0.5 * (1.0 + np.cos(np.pi * np.clip(2.0 * off - 1.0, 0.0, 1.0)))
    return scipy.fft.ifft(2.0 * scipy.fft.fft(turned, axis=-1) * window, axis=-1), window


def _before(rate: float) -> slice:
    """Samples of a segment before its ping, and after its taper."""
    return slice(int(_MARGIN_S / 4 * rate), int(_MARGIN_S * 3 / 4 * rate))


def _onsets(envelope: np.ndarray, rate: float) -> np.ndarray:
    """First index of each ping where the channels' power stands out of the noise before it."""
    return np.argmax(_stands_out(np.sum(np.abs(envelope) ** 2, axis=1), rate), axis=-1)


def _channel_onsets(envelope: np.ndarray, onset: np.ndarray, rate: float) -> np.ndarray:
    """The same of each ping and channel, which a wide array hears one after the other: none before the ping's own."""
    later = np.arange(envelope.shape[-1]) >= onset[:, None, None]
    return np.argmax(_stands_out(np.abs(envelope) ** 2, rate) & later, axis=-1)


def _stands_out(power: Floats, rate: float) -> NDArray[np.bool_]:
    noise = np.mean(power[..., _before(rate)], axis=-1)
    least = np.maximum(_ONSET_SHARE * power.max(axis=-1), _ONSET_OVER_NOISE * noise)
    return np.asarray(power > np.minimum(least, power.max(axis=-1) / 2)[..., None])


def _from_onset(envelope: np.ndarray, onset: np.ndarray, span: int) -> np.ndarray:
    """So many samples of each ping and channel from the onset on, zero after the segment's end."""
    index = onset[:, None] + np.arange(span)
    inside = index < envelope.shape[-1]
    return np.take_along_axis(envelope, np.where(inside, index, 0)[:, None, :], axis=-1) * inside[:, None, :]


def off_carrier_hz(burst: np.ndarray, sample_rate_hz: float) -> float:
    """How far from zero the frequency of complex envelopes lies: the weighted median of their phases' slopes [Hz].

    Parameters
    ----------
    burst : ndarray, shape (..., n_samples)
        Complex envelopes of one burst at any number of channels and pings, echoes in it included.
    sample_rate_hz : float
        Of the samples [Hz].

    Notes
    -----
    Each arrival of an echo turns the phase and leaves the frequency, which a spectrum's peak does not forgive. The
    lag over which the slope is taken grows fourfold, a fifth of the burst or 0.8 ms at last: the short ones say which
    turn of the phase is meant.
    """
    lag = max(int(min(_LAG_SHARE * burst.shape[-1], _LONGEST_LAG_S * sample_rate_hz)), 1)
    found = 0.0
    for part in (64, 16, 4, 1):
        step = max(lag // part, 1)
        turns = (burst[..., step:] * np.conj(burst[..., :-step])).ravel()
        turns = turns * np.exp(-2j * np.pi * found * step / sample_rate_hz)
        middle = turns.sum()
        angle = np.angle(turns * np.conj(middle))  # about the mean, so that none lies across the cut
        order = np.argsort(angle)
        weight = np.cumsum(np.abs(turns)[order])
        median = float(angle[order][np.searchsorted(weight, weight[-1] / 2)]) + float(np.angle(middle))
        found += median / (2 * np.pi * step) * sample_rate_hz
    return found


def _length_s(envelope: np.ndarray, window: Floats, rate: float, shortest_s: float) -> float:
    """Lag at which the burst's end answers its beginning [s]; NaN where nothing answers."""
    edges = np.diff(envelope, axis=-1)
    n = edges.shape[-1]
    size = scipy.fft.next_fast_len(2 * n)
    spectrum = np.sum(np.abs(scipy.fft.fft(edges, size, axis=-1)) ** 2, axis=(0, 1))
    likeness = np.real(scipy.fft.ifft(spectrum))[: n - int(_MARGIN_S * rate)]
    # What white noise, as loud as before the pings, would give of itself.
    slope = 2.0 * np.sin(np.pi * np.fft.fftfreq(len(window)))
    of_noise = np.real(scipy.fft.ifft((window * slope) ** 2))[: n // 2]
    before = edges[..., _before(rate)]
    likeness[: n // 2] -= np.sum(np.mean(np.abs(before) ** 2, axis=-1)) * n * of_noise / of_noise[0]
    least = max(int(shortest_s * rate), 2)
    k = least + int(np.argmin(likeness[least:-1]))
    elsewhere = np.abs(np.arange(len(likeness)) - k) > rate * shortest_s
    elsewhere[:least] = False
    second = -np.min(likeness, where=elsewhere, initial=0.0)
    if k <= least or -likeness[k] < max(_END_SHARE * likeness[0], _CLEAREST * second):
        return float("nan")
    below, middle, above = likeness[k - 1 : k + 2]
    shift = 0.5 * (below - above) / max(below - 2 * middle + above, 1e-300)
    return float((k + shift) / rate)


def _interval(times_s: Floats) -> tuple[float, float]:
    """Interval of a steady clock through the pings, some of which may be missing, and the deviation from it [s]."""
    if len(times_s) < 2:
        return float("nan"), float("nan")
    steps = np.diff(times_s)
    typical = float(np.median(steps[steps < 1.5 * steps.min()]))  # over the gaps where a ping is missing
    turns = np.round((times_s - times_s[0]) / typical)
    slope, start = np.polyfit(turns, times_s, 1)
    freedom = len(times_s) - 2
    spread = float(np.sqrt(np.sum((times_s - start - slope * turns) ** 2) / freedom)) if freedom else float("nan")
    return float(slope), spread
