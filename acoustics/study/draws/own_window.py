"""How well the vehicle's own estimator times an arrival anywhere, from pings that are measured at some places."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.accuracy.link_budget import LinkBudget, link_budget
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.estimate.tdoa import LEAST_CYCLES, LEAST_ENERGY_RATIO
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws.blind import BlindPings

_NODES = 4  # lengths of the window between which is interpolated: as many as 40 pings hold apart


@record
class OwnArrivals:
    """What the estimator's own window, and the echoes in it, make of the link budget of the multipath-free one.

    The free window, but two cycles at least and the burst at most, is where theory would begin; how much more the
    estimator uses depends on its length. So everything is told by that length, shape (k,) each.

    Attributes
    ----------
    log_window : ndarray
        Logarithm of that length in seconds, ascending.
    energy, carrier, cycle : ndarray
        What the energy ratio and the two variances of an arrival's noise are times those of it [1].
    carrier_shift_s2, envelope_shift_s2 : ndarray
        Mean square of what echoes add to an arrival by carrier and envelope, that of the others taken off [s^2].
    """

    log_window: Floats
    energy: Floats
    carrier: Floats
    cycle: Floats
    carrier_shift_s2: Floats
    envelope_shift_s2: Floats

    def link(
        self, scene: Scene, pinger: Pinger, range_m: ArrayLike, window_s: ArrayLike, *, pings: int = 1
    ) -> LinkBudget:
        """The link of `pings` heard at one place, shape (...): noise of its own window, and the shift by echoes in it.

        Parameters
        ----------
        scene, pinger, range_m
            As `link_budget` takes them.
        window_s : array_like, shape (...)
            The multipath-free window [s].
        pings : int
            Noise is new at each of them; the shift is the same, since the vehicle keeps its place.

        Returns
        -------
        LinkBudget
            Its envelope's variance is that of the free window. Infinite variances where the estimator would refuse.
        """
        theory, log_window = _theory(scene, pinger, range_m, window_s)

        def at(values: Floats) -> Floats:
            return np.interp(log_window, self.log_window, values)

        energy = theory.energy_ratio_2e_n0 * at(self.energy)
        carrier = theory.carrier_variance_s2 * at(self.carrier) / pings + at(self.carrier_shift_s2)
        cycle = theory.cycle_variance_s2 * at(self.cycle) + at(self.envelope_shift_s2)
        heard = (energy >= LEAST_ENERGY_RATIO) & (np.asarray(window_s) > 0)
        return replace(
            theory,
            energy_ratio_2e_n0=energy,
            carrier_variance_s2=np.where(heard, carrier, np.inf),
            cycle_variance_s2=np.where(heard, cycle, np.inf),
        )


def own_arrivals(
    scene: Scene, pinger: Pinger, pings: BlindPings, range_m: ArrayLike, window_s: ArrayLike
) -> OwnArrivals:
    """Learn from pings at m places, shape (m,), with their ranges [m] and multipath-free windows [s].

    Where none of them is answered the link budget stays what it is.
    """
    rows = np.flatnonzero(
        pings.answered & np.isfinite(pings.carrier_variance_s2) & np.isfinite(pings.cycle_variance_s2)
    )
    if not rows.size:
        return OwnArrivals(np.zeros(1), *np.ones((3, 1)), *np.zeros((2, 1)))
    pings = pings.some(rows)
    theory, log_window = _theory(scene, pinger, np.asarray(range_m)[rows], np.asarray(window_s)[rows])
    order = np.argsort(log_window, kind="stable")
    # Pings with windows of one length stay together, or there would be two figures for it.
    cuts = np.searchsorted(log_window[order], np.quantile(log_window, np.arange(1, _NODES) / _NODES) + 1e-9)
    parts = [part for part in np.split(order, np.unique(cuts)) if part.size]
    # Single places are an order of magnitude apart where echoes come at once: a mean of logarithms is steadier.
    logs = [
        np.log(own / of_theory)
        for own, of_theory in (
            (pings.energy_ratio_2e_n0, theory.energy_ratio_2e_n0),
            (pings.carrier_variance_s2, theory.carrier_variance_s2),
            (pings.cycle_variance_s2, theory.cycle_variance_s2),
        )
    ]
    shifts = [_mean_square(of, pings.heard) for of in (pings.carrier_shift_s, pings.envelope_shift_s)]
    lengths, *rest = (np.array([of[part].mean() for part in parts]) for of in (log_window, *logs, *shifts))
    return OwnArrivals(lengths, *np.exp(rest[:3]), *rest[3:])


def _theory(scene: Scene, pinger: Pinger, range_m: ArrayLike, window_s: ArrayLike) -> tuple[LinkBudget, Floats]:
    """The link of the free window, not shorter than the estimator's shortest nor longer than the burst, and its log."""
    window = np.clip(np.asarray(window_s, dtype=float), LEAST_CYCLES / pinger.frequency_hz, pinger.length_s)
    return link_budget(scene, pinger, range_m, window_s=window), np.log(window)


def _mean_square(shift_s: Floats, heard: NDArray[np.bool_]) -> Floats:
    """Of shifts (m, n) about their mean over the hydrophones that hear, as of independent errors, shape (m,)."""
    count = np.maximum(heard.sum(axis=-1), 2)
    mean = np.sum(np.where(heard, shift_s, 0.0), axis=-1) / count
    return np.asarray(np.sum(np.where(heard, shift_s - mean[:, None], 0.0) ** 2, axis=-1) / (count - 1))
