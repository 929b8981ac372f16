"""Where to mount so many hydrophones on the vehicle, and what that gains over the shipped arrays."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from acoustics.accuracy.cycle_lattice import LARGEST_DIMENSION
from acoustics.errors import ParameterError
from acoustics.geometry import Floats, array_rank
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.delay_level import DelayErrors, simulate_bearings
from acoustics.study.place_aim import Aim, criterion_for
from acoustics.study.place_criterion import Criterion
from acoustics.study.place_search import Found, search
from acoustics.study.place_shipped import Rival, rivals
from acoustics.study.statistics import Interval, rate_interval, rms_interval

_KNOWN_STARTS = 2
_FEWEST, _MOST = 3, LARGEST_DIMENSION + 1
_ROUNDING = (4, 6)  # decimals of a metre: tenths of a millimetre, if that keeps what the mounting asks for


@dataclass(frozen=True)
class Line:
    """One row of the comparison: prediction of the error with the right cycle [deg], and of the wrong cycle."""

    name: str
    n_hydrophones: int
    scale: float
    fits: bool
    error_deg: float
    wrong_cycle: float
    within_limit: bool


@dataclass(frozen=True)
class Check:
    """Simulation of the array found, over all its directions: RMS [deg] with the right cycle, and wrong cycles."""

    trials: int
    right_cycle_deg: Interval
    wrong_cycle: Interval


@dataclass(frozen=True)
class Placement:
    """The array found, and the shipped ones by the same measure; `*_by_bearing_deg` go with `bearing_deg`.

    `best_shipped` is the best of those that stand in the mounting as they are, keep the limit and have no more
    hydrophones; `best_scaled` the same at any scale. Gains are ratios of errors, infinite with nothing to compare.
    `error_deg` and `wrong_cycle` are by the criterion, the `mean_` ones over all directions as `simulated` is; that is
    None where the vehicle shadows a hydrophone in some direction.
    """

    title: str
    pinger: str
    frequency_hz: float
    range_m: float
    clean_window_s: float
    energy_ratio_db: float
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
    error_deg: float
    wrong_cycle: float
    within_limit: bool
    mean_error_deg: float
    mean_wrong_cycle: float
    simulated: Check | None
    heard_by_fewest: int
    shipped: tuple[Line, ...]
    best_shipped: Line | None
    best_scaled: Line | None
    gain_over_shipped: float
    gain_over_scaled: float
    bearing_deg: Floats
    error_by_bearing_deg: Floats
    shipped_by_bearing_deg: Floats | None


def study_place(
    scene: Scene,
    pinger: Pinger,
    n_hydrophones: int,
    *,
    aim: Aim,
    random_starts: int,
    trials: int,
    seed: int,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> Placement:
    """Search the scene's mounting for the best places of so many hydrophones, and set the shipped arrays beside it.

    Parameters
    ----------
    scene : Scene
        Its vehicle and pinger give range, level and clean window, its `mounting` what is allowed.
    pinger : Pinger
        One of the scene's.
    n_hydrophones : int
        3 to 8.
    aim : Aim
        The directions, and whether their worst or their mean counts.
    random_starts : int
        Starts of the search besides the best shipped arrays.
    trials : int
        Simulated pings with the array found; 0 for none.
    seed : int
        Equal seeds give equal arrays.

    Raises
    ------
    ParameterError
        A number of hydrophones that the search over cycles does not take or the regions do not hold, or as
        `criterion_for`.
    """
    if not _FEWEST <= n_hydrophones <= _MOST:
        raise ParameterError(f"{n_hydrophones} hydrophones: the search takes {_FEWEST} to {_MOST}")
    criterion, window, ratio_db = criterion_for(scene, pinger, aim)
    limit = scene.study.wrong_cycle_limit
    compared = rivals(criterion, limit)
    ours = [r for pair in compared for r in pair if r.n_hydrophones <= n_hydrophones and r.found is not None]
    known = _best_first(ours, limit)[:_KNOWN_STARTS]
    found = search(
        criterion, n_hydrophones, limit, arrays=known, random_starts=random_starts, seed=seed, progress=progress
    )
    found = _rounded(criterion, found, limit)
    best_shipped = _best(ours, limit, as_it_is=True)
    best_scaled = _best(ours, limit, as_it_is=False)
    stand_in = best_shipped or best_scaled
    shown = None if stand_in is None else stand_in.found
    first = criterion.bearing[criterion.depression == criterion.depression[0]]
    return Placement(
        title=scene.title,
        pinger=pinger.name,
        frequency_hz=pinger.frequency_hz,
        range_m=criterion.range_m,
        clean_window_s=window,
        energy_ratio_db=ratio_db,
        criterion=aim.criterion_in_words,
        bearings=aim.bearings_in_words,
        depression_deg=np.rad2deg(np.unique(criterion.depression)),
        wrong_cycle_limit=limit,
        tolerance_m=criterion.mounting.tolerance_m,
        minimum_spacing_m=criterion.mounting.minimum_spacing_m,
        starts=len(known) + random_starts,
        seed=seed,
        hydrophones_m=found.hydrophones_m,
        rank=array_rank(found.hydrophones_m),
        error_deg=float(np.rad2deg(found.error)),
        wrong_cycle=found.wrong_cycle,
        within_limit=found.wrong_cycle <= limit,
        mean_error_deg=float(np.rad2deg(np.sqrt((criterion.errors(found.hydrophones_m[None]) ** 2).mean()))),
        mean_wrong_cycle=float(criterion.wrong_cycles(found.hydrophones_m[None]).mean()),
        simulated=_simulated(criterion, found, trials, seed),
        heard_by_fewest=int(criterion.heard(found.hydrophones_m[None]).sum(axis=-1).min()),
        shipped=tuple(_line(r, limit) for pair in compared for r in pair),
        best_shipped=None if best_shipped is None else _line(best_shipped, limit),
        best_scaled=None if best_scaled is None else _line(best_scaled, limit),
        gain_over_shipped=_gain(best_shipped, found),
        gain_over_scaled=_gain(best_scaled, found),
        bearing_deg=np.rad2deg(first),
        error_by_bearing_deg=_by_bearing(criterion, found, len(first)),
        shipped_by_bearing_deg=None if shown is None else _by_bearing(criterion, shown, len(first)),
    )


def _best_first(candidates: Sequence[Rival], limit: float) -> list[Found]:
    found = [r.found for r in candidates if r.found is not None]
    return sorted(found, key=lambda f: (max(f.wrong_cycle, limit), f.error))


def _best(candidates: Sequence[Rival], limit: float, *, as_it_is: bool) -> Rival | None:
    """The best that keeps the limit."""
    sure = [
        (r.found.error, k)
        for k, r in enumerate(candidates)
        if r.found is not None and r.found.wrong_cycle <= limit and (r.scale == 1.0 or not as_it_is)
    ]
    return candidates[min(sure)[1]] if sure else None


def _line(rival: Rival, limit: float) -> Line:
    found = rival.found
    if found is None:
        return Line(rival.name, rival.n_hydrophones, rival.scale, False, float("nan"), float("nan"), False)
    error = float(np.rad2deg(found.error))
    keeps = found.wrong_cycle <= limit
    return Line(rival.name, rival.n_hydrophones, rival.scale, True, error, found.wrong_cycle, keeps)


def _simulated(criterion: Criterion, found: Found, trials: int, seed: int) -> Check | None:
    if trials == 0 or not criterion.heard(found.hydrophones_m[None]).all():
        return None
    errors = DelayErrors(
        criterion.carrier_variance_s2,
        criterion.envelope_variance_s2,
        criterion.skew_sd_s,
        np.full(len(found.hydrophones_m), criterion.mounting.tolerance_m),
        criterion.sound_speed_sd_m_s,
    )
    rng = np.random.default_rng(np.random.SeedSequence(seed))
    result = simulate_bearings(
        found.hydrophones_m,
        np.resize(criterion.bearing, trials),
        np.resize(criterion.depression, trials),
        criterion.sound_speed_m_s,
        errors,
        criterion.frequency_hz,
        rng,
    )
    right = np.rad2deg(result.error[~result.wrong_cycle])
    wrong = rate_interval(int(result.wrong_cycle.sum()), trials)
    nothing = Interval(float("nan"), float("nan"), float("nan"))
    return Check(trials, rms_interval(right, rng) if len(right) else nothing, wrong)


def _gain(rival: Rival | None, found: Found) -> float:
    return rival.found.error / found.error if rival is not None and rival.found is not None else float("inf")


def _by_bearing(criterion: Criterion, found: Found, n_bearings: int) -> Floats:
    """Worst over the depressions, for every bearing [deg]."""
    errors = criterion.errors(found.hydrophones_m[None])[0]
    return np.rad2deg(errors.reshape(-1, n_bearings).max(axis=0))


def _rounded(criterion: Criterion, found: Found, limit: float) -> Found:
    """Bow first, to tenths of a millimetre where that keeps mounting and limit."""
    places = found.hydrophones_m[np.lexsort((found.hydrophones_m[:, 1], -found.hydrophones_m[:, 0]))]
    for decimals in _ROUNDING:
        array = np.round(places, decimals)[None] + 0.0
        if not criterion.mounting.fits(array)[0]:
            continue
        rounded = Found(
            array[0], float(criterion.error_figure(array)[0]), float(criterion.wrong_cycle_figure(array)[0])
        )
        if rounded.wrong_cycle <= max(limit, found.wrong_cycle):
            return rounded
    return Found(places, found.error, found.wrong_cycle)
