"""Straight paths of a batch that are early and strong enough to be kept, and bent ones found beside them."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats, length
from acoustics.propagate.bending import Bending, walls_on_a_slope
from acoustics.propagate.bent_beside_straight import bent_beside_straight
from acoustics.propagate.echoes import face_sequences, find_images, follow_paths
from acoustics.propagate.images import Bools, Ints, Pairs, Room
from acoustics.propagate.kept_paths import KeptPaths, Limits, join
from acoustics.scene.scene import Scene

_PAIRS_AT_ONCE = 4_000_000


def kept_straight_paths(
    scene: Scene, room: Room, source: Floats, elements: Floats, part: Ints, limits: Limits, water: Bending | None
) -> KeptPaths:
    """Straight paths of a part of the batch elements, by index.

    Those that the water bends are left out, but where walls stand on a floor that is not level: there those that meet a
    wall are bent.
    """
    receivers = elements[part]
    n_hydrophones = receivers.shape[1]
    direct_m = length(receivers - source)
    direct_s = direct_m / room.mean_speed_m_s(receivers[..., 2], np.full(direct_m.shape, source[2]))
    reach = room.fastest_m_s * (direct_s + limits.horizon_s)
    images = find_images(room, source, receivers.reshape(-1, 3), reach.ravel())

    if len(part) > 1 and len(images.order) * direct_m.size > _PAIRS_AT_ONCE:
        halves = (part[: len(part) // 2], part[len(part) // 2 :])
        return join([kept_straight_paths(scene, room, source, elements, half, limits, water) for half in halves])

    # One path is an image and a batch element that has at least one hydrophone within its reach.
    distance = _distances_m(receivers, images.position_m)
    near = np.any(distance <= reach.T[:, :, None], axis=0)
    near[:, 0] = True
    bent = None if water is None else _bent(scene, receivers, images.position_m, water)
    if bent is not None:  # fans of rays find these, and on a slope with walls the direct one alone
        near &= ~bent | (walls_on_a_slope(scene) & (np.arange(len(images.order)) > 0))
    pair = np.flatnonzero(near)
    element, image = np.divmod(pair, near.shape[1]) if len(part) > 1 else (np.zeros(pair.shape, dtype=np.int64), pair)
    # What follows has the shape (n_hydrophones, n).
    distance = distance.reshape(n_hydrophones, -1).take(pair, axis=1)
    receiver = np.arange(n_hydrophones)[:, None] + element * n_hydrophones
    paths = follow_paths(room, source, images, receivers.reshape(-1, 3), Pairs(image, receiver))
    exists, delay = paths.exists, distance * paths.slowness_s_m
    loss = math.log(10) / 20 * limits.loss_db_per_m
    spread = np.exp(-loss * distance)
    spread /= distance
    amplitude, strength = paths.gain * spread, np.abs(paths.gain) * spread
    beside = None
    row = np.zeros(0, dtype=np.int64) if bent is None else np.flatnonzero(bent[element, image])
    if bent is not None and row.size:
        some = Pairs(np.repeat(image[row], n_hydrophones), receiver[:, row].T.ravel())
        beside = bent_beside_straight(scene, room, source, images, receivers.reshape(-1, 3), some).of(n_hydrophones)
        # Those without walls are found by fans of rays wherever the direct one is bent.
        exists[:, row] = (beside.exists & (beside.walls | ~bent[element[row], :1])).T
        amplitude[:, row] = beside.amplitude.T * np.exp(-loss * distance[:, row])
        strength[:, row] = np.abs(amplitude[:, row])
        delay[:, row] = beside.delay_s.T
    if limits.hull is not None:
        from_m = images.position_m.take(image, axis=0)
        if beside is not None:
            from_m[row] = beside.from_m[np.arange(len(row)), np.argmax(beside.exists, axis=-1)]
        exists &= limits.hull.clear(part[element], from_m).T

    order = images.order[image]
    latest, weakest = direct_s + limits.horizon_s, limits.least * np.exp(-loss * direct_m) / direct_m
    of = element if len(part) > 1 else slice(None)
    heard = exists & (delay <= latest.T[:, of]) & (strength >= weakest.T[:, of])
    keep = np.flatnonzero((order == 0) | heard.any(axis=0))
    element, image, order = element.take(keep), image.take(keep), order.take(keep)
    exists, delay, amplitude = exists.take(keep, axis=1), delay.take(keep, axis=1), amplitude.take(keep, axis=1)

    def find_faces() -> NDArray[np.int8]:
        hears = receivers[element, np.argmax(exists, axis=0)]
        return face_sequences(room, source, images.take(image), hears)

    return KeptPaths(part[element], order, delay, amplitude, exists, find_faces)


def _bent(scene: Scene, receivers_m: Floats, images_m: Floats, water: Bending) -> Bools:
    """Whether the water bends the path from each image (n_images, 3) to each element, shape (n_elements, n_images)."""
    off = receivers_m.mean(axis=1)[:, None] - images_m
    bent = water.counts(np.hypot(off[..., 0], off[..., 1]), np.abs(off[..., 2]))
    return bent | bent[:, :1] if walls_on_a_slope(scene) else bent


def _distances_m(receivers_m: Floats, images_m: Floats) -> Floats:
    """Of receivers (n_elements, n_hydrophones, 3) from images (n_images, 3): (n_hydrophones, n_elements, n_images)."""
    square = np.zeros((receivers_m.shape[1], receivers_m.shape[0], len(images_m)))
    for place, image in zip(receivers_m.T, images_m.T, strict=True):
        way = place[..., None] - np.ascontiguousarray(image)
        way *= way
        square += way
    return np.sqrt(square, out=square)
