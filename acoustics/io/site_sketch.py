"""The site sketch: what a crew knows of the water, and the TOML file that says so.

It holds nothing of a pinger or of a simulation's truth, so an estimator may see it.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Self

import numpy as np
from pydantic import Field, model_validator

from acoustics.base.frames import Floats
from acoustics.base.site import PoolShape, StationPlace
from acoustics.base.table_model import TableModel, Title
from acoustics.base.toml_tables import read_toml, validated
from acoustics.physics.image_receivers import FloorPart, PlaneFaces, prism_faces


class SiteSketch(TableModel):
    """Outline, floor and surface with the standard deviations of their places, and the stations."""

    title: Title = "untitled"
    pool: PoolShape
    stations: Annotated[tuple[StationPlace, ...], Field(alias="station", max_length=64)] = ()

    @model_validator(mode="after")
    def _stations_in_the_water(self) -> Self:
        for k, station in enumerate(self.stations, 1):
            if not 0 <= station.position_m[2] <= self.pool.floor_depth_m(station.position_m):
                raise ValueError(
                    f"station[{k}].position_m: {station.name} at {list(station.position_m)} is not between the "
                    f"surface and the floor, which is {float(self.pool.floor_depth_m(station.position_m)):.2f} m deep "
                    "there"
                )
        return self


def read_sketch(path: str | Path) -> SiteSketch:
    """Read a site sketch.

    Parameters
    ----------
    path : str or Path
        TOML file: `title`, the table `[pool]` and tables `[[station]]`, with keys as in a scenario.

    Raises
    ------
    InputError
        If the file cannot be read, is not TOML, or a key is missing, unknown or wrong.
    """
    return validated(SiteSketch, read_toml(Path(path)), str(path))


def sketch_text(sketch: SiteSketch) -> str:
    """The sketch as the text of its file, the inverse of `read_sketch`."""
    # A TOML basic string and a JSON string escape alike, and a list of numbers is the same in both.
    lines = [f"title = {json.dumps(sketch.title, ensure_ascii=False)}", "", "[pool]"]
    lines += _pairs(sketch.pool)
    for station in sketch.stations:
        lines += ["", "[[station]]", *_pairs(station)]
    return "\n".join(lines) + "\n"


def _pairs(table: TableModel) -> list[str]:
    values = table.model_dump(mode="json")
    return [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in values.items() if value is not None]


def site_faces(pool: PoolShape) -> PlaneFaces:
    """The faces that reflect, in the order in which `propagate` names them, for mirroring hydrophones."""
    x, y = pool.middle_m
    planes = pool.floor_planes.planes if pool.has_floor else ()
    return prism_faces(
        None if pool.outline_m is None else np.array(pool.outline_m),
        floor=[FloorPart(n, a + b * x + c * y, (b, c)) for n, (a, b, c) in zip(pool.floor_names, planes, strict=False)],
        pivot_m=pool.middle_m,
        surface=pool.surface_reflects,
    )


def faces_sd(pool: PoolShape, faces: PlaneFaces) -> Floats:
    """Standard deviation of each of the faces' parameters, shape (n_parameters,) [m or 1]."""
    known = {
        "floor_depth": pool.floor_sd_m,
        "floor_slope_x": pool.floor_slope_sd,
        "floor_slope_y": pool.floor_slope_sd,
    }
    return np.array([known.get(name, pool.wall_sd_m) for name in faces.parameters])
