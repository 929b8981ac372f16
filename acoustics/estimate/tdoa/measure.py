"""Time differences of a ping from its samples, by any of the methods: the one way from samples to `Tdoa`."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.base.checks import checked
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.estimate.tdoa.build_up_misfit import OnsetMisfit
from acoustics.estimate.tdoa.differences import Tdoa
from acoustics.estimate.tdoa.direct_sound import DirectSound, Pings, fit_direct_sound
from acoustics.estimate.tdoa.integer_ambiguity import IntegerAlternatives
from acoustics.estimate.tdoa.methods import METHODS, Answer, KnownArray
from acoustics.estimate.tdoa.segment import Segment
from acoustics.estimate.tdoa.toa import heard_anywhere
from acoustics.physics.burst import Burst
from acoustics.physics.levels import amplitude_sd_from_level
from acoustics.physics.tdoa import difference_matrix

# 2 E / N0 of a channel, below which a delay by it means nothing;
# flat: halved or doubled, accuracy moves under 5 % (benchmarks/constants.py)
LEAST_ENERGY_RATIO = 10.0
# Relative deviation of the amplitude from channel to channel by sensitivity and range, however good the recorder
SENSITIVITY_SD = 0.05
# A channel hears nothing where the burst explains less than this, and far less than at the best channel.
_LEAST_HEARD, _LEAST_HEARD_SHARE = 20.0, 0.1
_CHUNK_NUMBERS = 300_000  # samples measured together; some hundred arrays of this size at most, under 300 MB

NOT_FINITE = "samples or noise density are not finite"
BELOW_THRESHOLD = "channel {} is below threshold: its noise density is 0 or it hears nothing of the burst"
TOO_WEAK = "the burst is too weak: 2E/N0 under 10 in the window"
NOT_NEAR = "a burst is heard, but not within four cycles of the first guess of its arrival"
NOT_HELD = "the burst's beginning is not inside the segment"
TOO_SHORT = "the window holds less than a cycle"
NO_PEAK = "the correlation has no peak"
_LONGEST_REASON = max(map(len, (NOT_FINITE, BELOW_THRESHOLD, TOO_WEAK, NOT_NEAR, NOT_HELD, TOO_SHORT, NO_PEAK)))


@record
class TdoaMeasurement:
    """Time differences of pings with what they rest on; batch shape (...).

    Parameters
    ----------
    delays : Tdoa
        Against the first channel, NaN where not ok. Their covariance holds noise and skew; not the errors of the
        hydrophones' positions or of the sound speed.
    envelope_delay_s : ndarray, shape (..., n_channels - 1)
        Delays by the onsets of the envelope alone [s].
    arrival_s : ndarray, shape (...)
        Direct sound at the first channel, by its envelope, on the recording's clock [s].
    window_s : ndarray, shape (...)
        How much of the burst was used [s].
    energy_ratio : ndarray, shape (...)
        2 E / N0 of the window, mean over the channels [1].
    integer_probability : ndarray, shape (...)
        Probability that every channel's cycle is right; 1 for the onset, which knows no cycles.
    ok : ndarray of bool, shape (...)
        Whether the delays may be used.
    reason : ndarray of str, shape (...)
        Why not; empty where ok.
    below_threshold : ndarray of bool, shape (..., n_channels)
        Channels that hear nothing of the burst, though others do.
    noise_covariance_s2 : ndarray, shape (..., n_channels - 1, n_channels - 1)
        Of the delays without the skew, which lasts as long as the recorder does [s^2].
    lasting_share : ndarray, shape (...)
        Of that covariance, what pings heard at one place have in common: the part of undetected echoes [1].
    alternatives : IntegerAlternatives or None
        The best vectors of integers, to be added to the delays; None for methods that compare none.
    envelope_covariance_s2 : ndarray, shape (..., n_channels - 1, n_channels - 1)
        Of `envelope_delay_s` [s^2].
    onsets : OnsetMisfit or None
        Of the pings laid out flat, to `tdoa`; None unless asked for, and for methods that compare no integers.
    """

    tdoa: Tdoa
    envelope_delay_s: Floats
    arrival_s: Floats
    window_s: Floats
    energy_ratio: Floats
    integer_probability: Floats
    ok: NDArray[np.bool_]
    reason: NDArray[np.str_]
    below_threshold: NDArray[np.bool_]
    noise_covariance_s2: Floats
    lasting_share: Floats
    alternatives: IntegerAlternatives | None
    envelope_covariance_s2: Floats
    onsets: OnsetMisfit | None

    def of(self, ping: int) -> TdoaMeasurement:
        """That of one ping, of a batch of shape (n,)."""
        own: dict[str, Any] = {name: value[ping] for name, value in vars(self).items() if isinstance(value, np.ndarray)}
        own["tdoa"] = Tdoa(self.tdoa.tdoa_s[ping], self.tdoa.covariance_s2[ping], self.tdoa.reference)
        own["alternatives"] = self.alternatives and self.alternatives.of(ping)
        own["onsets"] = self.onsets and self.onsets.of(slice(ping, ping + 1))
        return replace(self, **own)


def measure_tdoa(
    segment: Segment,
    burst: Burst,
    *,
    method: str = "phase",
    noise_density: ArrayLike,
    onset_s: ArrayLike,
    hydrophones_m: ArrayLike,
    sound_speed_m_s: ArrayLike,
    window_s: ArrayLike | None = None,
    window_ended: ArrayLike | None = None,
    skew_sd_s: float = 0.0,
    element_sd_m: ArrayLike = 0.0,
    gain_sd: float = SENSITIVITY_SD,
    sound_speed_sd_m_s: float = 0.0,
    nearest_m: float = np.inf,
    n_alternatives: int = 1,
    keep_onsets: bool = False,
) -> TdoaMeasurement:
    """Time differences between channels with their covariance, from the samples of one ping or of many.

    Parameters
    ----------
    segment : Segment
        Batch shape (...). It should begin some cycles before the burst.
    burst : Burst
        What the pinger sends.
    method : {"phase", "correlation", "phat", "onset"}
        Carrier phase with its cycles resolved; cross-correlation without or with phase transform; build-up of the
        envelope alone.
    noise_density : array_like, shape (..., n_channels), (n_channels,) or ()
        One-sided, in the segment's unit squared per Hz.
    onset_s : array_like, shape (...) or ()
        First guess of the arrival after the segment's first sample, within four cycles [s].
    hydrophones_m : array_like, shape (n_channels, 3)
        Positions [m].
    sound_speed_m_s : array_like, shape (...) or ()
        Sound speed [m/s].
    window_s : array_like, shape (...) or (), optional
        How much of the burst after its arrival to use [s]; None: until the samples show an echo.
    window_ended : array_like of bool, shape (...) or (), optional
        Whether it was an echo that ended the given window, so that it may hide others; None: it holds none.
    skew_sd_s : float
        Unknown skew of each channel [s].
    element_sd_m : array_like, shape () or (n_channels,)
        Standard deviation of each hydrophone's position along every axis [m]; only the search for cycles uses it.
    gain_sd : float
        Relative standard deviation of the amplitude between channels, by gain, sensitivity and range
        (`channel_gain_sd`).
    sound_speed_sd_m_s : float
        Standard deviation of the sound speed [m/s]; only the search for cycles uses it.
    nearest_m : float
        No source is nearer; the search for cycles bears with the curvature of its waves [m]. Infinity: plane waves.
    n_alternatives : int
        How many vectors of integers are returned, the best first.
    keep_onsets : bool
        Whether `onsets` is returned.

    Returns
    -------
    TdoaMeasurement
        Batch shape (...).

    Raises
    ------
    ParameterError
        For a shape or a value that is not accepted.
    """
    pings, array, speed, skew = _checked(
        segment, burst, method, noise_density, onset_s, hydrophones_m, sound_speed_m_s, skew_sd_s, element_sd_m, gain_sd
    )
    array = replace(
        array,
        sound_speed_sd_m_s=float(checked("sound_speed_sd_m_s", sound_speed_sd_m_s, minimum=0.0)),
        nearest_m=nearest_m,
        n_alternatives=n_alternatives,
        keep_onsets=keep_onsets and method == "phase",
    )
    batch, m = segment.pressure.shape[:-2], len(pings.pressure)
    window = ended = None
    if window_s is not None:
        window = _spread("window_s", checked("window_s", window_s, above=0.0), batch).reshape(m)
    if window_ended is not None:
        ended = _spread("window_ended", np.asarray(window_ended, dtype=bool), batch).reshape(m)
    out = _measured(pings, array, speed, method, (window, ended))
    return out.measurement(batch, begin_s=segment.start_s, skew_s=skew)


def channel_gain_sd(recorder_sd_db: float) -> float:
    """Relative standard deviation of the amplitude between channels whose recorder leaves so much of each gain unknown
    [dB], with what sensitivity and range add."""
    return float(np.hypot(SENSITIVITY_SD, amplitude_sd_from_level(recorder_sd_db)))


def _checked(
    segment: Segment,
    burst: Burst,
    method: str,
    noise_density: ArrayLike,
    onset_s: ArrayLike,
    hydrophones_m: ArrayLike,
    sound_speed_m_s: ArrayLike,
    skew_sd_s: float,
    element_sd_m: ArrayLike,
    gain_sd: float,
) -> tuple[Pings, KnownArray, Floats, float]:
    """Arguments of `measure_tdoa` flattened, once they fit each other; the last are each ping's sound speed and the
    skew."""
    if method not in METHODS:
        raise ParameterError(f"method={method!r}: expected one of {', '.join(METHODS)}")
    n, batch = segment.n_channels, segment.pressure.shape[:-2]
    hydrophones = checked("hydrophones_m", hydrophones_m)
    if hydrophones.shape != (n, 3):
        raise ParameterError(f"hydrophones_m has shape {hydrophones.shape}: expected ({n}, 3)")
    speed = checked("sound_speed_m_s", sound_speed_m_s, above=0.0)
    speed, each = _spread("sound_speed_m_s", speed, batch).reshape(-1), speed.ndim > 0
    skew = float(checked("skew_sd_s", skew_sd_s, minimum=0.0))
    if burst.frequency_hz >= segment.sample_rate_hz / 2:
        raise ParameterError(
            f"frequency_hz={burst.frequency_hz:g}: the sample rate of {segment.sample_rate_hz:g} Hz is under twice that"
        )
    mounting = _spread("element_sd_m", checked("element_sd_m", element_sd_m, minimum=0.0), (n,))
    density = _spread("noise_density", np.asarray(noise_density, dtype=float), (*batch, n))
    onset = _spread("onset_s", checked("onset_s", onset_s), batch)
    apart = np.linalg.norm(hydrophones[:, None] - hydrophones, axis=-1)
    pings = Pings(
        pressure=segment.pressure.reshape(-1, *segment.pressure.shape[-2:]),
        noise_density=density.reshape(-1, n),
        onset_s=onset.reshape(-1),
        sample_rate_hz=segment.sample_rate_hz,
        offset_s=np.asarray(segment.sampling_offset_s),
        travel_s=apart / (speed if each else speed[:1])[:, None, None],
        gain_sd=float(checked("gain_sd", gain_sd, minimum=0.0)),
    )
    known = KnownArray(burst, hydrophones, mounting, skew, pings.gain_sd, speed)
    return pings, known, speed, skew


def _spread(name: str, array: NDArray[Any], shape: tuple[int, ...]) -> NDArray[Any]:
    try:
        return np.broadcast_to(array, shape)
    except ValueError:
        raise ParameterError(f"{name} has shape {array.shape}: expected one that fits {shape}") from None


def _measured(
    pings: Pings, array: KnownArray, speed_m_s: Floats, method: str, given: tuple[NDArray[Any] | None, ...]
) -> _Table:
    """Answers of all pings, with window and what ended it where they are given, some pings at a time."""
    m, n, n_samples = pings.pressure.shape
    finite = np.isfinite(pings.pressure).all(axis=(-1, -2)) & np.isfinite(pings.noise_density).all(axis=-1)
    silent = (pings.noise_density <= 0) | (pings.pressure == 0).all(axis=-1)
    usable = np.flatnonzero(finite & ~silent.any(axis=-1))
    out = _Table.empty(m, n, array.n_alternatives, keep_onsets=array.keep_onsets)
    step = max(1, _CHUNK_NUMBERS // (n * n_samples))
    for i in range(0, len(usable), step):
        rows = usable[i : i + step]
        part = pings.some(rows)
        sound = fit_direct_sound(part, array.burst, *(None if of is None else of[rows] for of in given))
        answer = METHODS[method](sound, replace(array, sound_speed_m_s=speed_m_s[rows]))
        out.put(rows, part, sound, answer, burst=array.burst)
    for channel in reversed(range(n)):
        out.reason[silent[:, channel]] = BELOW_THRESHOLD.format(channel)
    out.reason[~finite] = NOT_FINITE
    out.below_threshold |= silent
    return out


@dataclass
class _Table:
    """Answers of all pings, filled a chunk at a time."""

    delay: Floats
    envelope_delay: Floats
    covariance: Floats
    arrival: Floats
    window: Floats
    energy_ratio: Floats
    probability: Floats
    lasting_share: Floats
    reason: NDArray[np.str_]
    below_threshold: NDArray[np.bool_]
    alternatives: IntegerAlternatives | None
    envelope_covariance: Floats
    onsets: OnsetMisfit | None

    @classmethod
    def empty(cls, m: int, n: int, n_alternatives: int, *, keep_onsets: bool) -> _Table:
        a, b, c, d = np.full((4, m), np.nan)
        pair = np.full((m, n - 1, n - 1), np.nan)
        none = IntegerAlternatives.none((m,), n_alternatives, n - 1)
        reason, below = np.full(m, "", dtype=f"<U{_LONGEST_REASON}"), np.zeros((m, n), dtype=bool)
        onsets = OnsetMisfit.none(m, n) if keep_onsets else None
        one = pair[..., 0]
        return cls(one.copy(), one.copy(), pair, a, b, c, d, np.zeros(m), reason, below, none, pair.copy(), onsets)

    def put(self, rows: NDArray[np.intp], pings: Pings, sound: DirectSound, answer: Answer, *, burst: Burst) -> None:
        """Write the answers of some rows, with what is wrong with them."""
        self.delay[rows], self.covariance[rows], self.probability[rows] = answer[:3]
        if answer.lasting_share is not None:
            self.lasting_share[rows] = answer.lasting_share
        if answer.alternatives is None:
            self.alternatives = None
        elif self.alternatives is not None:
            self.alternatives.put(rows, answer.alternatives)
        if self.onsets is not None and answer.onsets is not None:
            self.onsets.put(rows, answer.onsets)
        d = difference_matrix(sound.fit.onset_s.shape[-1])
        self.envelope_covariance[rows] = d @ sound.fit.onset_covariance_s2 @ d.T
        onset = sound.fit.onset_s + pings.onset_s[:, None]
        self.envelope_delay[rows] = onset[:, 1:] - onset[:, :1]
        ratio = sound.fit.energy_ratio.mean(axis=-1)
        self.arrival[rows], self.window[rows], self.energy_ratio[rows] = onset[:, 0], sound.window_s, ratio
        below_threshold = (sound.heard < _LEAST_HEARD) & (
            sound.heard < _LEAST_HEARD_SHARE * sound.heard.max(axis=-1, keepdims=True)
        )
        weak = ~(ratio >= LEAST_ENERGY_RATIO)
        elsewhere = np.zeros_like(weak)
        elsewhere[weak] = heard_anywhere(
            pings.pressure[weak],
            pings.sample_rate_hz,
            burst,
            noise_density=pings.noise_density[weak],
        )
        faults = {
            TOO_SHORT: sound.window_s < 1.0 / burst.frequency_hz,
            NOT_NEAR: elsewhere,
            TOO_WEAK: weak,
            **{BELOW_THRESHOLD.format(i): below_threshold[:, i] for i in range(below_threshold.shape[-1])},
            # After those below threshold: where a channel heard nothing, its onset may be anywhere.
            NOT_HELD: (onset.min(axis=-1) < 0) | (onset.max(axis=-1) + sound.window_s > pings.seconds),
            NO_PEAK: ~np.isfinite(self.covariance[rows]).all(axis=(-1, -2)),
        }
        self.below_threshold[rows] = below_threshold
        self.reason[rows] = np.select(list(faults.values()), list(faults), default="")

    def measurement(self, batch: tuple[int, ...], *, begin_s: Floats | float, skew_s: float) -> TdoaMeasurement:
        """The answers in the shape of a batch, of samples that begin at such a time, with the skew of the channels."""
        n = self.below_threshold.shape[-1]
        ok, d = self.reason == "", difference_matrix(n)
        return TdoaMeasurement(
            tdoa=Tdoa(
                np.where(ok[:, None], self.delay, np.nan).reshape(*batch, n - 1),
                (self.covariance + skew_s**2 * (d @ d.T)).reshape(*batch, n - 1, n - 1),
            ),
            envelope_delay_s=np.where(ok[:, None], self.envelope_delay, np.nan).reshape(*batch, n - 1),
            arrival_s=self.arrival.reshape(batch) + begin_s,
            window_s=self.window.reshape(batch),
            energy_ratio=self.energy_ratio.reshape(batch),
            integer_probability=self.probability.reshape(batch),
            ok=ok.reshape(batch),
            reason=self.reason.reshape(batch),
            below_threshold=self.below_threshold.reshape(*batch, n),
            noise_covariance_s2=self.covariance.reshape(*batch, n - 1, n - 1),
            lasting_share=self.lasting_share.reshape(batch),
            alternatives=None if self.alternatives is None else self.alternatives.shaped(batch),
            envelope_covariance_s2=self.envelope_covariance.reshape(*batch, n - 1, n - 1),
            onsets=self.onsets,
        )
