"""A scene's array scaled from a quarter of a wavelength to beyond the hull: bounds, predictions, rates, simulation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from acoustics.accuracy.ambiguity import LARGEST_DIMENSION, CycleAmbiguity, integer_ambiguity, mixture_bearing_rms
from acoustics.accuracy.bounds import bearing_bound
from acoustics.accuracy.error_sizes import error_sizes_of
from acoustics.accuracy.link_budget import LinkBudget, link_budget
from acoustics.base.errors import SceneError
from acoustics.base.frames import Floats, bearing_and_depression, principal_axes
from acoustics.base.intervals import BEARING_GUESS_SD, Interval, rate_interval, rms_interval
from acoustics.base.record import record
from acoustics.physics.timing_bounds import half_wavelength_m, lag_rounding_variance, onset_rounding_variance
from acoustics.propagate.multipath_free_window import multipath_free_windows, no_window
from acoustics.propagate.sight import heard_directly
from acoustics.scene.pinger import RATE_OVER_BAND, Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws import (
    ArrivalErrors,
    BearingTrials,
    TurnedPings,
    simulate_bearings,
    turned_poses,
    with_hydrophones,
)
from acoustics.study.spacing.measured import NEXT_TO_NOTHING, MeasuredScales, measured_scales, right_integer_errors
from acoustics.study.spacing.prediction import Prediction
from acoustics.study.spacing.work import Work

_SPACINGS = 61
MEASURED = 4  # spacings at which the estimator is asked; between them what it measures changes little
_BEARINGS = 24
# Wrong integers expected among the trials, from which on a simulation without any says little of them.
_EXPECTED = 0.05
_DRAWN, _DRAWS = 7, 150  # spacings, and draws at each bearing, that tell by how much errors exceed their bound
_SECTOR_OF_A_LINE = np.deg2rad(60.0)  # a line is blind along itself; teams use it within this of abeam


@record
class SimulatedBearings:
    """Simulation at a few spacings, each of shape (n_simulated,): bearing RMS [deg] and share of wrong cycles."""

    spacing_m: Floats
    trials: int
    rms_deg: tuple[Interval, ...]
    wrong_integer: tuple[Interval, ...]


@record
class Sweep:
    """What stays the same over the sweep.

    Attributes
    ----------
    scene : Scene
        The vehicle where it stands.
    pinger : Pinger
        One of the scene's.
    shape_m : ndarray, shape (n_hydrophones, 3)
        The array with a shortest baseline of 1 m [m].
    bearings : ndarray, shape (n_bearings,)
        Those that matter [rad].
    depression, range_m : float
        Of the pinger from the vehicle's origin [rad, m].
    window_s : float
        The multipath-free window there [s].
    link : LinkBudget
        That of the bounds, which end at the first strong echo.
    """

    scene: Scene
    pinger: Pinger
    shape_m: Floats
    bearings: Floats
    depression: float
    range_m: float
    window_s: float
    link: LinkBudget

    @classmethod
    def of(cls, scene: Scene, pinger: Pinger) -> Sweep:
        """Of the scene's array, heard where its vehicle stands.

        Raises
        ------
        ParameterError
            An array with too many hydrophones, too large for the hull or blind where it stands, or no sample rate of
            the study that leaves room for the band.
        """
        window = _window_s(scene, pinger)
        positions = scene.array.positions_m - np.array(scene.array.mount_m)
        source = scene.vehicle.pose.to_body([pinger.position_m])[0]
        distance = float(np.linalg.norm(source))
        sweep = cls(
            scene,
            pinger,
            positions / scene.array.baselines_m.min(),
            _bearings_of_interest(positions, scene.array.rank),
            float(bearing_and_depression(source)[1]),
            distance,
            window,
            link_budget(scene, pinger, distance, window_s=window),
        )
        if common_spacings([sweep])[0] > sweep.hull_limit_m * (1 + 1e-9):
            raise SceneError(
                "vehicle.hull_m: the array fits only with a shortest baseline under "
                f"{1e3 * sweep.hull_limit_m:.1f} mm, less than a quarter of a wavelength; choose another array or a "
                "larger hull"
            )
        if max(scene.study.sample_rates_hz) < pinger.least_sample_rate_hz:
            raise SceneError(
                f"study.sample_rates_hz: none reaches {pinger.least_sample_rate_hz:,.0f} Hz, {RATE_OVER_BAND:g} times "
                "the top of the band"
            )
        return sweep

    @cached_property
    def measured(self) -> MeasuredScales:
        """What the vehicle's own estimator measures, which knows nothing of the pool."""
        least = common_spacings([self])[0]
        spacings = np.geomspace(least, max(self.hull_limit_m, least), MEASURED)
        return measured_scales(self.scene, self.pinger, self.shape_m, self.bearings, spacings)

    @property
    def bearings_in_words(self) -> str:
        if self.scene.array.rank == 1:
            return f"bearings within {np.rad2deg(_SECTOR_OF_A_LINE):.0f} deg of abeam of the line"
        return "bearings all round"

    @property
    def half_wavelength_m(self) -> float:
        return float(half_wavelength_m(self.pinger.frequency_hz, self.scene.sound_speed_m_s))

    @property
    def free_spacing_m(self) -> float:
        """Half a wavelength at the top of the band: up to here phases tell the cycle, as `check` says."""
        return float(half_wavelength_m(self.pinger.band_hz[1], self.scene.sound_speed_m_s))

    @property
    def hull_limit_m(self) -> float:
        return self.scene.vehicle.largest_spacing_m(self.shape_m, 1.0)

    def bound_deg(self, spacing_m: Floats, variance_s2: ArrayLike, *, part: float = 1.0) -> Floats:
        """RMS over bearings of the bearing bound [deg] at spacings of shape (n,), for a variance of each arrival.

        Never above that of a guess. `part`: of that and of all other deviations.
        """
        return np.sqrt(np.mean(self._bounds_deg(spacing_m, variance_s2, part) ** 2, axis=-1))

    def _bounds_deg(self, spacing_m: Floats, variance_s2: ArrayLike, part: float = 1.0) -> Floats:
        """The same by bearing, shape (n, n_bearings)."""
        bound = bearing_bound(
            spacing_m[:, None, None, None] * self.shape_m,
            self.bearings,
            self.depression,
            self.scene.sound_speed_m_s,
            arrival_variance_s2=part**2 * np.asarray(variance_s2),
            element_sd_m=part * self.scene.array.tolerances_m,
            skew_sd_s=part * self.scene.recorder.timing_sd_s(self.pinger.frequency_hz),
            sound_speed_sd_m_s=part * self.scene.sound_speed_sd_m_s,
        )
        return np.rad2deg(np.minimum(bound.bearing_sd, BEARING_GUESS_SD))

    def predicted(self, spacing_m: Floats) -> Prediction:
        """What the vehicle's own estimator, which does not know what echoes shift at a bearing, will do."""
        noise = self._noise_variance_s2(spacing_m)[:, None, None]
        times = np.interp(np.log(spacing_m), *self._beyond_bound)[:, None]
        # Between two measured spacings the shifts of either count, as often as `MeasuredScales.around` takes them.
        weight = self.measured.either_side(spacing_m)[1]
        return Prediction.over(times * self._bounds_deg(spacing_m, noise), self._ambiguity(spacing_m), weight)

    def _noise_variance_s2(self, spacing_m: Floats) -> Floats:
        return self.measured.between(spacing_m, lambda pings: pings.carrier_variance_s2.mean())

    @cached_property
    def _beyond_bound(self) -> tuple[Floats, Floats]:
        """Logarithms of spacings, and how many times the bound drawn bearings err there with the right integers.

        Echoes shift them. And where the error is many degrees a bearing does not follow the delays in proportion: a
        line's is read off the end of its cone, a nearly flat volume's may come to lie on its other side. The same draws
        are taken at all spacings, and with next to no noise at the widest, so that their own luck cancels against what
        they say there.
        """
        swept = common_spacings([self])
        spacing = np.geomspace(swept[0], swept[-1], _DRAWN)
        times = np.array([self._drawn_over_bound(d) for d in spacing])
        return np.log(spacing), times / self._drawn_over_bound(spacing[-1], part=NEXT_TO_NOTHING, echoes=False)

    def _drawn_over_bound(self, spacing_m: float, *, part: float = 1.0, echoes: bool = True) -> float:
        """How many times the bound bearings err, drawn with a part of every deviation and the right integers."""
        variance = float(self._noise_variance_s2(np.array([spacing_m]))[0])
        bearing, shift = np.tile(self.bearings, _DRAWS), self.measured.around(spacing_m).carrier_shift_s
        drawn = right_integer_errors(
            self.scene,
            self.pinger,
            spacing_m * self.shape_m,
            bearing,
            self.depression,
            variance,
            part=part,
            shift_s=np.resize(shift, (len(bearing), len(self.shape_m))) if echoes else 0.0,
        )
        bound_deg = self.bound_deg(np.array([spacing_m]), variance, part=part)[0]
        return float(np.rad2deg(np.sqrt(np.mean(drawn**2))) / bound_deg)

    def _ambiguity(self, spacing_m: Floats) -> CycleAmbiguity:
        """By spacing (n,), the two measured ones on either side of it, and bearing."""
        measured = self.measured
        sides = measured.either_side(spacing_m)[0]
        carrier_shift, envelope_shift = (
            np.array([getattr(one, name) for one in measured.pings])[sides]
            for name in ("carrier_shift_s", "envelope_shift_s")
        )
        envelope = measured.between(spacing_m, lambda pings: pings.cycle_variance_s2.mean())
        sizes = error_sizes_of(self.scene, self.pinger)
        return integer_ambiguity(
            spacing_m[:, None, None, None, None] * self.shape_m,
            self.bearings,
            self.depression,
            self.scene.sound_speed_m_s,
            frequency_hz=self.pinger.frequency_hz,
            carrier_variance_s2=self._noise_variance_s2(spacing_m)[:, None, None, None],
            envelope_variance_s2=envelope[:, None, None, None],
            common_variance_s2=sizes.channel_variance_s2(self.scene.sound_speed_m_s),
            carrier_shift_s=carrier_shift,
            envelope_shift_s=envelope_shift,
        )

    def by_rate(self, spacing_m: Floats, sample_rate_hz: float) -> tuple[Floats, Floats, Floats]:
        """Bounds [deg] at one sample rate: phase interpolated, correlation lag rounded, onset rounded.

        Infinite where the rate does not reach twice the band: the recording is then aliased.
        """
        if sample_rate_hz <= 2 * self.pinger.band_hz[1]:
            none = np.full(len(spacing_m), np.inf)
            return none, none, none
        recorder = self.scene.recorder.model_copy(update={"sample_rate_hz": sample_rate_hz})
        link = link_budget(
            self.scene.model_copy(update={"recorder": recorder}),
            self.pinger,
            self.range_m,
            window_s=self.window_s,
        )
        # Rounding variances are of a delay difference: half of each belongs to either arrival.
        lag = link.carrier_variance_s2 + lag_rounding_variance(sample_rate_hz) / 2
        onset = link.envelope_variance_s2 + onset_rounding_variance(sample_rate_hz) / 2
        return (
            self.bound_deg(spacing_m, link.carrier_variance_s2),
            self.bound_deg(spacing_m, lag),
            self.bound_deg(spacing_m, onset),
        )

    def simulate(
        self, spacing_m: Floats, predicted: Prediction, trials: int, seed: int, work: Work
    ) -> SimulatedBearings:
        """Bearings at a few spacings, beside what is predicted, from delays as the vehicle's own estimator measures
        them, its echoes included, the directions those of the bounds in turn.

        Where wrong integers are predicted, trials that hold none or few do not tell how few there are: the RMS's
        interval then reaches as far as as many as the share's interval allows would take it, each off as predicted.
        """
        bearing = np.resize(self.bearings, trials)
        rms, wrong = [], []
        for k, child in enumerate(np.random.SeedSequence(seed).spawn(len(spacing_m))):
            rng = np.random.default_rng(child)
            result = self.draw(spacing_m[k], bearing, rng)
            error = rms_interval(np.rad2deg(result.error), rng)
            share = rate_interval(int(result.wrong_integer.sum()), trials)
            if predicted.wrong[k] * trials > _EXPECTED and not result.wrong_integer.all():
                right = np.sqrt(np.mean(np.rad2deg(result.error[~result.wrong_integer]) ** 2))
                most = mixture_bearing_rms(right, share.high, predicted.wrong_deg[k])
                error = replace(error, high=float(np.fmax(error.high, most)))
            rms.append(error)
            wrong.append(share)
            work.did(trials)
        return SimulatedBearings(spacing_m, trials, tuple(rms), tuple(wrong))

    def draw(self, spacing_m: float, bearing: Floats, rng: np.random.Generator) -> BearingTrials:
        """Bearings of pings from given ones (trials,) [rad] as they are predicted: by the likeliest integers alone, the
        pinger known to be far."""
        pings = self.measured.around(spacing_m)
        ping = np.resize(np.arange(len(pings.window_s)), len(bearing))
        errors = ArrivalErrors(
            float(np.mean(pings.carrier_variance_s2)),
            float(np.mean(pings.cycle_variance_s2)),
            error_sizes_of(self.scene, self.pinger),
            pings.carrier_shift_s[ping],
            pings.envelope_shift_s[ping],
        )
        depression, speed = np.full(len(bearing), self.depression), self.scene.sound_speed_m_s
        return simulate_bearings(
            spacing_m * self.shape_m, bearing, depression, speed, errors, self.pinger.frequency_hz, rng
        )

    def turned(self, spacing_m: float) -> TurnedPings:
        """Pings of the array at a spacing from all bearings, for the vehicle's own estimators."""
        pings = self.measured.around(spacing_m)
        place = np.resize(np.arange(len(self.bearings)), len(pings.window_s))
        pose = turned_poses(self.scene, self.pinger, self.bearings[place])
        return TurnedPings(with_hydrophones(self.scene, spacing_m * self.shape_m), self.pinger, pose, pings, place)


