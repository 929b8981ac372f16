"""Runs as the vehicle has them: some of them, several joined, and what it makes of them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import fields, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.estimate.fuse import FusedFix, PingRun, SourceArea, Track, fuse_pings
from acoustics.physics.error_model import ErrorSizes
from acoustics.scene.scene import Scene


@record
class SimulatedRuns:
    """Runs of shape (n_runs,) as the vehicle would have them.

    `outlier`, (n_runs, n_pings): pings made wrong on purpose; `wrong_integer`: those with integers
    resolved wrongly. `path_m`, (n_pings, 3): where the vehicle truly was; `errors_of_places`, (n_runs, n_pings,
    8 + 4 n_hydrophones): what was drawn, in order and units of `EchoPlaces.by`, the pinger's depth taken as it is.
    """

    run: PingRun
    track: Track
    errors: ErrorSizes
    source_depth_m: Floats
    outlier: NDArray[np.bool_]
    wrong_integer: NDArray[np.bool_]
    path_m: Floats
    errors_of_places: Floats

    def some(self, rows: NDArray[np.intp]) -> SimulatedRuns:
        """Some of the runs, those past one pinger."""
        run = self.run
        return replace(
            self,
            run=replace(
                run,
                tdoa_s=np.where(run.heard[rows][..., None], run.tdoa_s[rows], np.nan),
                covariance_s2=run.covariance_s2[rows],
                arrival_s=None if run.arrival_s is None else run.arrival_s[rows],
                undetected=run.undetected and replace(run.undetected, lasting_share=run.undetected.lasting_share[rows]),
                alternatives_s=None if run.alternatives_s is None else run.alternatives_s[rows],
                alternative_misfit=None if run.alternative_misfit is None else run.alternative_misfit[rows],
            ),
            track=Track(**{f.name: getattr(self.track, f.name)[rows] for f in fields(Track)}),
            source_depth_m=self.source_depth_m[rows],
            outlier=self.outlier[rows],
            wrong_integer=self.wrong_integer[rows],
            errors_of_places=self.errors_of_places[rows],
        )


def join_runs(parts: Sequence[SimulatedRuns]) -> SimulatedRuns:
    """Runs of one vehicle past different pingers, one part after the other; all of as many pings."""

    def joined(values: Iterable[ArrayLike]) -> Any:
        return np.concatenate([np.asarray(value) for value in values])

    run = parts[0].run
    most = max(p.run.alternatives_s.shape[2] if p.run.alternatives_s is not None else 1 for p in parts)
    offset, misfit = zip(*(_padded(p.run, most) for p in parts), strict=True)
    return SimulatedRuns(
        run=replace(
            run,
            tdoa_s=joined(np.where(p.run.heard[..., None], p.run.tdoa_s, np.nan) for p in parts),
            covariance_s2=joined(p.run.covariance_s2 for p in parts),
            undetected=run.undetected
            and replace(
                run.undetected, lasting_share=joined(p.run.undetected.lasting_share for p in parts if p.run.undetected)
            ),
            alternatives_s=None if most == 1 else joined(offset),
            alternative_misfit=None if most == 1 else joined(misfit),
        ),
        track=Track(**{f.name: joined(getattr(p.track, f.name) for p in parts) for f in fields(Track)}),
        # The skew depends on the pinger's frequency.
        errors=replace(
            parts[0].errors,
            skew_sd_s=joined(np.broadcast_to(p.errors.skew_sd_s, len(p.source_depth_m)) for p in parts),
        ),
        source_depth_m=joined(p.source_depth_m for p in parts),
        outlier=joined(p.outlier for p in parts),
        wrong_integer=joined(p.wrong_integer for p in parts),
        path_m=parts[0].path_m,
        errors_of_places=joined(p.errors_of_places for p in parts),
    )


def _padded(run: PingRun, most: int) -> tuple[Floats, Floats]:
    """Alternatives of the pings of runs, and their misfits, with room for so many."""
    *shape, k = run.tdoa_s.shape
    offset, misfit = np.zeros((*shape, most, k)), np.full((*shape, most), np.inf)
    misfit[..., 0] = 0.0
    if run.alternatives_s is not None and run.alternative_misfit is not None:
        m = run.alternatives_s.shape[-2]
        offset[..., :m, :], misfit[..., :m] = run.alternatives_s, run.alternative_misfit
    return offset, misfit


def fuse_simulated(scene: Scene, runs: SimulatedRuns, *, area: SourceArea | None) -> FusedFix:
    """The vehicle's own fusion of simulated runs."""
    return fuse_pings(
        runs.run,
        runs.track,
        runs.errors,
        source_depth_m=runs.source_depth_m,
        source_depth_sd_m=scene.study.pinger_depth_sd_m,
        area=area,
    )
