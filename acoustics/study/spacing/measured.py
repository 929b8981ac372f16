"""What the vehicle's own estimator measures with the array at a few scales, echoes inside its window included."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.accuracy.error_sizes import error_sizes_of
from acoustics.base.errors import SceneError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws import (
    ArrivalErrors,
    BlindPings,
    answered_all_round,
    measure_turned,
    simulate_bearings,
    with_hydrophones,
)

NEXT_TO_NOTHING = 1e-4  # of all deviations
_ROUNDS = 20  # in which pings of two spacings alternate


@record
class MeasuredScales:
    """Pings from all bearings of interest, in turn, at k spacings.

    Attributes
    ----------
    spacing_m : ndarray, shape (k,)
        Shortest baselines, ascending [m].
    pings : tuple of BlindPings
        Of each spacing and every bearing, as `answered_all_round` has them.
    """

    spacing_m: Floats
    pings: tuple[BlindPings, ...]

    @property
    def window_s(self) -> float:
        """Part of the burst that is used, median [s]."""
        return float(np.median(np.concatenate([one.window_s for one in self.pings])))

    @property
    def energy_ratio_2e_n0(self) -> float:
        """Of the sound in it, median [1]."""
        return float(np.median(np.concatenate([one.energy_ratio_2e_n0 for one in self.pings])))

    def around(self, spacing_m: float) -> BlindPings:
        """Rounds of pings of the two spacings about the given one, each as often as `between` weighs it."""
        place = float(self._place(np.array(spacing_m)))
        lower = min(int(place), max(len(self.pings) - 2, 0))
        upper = np.diff(np.floor((place - lower) * np.arange(_ROUNDS + 1) + 0.5)) > 0
        return BlindPings.joined([self.pings[lower + int(step)] for step in upper])

    def between(self, spacing_m: Floats, of: Callable[[BlindPings], ArrayLike]) -> Floats:
        """What `of` takes from the pings of a spacing, of any shape, at spacings of shape (n,)."""
        sides, weight = self.either_side(spacing_m)
        values = np.array([of(one) for one in self.pings])
        return np.einsum("ns,ns...->n...", weight, values[sides])

    def either_side(self, spacing_m: Floats) -> tuple[NDArray[np.intp], Floats]:
        """Numbers of the measured spacings next to given ones (n,), and how much each counts, both of shape (n, 2)."""
        place = self._place(spacing_m)
        lower = np.clip(place.astype(int), 0, max(len(self.pings) - 2, 0))
        part = place - lower
        return np.stack([lower, np.minimum(lower + 1, len(self.pings) - 1)], axis=-1), np.stack([1 - part, part], -1)

    def _place(self, spacing_m: Floats) -> Floats:
        """Between which of `spacing_m` spacings are, by their logarithms, counting from 0."""
        return np.asarray(np.interp(np.log(spacing_m), np.log(self.spacing_m), np.arange(len(self.spacing_m))))


def measured_scales(
    scene: Scene, pinger: Pinger, shape_m: Floats, bearings: Floats, spacing_m: Floats
) -> MeasuredScales:
    """Measure pings where the vehicle stands, turned so that the pinger is at each of some bearings.

    Parameters
    ----------
    scene, pinger
        With the vehicle at its place.
    shape_m : ndarray, shape (n, 3)
        The array for a shortest baseline of 1 m [m]; its origin is mounted where the scene's is.
    bearings : ndarray, shape (m,)
        [rad].
    spacing_m : ndarray, shape (k,)
        Spacings to measure at; those at which hydrophones would be outside the water are left out [m].

    Raises
    ------
    ParameterError
        If the array fits into the water at none of them.
    """
    rng = np.random.default_rng(scene.study.seed)
    kept, measured = [], []
    for spacing in spacing_m:
        scaled = with_hydrophones(scene, spacing * shape_m)
        pings = measure_turned(scaled, pinger, bearings, rng)
        if pings is None:
            continue
        kept.append(spacing)
        measured.append(answered_all_round(pings, bearings))
    if not kept:
        raise SceneError(
            f"vehicle.position_m: turned all round, the array does not stay in the water at "
            f"{list(scene.vehicle.position_m)}; move the vehicle"
        )
    return MeasuredScales(np.array(kept), tuple(measured))


def right_integer_errors(
    scene: Scene,
    pinger: Pinger,
    hydrophones_m: Floats,
    bearing: Floats,
    depression: float,
    variance_s2: float,
    *,
    part: float = 1.0,
    shift_s: float | Floats = 0.0,
) -> Floats:
    """Errors of drawn bearings, shape (n,) [rad], as `simulate_turned` has them but for the integers, which are known.

    Parameters
    ----------
    scene, pinger
        For sound speed, frequency, and the sizes of errors.
    hydrophones_m : ndarray, shape (n_hydrophones, 3)
        [m].
    bearing, depression : ndarray, shape (n,), and float
        [rad].
    variance_s2 : float
        Of one arrival by noise [s^2].
    part : float
        Of every standard deviation that is drawn; next to nothing leaves what they do to the first order.
    shift_s : float or ndarray, shape (n, n_hydrophones)
        What echoes add to the arrival times [s].
    """
    sizes = error_sizes_of(scene, pinger)
    drawn = replace(
        sizes,
        element_sd_m=part * np.asarray(sizes.element_sd_m),
        skew_sd_s=part * np.asarray(sizes.skew_sd_s),
        sound_speed_sd_m_s=part * sizes.sound_speed_sd_m_s,
    )
    return simulate_bearings(
        hydrophones_m,
        bearing,
        np.full(len(bearing), depression),
        scene.sound_speed_m_s,
        ArrivalErrors(part**2 * variance_s2, 0.0, drawn, shift_s, shift_s),
        pinger.frequency_hz,
        np.random.default_rng(scene.study.seed),
    ).error
