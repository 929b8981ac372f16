"""Where hydrophones may be mounted on the vehicle, and what of the vehicle stands between them and the pinger."""

from __future__ import annotations

from typing import Annotated, Literal, Self

import numpy as np
from numpy.typing import ArrayLike
from pydantic import Field, model_validator

from acoustics.base.frames import Floats
from acoustics.scene.model import NotNegative, Point, Positive, SceneModel
from acoustics.scene.shadow import Bools, segment_meets_box, segment_meets_cylinder
from acoustics.scene.vehicle import Vehicle

_ON_IT_M = 1e-6  # nearer than this a point is on a surface


class _Block(SceneModel):
    """A box between two corners, its edges along the axes of the body frame."""

    low_m: Annotated[Point, Field(description="The corner with the lowest x, y and z in the body frame.")]
    high_m: Annotated[Point, Field(description="The corner with the highest.")]

    @model_validator(mode="after")
    def _corners_in_order(self) -> Self:
        if np.any(np.subtract(self.high_m, self.low_m) <= 0):
            raise ValueError(f"high_m must exceed low_m in x, y and z, got {list(self.low_m)} and {list(self.high_m)}")
        return self


class BoxRegion(_Block):
    """A box that hydrophones may be mounted in."""

    kind: Annotated[Literal["box"], Field(description="The region's shape.")] = "box"

    @property
    def corner(self) -> Floats:
        """One corner, shape (3,) [m]."""
        return np.array(self.low_m)

    @property
    def edges(self) -> Floats:
        """The edges that leave it, rows of shape (3, 3) [m]."""
        return np.diag(np.subtract(self.high_m, self.low_m))


class HullPatch(SceneModel):
    """A plane rectangle on the hull that hydrophones may be mounted on: a corner, and the two edges that leave it."""

    kind: Annotated[Literal["hull_patch"], Field(description="The region's shape.")]
    corner_m: Annotated[Point, Field(description="A corner of the rectangle in the body frame.")]
    along_m: Annotated[Point, Field(description="One edge that leaves the corner.")]
    across_m: Annotated[Point, Field(description="The other, at right angles.")]

    @model_validator(mode="after")
    def _rectangle(self) -> Self:
        lengths = np.linalg.norm(self.edges, axis=-1)
        if lengths.min() < _ON_IT_M or abs(float(np.dot(*self.edges))) > 1e-6 * float(np.prod(lengths)):
            raise ValueError("along_m and across_m must be at right angles and not zero")
        return self

    @property
    def corner(self) -> Floats:
        """One corner, shape (3,) [m]."""
        return np.array(self.corner_m)

    @property
    def edges(self) -> Floats:
        """The edges that leave it, rows of shape (2, 3) [m]."""
        return np.array([self.along_m, self.across_m])


class KeepOutBox(_Block):
    """A box that no hydrophone may be mounted in; its faces are allowed."""


class BoxBody(_Block):
    """A box of the vehicle that blocks the straight path of sound."""

    kind: Annotated[Literal["box"], Field(description="The body's shape.")] = "box"

    def blocks(self, start_m: ArrayLike, end_m: ArrayLike) -> Bools:
        """Whether it stands between start and end, shape (..., 3) [m]."""
        return segment_meets_box(start_m, end_m, self.low_m, self.high_m)


class CylinderBody(SceneModel):
    """A cylinder of the vehicle, such as a pressure tube, that blocks the straight path of sound."""

    kind: Annotated[Literal["cylinder"], Field(description="The body's shape.")]
    from_m: Annotated[Point, Field(description="Centre of one end in the body frame.")]
    to_m: Annotated[Point, Field(description="Centre of the other.")]
    radius_m: Annotated[Positive, Field(description="Its radius.")]

    @model_validator(mode="after")
    def _has_a_length(self) -> Self:
        if np.linalg.norm(np.subtract(self.to_m, self.from_m)) < _ON_IT_M:
            raise ValueError(f"from_m and to_m are the same place, {list(self.from_m)}")
        return self

    def blocks(self, start_m: ArrayLike, end_m: ArrayLike) -> Bools:
        """Whether it stands between start and end, shape (..., 3) [m]."""
        return segment_meets_cylinder(start_m, end_m, self.from_m, self.to_m, self.radius_m)


Region = Annotated[BoxRegion | HullPatch, Field(discriminator="kind")]
Body = Annotated[BoxBody | CylinderBody, Field(discriminator="kind")]


