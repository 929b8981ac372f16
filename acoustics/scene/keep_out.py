"""Keep-out zones: where the vehicle must not go, seen from above."""

from __future__ import annotations

from typing import Annotated

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import Field, field_validator

from acoustics.base.frames import Floats
from acoustics.base.polygons import contains, corners_moved, cross_properly, signed_area
from acoustics.scene.model import Name, Number, SceneModel


class KeepOut(SceneModel):
    """A polygon, convex or not, that the vehicle's origin stays out of; draw it with the room that the hull needs."""

    name: Annotated[Name, Field(description="Name of the zone, as answers give it.")] = "keep-out"
    outline_m: Annotated[
        Annotated[tuple[tuple[Number, Number], ...], Field(min_length=3, max_length=64)],
        Field(description="Corners of the zone seen from above, in order; draw it with the room that the hull needs."),
    ]

    @field_validator("outline_m")
    @classmethod
    def _simple(cls, outline: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
        corners = np.array(outline)
        if outline[0] == outline[-1]:
            raise ValueError(f"the last corner repeats the first, {list(outline[0])}; leave it out: the outline closes")
        following = np.roll(corners, -1, axis=0)
        if np.any(np.hypot(*(following - corners).T) < 1e-6):
            raise ValueError("two corners of the outline coincide")
        if np.any(cross_properly(corners[:, None], following[:, None], corners, following)):
            raise ValueError("the outline crosses itself; give the corners in order round the zone")
        area = signed_area(corners)
        if abs(area) < 1e-6:
            raise ValueError("the outline encloses nothing")
        return outline if area > 0 else outline[::-1]

    @property
    def corners_m(self) -> Floats:
        """Corners, shape (k, 2) [m], in the sense that turns x to y."""
        return np.array(self.outline_m)

    def contains(self, places_m: ArrayLike) -> NDArray[np.bool_]:
        """Whether places of shape (..., 2 or more) [m] lie inside."""
        return contains(self.corners_m, places_m)

    def crossed_by(self, from_m: ArrayLike, to_m: ArrayLike) -> NDArray[np.bool_]:
        """Whether the straight way between outer places, of shape (..., 2 or more) [m], leads through the zone."""
        a = np.asarray(from_m, dtype=float)[..., None, :2]
        b = np.asarray(to_m, dtype=float)[..., None, :2]
        edges = np.any(cross_properly(a, b, self.corners_m, np.roll(self.corners_m, -1, axis=0)), axis=-1)
        # A way that enters and leaves exactly through corners crosses no edge properly; its middle is inside.
        return edges | self.contains(0.5 * (a + b)[..., 0, :])

    def corners_outside_m(self, clearance_m: float) -> Floats:
        """Places, shape (k, 2) [m], so far outside of the corners that a way round the zone can turn there."""
        return corners_moved(self.corners_m, clearance_m)
