"""Search for the array that a criterion likes best: greedy start, exchange of one hydrophone at a time, polish."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.scene.mounting import Mounting
from acoustics.study.execution import ALONE, Arrays, Running, run_chunks
from acoustics.study.place.criterion import Criterion
from acoustics.study.place.regions import all_corners, around, fits, scattered

_POOL, _SIFTED = 160, 10  # places over all the regions that every exchange looks at
_CHECKED = 2  # arrays of one exchange, of either kind, whose cycles are worked out in full
_ROUGH_MARGIN = 2.0  # the quick guide to wrong cycles counts as right within this factor
_UNLIKELY = 3  # arrays that are worked out where the guide sees none that keeps the limit
_HARDEST = 4  # directions, the incumbent's worst, in which an array is judged before all the others
_SWEEPS = 6
_WORTH_IT = 3e-4  # part by which a move must make the error fall for the others to be moved again
_ATTEMPTS = 200  # at a random array that keeps the minimum spacing
_CORNER_WAVELENGTHS = 0.45
_STEPS = (0.1, 0.02, 0.004)  # of the polish, as parts of the regions' extent

Places = Callable[[Floats, Floats], Floats]


@record
class Found:
    """An array, shape (n_hydrophones, 3) [m], with its error [rad or m] and probability of a wrong cycle."""

    hydrophones_m: Floats
    error: float
    wrong_integer: float

    def rank(self, limit: float) -> tuple[float, float]:
        """What it is sorted by, the best first: by the limit on wrong cycles, then by the error."""
        return max(self.wrong_integer, limit), self.error


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
    errors, rough = criterion.error_figure(arrays_m), criterion.wrong_integers_roughly(arrays_m)
    order = np.lexsort((errors, np.maximum(rough, _ROUGH_MARGIN * limit)))
    order = order[: max(int((rough <= _ROUGH_MARGIN * limit).sum()), _UNLIKELY)]
    return _first_within(criterion, arrays_m[order], errors[order], limit)


def improvement(criterion: Criterion, arrays_m: Floats, limit: float, incumbent: Found) -> Found:
    """The incumbent, or what beats it of the few arrays that look best; arguments as for `best_of`."""
    arrays_m, errors = _contenders(criterion, arrays_m, limit, incumbent)
    if not len(arrays_m):
        return incumbent
    rough = criterion.wrong_integers_roughly(arrays_m)
    order = np.argsort(errors, kind="stable")
    # Those with the least error that may keep the limit, then the one with the least that should.
    tried = np.concatenate(
        [order[rough[order] <= _ROUGH_MARGIN * limit][:_CHECKED], order[rough[order] <= limit][:_CHECKED]]
    )
    if incumbent.wrong_integer > limit and not len(tried):
        tried = np.argsort(rough, kind="stable")[:_CHECKED]
    found = _first_within(criterion, arrays_m[tried], errors[tried], limit, beat=incumbent.wrong_integer)
    return found if found is not None and found.rank(limit) < incumbent.rank(limit) else incumbent


def _contenders(criterion: Criterion, arrays_m: Floats, limit: float, incumbent: Found) -> tuple[Floats, Floats]:
    """Arrays that may beat the incumbent, and their errors."""
    within = incumbent.wrong_integer <= limit
    if within and len(arrays_m):
        hardest = np.argsort(criterion.errors(incumbent.hydrophones_m[None])[0])[-_HARDEST:]
        arrays_m = arrays_m[criterion.may_err_less(arrays_m, incumbent.error, hardest)]
    if not len(arrays_m):
        return arrays_m, np.empty(0)
    errors = criterion.error_figure(arrays_m)
    better = (errors < incumbent.error) | (not within)
    return arrays_m[better], errors[better]


def _first_within(
    criterion: Criterion, arrays_m: Floats, errors: Floats, limit: float, *, beat: float = 1.0
) -> Found | None:
    """The first that keeps the limit, else the one with the fewest wrong cycles; those above `beat` in part only."""
    best: Found | None = None
    for array, error in zip(arrays_m, errors, strict=True):
        enough = max(limit, beat if best is None else min(beat, best.wrong_integer))
        found = Found(array, float(error), float(criterion.wrong_integer_figure(array[None], enough=enough)[0]))
        if best is None or found.rank(limit) < best.rank(limit):
            best = found
        if found.wrong_integer <= limit:
            break
    return best


def exchange(criterion: Criterion, start: Found, limit: float, places: Places) -> Found:
    """Move one hydrophone after the other to the best of its places until none gains anything.

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
    best, n, in_vain = start, len(start.hydrophones_m), 0
    for turn in range(_SWEEPS * n):
        before, i, here = best, turn % n, best.hydrophones_m
        there = places(np.delete(here, i, axis=0), here[i])
        arrays = np.repeat(here[None], len(there), axis=0)
        arrays[:, i] = there
        best = improvement(criterion, arrays[fits(criterion.mounting, arrays)], limit, best)
        fewer = max(before.wrong_integer, limit) - max(best.wrong_integer, limit)
        gained = fewer > _WORTH_IT * before.wrong_integer or best.error < (1 - _WORTH_IT) * before.error
        in_vain = 0 if gained else in_vain + 1
        if in_vain == n:
            break
    return best


