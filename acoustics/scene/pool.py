"""The pool: a vertical prism over a convex outline with a plane floor, or open water with fewer faces."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Annotated, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import Field, field_validator, model_validator

from acoustics.base.frames import Floats
from acoustics.scene.material import Material
from acoustics.scene.model import DEEPEST_M, Flag, NotNegative, Number, Point, Positive, SceneModel

_CONCRETE = Material.model_validate("concrete")


@dataclass(frozen=True)
class Face:
    """A plane that reflects.

    Parameters
    ----------
    name : str
        'surface', 'floor', or 'wall-1' onwards in the order of the outline.
    normal : ndarray, shape (3,)
        Unit vector into the water.
    point : ndarray, shape (3,)
        A point on the plane [m].
    vertices : ndarray, shape (k, 3), or None
        Corners in order round the face [m]; None where the plane has no edge (open water).
    material : Material
        How it reflects.
    roughness_m : float
        Root-mean-square height of its roughness [m].
    """

    name: str
    normal: Floats
    point: Floats
    vertices: Floats | None
    material: Material
    roughness_m: float


class Pool(SceneModel):
    """Outline and floor of the water, and what they are made of. No outline: open water without walls."""

    outline_m: Annotated[tuple[tuple[Number, Number], ...], Field(max_length=64)] | None = None
    depth_m: Positive | None = None
    floor_points_m: tuple[Point, Point, Point] | None = None
    walls: Material = _CONCRETE
    floor: Material = _CONCRETE
    surface_reflects: Flag = True
    surface_roughness_m: NotNegative = 0.0
    floor_roughness_m: NotNegative = 0.0

    @field_validator("outline_m")
    @classmethod
    def _convex(cls, outline: tuple[tuple[float, float], ...] | None) -> tuple[tuple[float, float], ...] | None:
        if outline is None:
            return None
        if len(outline) < 3:
            raise ValueError(f"an outline needs at least 3 corners, got {len(outline)}")
        corners = np.array(outline)
        along = np.roll(corners, -1, axis=0) - corners
        before = np.roll(along, 1, axis=0)
        turn = before[:, 0] * along[:, 1] - before[:, 1] * along[:, 0]
        if np.any(np.hypot(*along.T) < 1e-6):
            raise ValueError("two corners of the outline coincide")
        wrong = np.flatnonzero(np.sign(turn) != np.sign(turn.sum()))
        if wrong.size:
            raise ValueError(
                f"the outline is not convex at corner {wrong[0] + 1} {outline[wrong[0]]}; give a convex one"
            )
        turned = np.arctan2(turn, np.sum(before * along, axis=1)).sum()
        if not np.isclose(abs(turned), 2 * np.pi):
            raise ValueError("the outline crosses itself; give the corners in order round the pool")
        # One sense of rotation inside the program: clockwise seen from above, x to y, interior on the +normal side.
        return outline if turn.sum() > 0 else outline[::-1]

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
    def is_rectangular(self) -> bool:
        """Whether the outline is a rectangle along the site's axes and the floor is level: the closed form holds."""
        if self.outline_m is None or self.floor_plane[1:] != (0.0, 0.0):
            return False
        corners = np.array(self.outline_m)
        return len(corners) == 4 and len(np.unique(corners[:, 0])) == 2 and len(np.unique(corners[:, 1])) == 2

    def contains(self, points_m: ArrayLike, margin_m: float = 0.0) -> NDArray[np.bool_]:
        """Whether points of shape (..., 3) [m] lie in the water, at least `margin_m` from every face."""
        points = np.asarray(points_m, dtype=float)
        inside = (points[..., 2] >= margin_m) & (points[..., 2] <= DEEPEST_M)
        inside &= points[..., 2] <= self.floor_depth_m(points) - margin_m
        for face in self.faces:
            if face.name.startswith("wall"):
                inside &= (points - face.point) @ face.normal >= margin_m
        return inside

    @cached_property
    def faces(self) -> tuple[Face, ...]:
        """The faces that reflect: the surface, the floor, then the walls in the order of the outline."""
        a, b, c = self.floor_plane
        corners = None if self.outline_m is None else np.array(self.outline_m)
        top = None if corners is None else np.column_stack([corners, np.zeros(len(corners))])
        bottom = None if corners is None else np.column_stack([corners, self.floor_depth_m(corners)])
        faces = []
        if self.surface_reflects:
            released = Material(name="surface", reflection_coefficient=-1.0)
            faces.append(
                Face("surface", np.array([0.0, 0.0, 1.0]), np.zeros(3), top, released, self.surface_roughness_m)
            )
        if self.has_floor:
            upward = np.array([b, c, -1.0]) / np.sqrt(1 + b**2 + c**2)
            faces.append(Face("floor", upward, np.array([0.0, 0.0, a]), bottom, self.floor, self.floor_roughness_m))
        if top is not None and bottom is not None:
            for k in range(len(top)):
                n = (k + 1) % len(top)
                along = top[n] - top[k]
                inward = np.array([-along[1], along[0], 0.0]) / np.hypot(along[0], along[1])
                quad = np.array([top[k], top[n], bottom[n], bottom[k]])
                faces.append(Face(f"wall-{k + 1}", inward, top[k], quad, self.walls, 0.0))
        return tuple(faces)
