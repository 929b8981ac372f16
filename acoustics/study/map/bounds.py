"""What theory says of one ping in every cell of a map, the vehicle at one heading or at the worst of many."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acoustics.accuracy.bounds import bearing_bound, position_information
from acoustics.accuracy.information import eliminate_nuisance
from acoustics.accuracy.link_budget import LinkBudget, link_budget
from acoustics.accuracy.observability import position_bound_of
from acoustics.base.frames import Floats, bearing_and_depression
from acoustics.base.record import record
from acoustics.estimate.position import EXACT_DEPTH_SD_M
from acoustics.physics.direct_rays import direct_rays
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.map.cells import Cells, reached_in_cells, sources_seen, windows_seen
from acoustics.study.map.fixes import FixModel
from acoustics.study.map.stations import of_bearing_and_inverse

_LEAST_SPEED_SD = 1e-6


@record
class CellBounds:
    """Of the cells at one heading each, shape (n_cells, ...).

    `reached`: which hydrophones no body of the vehicle blocks; `information`: about site bearing [rad] and inverse of
    the horizontal distance [1/m], all other unknowns eliminated.
    """

    heading: Floats
    source_m: Floats
    window_s: Floats
    reached: NDArray[np.bool_]
    link: LinkBudget
    bearing_sd: Floats
    position_m: Floats
    information: Floats

    @property
    def heard(self) -> NDArray[np.bool_]:
        """Where at least two hydrophones hear some of the burst, shape (n_cells,)."""
        return np.isfinite(self.link.carrier_variance_s2) & (self.reached.sum(axis=-1) > 1)

    def patterns(self) -> list[tuple[NDArray[np.intp], NDArray[np.intp]]]:
        """Sets of hydrophones that are reached together, by index, each with the cells in which they are heard."""
        rows, which = np.unique(self.reached, axis=0, return_inverse=True)
        heard = self.heard
        found = [(np.flatnonzero(row), np.flatnonzero((which.ravel() == k) & heard)) for k, row in enumerate(rows)]
        return [(hydrophones, cells) for hydrophones, cells in found if cells.size]


def bounds_in_cells(scene: Scene, pinger: Pinger, model: FixModel, cells: Cells, heading: float) -> CellBounds:
    """Cramer-Rao bounds with the vehicle at one heading [rad] in all cells."""
    source = sources_seen(scene, pinger, cells, heading)
    window = windows_seen(scene, pinger, cells, heading)
    reached = reached_in_cells(scene, pinger, cells, heading)
    link = link_budget(scene, pinger, np.linalg.norm(source, axis=-1), window_s=window)
    return _bounds(model, np.full(len(source), heading), source, window, reached, link)


def with_link(model: FixModel, at: CellBounds, link: LinkBudget) -> CellBounds:
    """The same cells, each at its heading, with another link: no bounds then, but what they say of its variances."""
    return _bounds(model, at.heading, at.source_m, at.window_s, at.reached, link)


def _bounds(
    model: FixModel, heading: Floats, source: Floats, window: Floats, reached: NDArray[np.bool_], link: LinkBudget
) -> CellBounds:
    variance = link.carrier_variance_s2[:, None]
    nuisance: dict[str, Any] = {
        "arrival_variance_s2": variance if reached.all() else np.where(reached, variance, np.inf),
        "element_sd_m": model.sizes.element_sd_m,
        "skew_sd_s": model.sizes.skew_sd_s,
        "attitude_sd": model.sizes.single_attitude_sd,
    }
    speed, speed_sd = model.sound_speed_m_s, model.sizes.sound_speed_sd_m_s
    bearing = bearing_bound(
        model.hydrophones_m, *bearing_and_depression(source), speed, sound_speed_sd_m_s=speed_sd, **nuisance
    )
    own_sd = [model.sizes.position_sd_m, model.sizes.position_sd_m, 0.0]  # its depth counts with the pinger's
    rays = None if model.profile is None else direct_rays(model.profile, model.hydrophones_m.mean(axis=0), source)
    information = position_information(
        model.hydrophones_m, source, speed, pivot_m=np.zeros(3), position_sd_m=own_sd, rays=rays, **nuisance
    )
    position = position_bound_of(
        information,
        source - model.hydrophones_m.mean(axis=0),
        source_depth_sd_m=model.source_depth_sd_m,
        sound_speed_sd_m_s=speed_sd,
    )
    error = position.horizontal_rms_m
    if rays is not None:
        error = np.where(rays.reached, error, np.inf)
    return CellBounds(
        heading,
        source,
        window,
        reached,
        link,
        bearing.bearing_sd,
        error,
        _of_bearing_and_distance(information, source, model.source_depth_sd_m, speed_sd),
    )


def _of_bearing_and_distance(information: Floats, source: Floats, depth_sd: float, speed_sd: float) -> Floats:
    """Information about bearing and inverse distance, shape (n, 2, 2), from that about place and sound speed."""
    priors = np.array([0.0, 0.0, max(depth_sd, EXACT_DEPTH_SD_M), max(speed_sd, _LEAST_SPEED_SD)])
    whole = information + np.diag(np.divide(1.0, priors**2, out=np.zeros(4), where=priors > 0))
    return of_bearing_and_inverse(eliminate_nuisance(whole, 2), source[:, :2])


def worst_bounds(turned: Sequence[CellBounds]) -> CellBounds:
    """In each cell the heading of the largest position error, and with it the largest bearing error of all."""
    if len(turned) == 1:
        return turned[0]
    bearing = np.array([t.bearing_sd for t in turned])
    position = np.array([t.position_m for t in turned])
    # Where no position is observed at any heading, the bearing decides.
    worst = np.lexsort((bearing, position), axis=0)[-1]
    row = np.arange(len(worst))

    def pick(values: list[Floats]) -> Any:
        return np.array(values)[worst, row]

    links = [vars(t.link) for t in turned]
    link = {name: pick([np.broadcast_to(each[name], row.shape) for each in links]) for name in links[0]}
    picked = {f.name: pick([getattr(t, f.name) for t in turned]) for f in fields(CellBounds) if f.name != "link"}
    return CellBounds(**picked | {"bearing_sd": bearing.max(axis=0)}, link=LinkBudget(**link))
