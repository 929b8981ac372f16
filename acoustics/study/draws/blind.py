"""What the vehicle's estimator, which knows nothing of the pool, measures of a ping with its echoes.

The bounds count the part of the burst before the first strong echo. The estimator cannot know where that part ends: it
uses at least two cycles, and more until the samples show an echo. So its noise is less than the bound's where echoes
come at once, and echoes inside its window shift what it measures. Both are worked out here by its own rules: short
segments with noise tell where its window ends, and the same segments without noise what the echoes do inside it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats, Pose
from acoustics.base.record import record
from acoustics.estimate.tdoa import Segment, TdoaMeasurement, channel_gain_sd, measure_tdoa
from acoustics.physics.build_up import cycle_choice_variance
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws.sampled import LEAD_CYCLES, SEARCH_CYCLES, Listeners, Sampled, by_channels_in_use

# Of the burst that is rendered at first: few windows are longer, and those are looked at again.
_FIRST_LOOK_CYCLES, _LONGER = 12.0, 4.0
_WINDOWS_AN_OCTAVE = 2.0  # windows this near each other are taken as one
_ABOUT_M = np.array([0.2, 0.2, 0.05])  # nobody keeps a place better, and echoes add in another phase at each


@record
class BlindPings:
    """Pings at m places as the estimator measures them with n hydrophones.

    Attributes
    ----------
    window_s : ndarray, shape (m,)
        Part of the burst that it uses [s]; similar ones are made alike.
    energy_ratio_2e_n0 : ndarray, shape (m,)
        Of the sound in it, echoes included, mean over the hydrophones [1].
    carrier_variance_s2, cycle_variance_s2 : ndarray, shape (m,)
        Of one arrival by noise and jitter: by the carrier's phase, and by the envelope as it counts in the choice of an
        integer [s^2].
    lasting_variance_s2 : ndarray, shape (m,)
        What the estimator adds to the first of these for echoes that its window may hide [s^2].
    carrier_shift_s, envelope_shift_s : ndarray, shape (m, n)
        What the echoes inside the window add to the arrival times, against the first hydrophone's, by the carrier
        within half a period and by the envelope [s].
    heard : ndarray of bool, shape (m, n)
        Whether direct sound reaches the hydrophone, loud enough to be used.
    answered : ndarray of bool, shape (m,)
        Whether the estimator measures delays at all.
    """

    window_s: Floats
    energy_ratio_2e_n0: Floats
    carrier_variance_s2: Floats
    cycle_variance_s2: Floats
    lasting_variance_s2: Floats
    carrier_shift_s: Floats
    envelope_shift_s: Floats
    heard: NDArray[np.bool_]
    answered: NDArray[np.bool_]

    def some(self, rows: NDArray[np.intp]) -> BlindPings:
        """The same of some of the pings."""
        return BlindPings(**{name: value[rows] for name, value in vars(self).items()})

    def averaged(self, count: int) -> BlindPings:
        """As if phases and build-ups of so many pings from each place were averaged: noise is new at each of them;
        echoes are not, and no number of pings lessens what they shift or may hide."""
        return replace(
            self,
            energy_ratio_2e_n0=self.energy_ratio_2e_n0 * count,
            carrier_variance_s2=self.carrier_variance_s2 / count,
            cycle_variance_s2=self.cycle_variance_s2 / count,
        )

    @classmethod
    def joined(cls, parts: Sequence[BlindPings]) -> BlindPings:
        """Pings one after the other."""
        return cls(**{name: np.concatenate([vars(part)[name] for part in parts]) for name in vars(parts[0])})


@record
class Listening:
    """Poses, batch shape (m,), at which a pinger that stands at `source_m` (3,) [m] is heard, and the generator of the
    noise that decides where windows end."""

    source_m: tuple[float, float, float]
    pose: Pose
    rng: np.random.Generator


def measure_blind(scene: Scene, pinger: Pinger, pose: Pose, rng: np.random.Generator) -> BlindPings:
    """Put one ping at each of many places through the estimator's window rule and its measurement.

    Parameters
    ----------
    scene : Scene
        For water, pool, array, recorder and noise.
    pinger : Pinger
        The source.
    pose : Pose
        Of the vehicle, batch shape (m,).
    rng : Generator
        Of the noise that decides where windows end.

    Returns
    -------
    BlindPings
        Mounting, skew and sound speed are as they should be; what they add is another matter.

    Raises
    ------
    ParameterError
        As `arrivals` does.
    """
    return measure_blind_each(scene, pinger, [Listening(pinger.position_m, pose, rng)])[0]


def measure_blind_each(scene: Scene, pinger: Pinger, listening: Sequence[Listening]) -> list[BlindPings]:
    """As `measure_blind` of the same pinger at each of several places, in less time: the estimator takes all pings at
    once, and each by itself."""
    at = [Listeners.of(scene, each.pose) for each in listening]
    of = np.repeat(np.arange(len(at)), [len(some.sites_m) for some in at])
    setting = _Setting(scene, pinger, listening, at, of)
    found = _Found.empty(len(of), len(scene.array.hydrophones))
    rows, looked = np.arange(len(of)), _FIRST_LOOK_CYCLES
    while len(rows):
        looked = min(looked, setting.whole_cycles)
        rows = setting.measure(rows, setting.heard(rows, looked), looked, found)
        looked *= _LONGER
    pings = setting.result(found)
    return [pings.some(np.flatnonzero(of == k)) for k in range(len(at))]


def places_about(scene: Scene, places_m: Floats, rng: np.random.Generator) -> Floats:
    """Places within 20 cm of given ones (n, 3) and 5 cm of their depth [m], the vehicle in the scene's attitude.

    Those that would put a hydrophone outside the water are the given ones.
    """
    places = places_m + rng.uniform(-1.0, 1.0, places_m.shape) * _ABOUT_M
    pose = scene.vehicle.pose_at(places, np.full(len(places), scene.vehicle.pose.heading))
    return np.where(
        np.all(scene.pool.contains(pose.to_site(scene.array.positions_m)), axis=-1)[:, None], places, places_m
    )


@dataclass
class _Found:
    """Filled as the looks go on."""

    window: Floats
    ratio: Floats
    variance: Floats
    lasting: Floats
    carrier: Floats
    envelope: Floats
    heard: NDArray[np.bool_]
    answered: NDArray[np.bool_]

    @classmethod
    def empty(cls, m: int, n: int) -> _Found:
        a, b, c, d = np.full((4, m), np.nan)
        e, f = np.zeros((2, m, n))
        return cls(a, b, c, d, e, f, np.zeros((m, n), dtype=bool), np.zeros(m, dtype=bool))


@record
class _Segments:
    """Samples of some pings, (m, n, samples), without noise and with it; when direct sound arrives [s], and whether it
    does, (m, n)."""

    clean: Floats
    noisy: Floats
    delay_s: Floats
    valid: NDArray[np.bool_]


@record
class _Setting(Sampled):
    """What stays the same over the looks; `of`, (m,): of which listening each ping is."""

    listening: Sequence[Listening]
    at: Sequence[Listeners]
    of: NDArray[np.intp]

    @property
    def lead_s(self) -> float:
        return LEAD_CYCLES / self.pinger.frequency_hz + self.travel_s

    @property
    def whole_cycles(self) -> float:
        """Of the carrier in the whole burst."""
        return self.pinger.length_s * self.pinger.frequency_hz

    def heard(self, rows: NDArray[np.intp], cycles: float) -> _Segments:
        """So much of the pings of some rows, those of one listening after those of the one before."""
        parts, first = [], np.searchsorted(self.of, np.arange(len(self.at)))
        listened_s = (cycles + SEARCH_CYCLES) / self.pinger.frequency_hz + self.travel_s
        for k, (each, at) in enumerate(zip(self.listening, self.at, strict=True)):
            own = rows[self.of[rows] == k] - first[k]
            if len(own):
                paths = self.paths(at, own, each.source_m, listened_s)
                samples = self.segments(paths, self.lead_s, listened_s, each.rng)
                parts.append((*samples, paths.delay_s[..., 0], paths.valid[..., 0]))
        return _Segments(*(np.concatenate(column) for column in zip(*parts, strict=True)))

    def measure(self, rows: NDArray[np.intp], segments: _Segments, cycles: float, found: _Found) -> NDArray[np.intp]:
        """Write down the pings whose window ends within so many cycles; the rows of the others are returned."""

        def onset(some: NDArray[np.intp], channels: NDArray[np.bool_]) -> TdoaMeasurement:
            return self._ask(segments.noisy[some][:, channels], channels, None, "onset")

        heard, longer = segments.valid.copy(), []
        for channels, some, first, fewer in by_channels_in_use(heard, onset):
            ended = (first.window_s * self.pinger.frequency_hz < cycles - 0.25) | (cycles >= self.whole_cycles)
            longer.append(some[~ended & ~fewer])
            ended &= ~fewer
            at = rows[some[ended]]
            found.answered[at] = first.ok[ended]
            found.window[at], found.ratio[at] = first.window_s[ended], first.energy_ratio[ended]
            delay_s = segments.delay_s[some[ended]][:, channels]
            heard_as = segments.clean[some[ended]][:, channels], segments.noisy[some[ended]][:, channels]
            self._measure_shifts(at, channels, *heard_as, delay_s - delay_s[:, :1], found)
        found.heard[rows] = heard
        left = rows[np.concatenate(longer)] if longer else rows[:0]
        return left[np.argsort(self.of[left], kind="stable")]

    def _measure_shifts(
        self,
        rows: NDArray[np.intp],
        channels: NDArray[np.bool_],
        clean: Floats,
        noisy: Floats,
        delay_s: Floats,
        found: _Found,
    ) -> None:
        """Write down what the echoes in the windows do, without noise wherever the burst is found without it."""
        if not len(rows):
            return
        ended = found.window[rows] * self.pinger.frequency_hz < self.whole_cycles - 0.25
        window_s = _middle_windows(found.window[rows], self.of[rows])
        measured = self._ask(clean, channels, window_s, "phase", ended)
        self._write(rows, channels, measured, delay_s, found)
        # Silence without noise is quieter than noise should be, and goes for the begin of a burst that an echo nearly
        # cancels. What the samples with noise told counts then; its noise is small beside such an echo.
        missed = np.flatnonzero(~measured.ok)
        if missed.size:
            again = self._ask(noisy[missed], channels, None, "phase")
            self._write(rows[missed], channels, again, delay_s[missed], found)
        found.window[rows] = window_s

    def _write(
        self,
        rows: NDArray[np.intp],
        channels: NDArray[np.bool_],
        measured: TdoaMeasurement,
        delay_s: Floats,
        found: _Found,
    ) -> None:
        period, at = 1 / self.pinger.frequency_hz, np.ix_(rows, np.flatnonzero(channels)[1:])
        shift = measured.tdoa.tdoa_s - delay_s[:, 1:]
        found.carrier[at] = np.nan_to_num(shift - period * np.round(shift / period))
        found.envelope[at] = np.nan_to_num(measured.envelope_delay_s - delay_s[:, 1:])
        variance = np.diagonal(measured.noise_covariance_s2, axis1=-2, axis2=-1).mean(axis=-1) / 2
        found.lasting[rows] = variance * measured.lasting_share
        # Of a loud ping the noise is lost in rounding beside the echoes: no less than the carrier's bound.
        least = 1.0 / (measured.energy_ratio * self.pinger.burst.carrier**2)
        found.variance[rows] = np.maximum(variance * (1.0 - measured.lasting_share), least)

    def _ask(
        self,
        pressure: Floats,
        channels: NDArray[np.bool_],
        window_s: Floats | None,
        method: str,
        ended: NDArray[np.bool_] | None = None,
    ) -> TdoaMeasurement:
        return measure_tdoa(
            Segment(pressure, self.rate_hz),
            self.pinger.burst,
            method=method,
            noise_density=self.noise_density,
            onset_s=self.lead_s,
            hydrophones_m=self.scene.array.positions_m[channels],
            sound_speed_m_s=self.scene.sound_speed_m_s,
            window_s=window_s,
            window_ended=ended,
            element_sd_m=self.scene.array.tolerances_m[channels],
            gain_sd=channel_gain_sd(self.scene.recorder.gain_sd_db),
        )

    def result(self, found: _Found) -> BlindPings:
        """What was found, with the variance by which the estimator chooses integers, and jitter."""
        burst, jitter = self.pinger.burst, self.scene.recorder.aperture_jitter_s**2
        window = np.nan_to_num(found.window)
        ratio = np.nan_to_num(found.ratio)
        choice = cycle_choice_variance(
            ratio, window, frequency_hz=burst.frequency_hz, length_s=burst.length_s, q=burst.q,
            sweep_hz=burst.sweep_hz, n_channels=found.heard.shape[-1],
        )  # fmt: skip
        answered = found.answered & np.isfinite(found.variance)
        return BlindPings(
            window_s=window,
            energy_ratio_2e_n0=ratio,
            carrier_variance_s2=np.where(answered, found.variance, np.inf) + jitter,
            cycle_variance_s2=np.where(answered, choice, np.inf) + jitter,
            lasting_variance_s2=np.where(answered, found.lasting, 0.0),
            carrier_shift_s=found.carrier,
            envelope_shift_s=found.envelope,
            heard=found.heard,
            answered=answered,
        )


def _middle_windows(window_s: Floats, of: NDArray[np.intp]) -> Floats:
    """For windows (m,) the middle one of those from the same place that are nearly as long."""
    near = windows_alike(window_s)
    middle = np.empty(len(window_s))
    for place, length in np.unique(np.stack([of, near], axis=-1), axis=0):
        those = (of == place) & (near == length)
        middle[those] = np.median(window_s[those])
    return middle


def windows_alike(window_s: Floats) -> Floats:
    """Numbers that are equal for windows that are taken as one."""
    return np.asarray(np.round(_WINDOWS_AN_OCTAVE * np.log2(np.maximum(window_s, 1e-9))))
