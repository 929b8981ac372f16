"""Places by echoes of simulated runs: off by the errors that the run has drawn, where one is found."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acoustics.accuracy.echo_bound import EchoPlaceErrors
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.estimate.echoes import VARIANCE_SCALE
from acoustics.estimate.fuse import SAME_ECHOES_M, EchoPlaces, FusedFix, contradicts_bearings
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws.beforehand import source_area
from acoustics.study.draws.simulated_runs import SimulatedRuns, fuse_simulated

_AS_STATED = 4  # places: as many as tell a variance to a half


@record
class FoundPlaces:
    """Of which pings of m runs the estimator finds a place that may be used, and which of these are wrong.

    Parameters
    ----------
    usable : ndarray of bool, shape (m, n_pings)
        Whether there is a place.
    off_m : ndarray, shape (m, n_pings)
        How far a wrong one is from the pinger [m]; 0 for one that errs as its bound says.
    given_up : float
        Share of further runs whose pings together give the sketch up, so that none of their places counts [1].
    """

    usable: NDArray[np.bool_]
    off_m: Floats
    given_up: float = 0.0

    def drawn(self, along: NDArray[np.intp], n_runs: int, rng: np.random.Generator) -> FoundPlaces:
        """Of n runs heard at those of indices (n_pings,): each gives the sketch up or goes as one of these."""
        which = rng.integers(len(self.usable), size=n_runs)[:, None]
        goes_on = rng.random((n_runs, 1)) >= self.given_up
        return FoundPlaces(self.usable[which, along] & goes_on, self.off_m[which, along])


def fuse_with_places(
    scene: Scene,
    pinger: Pinger,
    runs: SimulatedRuns,
    alone: FusedFix,
    errors: EchoPlaceErrors,
    found: FoundPlaces,
    rng: np.random.Generator,
) -> Iterator[tuple[NDArray[np.intp], FusedFix]]:
    """Runs whose position rests on places by echoes, some at a time, and which these are, as `fuse --echoes` decides.

    Parameters
    ----------
    scene : Scene
        As of `fuse_simulated`.
    pinger : Pinger
        That the runs pass.
    runs : SimulatedRuns
        Past this pinger alone.
    alone : FusedFix
        By their bearings.
    errors : EchoPlaceErrors
        Of each ping along the path, shape (n_pings,).
    found : FoundPlaces
        Of each run and ping.
    rng : Generator
        Source of randomness.
    """
    places = drawn_places(runs, np.array(pinger.position_m[:2]), errors, found.off_m, rng)
    placed = found.usable & errors.told & runs.run.heard
    patterns, which = np.unique(placed, axis=0, return_inverse=True)
    for k, pattern in enumerate(patterns):
        if not pattern.any():
            continue
        rows = np.flatnonzero(which.ravel() == k)
        some = runs.some(rows)
        fix = fuse_simulated(
            scene, with_places(some, places[rows], pattern, errors, pinger.position_m[2]), area=source_area(scene)
        )
        before = FusedFix(**{name: value[rows] for name, value in vars(alone).items()})
        kept = (fix.inliers & pattern).any(axis=-1)
        kept &= ~contradicts_bearings(before, fix, np.asarray(some.track.position_m)[:, -1])
        if kept.any():
            yield rows[kept], FusedFix(**{name: value[kept] for name, value in vars(fix).items()})


def drawn_places(
    runs: SimulatedRuns, source_m: Floats, errors: EchoPlaceErrors, off_m: Floats, rng: np.random.Generator
) -> Floats:
    """Where echoes put the pinger, (n_runs, n_pings, 2) [m], by its true depth: the fusion takes that as unknown.

    `source_m`, (2,) or (n_runs, 1, 2) [m], is where it is; `off_m`, (n_runs, n_pings), as in `FoundPlaces`.
    """
    known = runs.errors_of_places
    shape, k = known.shape[:2], errors.by.shape[-1]
    site = np.broadcast_to(rng.normal(size=(shape[0], 1, k - known.shape[-1])), (*shape, k - known.shape[-1]))
    drift = np.einsum("pik,rpk->rpi", errors.by, np.concatenate([known, site], axis=-1))
    same = _together(runs.path_m)
    # What the model leaves out is the same where the same echoes are heard.
    unit = rng.normal(size=(*shape, 2))[:, same.argmax(axis=-1)]
    spread = np.linalg.cholesky(np.where(errors.told[:, None, None], errors.noise_m2, np.eye(2)))
    right = source_m + drift + np.einsum("pij,rpj->rpi", spread, unit)
    turn = rng.uniform(0.0, 2.0 * np.pi, shape)
    wrong = source_m + off_m[..., None] * np.stack([np.cos(turn), np.sin(turn)], axis=-1)
    return np.where(off_m[..., None] > 0, wrong, right)


def scale_of_variances(errors: Sequence[EchoPlaceErrors], off_m: Floats) -> float:
    """How much larger than the bound's the variances of n places found were, at least 1.

    `errors`, of shape (1,) each, are those at the bound; `off_m`, (n, 2), is how far the places were from their
    pinger, whose depth was known rightly. A few tell little: the mean squares count beside those of some places that
    err as the estimator states.
    """
    square, bound, count = 0.0, 0.0, 0
    for at, off in zip(errors, off_m, strict=True):
        if at.told[0]:
            square += float(np.sum(off**2 + (at.by[0, :, 0] * at.sd[0]) ** 2))
            bound += float(np.trace(at.covariance_m2[0]))
            count += 1
    found = square / bound if count else 0.0
    return max((count * found + _AS_STATED * VARIANCE_SCALE) / (count + _AS_STATED), 1.0)


def _together(path_m: Floats) -> NDArray[np.bool_]:
    """Which pings of a path hear the same echoes, shape (n_pings, n_pings)."""
    return np.asarray(np.linalg.norm(path_m[:, None] - path_m, axis=-1) < SAME_ECHOES_M)


def with_places(
    runs: SimulatedRuns, places_m: Floats, pattern: NDArray[np.bool_], errors: EchoPlaceErrors, depth_m: float
) -> SimulatedRuns:
    """The runs with places in the stead of the time differences of the pings of a pattern (n_pings,)."""
    run, p = runs.run, len(pattern)
    count = (_together(runs.path_m) & pattern).sum(axis=-1)
    noise = np.where(pattern[:, None, None], errors.noise_m2 * count[:, None, None], np.eye(2))
    echoes = EchoPlaces(
        place_m=np.where(pattern[:, None], places_m, np.nan)[:, :, None],
        noise_m2=noise[:, None],
        by=np.where(pattern[:, None, None], errors.by, 0.0)[:, None],
        depth_m=np.full(p, depth_m),
        misfit=np.zeros((p, 1)),
    )
    here = pattern[:, None]
    delays = np.where(here | run.heard[..., None], np.where(here, 0.0, run.tdoa_s), np.nan)
    covariance = np.where(here[..., None], np.eye(delays.shape[-1]), run.covariance_s2)
    changed: dict[str, Any] = {}
    if run.alternatives_s is not None and run.alternative_misfit is not None:
        one = np.where(np.arange(run.alternatives_s.shape[-2]) > 0, np.inf, 0.0)
        changed = {
            "alternatives_s": np.where(here[..., None], 0.0, run.alternatives_s),
            "alternative_misfit": np.where(here, one, run.alternative_misfit),
        }
    return replace(
        runs,
        run=replace(
            run,
            tdoa_s=delays,
            covariance_s2=covariance,
            differences=np.where(here[..., None], 0.0, run.differences),
            echoes=echoes,
            **changed,
        ),
    )
