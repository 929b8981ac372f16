"""Straight paths of a batch that are early and strong enough to be kept, and bent ones found beside them."""

from __future__ import annotations

from functools import partial

import numpy as np

from acoustics.base.frames import Floats
from acoustics.propagate.bending import Bending, walls_on_a_slope
from acoustics.propagate.bent_beside_straight import bent_beside_straight
from acoustics.propagate.echoes import face_sequences, find_images, follow_paths
from acoustics.propagate.images import Ints, Pairs, Room
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
    direct_m = np.linalg.norm(receivers - source, axis=-1)
    direct_s = direct_m / room.mean_speed_m_s(receivers[..., 2], np.full(direct_m.shape, source[2]))
    reach = room.fastest_m_s * (direct_s + limits.horizon_s)
    images = find_images(room, source, receivers.reshape(-1, 3), reach.ravel())

    if len(part) > 1 and len(images.order) * direct_m.size > _PAIRS_AT_ONCE:
        halves = (part[: len(part) // 2], part[len(part) // 2 :])
        return join([kept_straight_paths(scene, room, source, elements, half, limits, water) for half in halves])

    # One row is an image and a batch element that has at least one hydrophone within its reach.
    way = receivers[:, None] - images.position_m[:, None]
    distance = np.sqrt(np.einsum("ebhk,ebhk->ebh", way, way))
    near = np.any(distance <= reach[:, None], axis=-1)
    near[:, 0] = True
    bent = np.zeros(near.shape, dtype=bool)
    if water is not None:
        off = way.mean(axis=2)
        bent = water.counts(np.hypot(off[..., 0], off[..., 1]), np.abs(off[..., 2]))
        if walls_on_a_slope(scene):
            bent |= bent[:, :1]
            near[bent[:, 0], 0] = False
        else:
            near &= ~bent
    element, image = np.nonzero(near)
    distance = distance[element, image]
    receiver = element[:, None] * n_hydrophones + np.arange(n_hydrophones)
    pairs = Pairs(np.repeat(image, n_hydrophones), receiver.ravel())
    paths = follow_paths(room, source, images, receivers.reshape(-1, 3), pairs)
    exists, gain = paths.exists.reshape(distance.shape), paths.gain.reshape(distance.shape)
    delay, from_m = distance * paths.slowness_s_m.reshape(distance.shape), images.position_m[image]
    loss = np.log(10) / 20 * limits.loss_db_per_m
    amplitude = gain * np.exp(-loss * distance) / distance
    row = np.flatnonzero(bent[element, image])
    if row.size:
        some = Pairs(np.repeat(image[row], n_hydrophones), receiver[row].ravel())
        beside = bent_beside_straight(scene, room, source, images, receivers.reshape(-1, 3), some).of(n_hydrophones)
        # Those without walls are found by fans of rays wherever the direct one is bent.
        exists[row] = beside.exists & (beside.walls | ~bent[element[row], :1])
        amplitude[row], delay[row] = beside.amplitude * np.exp(-loss * distance[row]), beside.delay_s
        from_m[row] = beside.from_m[np.arange(len(row)), np.argmax(beside.exists, axis=-1)]
    if limits.hull is not None:
        exists &= limits.hull.clear(part[element], from_m)

    order = images.order[image]
    heard = (
        exists
        & (delay <= direct_s[element] + limits.horizon_s)
        & (np.abs(amplitude) >= limits.least * (np.exp(-loss * direct_m) / direct_m)[element])
    )
    keep = (order == 0) | np.any(heard, axis=-1)
    element, image, order = element[keep], image[keep], order[keep]
    exists, delay, amplitude = exists[keep], delay[keep], amplitude[keep]
    hears = receivers[element, np.argmax(exists, axis=-1)]
    find_faces = partial(face_sequences, room, source, images.take(image), hears)
    return KeptPaths(part[element], order, delay, amplitude, exists, find_faces)
