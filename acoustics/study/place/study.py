"""Where to mount so many hydrophones on the vehicle, and what that gains over the shipped arrays."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from acoustics.accuracy.ambiguity import LARGEST_DIMENSION
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats, array_rank
from acoustics.base.record import record
from acoustics.base.result import Result
from acoustics.physics.levels import power_ratio_db
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws import with_hydrophones
from acoustics.study.execution import ALONE, Running, fingerprint
from acoustics.study.known_pool import KnownPoolBound, known_pool_bound
from acoustics.study.place.aim import Aim, criterion_for
from acoustics.study.place.criterion import Criterion
from acoustics.study.place.regions import fits
from acoustics.study.place.search import Found, judged, search
from acoustics.study.place.shipped import Alternative, alternatives
from acoustics.study.place.verification import Check, check_placement

_KNOWN_STARTS = 2
_FEWEST, _MOST = 3, LARGEST_DIMENSION + 1
_ROUNDING = (4, 6)  # decimals of a metre: tenths of a millimetre, if that keeps what the mounting asks for


@record
class Line:
    """One row of the comparison, predictions with the right cycle: bearing [deg], horizontal position [m], and how
    probable the wrong cycle is."""

    name: str
    n_hydrophones: int
    scale: float
    fits: bool
    error_deg: float
    position_error_m: float
    wrong_integer: float
    within_limit: bool


@record
class Curves:
    """Of one array by bearing, the worst over depressions and ranges, shape (n_bearings,): bearing and position."""

    error_deg: Floats
    position_error_m: Floats


@record
class Placement(Result):
    """The array found, and the shipped ones by the same measure; curves go with `bearing_deg`.

    `of`: whether the search made the error of the bearing or of the position small; the other is told beside it.
    `best_shipped` is the best of those that stand in the mounting as they are, keep the limit and have no more
    hydrophones; `best_scaled` the same at any scale. Gains are ratios of errors, infinite with nothing to compare.
    `found` and the lines are by the criterion, the `mean_` ones over all directions as `simulated` is; that is None
    where the vehicle shadows a hydrophone in some direction. `known_pool`: bounds of what one ping where the vehicle
    stands could tell with the array found to who knows the pool, and `known_pool_as_it_is` with the scene's array.
    """

    title: str
    pinger: str
    frequency_hz: float
    range_m: Floats
    multipath_free_s: Floats
    energy_ratio_db: Floats
    of: str
    criterion: str
    bearings: str
    depression_deg: Floats
    wrong_cycle_limit: float
    tolerance_m: float
    minimum_spacing_m: float
    starts: int
    seed: int
    hydrophones_m: Floats
    rank: int
    found: Line
    mean_error_deg: float
    mean_position_error_m: float
    mean_wrong_integer: float
    simulated: Check | None
    heard_by_fewest: int
    shipped: tuple[Line, ...]
    best_shipped: Line | None
    best_scaled: Line | None
    gain_over_shipped: float
    gain_over_scaled: float
    bearing_deg: Floats
    found_by_bearing: Curves
    shipped_by_bearing: Curves | None
    known_pool: KnownPoolBound
    known_pool_as_it_is: KnownPoolBound


def study_place(
    scene: Scene,
    pinger: Pinger,
    n_hydrophones: int,
    *,
    aim: Aim,
    random_starts: int,
    trials: int,
    seed: int,
    running: Running = ALONE,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> Placement:
    """Search the scene's mounting for the best places of so many hydrophones, and set the shipped arrays beside it.

    Parameters
    ----------
    scene : Scene
        Its vehicle and pinger give range, level and multipath-free window, its `mounting` what is allowed.
    pinger : Pinger
        One of the scene's.
    n_hydrophones : int
        3 to 8.
    aim : Aim
        What is to be good, in which directions, and whether their worst or their mean counts.
    random_starts : int
        Starts of the search besides the best shipped arrays.
    trials : int
        Simulated pings with the array found; 0 for none.
    seed : int
        Equal seeds give equal arrays.
    running : Running
        Who searches from the starts, and where what they end at is kept.
    progress : callable
        Told after every start how many of how many are done.

    Raises
    ------
    ParameterError
        A number of hydrophones that the search over cycles does not take or the regions do not hold, or as
        `criterion_for`.
    """
    if not _FEWEST <= n_hydrophones <= _MOST:
        raise ParameterError(f"{n_hydrophones} hydrophones: the search takes {_FEWEST} to {_MOST}")
    criterion, ranges = criterion_for(scene, pinger, aim)
    limit = scene.study.wrong_cycle_limit
    shipped = _Shipped.of(criterion, n_hydrophones, limit)
    found = search(
        criterion,
        n_hydrophones,
        limit,
        arrays=shipped.starts,
        random_starts=random_starts,
        seed=seed,
        fingerprint=fingerprint("place", scene, pinger, n_hydrophones, aim, random_starts, seed),
        running=running,
        progress=progress,
    )
    found = _rounded(criterion, found, limit)
    array = found.hydrophones_m[None]
    bearing = np.rad2deg(criterion.towards.bearing)
    n_bearings = len(np.unique(bearing))
    mount_m, tolerance_m = np.array(scene.array.mount_m), criterion.mounting.tolerance_m
    return Placement(
        title=scene.title,
        pinger=pinger.name,
        frequency_hz=pinger.frequency_hz,
        range_m=ranges.range_m,
        multipath_free_s=ranges.multipath_free_s,
        energy_ratio_db=power_ratio_db(ranges.link.energy_ratio_2e_n0),
        of=aim.of,
        criterion=aim.criterion_in_words,
        bearings=aim.bearings_in_words,
        depression_deg=np.rad2deg(np.unique(criterion.towards.depression)),
        wrong_cycle_limit=limit,
        tolerance_m=tolerance_m,
        minimum_spacing_m=criterion.mounting.minimum_spacing_m,
        starts=len(shipped.starts) + random_starts,
        seed=seed,
        hydrophones_m=found.hydrophones_m,
        rank=array_rank(found.hydrophones_m),
        found=_line(criterion, Alternative("found", n_hydrophones, 1.0, found), limit),
        mean_error_deg=float(np.rad2deg(np.sqrt((criterion.bearing_errors(array) ** 2).mean()))),
        mean_position_error_m=float(np.sqrt((criterion.position_errors(array) ** 2).mean())),
        mean_wrong_integer=float(criterion.wrong_integers(array).mean()),
        simulated=check_placement(ranges.scenes, pinger, criterion, found.hydrophones_m, trials, seed),
        heard_by_fewest=int(criterion.heard(array).sum(axis=-1).min()),
        bearing_deg=bearing[:n_bearings],
        found_by_bearing=_by_bearing(criterion, found, n_bearings),
        known_pool=known_pool_bound(with_hydrophones(scene, found.hydrophones_m - mount_m, tolerance_m), pinger),
        known_pool_as_it_is=known_pool_bound(scene, pinger),
        **shipped.beside(criterion, found, limit, n_bearings),
    )


@record
class _Shipped:
    """The shipped arrays in the mounting, as they are and scaled; of those with no more hydrophones than are asked for,
    the best, and where the search starts."""

    compared: Sequence[tuple[Alternative, ...]]
    best: Alternative | None
    best_scaled: Alternative | None
    starts: Sequence[Found]

    @classmethod
    def of(cls, criterion: Criterion, n_hydrophones: int, limit: float) -> _Shipped:
        """By a criterion, for so many hydrophones."""
        compared = alternatives(criterion, limit)
        ours = [r for pair in compared for r in pair if r.n_hydrophones <= n_hydrophones]
        starts = sorted((r.found for r in ours if r.found is not None), key=lambda f: f.rank(limit))[:_KNOWN_STARTS]
        return cls(compared, _best(ours, limit, as_it_is=True), _best(ours, limit, as_it_is=False), starts)

    def beside(self, criterion: Criterion, found: Found, limit: float, n_bearings: int) -> dict[str, Any]:
        """What a `Placement` says of them beside the array found."""
        stand_in = self.best or self.best_scaled
        shown = None if stand_in is None else stand_in.found
        return {
            "shipped": tuple(_line(criterion, r, limit) for pair in self.compared for r in pair),
            "best_shipped": None if self.best is None else _line(criterion, self.best, limit),
            "best_scaled": None if self.best_scaled is None else _line(criterion, self.best_scaled, limit),
            "gain_over_shipped": _gain(self.best, found),
            "gain_over_scaled": _gain(self.best_scaled, found),
            "shipped_by_bearing": None if shown is None else _by_bearing(criterion, shown, n_bearings),
        }


def quick_placement(scene: Scene, pinger: Pinger, n_hydrophones: int, *, aim: Aim, seed: int) -> Floats:
    """The array that `study_place` ends at from a single start at random, shape (n_hydrophones, 3) [m].

    Raises
    ------
    ParameterError
        As `study_place` does.
    """
    criterion, limit = criterion_for(scene, pinger, aim)[0], scene.study.wrong_cycle_limit
    found = search(criterion, n_hydrophones, limit, arrays=(), random_starts=1, seed=seed)
    return _rounded(criterion, found, limit).hydrophones_m


def _best(candidates: Sequence[Alternative], limit: float, *, as_it_is: bool) -> Alternative | None:
    """The best that keeps the limit."""
    sure = [
        (r.found.error, k)
        for k, r in enumerate(candidates)
        if r.found is not None and r.found.wrong_integer <= limit and (r.scale == 1.0 or not as_it_is)
    ]
    return candidates[min(sure)[1]] if sure else None


def _line(criterion: Criterion, alternative: Alternative, limit: float) -> Line:
    found, head = alternative.found, (alternative.name, alternative.n_hydrophones, alternative.scale)
    if found is None:
        return Line(*head, False, float("nan"), float("nan"), float("nan"), False)
    array = found.hydrophones_m[None]
    return Line(
        *head,
        True,
        float(np.rad2deg(criterion.figure(criterion.bearing_errors(array))[0])),
        float(criterion.figure(criterion.position_errors(array))[0]),
        found.wrong_integer,
        found.wrong_integer <= limit,
    )


def _gain(alternative: Alternative | None, found: Found) -> float:
    return (
        alternative.found.error / found.error
        if alternative is not None and alternative.found is not None
        else float("inf")
    )


def _by_bearing(criterion: Criterion, found: Found, n_bearings: int) -> Curves:
    """Worst over the depressions and ranges, for every bearing."""
    array = found.hydrophones_m[None]
    bearing, position = (
        errors[0].reshape(-1, n_bearings).max(axis=0)
        for errors in (criterion.bearing_errors(array), criterion.position_errors(array))
    )
    return Curves(np.rad2deg(bearing), position)


def _rounded(criterion: Criterion, found: Found, limit: float) -> Found:
    """Bow first, to tenths of a millimetre where that keeps mounting and limit."""
    places = found.hydrophones_m[np.lexsort((found.hydrophones_m[:, 1], -found.hydrophones_m[:, 0]))]
    for decimals in _ROUNDING:
        array = np.round(places, decimals) + 0.0
        if not fits(criterion.mounting, array):
            continue
        rounded = judged(criterion, array)
        if rounded.wrong_integer <= max(limit, found.wrong_integer):
            return rounded
    return Found(places, found.error, found.wrong_integer)