def common_spacings(sweeps: Sequence[Sweep]) -> Floats:
    """Spacings from a quarter of the shortest wavelength to beyond the hull, all limits among them [m]."""
    halves, hull = [sweep.half_wavelength_m for sweep in sweeps], sweeps[0].hull_limit_m
    least, most = min(halves), max(halves)
    swept = np.geomspace(least / 2, 1.5 * max(hull, 2 * most), _SPACINGS)
    return np.unique(np.concatenate([swept, halves, [hull] if hull >= least / 2 else []]))


def _window_s(scene: Scene, pinger: Pinger) -> float:
    """The multipath-free window [s] where the vehicle stands; refuses arrays and places that have nothing to sweep."""
    count = len(scene.array.hydrophones)
    if count > LARGEST_DIMENSION + 1:
        raise SceneError(
            f"array: the search over cycles takes up to {LARGEST_DIMENSION + 1} hydrophones, this array has {count}"
        )
    window = float(multipath_free_windows(scene, pinger, np.array(scene.vehicle.position_m)[None])[0])
    hydrophones = scene.vehicle.pose.to_site(scene.array.positions_m)
    heard, why = heard_directly(scene, hydrophones, pinger.position_m, frequency_hz=pinger.frequency_hz)
    if not heard.any():
        raise SceneError(
            f"vehicle.position_m: {pinger.name} is not in sight from {list(scene.vehicle.position_m)}: {why}; put "
            "the vehicle where it sees the pinger"
        )
    if window == 0:
        raise no_window(pinger)
    return window


def _bearings_of_interest(positions_m: Floats, rank: int) -> Floats:
    """All round; for a line, the sectors within 60 degrees of abeam of it [rad]."""
    if rank > 1:
        return np.arange(_BEARINGS) * 2 * np.pi / _BEARINGS
    abeam = bearing_and_depression(principal_axes(positions_m)[0])[0] + np.pi / 2
    half = np.linspace(-_SECTOR_OF_A_LINE, _SECTOR_OF_A_LINE, _BEARINGS // 2)
    return np.concatenate([abeam + half, abeam + np.pi + half])
