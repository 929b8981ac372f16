"""The pool: a vertical prism over an outline with a floor of plane parts, or open water with fewer faces."""

from __future__ import annotations

from functools import cached_property
from typing import Annotated

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import Field

from acoustics.base.frames import Floats
from acoustics.base.polygons import HalfPlanes, clearance, corner_turns, half_planes
from acoustics.base.record import record
from acoustics.base.site import PoolShape
from acoustics.scene.material import Material
from acoustics.scene.model import DEEPEST_M, NotNegative, SceneModel

_CONCRETE = Material.model_validate("concrete")


@record
class Face:
    """A plane that reflects.

    Parameters
    ----------
    name : str
        'surface', 'floor' ('floor-1' onwards where it has several planes), or 'wall-1' onwards in the order of the
        outline.
    normal : ndarray, shape (3,)
        Unit vector into the water.
    point : ndarray, shape (3,)
        A point on the plane [m].
    vertices : ndarray, shape (k, 3), or None
        Corners in order round the face [m], of a convex polygon that holds all of it where the water is not convex;
        None where the plane has no edge (open water).
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


class Pool(PoolShape, SceneModel):
    """Outline and floor of the water, and what they are made of."""

    walls: Annotated[
        Material, Field(description="What the walls are made of: a known material or a table of its properties.")
    ] = _CONCRETE
    floor: Annotated[Material, Field(description="What the floor is made of, as for walls.")] = _CONCRETE
    surface_roughness_m: Annotated[
        NotNegative, Field(description="Rms height of the waves; a quarter of the height from trough to crest.")
    ] = 0.0
    floor_roughness_m: Annotated[NotNegative, Field(description="Rms height of the floor's roughness.")] = 0.0

    @property
    def is_rectangular(self) -> bool:
        """Whether the outline is a rectangle along the site's axes and the floor is level: the closed form holds."""
        return self.box_m is not None

    @cached_property
    def box_m(self) -> Floats | None:
        """Lower and upper corner (2, 3) [m] of a rectangular pool, None of any other."""
        corners = np.array(self.outline_m or ())
        if len(corners) != 4 or not self.is_level or any(len(np.unique(along)) != 2 for along in corners.T):
            return None
        return np.array([[*corners.min(axis=0), 0.0], [*corners.max(axis=0), self.deepest_m]])

    @cached_property
    def planes(self) -> tuple[Floats, Floats]:
        """Unit normals (n_faces, 3) into the water and offsets (n_faces,) [m] of `faces`: ``normal . x = offset``."""
        normals = np.array([face.normal for face in self.faces]).reshape(-1, 3)
        return normals, np.array([float(face.normal @ face.point) for face in self.faces])

    def contains(self, points_m: ArrayLike, margin_m: float = 0.0) -> NDArray[np.bool_]:
        """Whether points of shape (..., 3) [m] lie in the water, at least `margin_m` from surface, floor and walls."""
        points = np.asarray(points_m, dtype=float)
        inside = (points[..., 2] >= margin_m) & (points[..., 2] <= DEEPEST_M)
        inside &= points[..., 2] <= self.floor_depth_m(points) - margin_m
        if self._sides is not None:
            outward, offset = self._sides
            inside &= (points[..., :2] @ outward.T <= offset - margin_m).all(axis=-1)
        elif self.outline_m is not None:
            inside &= clearance(self.outline_m, points) >= margin_m
        return inside

    @cached_property
    def _sides(self) -> HalfPlanes | None:
        """The half planes that a convex outline is; inside it none of their edges is nearer than the nearest side."""
        convex = self.outline_m is not None and bool(np.all(corner_turns(self.outline_m) > 0))
        return half_planes(self.outline_m or ()) if convex else None

    @cached_property
    def faces(self) -> tuple[Face, ...]:
        """The faces that reflect: the surface, the floor, then the walls in the order of the outline."""
        covers = iter(self.face_covers if self.outline_m is not None else [None] * 3 * len(self.floor_planes.planes))
        faces = []
        if self.surface_reflects:
            released = Material(name="surface", reflection_coefficient=-1.0)
            down = np.array([0.0, 0.0, 1.0])
            faces.append(Face("surface", down, np.zeros(3), next(covers), released, self.surface_roughness_m))
        if self.has_floor:
            for name, (a, b, c) in zip(self.floor_names, self.floor_planes.planes, strict=True):
                upward = np.array([b, c, -1.0]) / np.sqrt(1 + b**2 + c**2)
                point = np.array([0.0, 0.0, a])
                faces.append(Face(name, upward, point, next(covers), self.floor, self.floor_roughness_m))
        if self.outline_m is not None:
            outward, _ = half_planes(self.outline_m)
            for k, (normal, corner) in enumerate(zip(outward, self.outline_m, strict=True)):
                inward = np.append(0.0 - normal, 0.0)  # 0.0 - : no negative zeros
                faces.append(Face(f"wall-{k + 1}", inward, np.array([*corner, 0.0]), next(covers), self.walls, 0.0))
        return tuple(faces)
