"""What places by echoes a run past the stations has: errors at their bound, and how often the estimator finds one."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from acoustics.accuracy.echo_bound import EchoPlaceErrors, echo_place_errors
from acoustics.base.frames import Floats
from acoustics.base.intervals import Interval, rate_interval
from acoustics.base.record import record
from acoustics.estimate.fuse import usable_echoes, why_no_places
from acoustics.io.echo_fix import FAR_M
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws import FoundPlaces, scale_of_variances
from acoustics.study.execution import Arrays, Running, run_chunks


@record
class RenderedPlaces:
    """What the estimator by echoes made of rendered runs past the stations.

    `runs`, `pings`: how many were rendered; shares of pings: `usable`, with a place that may be used, `far` of these
    over 1 m off; `given_up`: share of the runs whose pings together deny the sketch. `variance_scale`: how much larger
    than those of their bound the variances of the other places were.
    """

    runs: int
    pings: int
    usable: Interval
    far: Interval
    given_up: Interval
    variance_scale: float


@record
class EchoOutlook:
    """Of one pinger: places found in rendered runs along a path (n_pings, 3) [m], their errors anywhere, with variances
    so much larger than their bound's."""

    path_m: Floats
    found: FoundPlaces
    variance_scale: float

    def along(self, path_m: Floats) -> NDArray[np.intp]:
        """Which rendered ping is the nearest to each place of a path (n, 3) [m]."""
        return np.asarray(np.linalg.norm(path_m[:, None] - self.path_m, axis=-1).argmin(axis=-1))


@record
class _Run:
    scene: Scene
    pinger: Pinger
    path_m: Floats
    seed: np.random.SeedSequence


def rendered_places(
    scene: Scene,
    pingers: Sequence[Pinger],
    path_m: Floats,
    *,
    runs: int,
    seed: np.random.SeedSequence,
    fingerprint: str,
    running: Running,
    progress: Callable[[int, int], None],
) -> tuple[list[EchoOutlook], RenderedPlaces]:
    """Render so many runs along a path past each pinger, and what the estimator by echoes finds in them."""
    past = [pinger for pinger in pingers for _ in range(runs)]
    tasks = [_Run(scene, pinger, path_m, child) for pinger, child in zip(past, seed.spawn(len(past)), strict=True)]
    kept = None if running.folder is None else running.folder / "rendered"
    results = run_chunks(
        _found,
        tasks,
        running=replace(running, folder=kept),
        fingerprint=fingerprint,
        progress=progress,
    )
    usable, heard, given_up = (
        np.stack([result[name] for result in results]).astype(bool) for name in ("usable", "heard", "given_up")
    )
    away = np.stack([result["away_m"] for result in results]).astype(float)
    off = np.linalg.norm(away, axis=-1)
    wrong = usable & (off > FAR_M)
    right = (usable & ~wrong & ~given_up[:, None]).reshape(len(pingers), runs, -1)
    scale = _scale([place_errors(scene, pinger, path_m) for pinger in pingers], away.reshape(*right.shape, 2), right)
    # A sketch is given up for what it is, not for where the pinger stands: the runs past all of them tell how often.
    outlooks = []
    for rows in np.split(np.arange(len(tasks)), len(pingers)):
        going_on = rows[~given_up[rows]] if not given_up[rows].all() else rows
        places = FoundPlaces(usable[going_on], np.where(wrong, off, 0.0)[going_on], float(given_up.mean()))
        outlooks.append(EchoOutlook(path_m, places, scale))
    return outlooks, RenderedPlaces(
        runs=len(tasks),
        pings=int(heard.sum()),
        usable=_share(usable, heard),
        far=_share(wrong, usable),
        given_up=_share(given_up, np.ones_like(given_up)),
        variance_scale=scale,
    )


def _scale(errors: list[EchoPlaceErrors], away_m: Floats, right: NDArray[np.bool_]) -> float:
    """How much larger variances are than the bound's, by right places of shape (n_pingers, runs, n_pings)."""
    pinger, run, ping = np.nonzero(right)
    at = [errors[k].at(p) for k, p in zip(pinger.tolist(), ping.tolist(), strict=True)]
    return scale_of_variances(at, away_m[pinger, run, ping])


def _share(part: NDArray[np.bool_], whole: NDArray[np.bool_]) -> Interval:
    """How much of the whole; nothing known where there is none."""
    return rate_interval(int(part.sum()), int(whole.sum())) if whole.any() else Interval(0.0, 0.0, 1.0)


def _found(run: _Run) -> Arrays:
    """Of each ping whether it was heard, whether it has a place that may be used, and how far off that is."""
    from acoustics.study.rendered_run import rendered_run  # here, for most runs of stations render nothing

    n = len(run.path_m)
    usable, heard, away = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool), np.zeros((n, 2))
    pings = rendered_run(run.scene, run.pinger, run.path_m, np.random.default_rng(run.seed))
    for ping in pings:
        at = ping.ping - 1
        heard[at], usable[at] = True, usable_echoes(ping)
        if usable[at] and ping.echoes is not None:
            away[at] = (ping.echoes.modes[0].position_m - run.pinger.position_m)[:2]
    given_up = bool(usable.any()) and bool(why_no_places(pings))
    return {"usable": usable, "away_m": away, "heard": heard, "given_up": np.array(given_up)}


def place_errors(scene: Scene, pinger: Pinger, path_m: Floats, variance_scale: float = 1.0) -> EchoPlaceErrors:
    """Of places of a pinger by its pings along a path (n_pings, 3) [m]."""
    n = len(path_m)
    heading = np.full(n, scene.vehicle.pose.heading)
    found = echo_place_errors(scene, pinger, path_m, heading, np.tile(pinger.position_m, (n, 1)))
    return replace(found, variance_scale=variance_scale)