@record
class _Start:
    """One start of the search, with its own seed: from a known array, or at random."""

    criterion: Criterion
    n_hydrophones: int
    limit: float
    known: Found | None
    seed: np.random.SeedSequence


def search(
    criterion: Criterion,
    n_hydrophones: int,
    limit: float,
    *,
    arrays: Sequence[Found],
    random_starts: int,
    seed: int,
    fingerprint: str = "",
    running: Running = ALONE,
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
    arrays : sequence of Found
        Known arrays to start from as well; those with fewer hydrophones are filled up one by one.
    random_starts : int
        Further starts at random; each has its own child of the seed.
    seed : int
        Equal seeds give equal arrays.
    fingerprint : str
        Of all the study's inputs.
    running : Running
        Who searches from the starts, and where what they end at is kept.
    progress : callable
        Told after every start how many of how many are done.

    Raises
    ------
    ParameterError
        If so many hydrophones do not fit into the regions.
    """
    starts: list[Found | None] = [*arrays, *[None] * random_starts]
    if not starts:
        raise ParameterError("random_starts: at least one start is needed where no array is given")
    children = np.random.SeedSequence(seed).spawn(len(starts))
    ends = run_chunks(
        _search_from,
        [_Start(criterion, n_hydrophones, limit, known, child) for known, child in zip(starts, children, strict=True)],
        running=running,
        fingerprint=fingerprint,
        progress=progress,
    )
    found = [(end["hydrophones_m"].astype(float), float(end["error"]), float(end["wrong_integer"])) for end in ends]
    return min((Found(*end) for end in found), key=lambda f: f.rank(limit))


def _search_from(start: _Start) -> Arrays:
    criterion, limit = start.criterion, start.limit
    wavelength = criterion.sound_speed_m_s / criterion.frequency_hz
    rng = np.random.default_rng(start.seed)
    pool = _pool(criterion, rng)
    found = start.known or _some_array(criterion, pool, start.n_hydrophones, wavelength, rng)
    wide = _wide(pool, wavelength)
    # Where some direction is not heard at all, its error tells no way out: the mean over all does.
    guide = replace(criterion, worst=criterion.worst and found.error < criterion.guess)
    found = _filled_up(guide, judged(guide, found.hydrophones_m), start.n_hydrophones, limit, pool, wavelength)
    found = exchange(guide, found, limit, wide)
    if guide.worst != criterion.worst:
        found = exchange(criterion, judged(criterion, found.hydrophones_m), limit, wide)
    for step in _STEPS:
        found = exchange(criterion, found, limit, _narrow(criterion.mounting, step, rng))
    return {name: np.asarray(value) for name, value in vars(found).items()}


def _pool(criterion: Criterion, rng: np.random.Generator) -> Floats:
    """Places all over the regions; where bodies are in the way, of several times as many those that hear the most."""
    if not criterion.mounting.shadows:
        return scattered(criterion.mounting, _POOL, rng)
    places = scattered(criterion.mounting, _SIFTED * _POOL, rng)
    heard = criterion.heard(places[:, None]).sum(axis=(-2, -1))
    return places[np.argsort(-heard, kind="stable")[:_POOL]]


def _wide(pool: Floats, wavelength_m: float) -> Places:
    """Anywhere in the pool, and around the other hydrophones at distances that help with the cycles."""
    return lambda others, own: np.concatenate([pool, around(others, wavelength_m)])


def _narrow(mounting: Mounting, step: float, rng: np.random.Generator) -> Places:
    """Around the hydrophone itself, brought back into the regions."""
    extent = float(np.ptp(all_corners(mounting), axis=0).max())
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
    arrays = arrays[fits(mounting, arrays)]
    if not len(arrays):
        raise _too_many(n, mounting)
    return judged(criterion, arrays[0])


def _filled_up(
    criterion: Criterion, start: Found, n_hydrophones: int, limit: float, pool: Floats, wavelength_m: float
) -> Found:
    """Hydrophones added one at a time, each where it helps most."""
    found = start
    while len(found.hydrophones_m) < n_hydrophones:
        here = found.hydrophones_m
        places = np.concatenate([pool, around(here, wavelength_m)])
        arrays = np.concatenate([np.repeat(here[None], len(places), axis=0), places[:, None]], axis=1)
        arrays = arrays[fits(criterion.mounting, arrays)]
        if not len(arrays):
            raise _too_many(n_hydrophones, criterion.mounting)
        found = improvement(criterion, arrays, limit, Found(here, np.inf, 1.0))
    return found


def _too_many(n: int, mounting: Mounting) -> ParameterError:
    apart = f"{1e3 * mounting.minimum_spacing_m:g} mm apart"
    return ParameterError(f"mounting: {n} hydrophones {apart} were not found room for in the regions")


def judged(criterion: Criterion, hydrophones_m: Floats) -> Found:
    """An array, shape (n_hydrophones, 3) [m], worked out in full."""
    one = hydrophones_m[None]
    return Found(hydrophones_m, float(criterion.error_figure(one)[0]), float(criterion.wrong_integer_figure(one)[0]))
