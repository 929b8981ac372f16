"""Outline, floor and stations, and how well they are known: what a scenario and a site sketch have in common."""

from __future__ import annotations

from functools import cached_property
from typing import Annotated, Self

import numpy as np
from numpy.typing import ArrayLike
from pydantic import Field, field_validator, model_validator

from acoustics.base.floors import Floor, plane_floor, profile_floor, triangulated_floor
from acoustics.base.frames import Floats
from acoustics.base.polygons import clearance, convex_hull, corner_turns, is_simple, signed_area
from acoustics.base.table_model import DEEPEST_M, Flag, Name, NotNegative, Number, Point, Positive, TableModel

_BEYOND_RIM_M = 0.5  # so far the planes at the rim of floor_points_m may be drawn out


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
    """A vertical prism over an outline, with a floor of one plane or several. No outline: open water without walls.

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
        Annotated[tuple[Point, ...], Field(min_length=3, max_length=32)] | None,
        Field(
            description=(
                "Points of the floor: x, y and depth; instead of depth_m. Three make a sloping plane; more make planes "
                "over the triangles between them, with one at or beyond each corner of the outline. A weight on a "
                "marked line."
            )
        ),
    ] = None
    depth_profile_m: Annotated[
        Annotated[tuple[tuple[Number, Positive], ...], Field(min_length=2, max_length=16)] | None,
        Field(
            description=(
                "Depths of a floor that changes along x alone: x and depth where it bends, straight between; instead "
                "of depth_m. For a shelf, a slope and a deep end."
            )
        ),
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
    def _simple(cls, outline: tuple[tuple[float, float], ...] | None) -> tuple[tuple[float, float], ...] | None:
        if outline is None:
            return None
        if len(outline) < 3:
            raise ValueError(f"an outline needs at least 3 corners, got {len(outline)}")
        corners = np.array(outline)
        if outline[0] == outline[-1]:
            raise ValueError(f"the last corner repeats the first, {list(outline[0])}; leave it out: the outline closes")
        if np.any(np.hypot(*(np.roll(corners, -1, axis=0) - corners).T) < 1e-6):
            raise ValueError("two corners of the outline coincide")
        turns = np.abs(corner_turns(corners))
        if np.any(turns > np.pi - 1e-6):
            corner = int(np.argmax(turns))
            raise ValueError(f"the outline runs back on itself at corner {corner + 1} {outline[corner]}")
        if np.any(turns < 1e-6):
            corner = int(np.argmin(turns))
            raise ValueError(f"the outline goes straight on at corner {corner + 1} {outline[corner]}; leave it out")
        if not is_simple(corners):
            raise ValueError("the outline crosses or touches itself; give the corners in order round the pool")
        # One sense of rotation inside the program: clockwise seen from above, x to y, interior on the +normal side.
        return outline if signed_area(corners) > 0 else outline[::-1]

    @field_validator("depth_profile_m")
    @classmethod
    def _increasing(cls, rows: tuple[tuple[float, float], ...] | None) -> tuple[tuple[float, float], ...] | None:
        if rows is not None and any(b[0] <= a[0] for a, b in zip(rows, rows[1:], strict=False)):
            raise ValueError("the rows must be sorted by strictly increasing x")
        return rows

    @model_validator(mode="after")
    def _floor_in_range(self) -> Self:
        given = [k for k in ("depth_m", "floor_points_m", "depth_profile_m") if getattr(self, k) is not None]
        if len(given) > 1:
            raise ValueError(f"{given[0]} and {given[1]} exclude each other; keep one of them")
        if self.outline_m is not None and not given:
            raise ValueError("a pool with an outline needs depth_m, floor_points_m or depth_profile_m")
        if self.floor_points_m is not None:
            self._check_floor_points(np.array(self.floor_points_m))
        if self.outline_m is not None:
            depths = self.floor_depth_m(np.array(self.outline_m))
            if np.any(depths <= 0):
                corner = int(np.argmin(depths))
                raise ValueError(
                    f"the floor rises out of the water at corner {self.outline_m[corner]}: depth {depths[corner]:.2f} m"
                )
            if self.deepest_m > DEEPEST_M:
                raise ValueError(f"the water is {self.deepest_m:.0f} m deep; no water is deeper than {DEEPEST_M:.0f} m")
        return self

    def _check_floor_points(self, points: Floats) -> None:
        level = points[:, :2] - points[0, :2]
        if np.linalg.svd(level, compute_uv=False)[1] < 1e-3:
            raise ValueError("floor_points_m must be points that do not lie on one line seen from above")
        if len(points) == 3:
            return
        if self.outline_m is None:
            raise ValueError("floor_points_m of more than three points needs outline_m; in open water give three")
        if np.any(points[:, 2] <= 0):
            raise ValueError("floor_points_m: every depth must be over 0")
        outside = clearance(convex_hull(points), self.outline_m) < -_BEYOND_RIM_M
        if outside.any():
            raise ValueError(
                f"floor_points_m does not reach round corner {self.outline_m[int(np.argmax(outside))]} of the outline; "
                "give a point at each corner, or beyond"
            )

    @property
    def has_floor(self) -> bool:
        return not (self.depth_m is None and self.floor_points_m is None and self.depth_profile_m is None)

    @cached_property
    def floor_planes(self) -> Floor:
        """The floor's planes that lie under the outline; one at infinite depth where there is no floor."""
        if self.depth_profile_m is not None:
            floor = profile_floor(self.depth_profile_m)
        elif self.floor_points_m is not None:
            floor = (plane_floor if len(self.floor_points_m) == 3 else triangulated_floor)(self.floor_points_m)
        else:
            level = float("inf") if self.depth_m is None else self.depth_m
            floor = Floor(np.array([[level, 0.0, 0.0]]), np.zeros((1, 0, 3)))
        return floor if self.outline_m is None else floor.under(self.outline_m)

    @property
    def floor_names(self) -> tuple[str, ...]:
        """'floor', or 'floor-1' onwards where it has several planes."""
        count = len(self.floor_planes.planes)
        return ("floor",) if count == 1 else tuple(f"floor-{k + 1}" for k in range(count))

    @cached_property
    def face_edges(self) -> Floats | None:
        """Where faces end that no other face cuts short: half spaces (n_faces, n_edges, 4), (n, d), ``n . x >= d`` [m].

        Of the surface if it reflects, the floor's planes and the walls in the order of the outline; (0, 0, 0, 0) for no
        edge. None where the water is convex, so that its planes alone bound it.
        """
        if self.is_convex:
            return None
        edges = [np.zeros((0, 4))] if self.surface_reflects else []
        for sides in self.floor_planes.edges if self.has_floor else ():
            edges.append(np.column_stack([-sides[:, :2], np.zeros(len(sides)), -sides[:, 2]]))
        corners = np.array(self.outline_m or np.zeros((0, 2)))
        after = np.roll(corners, -1, axis=0)
        along = (after - corners) / np.linalg.norm(after - corners, axis=1, keepdims=True)
        for way, begin, end in zip(along, corners, after, strict=True):
            edges.append(np.array([[*way, 0.0, way @ begin], [*-way, 0.0, -way @ end]]))
        longest = max(len(face) for face in edges)
        return np.array([np.pad(face, ((0, longest - len(face)), (0, 0))) for face in edges])

    @cached_property
    def face_covers(self) -> tuple[Floats, ...]:
        """Corners (k, 3) in order [m] of a convex polygon that holds each face, the face itself in convex water.

        In the order of `face_edges`; none in open water.
        """
        if self.outline_m is None:
            return ()
        corners, floor = np.array(self.outline_m), self.floor_planes
        # Over a floor of several planes a wall ends in a broken line: the rectangle down to the deepest holds it.
        whole = len(floor.planes) == 1
        depth = self.floor_depth_m(corners) if whole else np.full(len(corners), self.deepest_m)
        top, bottom = np.pad(corners, ((0, 0), (0, 1))), np.column_stack([corners, depth])
        after = np.roll(np.arange(len(corners)), -1)
        walls = [np.array([top[k], top[n], bottom[n], bottom[k]]) for k, n in enumerate(after)]
        surface = [np.pad(convex_hull(corners), ((0, 0), (0, 1)))] if self.surface_reflects else []
        return (*surface, *floor.parts_under(corners), *walls)

    @cached_property
    def is_convex(self) -> bool:
        """Whether the water is a convex body: an outline that bends one way only, and a floor of one plane."""
        if len(self.floor_planes.planes) > 1:
            return False
        return self.outline_m is None or bool(np.all(corner_turns(self.outline_m) > 0))

    @cached_property
    def is_level(self) -> bool:
        """Whether the floor is level all over, or there is none."""
        planes = self.floor_planes.planes
        return len(planes) == 1 and not planes[0, 1:].any()

    def floor_depth_m(self, place_m: ArrayLike) -> Floats:
        """Depth of the floor [m] below places of shape (..., 2 or more) [m]; inf where there is no floor."""
        return self.floor_planes.depth_m(place_m)

    @property
    def deepest_m(self) -> float:
        """No floor under the outline is deeper [m]; in open water the deepest place given, inf without a floor."""
        if self.depth_m is not None:
            return self.depth_m
        given = [row[-1] for row in self.depth_profile_m or self.floor_points_m or ()]
        if self.outline_m is not None and len(given) == 3 and self.depth_profile_m is None:
            return float(np.max(self.floor_depth_m(np.array(self.outline_m))))
        return max(given, default=float("inf"))

    @cached_property
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
