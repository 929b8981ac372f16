"""Echoes in any room with plane faces, convex or not: mirror the source recursively, keep the paths that exist.

An image is known by its position and order alone. From the receiver the ray towards it is followed through
the room, turned at each face it meets; the path exists where the ray, after as many bounces as the image has
reflections, ends at the source. So the faces are met in order and inside their outlines by construction, no
other face stands in the way, and two orders of reflection that give one image (across a right-angled edge) give
one path.

An image is mirrored only in a face before which it lies: sound comes to a face from its front, in any room. All that
comes by an image has gone straight from it to its face, so by the triangle inequality no path by it or by its
descendants is shorter than the straight line to the receiver.

The method of images for arbitrary polyhedra: J. Borish, Extension of the image model to arbitrary polyhedra,
J. Acoust. Soc. Am. 75, 1827-1836 (1984).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats, length
from acoustics.base.record import record
from acoustics.physics.plane_faces import next_face
from acoustics.propagate.images.beams import lit_part
from acoustics.propagate.images.room import (
    Bools,
    Images,
    Ints,
    Pairs,
    Paths,
    Room,
    path_gain,
    too_many_images,
    within_reach,
)

_FEW_IMAGES = 20_000  # up to here it is quicker to mirror blindly than to follow beams
_RAYS_AT_ONCE = 8_000  # their tables stay in the cache: followed all at once, rays take three times as long
_MOST_BEAMS = 400_000  # at once; some 20 us and 2 kB each, and a tenth of them become images
_TOUCHING_M = 1e-9
_SAME_PLACE_M = 1e-7
_ODD_DIRECTION = np.array([0.5377, 0.6719, 0.5092])  # of length below 1; no plane of a pool is at right angles to it


@record
class Trace:
    """Rays from receivers towards images, followed through the room to the source.

    Parameters
    ----------
    exists : ndarray of bool, shape (n_pairs,)
        Whether the ray ends at the source. What follows has a row for each that does.
    faces : ndarray of int8, shape (n_existing, largest order)
        Index of the faces in order from the source; -1 after the last.
    sin_grazing : ndarray, shape (n_existing, largest order)
        Sine of the grazing angle at each bounce [1]; 0 after the last.
    slowness_s_m : ndarray, shape (n_existing,)
        Travel time over path length [s/m].
    """

    exists: Bools
    faces: NDArray[np.int8]
    sin_grazing: Floats
    slowness_s_m: Floats


@record
class _Bounce:
    """One bounce of each ray that still runs, after as many before it; all of shape (n_rays,)."""

    before: int
    pair: Ints
    face: Ints
    sin_grazing: Floats
    step_m: Floats  # from the place before
    depth_m: Floats


@record
class _Generation:
    """Images of one order: positions (n, 3) [m], and for each face (n, n_faces) the row of the parent or -1."""

    position_m: Floats
    parents: Ints


def polyhedron_images(room: Room, source_m: Floats, receivers_m: Floats, reach_m: Floats) -> Images:
    """Images whose path may reach at least one receiver within its reach; not all have a path to a receiver.

    A plane mirrors an image only if the image is on its inner side: sound comes to the plane from there. So
    each mirroring lengthens the way to every point of the room, and a branch ends where it is out of reach. It
    ends also where the image's beam misses the face, which needs the outlines of the faces.

    Parameters
    ----------
    room : Room
        Any room.
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
        If more images may be within reach than are followed in good time.
    """
    # Where faces hide each other, most images made blindly are seen from nowhere.
    few = _FEW_IMAGES if room.edges is None or room.outlines_m is None else 0
    generations = _mirrored(room, source_m, receivers_m, reach_m, limit=few, beams=False)
    if generations is None and room.outlines_m is not None:
        generations = _mirrored(room, source_m, receivers_m, reach_m, limit=_MOST_BEAMS, beams=True)
    if generations is None:
        raise too_many_images(reach_m)
    order = np.repeat(np.arange(len(generations)), [len(part.position_m) for part in generations])
    before = np.searchsorted(order, order - 1)[:, None]  # first image of the order below
    parents = np.concatenate([part.parents for part in generations])
    return Images(
        position_m=np.concatenate([part.position_m for part in generations]),
        order=order,
        cell=np.arange(len(order)),
        parents=np.where(parents >= 0, parents + before, -1),
    )


def polyhedron_trace(room: Room, source_m: Floats, images: Images, receivers_m: Floats) -> Trace:
    """Follow the ray from the receiver of each pair towards its image, for as many bounces as its order.

    Parameters
    ----------
    room : Room
        Any room.
    source_m : ndarray, shape (3,)
        Source [m].
    images : Images
        One a pair, n_pairs in all, of those that `polyhedron_images` found.
    receivers_m : ndarray, shape (n_pairs, 3)
        Receiver of each pair [m].

    Returns
    -------
    Trace
    """
    exists = np.zeros(len(receivers_m), dtype=bool)
    bounces: list[_Bounce] = []
    for first in range(0, len(exists), _RAYS_AT_ONCE):
        part = np.arange(first, min(first + _RAYS_AT_ONCE, len(exists)))
        exists[part], some = _followed(room, source_m, images, receivers_m, part)
        bounces += some
    return _laid_out(room, source_m, images, receivers_m, exists, bounces)


def _followed(
    room: Room, source_m: Floats, images: Images, receivers_m: Floats, pair: Ints
) -> tuple[Bools, list[_Bounce]]:
    """Which rays of some pairs in a row end at the source, and the bounces of all of them."""
    assert images.parents is not None
    first, receivers, goal, order = pair[0], receivers_m[pair], images.position_m[pair], images.order[pair]
    heading = goal - receivers
    whole = length(heading)
    heading /= np.where(whole > 0, whole, 1.0)[:, None]
    exists = np.zeros(len(pair), dtype=bool)
    # Of each ray under way: its pair, the image that it runs towards, and place, direction and length left, a row each.
    image, ray = images.cell[pair], np.concatenate([receivers.T, heading.T, whole[None]])
    bounces: list[_Bounce] = []
    for done in range(int(order.max(initial=0)) + 1):
        face, step = next_face(room.normals, room.offsets_m, room.edges, ray[:3].T, ray[3:6].T)
        left, over = ray[6], order[pair - first] == done
        last = np.flatnonzero(over)
        miss = length((ray[:3, last] + left[last] * ray[3:6, last]).T - source_m)
        ended = pair[last] - first
        ends = miss <= _SAME_PLACE_M * np.maximum(1.0, whole[ended])
        exists[ended] = ends & (step[last] >= left[last] - _SAME_PLACE_M)
        # Beyond the face the ray runs towards an image that this face mirrors into the one it came for.
        parent = images.parents[image, face]
        meets = np.flatnonzero(~over & (parent >= 0) & (step <= left + _SAME_PLACE_M))
        if not meets.size:
            break
        pair, image, face, step = pair[meets], parent[meets], face[meets], step[meets]
        ray = ray.take(meets, axis=1)
        ray[:3] += step * ray[3:6]
        ray[6] -= step
        normal = room.normals.T.take(face, axis=1)
        closing = np.einsum("kn,kn->n", ray[3:6], normal)
        ray[3:6] -= 2 * closing * normal
        bounces.append(_Bounce(done, pair, face, -closing, step, ray[2].copy()))
    return exists, bounces


def polyhedron_paths(room: Room, source_m: Floats, images: Images, receivers_m: Floats, pairs: Pairs) -> Paths:
    """Existence, gain and slowness of the path of each pair; arguments as in `lattice_paths`."""
    image, receiver = np.broadcast_arrays(pairs.image, pairs.receiver)
    trace = polyhedron_trace(room, source_m, images.take(image.ravel()), receivers_m[receiver.ravel()])
    exists = trace.exists.reshape(image.shape)
    gain, slowness = np.zeros(image.shape, dtype=complex), np.zeros(image.shape)
    gain[exists] = path_gain(room, trace.faces, trace.sin_grazing)
    slowness[exists] = trace.slowness_s_m
    return Paths(exists, gain, slowness)


def _laid_out(
    room: Room, source_m: Floats, images: Images, receivers_m: Floats, exists: Bools, bounces: list[_Bounce]
) -> Trace:
    """What the rays that ended at the source met on their way."""
    pair = np.flatnonzero(exists)
    order, number = images.order[pair], np.cumsum(exists) - 1
    faces = np.full((len(pair), int(images.order.max(initial=0))), -1, dtype=np.int8)
    sin_grazing = np.zeros(faces.shape)
    length = np.linalg.norm(images.position_m[pair] - receivers_m[pair], axis=-1)
    depth, left = receivers_m[pair, 2], length.copy()
    legs: list[tuple[Ints, Floats, Floats, Floats]] = []  # row, depths of both ends, length
    for bounce in bounces:
        kept = exists[bounce.pair]
        row, step, deep = number[bounce.pair[kept]], bounce.step_m[kept], bounce.depth_m[kept]
        # The ray runs from the receiver: its bounces come in the reverse of the order from the source.
        faces[row, order[row] - 1 - bounce.before] = bounce.face[kept]
        sin_grazing[row, order[row] - 1 - bounce.before] = bounce.sin_grazing[kept]
        legs.append((row, depth[row], deep, step))
        depth[row] = deep
        left[row] -= step
    legs.append((np.arange(len(pair)), depth, np.full(len(pair), source_m[2]), left))
    row, begin, end, step = (np.concatenate(part) for part in zip(*legs, strict=True))
    time = np.bincount(row, step / room.mean_speed_m_s(begin, end), len(pair))
    return Trace(exists, faces, sin_grazing, np.divide(time, length, out=np.zeros(len(pair)), where=length > 0))


def _mirrored(
    room: Room, source_m: Floats, receivers_m: Floats, reach_m: Floats, *, limit: int, beams: bool
) -> list[_Generation] | None:
    """Images of each order until none is within reach; None if they are more than the limit.

    Without beams images at one place are one. With beams they are not until the end, since each sequence of faces
    lights its own part of the next: fewer images in the end, more work for each.
    """
    mirrors = np.array([reflection is not None for reflection in room.reflections], dtype=bool)
    apex, aperture = np.asarray(source_m, dtype=float)[None], None
    row = np.zeros(1, dtype=np.int64)  # of each apex within its generation
    found, count = [_Generation(apex, np.full((1, len(mirrors)), -1))], 1
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
                lit, image, parent, face = lit[some], image[some], parent[some], face[some]
            aperture = lit
        first, group = _without_doubles(image)
        parents = np.full((len(first), len(mirrors)), -1)
        parents[group, face] = row[parent]
        found.append(_Generation(image[first], parents))
        apex, row = (image, group) if beams else (image[first], np.arange(len(first)))
        count += len(apex)
        if count > limit:
            return None
    return found


def _without_doubles(positions_m: Floats) -> tuple[Ints, Ints]:
    """First of each group of positions that coincide, and the group of each position.

    Rounding the positions instead would split a group at a digit's edge.
    """
    n = len(positions_m)
    leader = np.arange(n)
    if n > 1:
        pairs = _pairs_in_one_place(positions_m)
        np.minimum.at(leader, pairs.max(axis=1), pairs.min(axis=1))
        leader = leader[leader]  # a chain of three
    first, group = np.unique(leader, return_inverse=True)
    return first, group


def _pairs_in_one_place(positions_m: Floats) -> Ints:
    """Rows of two positions that coincide, shape (n_pairs, 2).

    Positions in one place are neighbours along any direction, and along an odd one hardly any others are.
    """
    along = positions_m @ _ODD_DIRECTION
    order = np.argsort(along)
    along, pairs = along[order], []
    for ahead in range(1, len(order)):
        near = np.flatnonzero(along[ahead:] - along[:-ahead] <= _SAME_PLACE_M)
        if not near.size:
            break
        pairs.append(np.stack([order[near], order[near + ahead]], axis=1))
    both = np.concatenate(pairs) if pairs else np.zeros((0, 2), dtype=np.int64)
    apart = np.linalg.norm(positions_m[both[:, 0]] - positions_m[both[:, 1]], axis=-1)
    return both[apart <= _SAME_PLACE_M]