class Mounting(SceneModel):
    """The `[mounting]` table, all in the body frame. Without regions: the box below the origin that the hull spans.

    `minimum_spacing_m` is between the centres of two hydrophones; `tolerance_m` the standard deviation, per axis,
    with which one can be mounted.
    """

    regions: Annotated[
        Annotated[tuple[Region, ...], Field(alias="region", max_length=32)],
        Field(
            description=(
                "Where hydrophones may be mounted; left out: the box below the origin that vehicle.hull_m spans."
            )
        ),
    ] = ()
    keep_outs: Annotated[
        Annotated[tuple[KeepOutBox, ...], Field(alias="keep_out", max_length=64)],
        Field(description="Where they may not."),
    ] = ()
    shadows: Annotated[
        Annotated[tuple[Body, ...], Field(alias="shadow", max_length=64)],
        Field(description="Bodies of the vehicle that block the straight path of sound."),
    ] = ()
    minimum_spacing_m: Annotated[
        Positive, Field(description="Least distance between the centres of two hydrophones.")
    ] = 0.015
    tolerance_m: Annotated[
        NotNegative, Field(description="Standard deviation, per axis, with which one can be mounted.")
    ] = 1e-3

    def on(self, vehicle: Vehicle) -> Mounting:
        """The same with the regions filled in from `vehicle.hull_m` where none are given."""
        if self.regions:
            return self
        length, width, height = vehicle.hull_m
        hull = BoxRegion(low_m=(-length / 2, -width / 2, 0.0), high_m=(length / 2, width / 2, height))
        return self.model_copy(update={"regions": (hull,)})

    def nearest(self, points_m: ArrayLike) -> Floats:
        """The nearest points of the regions to points of shape (..., 3) [m]; keep-outs are not looked at."""
        points = np.asarray(points_m, dtype=float)
        found = np.stack([self._nearest_in(region, points) for region in self.regions])
        which = np.linalg.norm(found - points, axis=-1).argmin(axis=0)
        return np.take_along_axis(found, which[None, ..., None], axis=0)[0]

    def allows(self, points_m: ArrayLike) -> Bools:
        """Whether points of shape (..., 3) [m] lie in a region and in no keep-out, shape (...)."""
        points = np.asarray(points_m, dtype=float)
        allowed = np.linalg.norm(self.nearest(points) - points, axis=-1) < _ON_IT_M
        for box in self.keep_outs:
            inside = (points > np.array(box.low_m) + _ON_IT_M) & (points < np.array(box.high_m) - _ON_IT_M)
            allowed &= ~inside.all(axis=-1)
        return np.asarray(allowed)

    def fits(self, hydrophones_m: ArrayLike) -> Bools:
        """Whether arrays of shape (..., n, 3) [m] meet regions, keep-outs and minimum spacing, shape (...)."""
        points = np.asarray(hydrophones_m, dtype=float)
        first, second = np.triu_indices(points.shape[-2], k=1)
        apart = np.linalg.norm(points[..., first, :] - points[..., second, :], axis=-1)
        far_enough = (apart >= self.minimum_spacing_m - _ON_IT_M).all(axis=-1)
        return np.asarray(far_enough & self.allows(points).all(axis=-1))

    def hears(self, hydrophones_m: ArrayLike, sources_m: ArrayLike) -> Bools:
        """Which hydrophones have a straight path to which sources.

        Parameters
        ----------
        hydrophones_m : array_like, shape (..., n_hydrophones, 3)
            In the body frame [m].
        sources_m : array_like, shape (n_sources, 3)
            In the body frame [m].

        Returns
        -------
        ndarray of bool, shape (..., n_sources, n_hydrophones)
            False where a body of the vehicle blocks the path.
        """
        start = np.asarray(hydrophones_m, dtype=float)[..., None, :, :]
        return self.clear(start, np.asarray(sources_m, dtype=float)[:, None, :])

    def clear(self, start_m: ArrayLike, end_m: ArrayLike) -> Bools:
        """Whether no body of the vehicle stands between start and end, shape (..., 3) in the body frame [m]."""
        start, end = np.asarray(start_m, dtype=float), np.asarray(end_m, dtype=float)
        clear = np.ones(np.broadcast_shapes(start.shape, end.shape)[:-1], dtype=bool)
        for body in self.shadows:
            clear &= ~body.blocks(start, end)
        return clear

    @staticmethod
    def _nearest_in(region: BoxRegion | HullPatch, points: Floats) -> Floats:
        edges = region.edges
        share = (points - region.corner) @ edges.T / (edges**2).sum(axis=-1)
        return region.corner + np.clip(share, 0.0, 1.0) @ edges
