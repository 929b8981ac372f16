"""Where to begin: the places of a grid near the bearing from which the echoes fit best."""

from __future__ import annotations

import numpy as np

from acoustics.base.frames import Floats, wrap_angle
from acoustics.base.record import record
from acoustics.estimate.echoes.baseband import Baseband, BurstTable
from acoustics.estimate.echoes.likelihood import Roughness, coarse_evidence, new_problem
from acoustics.estimate.echoes.paths import (
    ATTITUDE,
    CARRIER,
    EMISSION,
    EMISSION_UNIT_S,
    FACES,
    PathSets,
    SiteKnowledge,
    X,
    Y,
    path_sets,
    sources_m,
)

_STEP_M = 0.25
_APART_M = 1.5 * _STEP_M
_NEAREST_M, _FARTHEST_M = 0.5, 60.0
_OFF_WALL_M = 0.02
_SECTOR_SD = 3.0
_REGION_SD = 3.0
# Wide enough that a cell stands for its surroundings and for what the sketch is off: a path's length errs by this for
# each bounce. With 0.04 m and half as much unexplained the 16 likeliest held the place in 32 of 40 simulated pings
# under 15 m, with this in 37; with more in fewer.
COARSE = Roughness(diffuse=0.1, timing_sd_m=0.06, least_bounces=1)
_AT_ONCE = 32
# About a place: how many, in what circle, and of what grid. It tells finer, as the sketch's errors are known better.
AROUND, AROUND_M, _FINE_STEP_M, _APART_AROUND_M = 8, 2.0, 0.2, 0.3
# Of 12 pings looked about places that led on were within 15 nats of the likeliest; others are left out.
_HOPELESS_NATS = 25.0
FINER = Roughness(diffuse=0.05, timing_sd_m=0.025, least_bounces=1)


@record
class DirectBearing:
    """A bearing of the direct sound in the body frame and its standard deviation [rad]."""

    bearing: float
    bearing_sd: float


@record
class SearchRegion:
    """Where to look first: a place on the map [m], shape (2,), and its covariance [m^2], shape (2, 2).

    It bounds the search and weighs no place against another: an answer found in it rests on its own samples alone.
    """

    place_m: Floats
    covariance_m2: Floats

    def holds(self, places_m: Floats) -> np.ndarray:
        """Whether places of shape (..., 2) lie within it."""
        off = places_m - self.place_m
        return np.asarray(np.sum(off * np.linalg.solve(self.covariance_m2, off.T).T, axis=-1) < _REGION_SD**2)


@record
class Grid:
    """Places of a grid in the water along the bearings, after `n_prior` others, (n, 2) [m], and the paths from each."""

    cells_m: Floats
    n_prior: int
    paths: PathSets

    def every_other(self) -> Grid:
        """Half the grid."""
        rows = np.r_[: self.n_prior, self.n_prior : len(self.cells_m) : 2]
        return Grid(self.cells_m[rows], self.n_prior, self.paths.subset(rows))


def new_grid(
    known: SiteKnowledge,
    bearings: tuple[DirectBearing, ...],
    places_m: Floats,
    window_s: float,
    region: SearchRegion | None = None,
) -> Grid | None:
    """The grid with prior places of shape (n, 3) [m] for a part of the burst [s]; without bearings the whole circle.

    Of a region what lies in it; None: nothing does.
    """
    cells = water_along(known, bearings, sds=_SECTOR_SD, off_wall_m=_OFF_WALL_M)
    cells = np.concatenate([places_m[:, :2], cells])
    if region is not None:
        places_m, cells = places_m[:0], cells[region.holds(cells)]
    if not len(cells):
        return None
    places = np.column_stack([cells, np.full(len(cells), known.depth_m)])
    return Grid(cells, len(places_m), path_sets(known, places, window_s))


