"""Time differences by generalised cross-correlation, with and without the phase transform, to a fraction of a
sample."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.estimate.tdoa.segment import AlignedSegments
from acoustics.physics.burst import Burst, Complexes

# Of the lags that are tried: with 4 or 8 the last of them may lie so far inside the longest possible lag that the peak
# next to it is missed; from 16 on no accuracy moves (benchmarks/constants.py)
_STEPS_PER_CYCLE = 16
_NEWTON_STEPS = 5  # flat: halved or doubled, accuracy moves under 5 % (benchmarks/constants.py)
# By which noise may carry a delay beyond the longest possible;
# flat: halved or doubled, accuracy moves under 5 % (benchmarks/constants.py)
_MARGIN_CYCLES = 0.125
# By the onsets, then by the delays that this gave; flat: halved or doubled, accuracy moves under 5 %
# (benchmarks/constants.py)
_GATINGS = 2
# Of the gate before the onset; halved or doubled, only single wild answers move (benchmarks/constants.py)
_LEAD_CYCLES = 1.0


def correlation_delays(
    aligned: AlignedSegments, burst: Burst, onset_s: Floats, *, window_s: Floats, travel_s: Floats, whiten: bool
) -> tuple[Floats, Floats]:
    """Time differences against the first channel, shape (m, n - 1), and their covariance, shape (m, n - 1, n - 1).

    Parameters
    ----------
    aligned : AlignedSegments
        Samples of m pings.
    burst : Burst
        Its band is the one that is correlated.
    onset_s : ndarray, shape (m, n)
        Of the envelope. Each channel is gated from a cycle before to `window_s` after the burst begins, so that
        the gates take the same part of the burst out of every channel.
    window_s : ndarray, shape (m,)
        Length of the gate after the onset [s].
    travel_s : ndarray, shape (n,)
        Longest possible delay of each channel against the first [s].
    whiten : bool
        Phase transform: every frequency of the band weighs the same, as loud as it may be.

    Notes
    -----
    The correlation of the sampled, band-limited signals is known at every lag, not only at whole samples: its
    highest point on a grid of a sixteenth of a cycle is brought to the maximum by Newton's method. A parabola
    through samples would be biased. The covariance is that of small errors, from the noise through the weights
    that this very ping gave to each sample.

    References
    ----------
    Knapp and Carter (1976), IEEE Trans. ASSP 24, 320-327 (generalised correlation and its variance).
    """
    interval = float(aligned.time_s[0, 0, 1] - aligned.time_s[0, 0, 0])
    length = 1 << int(np.ceil(np.log2(2 * aligned.samples.shape[-1])))
    frequency: Floats = np.fft.rfftfreq(length, interval).astype(float, copy=False)
    # Each ping's band is its own: what else is measured with it must not change its answer.
    inside = _band(burst, window_s, frequency)
    bins = inside.any(axis=0)
    inside = inside[:, None, bins]
    omega = 2.0 * np.pi * frequency[bins]
    first = aligned.time_s[..., :1]
    delay = onset_s[:, 1:] - onset_s[:, :1]
    for _ in range(_GATINGS):
        # Gates that lie apart as the delays do; their place in common is the mean of all onsets.
        relative = np.concatenate([np.zeros((len(delay), 1)), delay], axis=-1)
        begins = (onset_s - relative).mean(axis=-1, keepdims=True) + relative
        since = aligned.time_s - begins[..., None]
        # Half samples at the ends: the gates fall differently between the samples of each channel.
        gate = np.clip((window_s[:, None, None] - since) / interval + 0.5, 0.0, 1.0) * aligned.held
        gate *= since >= -_LEAD_CYCLES / burst.frequency_hz
        spectrum = np.fft.rfft(aligned.samples * gate, length, axis=-1)[..., bins] * np.exp(-1j * omega * first)
        size = np.maximum(np.abs(spectrum), 1e-9)
        weight = inside * (np.ones_like(size[:, 1:]) if whiten else size[:, 1:] * size[:, :1])
        cross = weight * (spectrum[:, 1:] / size[:, 1:]) * np.conj(spectrum[:, :1] / size[:, :1])
        delay = _highest(cross, omega, travel_s[1:], burst.frequency_hz)
    turned = cross * np.exp(1j * omega * delay[..., None])
    curvature = (omega**2 * turned.real).sum(axis=-1)
    curvature = np.where(curvature > 0, curvature, np.nan)

    def noise_weights(channel: Complexes, sizes: Floats, times: Floats, gates: Floats) -> Floats:
        """What a unit of noise in each sample adds to the delays, shape (m, n - 1, n_samples)."""
        slopes = np.zeros((*weight.shape[:-1], length // 2 + 1), dtype=complex)
        # Im sum(a exp(-i w t)) over the band, by the inverse transform of the conjugate.
        slopes[..., bins] = np.conj(omega * weight * np.conj(channel) / sizes**2 * np.exp(-1j * omega * times))
        back = np.fft.ifft(slopes, length, axis=-1)[..., : gates.shape[-1]] * length
        return -back.imag * gates / curvature[..., None]

    own = noise_weights(spectrum[:, 1:], size[:, 1:], first[:, 1:], gate[:, 1:])
    shared = noise_weights(spectrum[:, :1], size[:, :1], first[:, :1], gate[:, :1])
    covariance = shared @ np.swapaxes(shared, -1, -2)
    diagonal = np.arange(delay.shape[-1])
    covariance[:, diagonal, diagonal] += np.einsum("mil,mil->mi", own, own)
    return delay, covariance


def _highest(cross: Complexes, omega: Floats, travel_s: Floats, frequency_hz: float) -> Floats:
    """Lags (m, n - 1) at which the correlations of cross spectra (m, n - 1, n_bins) are highest [s]."""
    delay = np.empty(cross.shape[:2])
    for i, longest in enumerate(travel_s):
        # Steps that divide the cycle treat its peaks alike. None beyond the longest lag: within half a wavelength
        # there is then one peak, not two.
        reach = int(longest * frequency_hz * _STEPS_PER_CYCLE)
        lags = np.arange(-reach, reach + 1) / (frequency_hz * _STEPS_PER_CYCLE)
        delay[:, i] = lags[np.argmax((cross[:, i] @ np.exp(1j * omega[:, None] * lags)).real, axis=-1)]
    limit = 0.25 / frequency_hz
    for _ in range(_NEWTON_STEPS):
        turned = cross * np.exp(1j * omega * delay[..., None])
        curvature = (omega**2 * turned.real).sum(axis=-1)
        step = -(omega * turned.imag).sum(axis=-1) / np.where(curvature > 0, curvature, np.inf)
        delay = delay + np.clip(step, -limit, limit)
        # Not up another peak, which lies beyond what the distance allows.
        farthest = travel_s + _MARGIN_CYCLES / frequency_hz
        delay = np.clip(delay, -farthest, farthest)
    return delay


def _band(burst: Burst, window_s: Floats, frequencies_hz: Floats) -> NDArray[np.bool_]:
    """Which frequencies (n,) each burst, cut off at the end of its window (m,), occupies, shape (m, n)."""
    half = np.maximum(burst.frequency_hz / burst.q, 1.0 / window_s) + abs(burst.sweep_hz) / 2.0
    half = np.minimum(half, 0.9 * burst.frequency_hz)
    # A bin at the very edge is inside however its frequency was rounded.
    return np.abs(frequencies_hz - burst.frequency_hz) <= half[:, None] * (1.0 + 1e-9)
