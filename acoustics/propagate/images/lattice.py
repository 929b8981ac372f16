"""Echoes in a rectangular room with a level floor, in closed form: the images of the source form a lattice.

J. B. Allen and D. A. Berkley, Image method for efficiently simulating small-room acoustics, J. Acoust. Soc.
Am. 65, 943-950 (1979): along each axis the images lie at ``(1 - 2 q) s + 2 n L`` and the path meets the lower
face ``|n - q|`` times and the upper one ``|n|`` times (eq. 10). Here one integer ``k = 2 n - q`` counts the
cells of the lattice along an axis: the image lies in ``[k L, (k + 1) L]`` and the path meets ``|k|`` faces.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats, length
from acoustics.propagate.images.room import (
    MAX_IMAGES,
    Complexes,
    Images,
    Ints,
    Pairs,
    Paths,
    Room,
    reflected,
    too_many_images,
    within_reach,
)

_FEW_RECEIVERS = 16


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
    farthest = float(reach_m.max())
    most = [math.ceil(farthest / side) + 1 for side in (upper - lower).tolist()]
    cells = np.arange(-max(most), max(most) + 1)
    places = _image_coordinate(cells, (source_m - lower)[:, None], (upper - lower)[:, None]) + lower[:, None]
    nearest, farther = receivers_m.min(axis=0)[:, None] - places, places - receivers_m.max(axis=0)[:, None]
    gaps = np.maximum(np.maximum(nearest, farther, out=nearest), 0.0, out=nearest) ** 2
    x, y, z = (gap[max(most) - m : max(most) + m + 1] for gap, m in zip(gaps, most, strict=True))
    within = z[:, None, None] + (y[:, None] + x) <= farthest**2
    found = np.flatnonzero(within)
    if len(found) > MAX_IMAGES:
        raise too_many_images(reach_m)
    cell = np.array(np.unravel_index(found, within.shape)[::-1]) - np.array(most)[:, None]
    order = np.abs(cell).sum(axis=0)
    # None of so few images is of an order beyond 16 bits, which are sorted by their digits, in a quarter of the time.
    by_order = order.astype(np.uint16).argsort(kind="stable")
    cell, order = cell.take(by_order, axis=1), order.take(by_order)
    position = places.take(cell + (max(most) + np.arange(3) * len(cells))[:, None])
    images = Images(position.T, order, cell.T)
    if room.swallows:
        swallow = np.array([[room.reflections[face] is None for face in pair] for pair in room.sides])
        images = images.take(~np.any(swallow.T[:, None] & (_bounces(images.cell) > 0), axis=(0, 2)))
    if len(receivers_m) <= _FEW_RECEIVERS:  # hardly any image is near them all and near none
        return images
    return images.take((images.order == 0) | within_reach(images.position_m, receivers_m, reach_m))


def lattice_paths(room: Room, source_m: Floats, images: Images, receivers_m: Floats, pairs: Pairs) -> Paths:
    """Gain and slowness of the path of each pair; in a rectangular room every one exists.

    Parameters
    ----------
    room : Room
        A box.
    source_m : ndarray, shape (3,)
        Source [m].
    images : Images
        Images of the source.
    receivers_m : ndarray, shape (n_receivers, 3)
        Receivers [m].
    pairs : Pairs
        Which is seen from which.

    Returns
    -------
    Paths
    """
    slowness = _vertical_slowness(room, source_m[2], images.cell[:, 2], receivers_m[:, 2], pairs)
    gain = _lattice_gain(room, images, receivers_m, pairs)
    return Paths(np.ones(slowness.shape, dtype=bool), gain, slowness)


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
    for axis, pair in enumerate(room.sides):
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


def _image_coordinate(k: Ints, source_m: Floats, length_m: Floats) -> Floats:
    """``(1 - 2 q) s + 2 n L`` with ``k = 2 n - q``, measured from the lower face."""
    odd = k & 1
    return np.where(odd, -source_m, source_m) + (k + odd) * length_m


def _bounces(k: Ints) -> Ints:
    """Bounces off the lower and the upper face, ``|n - q|`` and ``|n|``, shape (2, ...)."""
    return np.abs(np.array([k >> 1, (k + 1) >> 1]))


def _lattice_gain(room: Room, images: Images, receivers_m: Floats, pairs: Pairs) -> Complexes:
    """Product of the coefficients of every bounce; of the shape of the images where none turns with the angle."""
    most = int(np.abs(images.cell).max(initial=0))
    bounces = _bounces(np.arange(-most, most + 1))
    place = (images.cell + most).T
    fixed, turning = np.ones((2, 3, 1), dtype=complex), []
    for axis, pair in enumerate(room.sides):
        for side, face in enumerate(pair):
            reflection = room.reflections[face]
            if callable(reflection):
                turning.append((axis, reflection, bounces[side].take(place[axis])))
            elif reflection is not None:
                fixed[side, axis] = reflection
    lower, upper = fixed ** bounces[:, None]
    of_axis = (lower * upper).take(place + (np.arange(3) * len(bounces[0]))[:, None])
    gain = of_axis.prod(axis=0).take(pairs.image)
    if turning:
        image, receiver = np.broadcast_arrays(pairs.image, pairs.receiver)
        gain = np.broadcast_to(gain, image.shape).copy()
        across = np.abs(images.position_m[image] - receivers_m[receiver])
        sin_grazing = across / length(across)[..., None]
        for axis, reflection, met in turning:
            times = met[image]
            row = times > 0
            if row.any():
                gain[row] *= reflected(reflection, sin_grazing[row, axis]) ** times[row]
    return gain


def _vertical_slowness(room: Room, source_z: float, k: Ints, receiver_z: Floats, pairs: Pairs) -> Floats:
    """Mean slowness [s/m] of paths that meet surface and floor ``|k|`` times: it depends on depth alone.

    Seen from the receiver the vertical way is one part leg, ``|k| - 1`` full depths and another part leg; the first
    depends on the receiver and on the sign of k, the rest on the image.
    """
    planes = np.array(_box(room))[:, 2]
    bounces, upwards = np.abs(k), (k > 0).astype(np.intp)
    # Ends of every leg in one call: receiver to each plane, receiver to source, each plane to source, plane to plane.
    n = len(receiver_z)
    begin, end = np.empty(3 * n + 3), np.empty(3 * n + 3)
    begin[: 2 * n].reshape(n, 2)[...], end[: 2 * n].reshape(n, 2)[...] = receiver_z[:, None], planes
    begin[2 * n : -3], begin[-3:-1], begin[-1] = receiver_z, planes, planes[0]
    end[2 * n : -1], end[-1] = source_z, planes[1]
    slowness = 1 / room.mean_speed_m_s(begin, end)
    first_m = np.abs(planes - receiver_z[:, None])
    first_s = first_m * slowness[: 2 * n].reshape(n, 2)
    # An odd number of bounces ends at the plane where it begins.
    last = upwards ^ (bounces & 1) ^ 1
    last_m = np.abs(planes - source_z)
    last_s = last_m * slowness[-3:-1]
    full_m = (bounces - 1) * (planes[1] - planes[0])
    rest_m = full_m + last_m[last]
    rest_s = full_m * slowness[-1] + last_s[last]

    leg = 2 * pairs.receiver + upwards.take(pairs.image)
    total = first_m.take(leg) + rest_m.take(pairs.image)
    bounced = (bounces > 0).take(pairs.image) & (total > 0)
    spent = first_s.take(leg) + rest_s.take(pairs.image)
    return np.divide(spent, total, out=slowness[2 * n : 3 * n].take(pairs.receiver), where=bounced)
