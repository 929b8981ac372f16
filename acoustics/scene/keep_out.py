"""Keep-out zones: where the vehicle must not go, seen from above."""

from __future__ import annotations

from typing import Annotated

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import Field, field_validator

from acoustics.base.frames import Floats
from acoustics.scene.model import Name, Number, SceneModel


class KeepOut(SceneModel):
    """A polygon, convex or not, that the vehicle's origin stays out of; draw it with the room that the hull needs."""

    name: Name = "keep-out"
    outline_m: Annotated[tuple[tuple[Number, Number], ...], Field(min_length=3, max_length=64)]

    @field_validator("outline_m")
    @classmethod
    def _simple(cls, outline: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
        corners = np.array(outline)
        if outline[0] == outline[-1]:
            raise ValueError(f"the last corner repeats the first, {list(outline[0])}; leave it out: the outline closes")
        following = np.roll(corners, -1, axis=0)
        if np.any(np.hypot(*(following - corners).T) < 1e-6):
            raise ValueError("two corners of the outline coincide")
        if np.any(_cross_properly(corners[:, None], following[:, None], corners, following)):
            raise ValueError("the outline crosses itself; give the corners in order round the zone")
        area = 0.5 * np.sum(corners[:, 0] * following[:, 1] - corners[:, 1] * following[:, 0])
        if abs(area) < 1e-6:
            raise ValueError("the outline encloses nothing")
        return outline if area > 0 else outline[::-1]

    @property
    def corners_m(self) -> Floats:
        """Corners, shape (k, 2) [m], in the sense that turns x to y."""
        return np.array(self.outline_m)

    def contains(self, places_m: ArrayLike) -> NDArray[np.bool_]:
        """Whether places of shape (..., 2 or more) [m] lie inside."""
        place = np.asarray(places_m, dtype=float)[..., None, :]
        start, end = self.corners_m, np.roll(self.corners_m, -1, axis=0)
        # A ray from a place inside meets the edges an odd number of times.
        spans = (start[:, 1] > place[..., 1]) != (end[:, 1] > place[..., 1])
        rise = np.where(start[:, 1] == end[:, 1], 1.0, end[:, 1] - start[:, 1])  # a level edge spans nothing
        meets = start[:, 0] + (place[..., 1] - start[:, 1]) * (end[:, 0] - start[:, 0]) / rise
        return np.asarray(np.sum(spans & (place[..., 0] < meets), axis=-1) % 2 == 1)

    def crossed_by(self, from_m: ArrayLike, to_m: ArrayLike) -> NDArray[np.bool_]:
        """Whether the straight way between outer places, of shape (..., 2 or more) [m], leads through the zone."""
        a = np.asarray(from_m, dtype=float)[..., None, :2]
        b = np.asarray(to_m, dtype=float)[..., None, :2]
        edges = np.any(_cross_properly(a, b, self.corners_m, np.roll(self.corners_m, -1, axis=0)), axis=-1)
        # A way that enters and leaves exactly through corners crosses no edge properly; its middle is inside.
        return edges | self.contains(0.5 * (a + b)[..., 0, :])

    def corners_outside_m(self, clearance_m: float) -> Floats:
        """Places, shape (k, 2) [m], so far outside of the corners that a way round the zone can turn there."""
        along = np.roll(self.corners_m, -1, axis=0) - self.corners_m
        along /= np.linalg.norm(along, axis=-1, keepdims=True)
        outward = np.stack([along[:, 1], -along[:, 0]], axis=-1)
        both = outward + np.roll(outward, 1, axis=0)
        length = np.maximum(np.linalg.norm(both, axis=-1, keepdims=True), 1e-9)
        return self.corners_m + clearance_m * both / length


def _cross_properly(a: Floats, b: Floats, c: Floats, d: Floats) -> NDArray[np.bool_]:
    """Whether segments a-b and c-d, each end of shape (..., 2), cross at a place that is no end of either."""

    def side(p: Floats, q: Floats, r: Floats) -> Floats:
        return (q[..., 0] - p[..., 0]) * (r[..., 1] - p[..., 1]) - (q[..., 1] - p[..., 1]) * (r[..., 0] - p[..., 0])

    parted = side(a, b, c) * side(a, b, d) < 0
    return np.asarray(parted & (side(c, d, a) * side(c, d, b) < 0))
