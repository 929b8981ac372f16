"""Echoes in any convex room with plane faces: mirror the source recursively, keep the paths that exist.

An image is known by its position and order alone. From the receiver the ray towards it is followed through
the room, turned at each face it meets; the path exists where the ray, after as many bounces as the image has
reflections, ends at the source. So the faces are met in order and inside their outlines by construction, and
two orders of reflection that give one image (across a right-angled edge) give one path.

The method of images for arbitrary polyhedra: J. Borish, Extension of the image model to arbitrary polyhedra,
J. Acoust. Soc. Am. 75, 1827-1836 (1984).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from acoustics.geometry import Floats
from acoustics.propagate.beams import lit_part
from acoustics.propagate.room import (
    MAX_IMAGES,
    Bools,
    Images,
    Ints,
    Paths,
    Room,
    path_gain,
    too_many_images,
    within_reach,
)

_FEW_IMAGES = 20_000  # up to here it is quicker to mirror blindly than to follow beams
_TOUCHING_M = 1e-9
_SAME_PLACE_M = 1e-7


@dataclass(frozen=True)
class Trace:
    """Rays from receivers towards images, followed through the room to the source; one row a pair.

    Parameters
    ----------
    exists : ndarray of bool, shape (n_pairs,)
        Whether the ray ends at the source.
    faces : ndarray of int8, shape (n_pairs, largest order)
        Index of the faces in order from the source; -1 after the last.
    sin_grazing : ndarray, shape (n_pairs, largest order)
        Sine of the grazing angle at each bounce [1]; 0 after the last.
    slowness_s_m : ndarray, shape (n_pairs,)
        Travel time over path length [s/m].
    """

    exists: Bools
    faces: NDArray[np.int8]
    sin_grazing: Floats
    slowness_s_m: Floats


def polyhedron_images(room: Room, source_m: Floats, receivers_m: Floats, reach_m: Floats) -> Images:
    """Images whose path may reach at least one receiver within its reach; not all have a path to a receiver.

    A plane mirrors an image only if the image is on its inner side: sound comes to the plane from there. So
    each mirroring lengthens the way to every point of the room, and a branch ends where it is out of reach. It
    ends also where the image's beam misses the face, which needs the outlines of the faces.

    Parameters
    ----------
    room : Room
        Any convex room.
    source_m : ndarray, shape (3,)
        Source, in the room [m].
    receivers_m : ndarray, shape (n_receivers, 3)
        Receivers, in the room [m].
    reach_m : ndarray, shape (n_receivers,)
        Longest path of interest to each [m].

    Returns
    -------
    Images
        Sorted by order.

    Raises
    ------
    ParameterError
        If more than `MAX_IMAGES` images may be within reach.
    """
    generations = _mirrored(room, source_m, receivers_m, reach_m, limit=_FEW_IMAGES, beams=False)
    if generations is None and room.outlines_m is not None:
        generations = _mirrored(room, source_m, receivers_m, reach_m, limit=MAX_IMAGES, beams=True)
    if generations is None:
        raise too_many_images(reach_m)
    order = np.repeat(np.arange(len(generations)), [len(part) for part in generations])
    return Images(np.concatenate(generations), order, np.zeros((len(order), 3), dtype=np.int64))


def polyhedron_trace(room: Room, source_m: Floats, images: Images, receivers_m: Floats) -> Trace:
    """Follow the ray from the receiver of each pair towards its image, for as many bounces as its order.

    Parameters
    ----------
    room : Room
        Any convex room.
    source_m : ndarray, shape (3,)
        Source [m].
    images : Images
        One a pair, n_pairs in all.
    receivers_m : ndarray, shape (n_pairs, 3)
        Receiver of each pair [m].

    Returns
    -------
    Trace
    """
    n_pairs, largest = len(receivers_m), int(images.order.max(initial=0))
    place = np.array(receivers_m, dtype=float)
    heading = images.position_m - place
    length = np.linalg.norm(heading, axis=-1)
    heading /= np.where(length > 0, length, 1.0)[:, None]
    left, time = length.copy(), np.zeros(n_pairs)
    exists = np.ones(n_pairs, dtype=bool)
    faces = np.full((n_pairs, largest), -1, dtype=np.int8)
    sin_grazing = np.zeros((n_pairs, largest))
    mirrors = np.array([reflection is not None for reflection in room.reflections], dtype=bool)
    for bounce in range(largest):
        row = np.flatnonzero(exists & (images.order > bounce))
        face, step = _next_face(room, place[row], heading[row])
        meets = (step <= left[row] + _SAME_PLACE_M) & mirrors[face]
        exists[row[~meets]] = False
        row, face, step = row[meets], face[meets], step[meets]
        if not row.size:
            break
        depth_before = place[row, 2]
        place[row] += step[:, None] * heading[row]
        left[row] -= step
        time[row] += step / room.mean_speed_m_s(depth_before, place[row, 2])
        closing = np.sum(heading[row] * room.normals[face], axis=-1)
        heading[row] -= 2 * closing[:, None] * room.normals[face]
        # The ray runs from the receiver: its bounces come in the reverse of the order from the source.
        faces[row, images.order[row] - 1 - bounce] = face
        sin_grazing[row, images.order[row] - 1 - bounce] = -closing
    miss = np.linalg.norm(place + left[:, None] * heading - source_m, axis=-1)
    exists &= miss <= _SAME_PLACE_M * np.maximum(1.0, length)
    time += left / room.mean_speed_m_s(place[:, 2], np.full(n_pairs, source_m[2]))
    slowness = np.divide(time, length, out=np.zeros(n_pairs), where=length > 0)
    return Trace(exists, faces, sin_grazing, slowness)


def polyhedron_paths(room: Room, source_m: Floats, images: Images, receivers_m: Floats) -> Paths:
    """Existence, gain and slowness of the path of each pair; arguments as in `polyhedron_trace`."""
    trace = polyhedron_trace(room, source_m, images, receivers_m)
    gain = np.zeros(len(receivers_m), dtype=complex)
    gain[trace.exists] = path_gain(room, trace.faces[trace.exists], trace.sin_grazing[trace.exists])
    return Paths(trace.exists, gain, trace.slowness_s_m)


def _mirrored(
    room: Room, source_m: Floats, receivers_m: Floats, reach_m: Floats, *, limit: int, beams: bool
) -> list[Floats] | None:
    """Images of each order [m] until none is within reach; None if they are more than the limit.

    Without beams images at one place are one. With beams they are not until the end, since each sequence of faces
    lights its own part of the next: fewer images in the end, more work for each.
    """
    mirrors = np.array([reflection is not None for reflection in room.reflections], dtype=bool)
    apex, aperture = np.asarray(source_m, dtype=float)[None], None
    found, count = [apex], 1
    while len(apex) and mirrors.any():
        height = apex @ room.normals.T - room.offsets_m
        # A source on a face has its image there too; later images on a plane are their own mirror images.
        facing = mirrors & (height > (-_TOUCHING_M if len(found) == 1 else _TOUCHING_M))
        parent, face = np.nonzero(facing)
        image = apex[parent] - 2 * height[parent, face, None] * room.normals[face]
        near = within_reach(image, receivers_m, reach_m)
        parent, face, image = parent[near], face[near], image[near]
        if beams and room.outlines_m is not None:
            lit = room.outlines_m[face]
            if aperture is not None:
                lit, some = lit_part(apex[parent], aperture[parent], lit)
                lit, image = lit[some], image[some]
            aperture, apex = lit, image
            found.append(_without_doubles(image))
        else:
            apex = _without_doubles(image)
            found.append(apex)
        count += len(apex)
        if count > limit:
            return None
    return found


def _next_face(room: Room, place: Floats, heading: Floats) -> tuple[Ints, Floats]:
    """Index of the face that each ray meets next and the way to it [m]; inf where it meets none."""
    closing = heading @ room.normals.T
    height = place @ room.normals.T - room.offsets_m
    way = np.divide(-height, closing, out=np.full(closing.shape, np.inf), where=closing < -1e-12)
    face = np.argmin(way, axis=1)
    return face, np.maximum(np.take_along_axis(way, face[:, None], axis=1)[:, 0], 0.0)


def _without_doubles(positions_m: Floats) -> Floats:
    """One of each group of positions that coincide; rounding them would split a group at a digit's edge."""
    if len(positions_m) < 2:
        return positions_m
    pairs = cKDTree(positions_m).query_pairs(_SAME_PLACE_M, output_type="ndarray")
    keep = np.ones(len(positions_m), dtype=bool)
    keep[pairs.max(axis=1)] = False
    return positions_m[keep]
