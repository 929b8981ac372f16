"""Outline, floor and stations, and how well they are known: what a scenario and a site sketch have in common."""

from __future__ import annotations

from functools import cached_property
from typing import Annotated, Self

import numpy as np
from numpy.typing import ArrayLike
from pydantic import Field, field_validator, model_validator

from acoustics.base.frames import Floats
from acoustics.base.polygons import corner_turns, signed_area
from acoustics.base.table_model import DEEPEST_M, Flag, Name, NotNegative, Number, Point, Positive, TableModel


class StationPlace(TableModel):
    """A candidate station; priors are weights and need not add up to one."""

    name: Annotated[Name, Field(description="Name of the station, as answers give it.")]
    position_m: Annotated[
        Point,
        Field(description="Where it is in the site frame: x, y and depth. Measure from the corner that is the origin."),
    ]
    prior: Annotated[
        Positive,
        Field(
            description=(
                "How likely the pinger is there before anything is heard, as a weight against the other stations."
            )
        ),
    ] = 1.0


class PoolShape(TableModel):
    """A vertical prism over a convex outline with a plane floor. No outline: open water without walls.

    `wall_sd_m`: standard deviation of each wall's place across itself; `floor_sd_m`: of the floor's depth in the
    middle; `floor_slope_sd`: of its slope along x and y.
    """

    outline_m: Annotated[
        Annotated[tuple[tuple[Number, Number], ...], Field(max_length=64)] | None,
        Field(
            description=(
                "Corners of the outline seen from above, in order round the pool; leave it out for open water. Tape "
                "along the edge."
            )
        ),
    ] = None
    depth_m: Annotated[
        Positive | None, Field(description="Depth of a level floor. A weight on a marked line tells it.")
    ] = None
    floor_points_m: Annotated[
        tuple[Point, Point, Point] | None,
        Field(description="Three points of a sloping floor: x, y and depth; instead of depth_m."),
    ] = None
    surface_reflects: Annotated[
        Flag, Field(description="Whether the surface sends an echo; it does unless it is covered.")
    ] = True
    wall_sd_m: Annotated[NotNegative, Field(description="How well the place of each wall is known, across itself.")] = (
        0.05
    )
    floor_sd_m: Annotated[NotNegative, Field(description="How well the floor's depth is known in the middle.")] = 0.05
    floor_slope_sd: Annotated[
        NotNegative, Field(description="How well the floor's slope along x and y is known, as rise over run.")
    ] = 0.002

    @field_validator("outline_m")
    @classmethod
    def _convex(cls, outline: tuple[tuple[float, float], ...] | None) -> tuple[tuple[float, float], ...] | None:
        if outline is None:
            return None
        if len(outline) < 3:
            raise ValueError(f"an outline needs at least 3 corners, got {len(outline)}")
        corners = np.array(outline)
        if outline[0] == outline[-1]:
            raise ValueError(f"the last corner repeats the first, {list(outline[0])}; leave it out: the outline closes")
        if np.any(np.hypot(*(np.roll(corners, -1, axis=0) - corners).T) < 1e-6):
            raise ValueError("two corners of the outline coincide")
        turn, area = corner_turns(corners), signed_area(corners)
        wrong = np.flatnonzero(np.sign(turn) != np.sign(area))
        if wrong.size:
            raise ValueError(
                f"the outline is not convex at corner {wrong[0] + 1} {outline[wrong[0]]}; give a convex one"
            )
        if not np.isclose(abs(turn.sum()), 2 * np.pi):
            raise ValueError("the outline crosses itself; give the corners in order round the pool")
        # One sense of rotation inside the program: clockwise seen from above, x to y, interior on the +normal side.
        return outline if area > 0 else outline[::-1]

    @model_validator(mode="after")
    def _floor_in_range(self) -> Self:
        if self.depth_m is not None and self.floor_points_m is not None:
            raise ValueError("depth_m and floor_points_m exclude each other; keep one of them")
        if self.outline_m is not None and not self.has_floor:
            raise ValueError("a pool with an outline needs depth_m or floor_points_m")
        if self.floor_points_m is not None:
            corners = np.array(self.floor_points_m)
            if abs(np.linalg.det(np.column_stack([np.ones(3), corners[:, :2]]))) < 1e-6:
                raise ValueError("floor_points_m must be three points that do not lie on one line seen from above")
        if self.outline_m is not None:
            depths = self.floor_depth_m(np.array(self.outline_m))
            if np.any(depths <= 0):
                corner = int(np.argmin(depths))
                raise ValueError(
                    f"the floor rises out of the water at corner {self.outline_m[corner]}: depth {depths[corner]:.2f} m"
                )
            if np.any(depths > DEEPEST_M):
                raise ValueError(f"the water is {depths.max():.0f} m deep; no water is deeper than {DEEPEST_M:.0f} m")
        return self

    @property
    def has_floor(self) -> bool:
        return self.depth_m is not None or self.floor_points_m is not None

    @cached_property
    def floor_plane(self) -> tuple[float, float, float]:
        """Coefficients (a, b, c) of the floor, depth = a + b x + c y [m, 1, 1]; (inf, 0, 0) where there is none."""
        if self.floor_points_m is None:
            return (float("inf") if self.depth_m is None else self.depth_m, 0.0, 0.0)
        points = np.array(self.floor_points_m)
        a, b, c = np.linalg.solve(np.column_stack([np.ones(3), points[:, :2]]), points[:, 2])
        return float(a), float(b), float(c)

    def floor_depth_m(self, place_m: ArrayLike) -> Floats:
        """Depth of the floor [m] below places of shape (..., 2 or more) [m]; inf where there is no floor."""
        place = np.asarray(place_m, dtype=float)
        a, b, c = self.floor_plane
        return a + b * place[..., 0] + c * place[..., 1]

    @property
    def extent_m(self) -> float:
        """Longest way across the outline [m], infinite in open water: an error as large says nothing of the place."""
        if self.outline_m is None:
            return float("inf")
        corners = np.array(self.outline_m)
        return float(np.linalg.norm(corners[:, None] - corners, axis=-1).max())

    @property
    def middle_m(self) -> tuple[float, float]:
        """Middle of the outline's extent, the origin in open water: where the floor's depth is known [m]."""
        if self.outline_m is None:
            return 0.0, 0.0
        corners = np.array(self.outline_m)
        x, y = (corners.min(axis=0) + corners.max(axis=0)) / 2
        return float(x), float(y)