def start_states(
    known: SiteKnowledge,
    baseband: Baseband,
    table: BurstTable,
    grid: Grid,
    *,
    onset_s: float,
    bearings: tuple[DirectBearing, ...],
    count: int,
    floor_shifts_m: tuple[float, ...] = (),
) -> Floats:
    """States, shape (count or fewer, n_parameters), the most likely first.

    Parameters
    ----------
    known, baseband, table
        Problem at hand.
    grid : Grid
        Where to look.
    onset_s : float
        When the direct sound came to the first hydrophone [s].
    bearings : tuple of DirectBearing
        Those of the grid.
    count : int
        How many.
    floor_shifts_m : tuple of float
        How much deeper than the sketch says the floor may be [m]: of each place the likeliest; none: as it says.
    """
    offset_hz = baseband.carrier_offset_hz()
    baseband = baseband.turned(offset_hz).thinned()
    if floor_shifts_m:  # a guess of a guess: every other cell will do
        grid = grid.every_other()
    states = states_at(known, grid.cells_m, bearings, onset_s)
    states[:, CARRIER] = offset_hz / (known.frequency_sd_share * known.burst.frequency_hz)
    if not floor_shifts_m:
        fit = _evidences(known, baseband, table, grid.paths, states)
    else:
        fit, states = _at_likeliest_floor(known, baseband, table, grid.paths, states, floor_shifts_m)
    return states[_apart(grid.cells_m, fit, count, _APART_M)]


def _at_likeliest_floor(
    known: SiteKnowledge,
    baseband: Baseband,
    table: BurstTable,
    paths: PathSets,
    states: Floats,
    shifts_m: tuple[float, ...],
) -> tuple[Floats, Floats]:
    """Coarse evidence of states with the floor shifted as fits each best, and these states."""
    floor = FACES + known.faces.parameters.index("floor_depth")
    shifted = np.tile(states, (len(shifts_m), 1, 1))
    shifted[..., floor] = (np.array(shifts_m) / known.faces_sd[floor - FACES])[:, None]
    fit = np.stack([_evidences(known, baseband, table, paths, one) for one in shifted])
    best, at = np.argmax(fit, axis=0), np.arange(len(states))
    return fit[best, at], shifted[best, at]


def best_of(
    known: SiteKnowledge, baseband: Baseband, table: BurstTable, states: Floats, *, window_s: float, count: int
) -> Floats:
    """Of starts, shape (n, n_parameters) and the best first, those that are good by other samples or by their own."""
    baseband = baseband.turned(baseband.carrier_offset_hz()).thinned()
    fit = _evidences(known, baseband, table, path_sets(known, sources_m(known, states), window_s), states)
    rank = np.argsort(np.argsort(-fit, kind="stable"))
    return states[np.argsort(np.minimum(rank, np.arange(len(states))), kind="stable")[:count]]


def water_along(known: SiteKnowledge, bearings: tuple[DirectBearing, ...], *, sds: float, off_wall_m: float) -> Floats:
    """Places along the bearings, to so many standard deviations, in the water and off the walls, shape (n, 2) [m]."""
    heading, sd = known.pose.heading, known.pose.heading_sd
    parts = []
    for r in np.arange(_NEAREST_M, _FARTHEST_M, _STEP_M):
        if bearings:
            for b in bearings:
                half = min(sds * np.hypot(b.bearing_sd, sd), np.pi)
                n = 2 * int(np.ceil(half * r / _STEP_M)) + 1
                parts.append((np.full(n, r), heading + b.bearing + np.linspace(-half, half, n)))
        else:
            n = max(int(2 * np.pi * r / _STEP_M), 8)
            parts.append((np.full(n, r), np.arange(n) * 2 * np.pi / n))
    reach, azimuth = (np.concatenate(values) for values in zip(*parts, strict=True))
    places = known.middle_m[:2] + reach[:, None] * np.stack([np.cos(azimuth), np.sin(azimuth)], axis=-1)
    return places[_in_the_water(known, places, off_wall_m)]


def _in_the_water(known: SiteKnowledge, places_m: Floats, off_wall_m: float = _OFF_WALL_M) -> np.ndarray:
    faces = known.faces
    place = np.column_stack([places_m, np.full(len(places_m), known.depth_m)])
    walls = np.array([name.startswith("wall") for name in faces.names], dtype=bool)
    return np.all(place @ faces.normals[walls].T - faces.offsets_m[walls] > off_wall_m, axis=-1)


