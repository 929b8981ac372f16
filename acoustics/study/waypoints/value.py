"""What a run is worth: the posterior error of the pinger's horizontal position, expected over the prior."""

from __future__ import annotations

import numpy as np

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.base.regions import error_ellipse
from acoustics.study.waypoints.information import Heard, run_information
from acoustics.study.waypoints.search import Indices, shortest_order

CRITERIA = ("rms", "area")
_NUMBERS_AT_ONCE = 4_000_000  # about 100 MB at work


@record
class Ellipse:
    """The 95 % ellipse of a horizontal covariance: half axes [m] and the site bearing of the long one [deg]."""

    half_length_m: float
    half_width_m: float
    bearing_deg: float


@record
class Worth:
    """How runs are judged.

    Attributes
    ----------
    criterion : str
        'rms': root of the expected sum of the two horizontal variances (Bayesian A-optimality). 'area': radius of
        the circle with the geometric mean area of the one-sigma ellipses (Bayesian D-optimality). Both in metres.
    weights : ndarray, shape (n_places,)
        Probability of each place of the pinger.
    prior_information : ndarray, shape (3, 3)
        Of the normal prior [1/m^2].
    drift_sd_m_per_root_m, speed_m_s, listening_s, time_limit_s : float
        Dead reckoning, speed, time at each waypoint, and the time of the whole run.

    References
    ----------
    K. Chaloner and I. Verdinelli, "Bayesian experimental design: a review", Statistical Science 10 (1995) 273-304,
    sections 2.2 and 4 (A- and D-optimality, linearised at each place and averaged over the prior).
    """

    criterion: str
    weights: Floats
    prior_information: Floats
    drift_sd_m_per_root_m: float
    speed_m_s: float
    listening_s: float
    time_limit_s: float

    def duration_s(self, legs_m: Floats) -> Floats:
        """Travel and listening [s] of runs with legs of shape (..., n_waypoints) [m]."""
        return legs_m.sum(axis=-1) / self.speed_m_s + legs_m.shape[-1] * self.listening_s

    def since_s(self, legs_m: Floats) -> Floats:
        """When the listening at each waypoint ends, of runs with legs of shape (..., n_waypoints) [s]."""
        return np.cumsum(legs_m / self.speed_m_s + self.listening_s, axis=-1)

    def posterior_m2(self, heard: Heard, legs_m: Floats) -> Floats:
        """Horizontal covariance bound, shape (..., 2, 2) [m^2], after waypoints heard in order, (..., n_waypoints,
        ...)."""
        information = run_information(heard, legs_m, self.drift_sd_m_per_root_m, self.since_s(legs_m))
        information = information + self.prior_information
        return np.asarray(np.linalg.inv(information)[..., :2, :2], dtype=float)

    def size_m(self, posterior_m2: Floats) -> Floats:
        """The criterion, shape (...) [m], of covariances at each place, shape (..., n_places, 2, 2) [m^2]."""
        if self.criterion == "rms":
            return np.sqrt(np.trace(posterior_m2, axis1=-2, axis2=-1) @ self.weights)
        return np.exp(0.25 * np.log(np.linalg.det(posterior_m2)) @ self.weights)

    def of_runs(self, heard: Heard, order: Indices, legs_m: Floats) -> Floats:
        """The criterion [m] of many runs over candidates heard, (n_candidates, n_places, ...).

        Parameters
        ----------
        heard : Heard
            Of every candidate.
        order : ndarray of int, shape (n_runs, n_waypoints)
            Candidates in the order of the visit.
        legs_m : ndarray, shape (n_runs, n_waypoints)
            Distances between them [m].
        """
        n_places, k = len(self.weights), order.shape[1]
        one = n_places * k * heard.by_source.shape[-2] * (heard.shared.shape[-1] + 4 * k * heard.by_source.shape[-2])
        at_once = max(1, _NUMBERS_AT_ONCE // one)
        sizes = [
            self.size_m(self.posterior_m2(heard.take(order[s : s + at_once]), legs_m[s : s + at_once, None]))
            for s in range(0, len(order), at_once)
        ]
        return np.concatenate([np.empty(0), *sizes])

    def of_sets(self, heard: Heard, place: Indices, distance_m: Floats, sets: Indices) -> Floats:
        """The criterion [m] of sets of candidates, shape (n_sets, n_waypoints), each visited by its shortest route.

        Infinite for a set with two candidates at one place, and for one that takes longer than there is time.
        """
        order, legs = shortest_order(distance_m, place[sets])
        there = np.sort(place[sets], axis=-1)
        fits = (self.duration_s(legs) <= self.time_limit_s) & np.all(there[:, 1:] != there[:, :-1], axis=-1)
        values = np.full(len(sets), np.inf)
        values[fits] = self.of_runs(heard, np.take_along_axis(sets, order, axis=-1)[fits], legs[fits])
        return values


def ellipse_95(covariance_m2: Floats) -> Ellipse:
    """Of a horizontal covariance, shape (2, 2) [m^2]."""
    found = error_ellipse(covariance_m2)
    return Ellipse(float(found.semi_major), float(found.semi_minor), float(np.rad2deg(found.azimuth) % 180.0))
