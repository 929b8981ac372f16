"""Echoes in a rectangular room with a level floor, in closed form: the images of the source form a lattice.

J. B. Allen and D. A. Berkley, Image method for efficiently simulating small-room acoustics, J. Acoust. Soc.
Am. 65, 943-950 (1979): along each axis the images lie at ``(1 - 2 q) s + 2 n L`` and the path meets the lower
face ``|n - q|`` times and the upper one ``|n|`` times (eq. 10). Here one integer ``k = 2 n - q`` counts the
cells of the lattice along an axis: the image lies in ``[k L, (k + 1) L]`` and the path meets ``|k|`` faces.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from acoustics.errors import ParameterError
from acoustics.geometry import Floats
from acoustics.propagate.room import MAX_IMAGES, Images, Ints, Paths, Room, too_many_images, within_reach


def lattice_images(room: Room, source_m: Floats, receivers_m: Floats, reach_m: Floats) -> Images:
    """Images whose path may reach at least one receiver within its reach.

    Parameters
    ----------
    room : Room
        A box; the faces that reflect nothing cut the lattice short.
    source_m : ndarray, shape (3,)
        Source [m].
    receivers_m : ndarray, shape (n_receivers, 3)
        Receivers [m].
    reach_m : ndarray, shape (n_receivers,)
        Longest path of interest to each [m].

    Returns
    -------
    Images
        Sorted by order, then by place in the lattice.

    Raises
    ------
    ParameterError
        If the room is not a box, or more than `MAX_IMAGES` images may be within reach.
    """
    lower, upper = _box(room)
    length = upper - lower
    farthest = float(np.max(reach_m))
    axes, gaps = [], []
    for axis in range(3):
        most = int(np.ceil(farthest / length[axis])) + 1
        k = np.arange(-most, most + 1)
        place = _image_coordinate(k, source_m[axis] - lower[axis], length[axis]) + lower[axis]
        gap = np.maximum(receivers_m[:, axis].min() - place, place - receivers_m[:, axis].max()).clip(min=0)
        inside = gap <= farthest
        axes.append(k[inside])
        gaps.append(gap[inside] ** 2)
    gap_squared = gaps[0][:, None, None] + gaps[1][:, None] + gaps[2]
    if np.sum(gap_squared <= farthest**2) > MAX_IMAGES:
        raise too_many_images(reach_m)
    picked = np.nonzero(gap_squared <= farthest**2)
    cell = np.stack([axes[axis][picked[axis]] for axis in range(3)], axis=-1)
    bounces = _bounces(cell)
    silent = [[room.reflections[face] is None for face in pair] for pair in _face_of_side(room)]
    cell = cell[~np.any(np.asarray(silent) & (bounces > 0), axis=(1, 2))]
    position = _image_coordinate(cell, source_m - lower, length) + lower
    order = np.abs(cell).sum(axis=-1)
    images = Images(position, order, cell).take((order == 0) | within_reach(position, receivers_m, reach_m))
    return images.take(np.lexsort((*images.cell.T, images.order)))


def lattice_paths(room: Room, source_m: Floats, images: Images, receivers_m: Floats) -> Paths:
    """Gain and slowness of the path of each pair; in a rectangular room every one exists.

    Parameters
    ----------
    room : Room
        A box.
    source_m : ndarray, shape (3,)
        Source [m].
    images : Images
        One a pair, n_pairs in all.
    receivers_m : ndarray, shape (n_pairs, 3)
        Receiver of each pair [m].

    Returns
    -------
    Paths
    """
    across = np.abs(images.position_m - receivers_m)
    sin_grazing = across / np.linalg.norm(across, axis=-1, keepdims=True)
    bounces = _bounces(images.cell)
    gain = np.ones(len(across), dtype=complex)
    for axis, pair in enumerate(_face_of_side(room)):
        for side, face in enumerate(pair):
            reflection, met = room.reflections[face], bounces[:, axis, side] > 0
            if reflection is not None and np.any(met):
                grazing = np.arcsin(np.clip(sin_grazing[met, axis], 0.0, 1.0))
                gain[met] *= reflection(grazing) ** bounces[met, axis, side]
    slowness = _vertical_slowness(room, source_m[2], images.cell[:, 2], receivers_m[:, 2])
    return Paths(np.ones(len(across), dtype=bool), gain, slowness)


def lattice_faces(room: Room, images: Images, receivers_m: Floats) -> NDArray[np.int8]:
    """Faces that the path of each pair meets, in order from the source.

    Parameters
    ----------
    room : Room
        A box.
    images : Images
        One a pair, n_pairs in all.
    receivers_m : ndarray, shape (n_pairs, 3)
        Receiver of each pair [m].

    Returns
    -------
    ndarray of int8, shape (n_pairs, largest order)
        Index of the face; -1 after the last.
    """
    lower, upper = _box(room)
    along, faces = [], []
    for axis, pair in enumerate(_face_of_side(room)):
        k, r = images.cell[:, axis, None], receivers_m[:, axis, None]
        most = int(np.abs(k).max(initial=0))
        j = np.arange(most)
        first = np.where(k > 0, upper[axis] - r, r - lower[axis])
        travelled = first + j * (upper[axis] - lower[axis])
        span = np.abs(images.position_m[:, axis, None] - r)
        fraction = np.divide(travelled, span, out=np.ones_like(travelled), where=span > 0)
        along.append(np.where(j < np.abs(k), fraction, -1.0))
        faces.append(np.where((k > 0) == (j % 2 == 0), pair[1], pair[0]))
    fraction, face = np.concatenate(along, axis=1), np.concatenate(faces, axis=1)
    order = np.argsort(-fraction, axis=1, kind="stable")[:, : int(images.order.max(initial=0))]
    met = np.take_along_axis(fraction, order, axis=1) >= 0
    return np.where(met, np.take_along_axis(face, order, axis=1), -1).astype(np.int8)


def _box(room: Room) -> tuple[Floats, Floats]:
    if room.box_m is None:
        raise ParameterError("room.box_m=None: the lattice of images needs a rectangular room with a level floor")
    return room.box_m[0], room.box_m[1]


def _face_of_side(room: Room) -> list[tuple[int, int]]:
    """Index of the lower and the upper face of each axis: their normals point up and down the axis."""
    return [(int(np.argmax(room.normals[:, axis])), int(np.argmin(room.normals[:, axis]))) for axis in range(3)]


def _image_coordinate(k: Ints, source_m: Floats, length_m: Floats) -> Floats:
    """``(1 - 2 q) s + 2 n L`` with ``k = 2 n - q``, measured from the lower face."""
    n, q = (k + 1) // 2, k % 2
    return (1 - 2 * q) * source_m + 2 * n * length_m


def _bounces(k: Ints) -> Ints:
    """Bounces off the lower and the upper face, ``|n - q|`` and ``|n|``, shape (..., 2)."""
    n, q = (k + 1) // 2, k % 2
    return np.stack([np.abs(n - q), np.abs(n)], axis=-1)


def _vertical_slowness(room: Room, source_z: float, k: Ints, receiver_z: Floats) -> Floats:
    """Mean slowness [s/m] of a path that meets surface and floor ``|k|`` times: it depends on depth alone.

    Seen from the receiver the vertical way is one part leg, ``|k| - 1`` full depths and another part leg.
    """
    lower, upper = (float(corner[2]) for corner in _box(room))
    bounces = np.abs(k)
    first_plane = np.where(k > 0, upper, lower)
    last_plane = np.where(bounces % 2 == 1, first_plane, lower + upper - first_plane)
    source = np.full_like(receiver_z, source_z)
    first, last = np.abs(first_plane - receiver_z), np.abs(last_plane - source)
    full = (bounces - 1) * (upper - lower)
    total = first + full + last
    bottom_to_top = room.mean_speed_m_s(np.array(lower), np.array(upper))
    spent = (
        first / room.mean_speed_m_s(receiver_z, first_plane)
        + full / bottom_to_top
        + last / room.mean_speed_m_s(last_plane, source)
    )
    straight = 1 / room.mean_speed_m_s(receiver_z, source)
    return np.where((bounces > 0) & (total > 0), spent / np.where(total > 0, total, 1.0), straight)
