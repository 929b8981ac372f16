"""Choosing waypoints and their order: shortest routes round keep-out zones, and greedy choice with exchange."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import permutations

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.polygons import corner_turns, corners_moved, leaves, signed_area
from acoustics.scene.keep_out import KeepOut

Indices = NDArray[np.intp]

# Room left at a zone's corner, so that a way round it does not graze it [m].
_CLEARANCE_M = 0.1
_LEAST_GAIN = 1e-6  # relative; smaller ones are rounding and could exchange for ever
_ROUTES_AT_ONCE = 100_000
_RANDOM_SETS, _STARTS = 500, 3


class Ways:
    """Shortest ways over water between places, round keep-out zones and corners of the pool."""

    def __init__(
        self,
        places_m: Floats,
        zones: Sequence[KeepOut],
        swims: Callable[[Floats], NDArray[np.bool_]],
        outline_m: Floats | None = None,
    ) -> None:
        """Places of shape (n, 2) [m]; `swims` says of places (k, 2) whether the vehicle can be there.

        Of an outline (k, 2) [m] that is convex no straight way leads out, and it is not needed.
        """
        turns = [zone.corners_outside_m(_CLEARANCE_M) for zone in zones]
        if outline_m is not None:
            bends = corner_turns(outline_m) * signed_area(outline_m) < 0
            turns.append(corners_moved(outline_m, -_CLEARANCE_M)[bends])
        turning = np.concatenate([np.empty((0, 2)), *turns])
        free = swims(turning)
        for zone in zones:
            free &= ~zone.contains(turning)
        self._nodes = np.concatenate([places_m, turning[free]])
        apart = np.linalg.norm(self._nodes[:, None] - self._nodes, axis=-1)
        for zone in zones:
            apart[zone.crossed_by(self._nodes[:, None], self._nodes)] = np.inf
        if outline_m is not None:
            apart[leaves(outline_m, self._nodes[:, None], self._nodes)] = np.inf
        n = len(places_m)
        self._round = bool(zones) or outline_m is not None
        if self._round:
            from scipy.sparse.csgraph import (
                shortest_path,
            )  # here, for it takes long to load and `check` has no use for it

            apart, self._before = shortest_path(apart, method="D", directed=False, return_predecessors=True)
        self.distance_m: Floats = apart[:n, :n]

    def between(self, first: int, second: int) -> Floats:
        """Corners of the way from one place to another, both ends included, shape (k, 2) [m]."""
        way = [second]
        while self._round and self._before[first, way[-1]] >= 0:
            way.append(int(self._before[first, way[-1]]))
        if not self._round:
            way.append(first)
        return self._nodes[way[::-1]]


def shortest_order(distance_m: Floats, places: Indices) -> tuple[Indices, Floats]:
    """The order in which an open route from place 0 through others is shortest, by trying all.

    Parameters
    ----------
    distance_m : ndarray, shape (n, n)
        Distances between places [m].
    places : ndarray of int, shape (n_sets, n_waypoints)
        Places to visit, six at most.

    Returns
    -------
    order : ndarray of int, shape (n_sets, n_waypoints)
        Positions within each set, in the order of the visit.
    legs_m : ndarray, shape (n_sets, n_waypoints)
        Distance to each from the one before [m].
    """
    orders = np.array(list(permutations(range(places.shape[1]))))
    at_once = max(1, _ROUTES_AT_ONCE // len(orders))
    found = [_shortest(distance_m, places[start : start + at_once], orders) for start in range(0, len(places), at_once)]
    return np.concatenate([order for order, _ in found]), np.concatenate([legs for _, legs in found])


def _shortest(distance_m: Floats, places: Indices, orders: Indices) -> tuple[Indices, Floats]:
    visited = places[:, orders]
    before = np.concatenate([np.zeros_like(visited[..., :1]), visited[..., :-1]], axis=-1)
    legs = distance_m[before, visited]
    best = np.argmin(legs.sum(axis=-1), axis=-1)
    return orders[best], legs[np.arange(len(places)), best]


def choose_waypoints(
    score: Callable[[Indices], Floats],
    n_candidates: int,
    n_waypoints: int,
    rng: np.random.Generator,
    *,
    chose: Callable[[int], None] = lambda size: None,
) -> tuple[int, ...]:
    """A set of candidates with a low score: the best one is added, then each is exchanged while that helps.

    At each size the exchange is tried from the best of many random sets as well, since it ends in the nearest
    optimum, and the best of all counts. The score never rises with the number of waypoints.

    Parameters
    ----------
    score : callable
        Of sets, shape (n_sets, size), gives values of shape (n_sets,), infinite where a set is not allowed.
    n_candidates, n_waypoints : int
        How many there are, and how many to choose at most.
    rng : Generator
        Of the random sets.
    chose : callable
        Told of each size that is done with.

    Returns
    -------
    tuple of int
        Fewer than `n_waypoints` where no further one is allowed or lowers the score; empty where none is allowed.

    References
    ----------
    V. V. Fedorov, "Theory of Optimal Experiments", Academic Press, 1972, chapter 3 (exchange of design points).
    """
    everyone = np.arange(n_candidates)[:, None]
    chosen, best = np.empty(0, dtype=np.intp), np.inf
    while len(chosen) < n_waypoints:
        added = np.concatenate([np.broadcast_to(chosen, (n_candidates, len(chosen))), everyone], axis=-1)
        drawn = rng.integers(n_candidates, size=(_RANDOM_SETS, len(chosen) + 1))
        ends = [
            exchange_waypoints(score, sets[start], float(values[start]), n_candidates)
            for sets, starts in ((added, 1), (drawn, _STARTS))
            for values in [score(sets)]
            for start in np.argsort(values)[:starts]
            if np.isfinite(values[start])
        ]
        chose(len(chosen) + 1)
        better, value = min(ends, key=lambda end: end[1], default=(chosen, best))
        if not value < best * (1 - _LEAST_GAIN):
            break
        chosen, best = better, value
    return tuple(int(i) for i in chosen)


def exchange_waypoints(
    score: Callable[[Indices], Floats], chosen: Indices, best: float, n_candidates: int
) -> tuple[Indices, float]:
    """Exchange one waypoint of a set with that score after another for the best candidate, until no exchange helps."""
    unchanged, slot = 0, 0
    while len(chosen) > 1 and unchanged < len(chosen):
        sets = np.repeat(chosen[None], n_candidates, axis=0)
        sets[:, slot] = np.arange(n_candidates)
        values = score(sets)
        pick = int(np.argmin(values))
        unchanged += 1
        if values[pick] < best * (1 - _LEAST_GAIN):
            chosen, best, unchanged = sets[pick], float(values[pick]), 1
        slot = (slot + 1) % len(chosen)
    return chosen, best
