"""The site sketch of a scene: as it is, and as a crew with a tape measure and a lead line would draw it."""

from __future__ import annotations

import numpy as np

from acoustics.base.errors import SceneError
from acoustics.base.frames import Floats
from acoustics.base.polygons import half_planes, meeting_places
from acoustics.base.site import PoolShape, StationPlace
from acoustics.io.site_sketch import SiteSketch
from acoustics.scene.scene import Scene

_TRIES = 100
_DECIMALS = 3  # nobody measures a pool to better than a millimetre


def sketch_of_scene(scene: Scene) -> SiteSketch:
    """The scene's pool and stations taken at their word."""
    pool = {name: getattr(scene.pool, name) for name in PoolShape.model_fields}
    stations = [{name: getattr(s, name) for name in StationPlace.model_fields} for s in scene.stations]
    return SiteSketch.model_validate({"title": scene.title, "pool": pool, "station": stations})


def drawn_sketch(scene: Scene, rng: np.random.Generator) -> SiteSketch:
    """The sketch of a crew that measured walls and floor with the errors of the pool's standard deviations.

    Raises
    ------
    ParameterError
        If errors so large leave no pool.
    """
    sketch, pool = sketch_of_scene(scene), scene.pool
    for _ in range(_TRIES):
        shape = sketch.pool.model_dump(exclude={"outline_m", "depth_m", "floor_points_m", "depth_profile_m"})
        if pool.outline_m is not None:
            shape["outline_m"] = _moved_outline(np.array(pool.outline_m), pool.wall_sd_m, rng)
        if pool.has_floor:
            shape |= _moved_floor(pool, rng)
        try:
            return SiteSketch.model_validate(
                {"title": sketch.title, "pool": shape, "station": [s.model_dump() for s in sketch.stations]}
            )
        except ValueError:  # an error of several standard deviations, or standard deviations as large as the pool
            continue
    raise SceneError(
        f"pool.wall_sd_m = {pool.wall_sd_m:g}, pool.floor_sd_m = {pool.floor_sd_m:g} and pool.floor_slope_sd = "
        f"{pool.floor_slope_sd:g} are too large to draw a site sketch of this pool; choose smaller ones"
    )


def _moved_outline(corners: Floats, sd_m: float, rng: np.random.Generator) -> list[list[float]]:
    """Corners where the walls meet once each has been moved across itself."""
    outward, offset = half_planes(corners)
    moved = meeting_places((outward, offset - sd_m * rng.standard_normal(len(corners))))
    return np.round(moved, _DECIMALS).tolist()


def _moved_floor(pool: PoolShape, rng: np.random.Generator) -> dict[str, object]:
    x, y = pool.middle_m
    depth, *slope = rng.standard_normal(3) * [pool.floor_sd_m, pool.floor_slope_sd, pool.floor_slope_sd]
    if pool.depth_profile_m is not None:  # it has no slope along y
        rows = np.array(pool.depth_profile_m)
        rows[:, 1] = np.round(rows[:, 1] + depth + (rows[:, 0] - x) * slope[0], _DECIMALS)
        return {"depth_profile_m": rows.tolist()}
    # Far apart, so that the rounding does not tilt the floor.
    given = pool.floor_points_m or (pool.outline_m or [(0.0, 0.0), (100.0, 0.0), (0.0, 100.0)])[:3]
    places = np.array([place[:2] for place in given])
    depths = pool.floor_depth_m(places) + depth + (places - [x, y]) @ slope
    return {"floor_points_m": np.column_stack([places, np.round(depths, _DECIMALS)]).tolist()}
