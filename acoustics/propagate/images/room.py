"""What an image-source method needs of a room, on plain arrays: its planes, how they reflect, sound speed."""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record

Complexes = NDArray[np.complex128]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

Reflection = complex | Callable[[Floats], Complexes]
"""Pressure coefficient: one for all angles, or a function of grazing angles [rad] of any shape."""

MeanSpeed = Callable[[Floats, Floats], Floats]
"""Harmonic mean sound speed [m/s] along straight segments between two depths [m] of any shape."""

MAX_IMAGES = 100_000
_PAIRS_AT_ONCE = 4_000_000
_SLACK_M = 1e-6


@record
class Room:
    """A room with plane faces, bounded or not.

    It is convex, the points x with ``normals @ x >= offsets``, unless `edges` says where its faces end.

    Parameters
    ----------
    normals : ndarray, shape (n_faces, 3)
        Unit vectors into the water.
    offsets_m : ndarray, shape (n_faces,)
        ``normal . point`` for the points of each plane [m].
    reflections : tuple of Reflection or None, length n_faces
        How each face reflects; None for one that swallows all sound.
    mean_speed_m_s : MeanSpeed
        Sound speed along a straight segment.
    fastest_m_s : float
        No less than any sound speed in the room [m/s]; it bounds the search and enters no result.
    outlines_m : ndarray, shape (n_faces, n_corners, 3), or None
        Corners of each face in order [m], the last one repeated where a face has fewer; None where the room is
        open at some side. Where the room is not convex, of convex polygons that hold the faces.
    box_m : ndarray, shape (2, 3), or None
        Lower and upper corner [m] where the room is a box along the axes, so that the closed form holds. The
        room then has six faces, one to each side of each axis.
    edges : ndarray, shape (n_faces, n_edges, 4), or None
        Of a room that is not convex: half spaces (n, d), ``n . x >= d`` [m], that end each face where no other face
        hides what is beyond; (0, 0, 0, 0) for no edge.
    """

    normals: Floats
    offsets_m: Floats
    reflections: tuple[Reflection | None, ...]
    mean_speed_m_s: MeanSpeed
    fastest_m_s: float
    outlines_m: Floats | None = None
    box_m: Floats | None = None
    edges: Floats | None = None

    @cached_property
    def sides(self) -> list[tuple[int, int]]:
        """Of a box: index of the lower and the upper face of each axis, whose normals point up and down the axis."""
        lower, upper = self.normals.argmax(axis=0), self.normals.argmin(axis=0)
        return list(zip(lower.tolist(), upper.tolist(), strict=True))

    @property
    def swallows(self) -> bool:
        """Whether some face reflects nothing."""
        return any(reflection is None for reflection in self.reflections)


@record
class Images:
    """Images of the source; the source itself is the first, of order 0.

    Parameters
    ----------
    position_m : ndarray, shape (n_images, 3)
        Positions [m].
    order : ndarray of int, shape (n_images,)
        Number of reflections.
    cell : ndarray of int, shape (n_images, 3) or (n_images,)
        Place in the lattice of a rectangular room; in any other room the row of `parents`.
    parents : ndarray of int, shape (n_images found, n_faces), or None
        Row of the image that each face mirrors into this one; -1 where there is none.
    """

    position_m: Floats
    order: Ints
    cell: Ints
    parents: Ints | None = None

    def take(self, index: Ints | Bools) -> Images:
        """The images of one index array, in its order."""
        return Images(self.position_m[index], self.order[index], self.cell[index], self.parents)


def too_many_images(reach_m: Floats) -> ParameterError:
    """The error of a search that would not end in good time."""
    return ParameterError(
        f"echoes over paths of up to {float(np.max(reach_m)):.1f} m are too many in this pool (over {MAX_IMAGES:,} "
        "image sources); listen for a shorter time (simulate: --reverberation-ms; else pinger.length_s), or give a "
        "floor of fewer planes"
    )


@record
class Pairs:
    """Which image is seen from which receiver, by index: receivers of shape (...), images of one that fits it."""

    image: Ints
    receiver: Ints


@record
class Paths:
    """What becomes of sound on its way from the source to a receiver, for each pair of image and receiver.

    Parameters
    ----------
    exists : ndarray of bool, shape (...)
        Whether the path meets its faces in order inside their outlines, and nothing else on its way.
    gain : ndarray of complex, of a shape that broadcasts to (...)
        Product of the reflection coefficients; 0 where the path does not exist.
    slowness_s_m : ndarray, shape (...)
        Travel time over path length [s/m]; meaningless where the path does not exist.
    """

    exists: Bools
    gain: Complexes
    slowness_s_m: Floats


def within_reach(positions_m: Floats, receivers_m: Floats, reach_m: Floats) -> Bools:
    """Whether each position lies within reach of at least one receiver, each receiver having its own reach.

    Parameters
    ----------
    positions_m : ndarray, shape (n, 3)
        Positions [m].
    receivers_m : ndarray, shape (m, 3)
        Receivers [m].
    reach_m : ndarray, shape (m,)
        Reach of each receiver [m].

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    # |x - r|^2 - reach^2 without |x|^2, as one matrix multiplication: a fourth coordinate carries what has no x in it.
    placed = np.concatenate([positions_m, np.ones((len(positions_m), 1))], axis=-1).T
    beyond = np.sum(receivers_m**2, axis=-1) - (reach_m + _SLACK_M) ** 2
    heard = np.concatenate([-2.0 * receivers_m, beyond[:, None]], axis=-1)
    least = np.full(len(positions_m), np.inf)
    step = max(1, _PAIRS_AT_ONCE // max(1, len(positions_m)))
    for start in range(0, len(receivers_m), step):
        np.minimum(least, np.min(heard[start : start + step] @ placed, axis=0), out=least)
    return np.asarray(least + np.sum(positions_m**2, axis=-1) <= 0)


def reflected(reflection: Reflection | None, sin_grazing: Floats) -> Complexes:
    """Pressure coefficient of a face at sines of the grazing angle of any shape."""
    if callable(reflection):
        return reflection(np.arcsin(np.clip(sin_grazing, 0.0, 1.0)))
    return np.full(np.shape(sin_grazing), 0.0 if reflection is None else reflection, dtype=complex)


def path_gain(room: Room, faces: NDArray[np.int8], sin_grazing: Floats) -> Complexes:
    """Product of the coefficients of every bounce, each at its own grazing angle.

    Parameters
    ----------
    room : Room
        Gives the coefficients.
    faces : ndarray of int8, shape (n_pairs, n_bounces)
        Index of the face of each bounce; -1 where there is none.
    sin_grazing : ndarray, shape (n_pairs, n_bounces)
        Sine of the grazing angle [1].

    Returns
    -------
    ndarray of complex, shape (n_pairs,)
    """
    factors = np.ones(faces.shape, dtype=complex)
    for face, reflection in enumerate(room.reflections):
        here = faces == face
        if np.any(here):
            factors[here] = reflected(reflection, sin_grazing[here])
    return np.prod(factors, axis=-1)
