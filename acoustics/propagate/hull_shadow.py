"""The vehicle's own bodies between its hydrophones and the sound that comes to them."""

from __future__ import annotations

from dataclasses import replace
from typing import Self

import numpy as np

from acoustics.base.frames import Floats, Pose
from acoustics.base.record import record
from acoustics.propagate.images import Bools, Ints
from acoustics.scene.mounting import Mounting
from acoustics.scene.scene import Scene


@record
class Hull:
    """Hydrophones among the bodies of `[[mounting.shadow]]`, the vehicle at a pose or at many.

    Sound that comes along a straight line is blocked or not; none is diffracted round a body or scattered by it.

    Parameters
    ----------
    mounting : Mounting
        With the bodies.
    hydrophones_m : ndarray, shape (n_hydrophones, 3)
        Where they are meant to be, body frame [m]: one that sits on a body does not get into it by its tolerance.
    position_m : ndarray, shape (..., 3)
        Origin of the body frame in the site [m].
    rotation : ndarray, shape (..., 3, 3)
        As `Pose.rotation`.
    """

    mounting: Mounting
    hydrophones_m: Floats
    position_m: Floats
    rotation: Floats

    @classmethod
    def of(cls, scene: Scene, pose: Pose, hydrophones_m: Floats | None = None) -> Self | None:
        """The scene's vehicle at a pose, with its own hydrophones unless others are given; None if nothing blocks."""
        if not scene.mounting.shadows:
            return None
        hydrophones = scene.array.positions_m if hydrophones_m is None else hydrophones_m
        return cls(scene.mounting, hydrophones, np.asarray(pose.position_m, dtype=float), pose.rotation)

    def spread(self, batch: tuple[int, ...]) -> Self:
        """The same with one pose for each element of a batch, flattened, shapes (n_elements, ...)."""
        return replace(
            self,
            position_m=np.broadcast_to(self.position_m, (*batch, 3)).reshape(-1, 3),
            rotation=np.broadcast_to(self.rotation, (*batch, 3, 3)).reshape(-1, 3, 3),
        )

    def take(self, rows: Ints) -> Self:
        """Some of the poses, by index once spread."""
        return replace(self, position_m=self.position_m[rows], rotation=self.rotation[rows])

    def clear(self, element: Ints, from_m: Floats) -> Bools:
        """Whether the straight line to each hydrophone is free of the vehicle's bodies.

        Parameters
        ----------
        element : ndarray of int, shape (n,)
            Poses, by index once spread.
        from_m : ndarray, shape (n, 3) or (3,)
            Where the sound seems to come from [m]: the pinger, or its image for an echo, whose last leg counts.

        Returns
        -------
        ndarray of bool, shape (n, n_hydrophones)
        """
        place, turn = self.position_m[element], self.rotation[element]
        toward = np.einsum("nki,nk->ni", turn, from_m - place)[:, None] - self.hydrophones_m
        # Towards an image above the surface only the part in the water is a path of sound.
        depth = place[:, 2, None] + turn[:, 2] @ self.hydrophones_m.T
        height = np.maximum(-np.broadcast_to(from_m, place.shape)[:, 2, None], 0.0)
        share = np.maximum(depth, 0.0) / np.maximum(depth + height, 1e-9)
        reach = np.where(height > 0, share, 1.0)
        return self.mounting.clear(self.hydrophones_m, self.hydrophones_m + reach[..., None] * toward)
