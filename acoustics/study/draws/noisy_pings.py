"""Pings with their echoes put through the vehicle's estimator as samples with noise.

Near the threshold an onset is now and then found whole cycles off (Richmond 2006, IEEE Transactions on Information
Theory 52, 2146-2164, on errors beyond the main lobe), and the window and the stated deviations go astray with it. What
integers a wide array then takes depends on the misfit of the samples at each channel: here the estimator is asked
itself, once for each draw.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Self

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats, Pose
from acoustics.base.record import record
from acoustics.estimate.detect import leading_edge
from acoustics.estimate.direction import NEAREST_M
from acoustics.estimate.tdoa import IntegerAlternatives, Segment, TdoaMeasurement, channel_gain_sd, measure_tdoa
from acoustics.propagate.arrivals import Arrivals
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws.listener import VECTORS, Listener, Told, Vectors
from acoustics.study.draws.sampled import LEAD_CYCLES, SEARCH_CYCLES, Listeners, Sampled, by_channels_in_use
from acoustics.study.draws.told_positions import BlindBearings, with_positions

_STEPS_AN_OCTAVE = 1.0  # stated variances this near each other are taken as one
_QUIET_S = 2e-3  # of noise before the burst, as `locate` looks at
_NUMBERS_AT_ONCE = 1_500_000  # samples rendered together


def hear_with_noise(
    scene: Scene, pinger: Pinger, pose: Pose, *, draws: int, rng: np.random.Generator, attitude_sd: Floats
) -> BlindBearings:
    """Draw noise, mounting, skew and sound speed for pings, and put each draw through the estimators whole.

    Parameters
    ----------
    scene, pinger : Scene, Pinger
        As `measure_blind` takes them.
    pose : Pose
        Of the vehicle, batch shape (m,).
    draws : int
        For each place.
    rng : Generator
        Source of randomness.
    attitude_sd : ndarray, shape (3,)
        Of roll, pitch and heading [rad].

    Returns
    -------
    BlindBearings
        Shape (m, draws).
    """
    parts = told_with_noise(scene, pinger, pose, draws=draws, rng=rng, attitude_sd=attitude_sd)
    return with_positions(parts, (len(pose.to_body(np.zeros((1, 3)))), draws))


def told_with_noise(
    scene: Scene, pinger: Pinger, pose: Pose, *, draws: int, rng: np.random.Generator, attitude_sd: Floats
) -> list[tuple[NDArray[np.intp], Told]]:
    """What is told of those draws: numbers, ping after ping, and what, for such as are much alike.

    Echoes are those of the nominal array: what moves a hydrophone by millimetres shifts them as it does the direct
    sound.
    """
    sources = np.repeat(pose.to_body(np.array(pinger.position_m)[None])[:, 0], draws, axis=0)
    every = np.ones(len(scene.array.hydrophones), dtype=bool)
    whole = Listener(scene, pinger, every, attitude_sd)
    times, turn = whole.arrival_times(sources, rng)
    setting = _Setting(scene, pinger, Listeners.of(scene, pose))
    place, shift_s = np.repeat(np.arange(len(sources) // draws), draws), times - whole.nominal_times(sources)
    at_once = max(1, _NUMBERS_AT_ONCE // setting.numbers)
    heard = [
        one
        for low in range(0, len(sources), at_once)
        for one in _heard(setting, np.arange(low, min(low + at_once, len(sources))), place, shift_s, rng)
    ]
    parts = []
    for alike in _alike(heard):
        listener = Listener(scene, pinger, alike.channels, attitude_sd)
        vectors = alike.vectors(pinger.frequency_hz)
        parts.append((alike.rows, listener.told(vectors, sources[alike.rows], turn[alike.rows], rng)))
    return parts


@record
class _Setting(Sampled):
    """What is the same for all draws."""

    at: Listeners

    @property
    def listened_s(self) -> float:
        """From the direct sound on: the whole burst, at all hydrophones, and what a look at its end takes."""
        return self.pinger.length_s + SEARCH_CYCLES / self.pinger.frequency_hz + self.travel_s

    @property
    def lead_s(self) -> float:
        travel_s = self.listened_s - self.pinger.length_s
        return max(_QUIET_S, LEAD_CYCLES / self.pinger.frequency_hz) + travel_s

    @property
    def numbers(self) -> int:
        """Samples of one ping on all channels."""
        return int((self.lead_s + self.listened_s) * self.rate_hz) * len(self.scene.array.hydrophones)


@record
class _Heard:
    """Draws, rows (t,), that were answered by the same channels: delays (t, k) [s], their covariances (t, k, k),
    and what may have to be added to them."""

    rows: NDArray[np.intp]
    channels: NDArray[np.bool_]
    delay_s: Floats
    covariance_s2: Floats
    alternatives: IntegerAlternatives

    @classmethod
    def of(
        cls, rows: NDArray[np.intp], channels: NDArray[np.bool_], measured: TdoaMeasurement, some: NDArray[np.bool_]
    ) -> Self:
        """Those of some of the draws that were measured."""
        assert measured.alternatives is not None
        covariance_s2 = measured.tdoa.covariance_s2[some]
        return cls(rows[some], channels, measured.tdoa.tdoa_s[some], covariance_s2, measured.alternatives.of(some))

    def some(self, rows: NDArray[np.bool_]) -> _Heard:
        """Some of the draws."""
        return _Heard(
            self.rows[rows], self.channels, self.delay_s[rows], self.covariance_s2[rows], self.alternatives.of(rows)
        )

    def vectors(self, frequency_hz: float) -> Vectors:
        """The delays with each vector of integers, of one covariance."""
        those = self.alternatives
        delay_s = self.delay_s[:, None] + those.cycles / frequency_hz
        return Vectors(delay_s, self.covariance_s2.mean(axis=0), those.weight, those.build_up_misfit)


def _alike(heard: Sequence[_Heard]) -> Iterator[_Heard]:
    """Draws that the same channels heard and whose stated variances are near each other."""
    by_channels: dict[bytes, list[_Heard]] = {}
    for one in heard:
        by_channels.setdefault(one.channels.tobytes(), []).append(one)
    for parts in by_channels.values():
        columns = zip(
            *((p.rows, p.delay_s, p.covariance_s2, *vars(p.alternatives).values()) for p in parts), strict=True
        )
        rows, delay_s, covariance_s2, *those = (np.concatenate(column) for column in columns)
        joined = _Heard(rows, parts[0].channels, delay_s, covariance_s2, IntegerAlternatives(*those))
        step = np.round(_STEPS_AN_OCTAVE * np.log2(np.trace(covariance_s2, axis1=-2, axis2=-1)))
        for size in np.unique(step):
            yield joined.some(step == size)


def _heard(
    setting: _Setting, rows: NDArray[np.intp], place: NDArray[np.intp], shift_s: Floats, rng: np.random.Generator
) -> Iterator[_Heard]:
    """Some of the draws, at places (t,) and of times that are off by shifts (t, n), as the estimator measures them."""
    at, which = np.unique(place[rows], return_inverse=True)
    there = setting.paths(setting.at, at, setting.pinger.position_m, setting.listened_s)
    paths = _moved(there, which, shift_s[rows])
    _, noisy = setting.segments(paths, setting.lead_s, setting.listened_s, rng)

    def ask(some: NDArray[np.intp], channels: NDArray[np.bool_]) -> TdoaMeasurement:
        return _ask(setting, noisy[some][:, channels], channels)

    for channels, some, measured, fewer in by_channels_in_use(paths.valid[..., 0].copy(), ask):
        yield _Heard.of(rows[some], channels, measured, measured.ok & ~fewer)


def _moved(paths: Arrivals, which: NDArray[np.intp], shift_s: Floats) -> Arrivals:
    """The paths of draws, later by the shifts of each hydrophone (t, n)."""
    return replace(
        paths,
        delay_s=paths.delay_s[which] + shift_s[..., None],
        amplitude=paths.amplitude[which],
        order=paths.order[which],
        valid=paths.valid[which],
    )


def _ask(setting: _Setting, noisy: Floats, channels: NDArray[np.bool_]) -> TdoaMeasurement:
    """As `locate` does, from the first guess on."""
    scene, pinger = setting.scene, setting.pinger
    density = np.full(channels.sum(), setting.noise_density)
    onset = [leading_edge(samples, setting.rate_hz, pinger.frequency_hz, density) for samples in noisy]
    return measure_tdoa(
        Segment(noisy, setting.rate_hz),
        pinger.burst,
        noise_density=setting.noise_density,
        onset_s=np.array(onset) / setting.rate_hz,
        hydrophones_m=scene.array.positions_m[channels],
        sound_speed_m_s=scene.sound_speed_m_s,
        skew_sd_s=scene.recorder.timing_sd_s(pinger.frequency_hz),
        element_sd_m=scene.array.tolerances_m[channels],
        gain_sd=channel_gain_sd(scene.recorder.gain_sd_db),
        sound_speed_sd_m_s=scene.sound_speed_sd_m_s,
        nearest_m=NEAREST_M,
        n_alternatives=VECTORS,
    )
