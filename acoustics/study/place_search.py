"""Search for the array that a criterion likes best: greedy start, exchange of one hydrophone at a time, polish."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from acoustics.errors import ParameterError
from acoustics.geometry import Floats
from acoustics.scene.mounting import Mounting
from acoustics.study.place_criterion import Criterion

_POOL = 160  # places over all the regions that every exchange looks at
_CHECKED = 2  # arrays of one exchange, of either kind, whose cycles are worked out in full
_ROUGH_MARGIN = 2.0  # the quick guide to wrong cycles counts as right within this factor
_UNLIKELY = 3  # arrays that are worked out where the guide sees none that keeps the limit
_SWEEPS = 6
_WORTH_A_SWEEP = 1e-3  # part by which the error must fall for another one
_ATTEMPTS = 200  # at a random array that keeps the minimum spacing
# Distances from the other hydrophones in wavelengths, and steps of the polish as parts of the regions' extent.
_NEAR_WAVELENGTHS = (0.35, 0.5, 0.7, 1.0, 1.5, 2.5)
_CORNER_WAVELENGTHS = 0.45
_STEPS = (0.1, 0.02, 0.004)

Places = Callable[[Floats, Floats], Floats]


@dataclass(frozen=True)
class Found:
    """An array, shape (n_hydrophones, 3) [m], with its error [rad] and probability of a wrong cycle."""

    hydrophones_m: Floats
    error: float
    wrong_cycle: float

    def beats(self, other: Found, limit: float) -> bool:
        """Whether it is better: first by the limit on wrong cycles, then by the error."""
        return (max(self.wrong_cycle, limit), self.error) < (max(other.wrong_cycle, limit), other.error)


def best_of(criterion: Criterion, arrays_m: Floats, limit: float) -> Found | None:
    """The array with the least error whose wrong cycles keep the limit; where none does, that with the fewest.

    Parameters
    ----------
    criterion : Criterion
    arrays_m : ndarray, shape (n_arrays, n_hydrophones, 3)
        Arrays to choose from [m].
    limit : float
        Of the probability of a wrong cycle.

    Returns
    -------
    Found or None
        None without an array to choose from.

    Notes
    -----
    Wrong cycles are costly to work out. A quick guide to them sorts the arrays, by error where it is within a few
    times the limit; in this order they are worked out until one keeps the limit, and few of those beyond it.
    """
    if not len(arrays_m):
        return None
    errors, rough = criterion.error_figure(arrays_m), criterion.wrong_cycles_roughly(arrays_m)
    order = np.lexsort((errors, np.maximum(rough, _ROUGH_MARGIN * limit)))
    order = order[: max(int((rough <= _ROUGH_MARGIN * limit).sum()), _UNLIKELY)]
    return _first_within(criterion, arrays_m[order], errors[order], limit)


def improvement(criterion: Criterion, arrays_m: Floats, limit: float, incumbent: Found) -> Found:
    """The incumbent, or what beats it of the few arrays that look best; arguments as for `best_of`."""
    if not len(arrays_m):
        return incumbent
    errors = criterion.error_figure(arrays_m)
    if incumbent.wrong_cycle <= limit:
        better = errors < incumbent.error
        arrays_m, errors = arrays_m[better], errors[better]
        if not len(arrays_m):
            return incumbent
    rough = criterion.wrong_cycles_roughly(arrays_m)
    order = np.argsort(errors, kind="stable")
    # Those with the least error that may keep the limit, then the one with the least that should.
    tried = np.concatenate(
        [order[rough[order] <= _ROUGH_MARGIN * limit][:_CHECKED], order[rough[order] <= limit][:_CHECKED]]
    )
    if incumbent.wrong_cycle > limit and not len(tried):
        tried = np.argsort(rough, kind="stable")[:_CHECKED]
    found = _first_within(criterion, arrays_m[tried], errors[tried], limit)
    return found if found is not None and found.beats(incumbent, limit) else incumbent


def _first_within(criterion: Criterion, arrays_m: Floats, errors: Floats, limit: float) -> Found | None:
    """The first that keeps the limit, else the one with the fewest wrong cycles."""
    best: Found | None = None
    for array, error in zip(arrays_m, errors, strict=True):
        found = Found(array, float(error), float(criterion.wrong_cycle_figure(array[None])[0]))
        if best is None or found.beats(best, limit):
            best = found
        if found.wrong_cycle <= limit:
            break
    return best


def exchange(criterion: Criterion, start: Found, limit: float, places: Places) -> Found:
    """Move one hydrophone after the other to the best of its places until a whole sweep gains nothing.

    Coordinate exchange after Meyer & Nachtsheim (1995), Technometrics 37:60-69.

    Parameters
    ----------
    criterion : Criterion
    start : Found
        Where to begin.
    limit : float
        Of the probability of a wrong cycle.
    places : callable
        Takes the other hydrophones, shape (n - 1, 3), and the one to move, shape (3,); gives its places, shape
        (n_places, 3) [m].
    """
    best = start
    for _ in range(_SWEEPS):
        before = best
        for i in range(len(best.hydrophones_m)):
            here = best.hydrophones_m
            there = places(np.delete(here, i, axis=0), here[i])
            arrays = np.repeat(here[None], len(there), axis=0)
            arrays[:, i] = there
            best = improvement(criterion, arrays[criterion.mounting.fits(arrays)], limit, best)
        gained = max(before.wrong_cycle, limit) - max(best.wrong_cycle, limit) > _WORTH_A_SWEEP * before.wrong_cycle
        if not gained and best.error > (1 - _WORTH_A_SWEEP) * before.error:
            break
    return best


def search(
    criterion: Criterion,
    n_hydrophones: int,
    limit: float,
    *,
    arrays: Iterable[Found],
    random_starts: int,
    seed: int,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> Found:
    """The best array found from several starts, each improved by exchange and then by ever smaller steps.

    Parameters
    ----------
    criterion : Criterion
        Its mounting says what is allowed.
    n_hydrophones : int
        How many, at least 2.
    limit : float
        Of the probability of a wrong cycle.
    arrays : iterable of Found
        Known arrays to start from as well; those with fewer hydrophones are filled up one by one.
    random_starts : int
        Further starts at random; each has its own child of the seed.
    seed : int
        Equal seeds give equal arrays.
    progress : callable, optional
        Told after every start how many of how many are done.

    Raises
    ------
    ParameterError
        If so many hydrophones do not fit into the regions.
    """
    wavelength = criterion.sound_speed_m_s / criterion.frequency_hz
    known = list(arrays)
    children = np.random.SeedSequence(seed).spawn(len(known) + random_starts)
    best: Found | None = None
    for k, child in enumerate(children):
        rng = np.random.default_rng(child)
        pool = scattered(criterion.mounting, _POOL, rng)
        start = known[k] if k < len(known) else _some_array(criterion, pool, n_hydrophones, wavelength, rng)
        found = _filled_up(criterion, start, n_hydrophones, limit, pool, wavelength)
        found = exchange(criterion, found, limit, _wide(pool, wavelength))
        for step in _STEPS:
            found = exchange(criterion, found, limit, _narrow(criterion.mounting, step, rng))
        if best is None or found.beats(best, limit):
            best = found
        progress(k + 1, len(children))
    if best is None:
        raise ParameterError("random_starts: at least one start is needed where no array is given")
    return best


def scattered(mounting: Mounting, count: int, rng: np.random.Generator) -> Floats:
    """Up to so many allowed places, shape (n, 3) [m]: over every region alike, its corners among them."""
    share = -(-count // len(mounting.regions))
    places = []
    for region in mounting.regions:
        edges = region.edges
        corners = np.stack(np.meshgrid(*[[0.0, 1.0]] * len(edges), indexing="ij"), axis=-1).reshape(-1, len(edges))
        # A third on faces and edges, where the widest arrays have their hydrophones.
        inside = rng.uniform(-0.25, 1.25, (max(share - len(corners), 0), len(edges))).clip(0.0, 1.0)
        places.append(region.corner + np.concatenate([corners, inside]) @ edges)
    points = np.concatenate(places)
    return points[mounting.allows(points)]


def _wide(pool: Floats, wavelength_m: float) -> Places:
    """Anywhere in the pool, and around the other hydrophones at distances that help with the cycles."""
    return lambda others, own: np.concatenate([pool, _around(others, wavelength_m)])


def _around(points: Floats, wavelength_m: float) -> Floats:
    ways = np.stack(np.meshgrid(*[[-1.0, 0.0, 1.0]] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    ways = ways[np.abs(ways).sum(axis=-1) > 0]
    ways = ways / np.linalg.norm(ways, axis=-1, keepdims=True)
    steps = (np.array(_NEAR_WAVELENGTHS)[:, None, None] * wavelength_m * ways).reshape(-1, 3)
    return (points[:, None] + steps).reshape(-1, 3)


def _narrow(mounting: Mounting, step: float, rng: np.random.Generator) -> Places:
    """Around the hydrophone itself, brought back into the regions."""
    corners = np.concatenate([[r.corner, r.corner + r.edges.sum(axis=0)] for r in mounting.regions])
    extent = float(np.ptp(corners, axis=0).max())
    ways = rng.normal(size=(20, 3))
    ways = np.concatenate([np.eye(3), -np.eye(3), ways / np.linalg.norm(ways, axis=-1, keepdims=True)])
    return lambda others, own: mounting.nearest(own + step * extent * ways)


def _some_array(criterion: Criterion, pool: Floats, n: int, wavelength_m: float, rng: np.random.Generator) -> Found:
    """A level corner of three, as small as the cycles ask for, at random; where that does not fit, any three."""
    mounting, n = criterion.mounting, min(3, n)
    leg = max(_CORNER_WAVELENGTHS * wavelength_m, mounting.minimum_spacing_m)
    corner = rng.permutation(pool)[:, None] + leg * np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0]])[:n] * rng.choice(
        [-1, 1]
    )
    draws = np.array([rng.permutation(len(pool))[:n] for _ in range(_ATTEMPTS)], dtype=int)
    arrays = np.concatenate([corner, pool[draws]] if len(pool) >= n else [corner])
    arrays = arrays[mounting.fits(arrays)]
    if not len(arrays):
        raise _too_many(n, mounting)
    return _judged(criterion, arrays[0])


def _filled_up(
    criterion: Criterion, start: Found, n_hydrophones: int, limit: float, pool: Floats, wavelength_m: float
) -> Found:
    """Hydrophones added one at a time, each where it helps most."""
    found = start
    while len(found.hydrophones_m) < n_hydrophones:
        here = found.hydrophones_m
        places = np.concatenate([pool, _around(here, wavelength_m)])
        arrays = np.concatenate([np.repeat(here[None], len(places), axis=0), places[:, None]], axis=1)
        arrays = arrays[criterion.mounting.fits(arrays)]
        if not len(arrays):
            raise _too_many(n_hydrophones, criterion.mounting)
        found = improvement(criterion, arrays, limit, Found(here, np.inf, 1.0))
    return found


def _too_many(n: int, mounting: Mounting) -> ParameterError:
    apart = f"{1e3 * mounting.minimum_spacing_m:g} mm apart"
    return ParameterError(f"mounting: {n} hydrophones {apart} were not found room for in the regions")


def _judged(criterion: Criterion, hydrophones_m: Floats) -> Found:
    one = hydrophones_m[None]
    return Found(hydrophones_m, float(criterion.error_figure(one)[0]), float(criterion.wrong_cycle_figure(one)[0]))