def states_at(known: SiteKnowledge, cells_m: Floats, bearings: tuple[DirectBearing, ...], onset_s: float) -> Floats:
    """States at places of shape (n, 2) whose direct sound comes from the bearing and at the onset to hydrophone 0."""
    state = np.zeros((len(cells_m), known.n_parameters))
    state[:, X], state[:, Y] = cells_m.T
    middle = known.middle_m
    places = np.column_stack([cells_m, np.full(len(cells_m), known.depth_m)])
    away = places - middle
    to_first = np.linalg.norm(places - known.pose.pose.to_site(known.hydrophones_m[:1]), axis=-1)
    state[:, EMISSION] = (onset_s - to_first / known.sound_speed_m_s) / EMISSION_UNIT_S
    if bearings and known.pose.heading_sd > 0:
        azimuth = np.arctan2(away[:, 1], away[:, 0])
        # Between what the compass and what the array says, by their variances.
        off = np.stack([wrap_angle(azimuth - b.bearing - known.pose.heading) for b in bearings], axis=-1)
        best = np.argmin(np.abs(off), axis=-1)
        heading_var = known.pose.heading_sd**2
        share = np.array([heading_var / (heading_var + b.bearing_sd**2) for b in bearings])
        turn = share[best] * off[np.arange(len(off)), best]
        state[:, ATTITUDE + 2] = np.clip(turn / known.pose.heading_sd, -3.0, 3.0)
    return state


def around(
    known: SiteKnowledge,
    baseband: Baseband,
    table: BurstTable,
    state: Floats,
    *,
    window_s: float,
    within_m: float = AROUND_M,
    count: int = AROUND,
) -> Floats:
    """States, shape (count or fewer, n_parameters), at the most likely places about one of shape (n_parameters,).

    All else is the same. The search takes the sketch as it is and steps from cell to cell: with what a fit has found of
    the errors a finer one finds what that missed.
    """
    states = moved_to(known, state, _places_around(known, state, within_m))
    baseband = baseband.turned(known.frequency_sd_share * known.burst.frequency_hz * state[CARRIER]).thinned()
    paths = path_sets(known, sources_m(known, states), window_s)
    fit = _evidences(known, baseband, table, paths, states, FINER)
    rows = _apart(states[:, [X, Y]], fit, count, _APART_AROUND_M)
    return states[rows[fit[rows] > fit.max() - _HOPELESS_NATS]]


def _places_around(known: SiteKnowledge, state: Floats, within_m: float) -> Floats:
    """Places of a grid in the water about that of a state, shape (n, 2) [m]."""
    n = int(np.ceil(within_m / _FINE_STEP_M))
    steps = np.arange(-n, n + 1) * _FINE_STEP_M
    offsets = np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2)
    places = state[[X, Y]] + offsets[np.linalg.norm(offsets, axis=-1) <= within_m + 1e-9]
    return places[_in_the_water(known, places)]


def moved_to(known: SiteKnowledge, state: Floats, places_m: Floats) -> Floats:
    """States at places of shape (n, 2), else as one of shape (n_parameters,), their direct sound at the same time."""
    moved = np.tile(state, (len(places_m), 1))
    moved[:, [X, Y]] = places_m
    way = np.linalg.norm(sources_m(known, moved) - known.middle_m, axis=-1)
    way -= np.linalg.norm(sources_m(known, state[None]) - known.middle_m, axis=-1)
    moved[:, EMISSION] -= way / known.sound_speed_m_s / EMISSION_UNIT_S
    return moved


def _evidences(
    known: SiteKnowledge,
    baseband: Baseband,
    table: BurstTable,
    paths: PathSets,
    states: Floats,
    roughness: Roughness = COARSE,
) -> Floats:
    """Coarse evidence of states, shape (n,), some at a time, those of as many paths together: the others are padded."""
    problem, out = new_problem(known, baseband, table, paths, roughness), np.empty(len(states))
    order = np.argsort(np.sum(paths.expected > 0, axis=-1), kind="stable")
    for k in range(0, len(states), _AT_ONCE):
        rows = order[k : k + _AT_ONCE]
        out[rows] = coarse_evidence(problem.subset(rows), states[rows])
    return out


def _apart(cells_m: Floats, fit: Floats, count: int, apart_m: float) -> np.ndarray:
    """Indices of the best cells, none beside a better one."""
    order, chosen = np.argsort(-fit, kind="stable"), []
    free = np.ones(len(fit), dtype=bool)
    for k in order:
        if free[k]:
            chosen.append(k)
            free &= np.linalg.norm(cells_m - cells_m[k], axis=-1) > apart_m
        if len(chosen) == count:
            break
    return np.array(chosen)
