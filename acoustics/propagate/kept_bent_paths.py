"""Bent paths of a batch that are early and strong enough to be kept."""

from __future__ import annotations

import numpy as np

from acoustics.base.frames import Floats
from acoustics.propagate.bending import Bending
from acoustics.propagate.bent_paths import bent_paths
from acoustics.propagate.images import Ints, Room
from acoustics.propagate.kept_paths import KeptPaths, Limits
from acoustics.scene.scene import Scene


def kept_bent_paths(
    scene: Scene, room: Room, source_m: Floats, elements_m: Floats, part: Ints, limits: Limits, water: Bending
) -> KeptPaths:
    """Bent paths of a part of the batch elements, by index, each path as the hydrophones of an element hear it.

    Rays by one image of the source in the walls, in one storey and with as many reflections count as one path, in the
    order of their times. Where the direct path bends but leads to no hydrophone (a shadow zone, or behind a corner),
    it is named and does not exist; its delay is then that of the straight line.
    """
    elements = elements_m[part]
    n_hydrophones = elements.shape[1]
    straight_m = np.linalg.norm(elements - source_m, axis=-1)
    straight_s = straight_m / room.mean_speed_m_s(elements[..., 2], np.full(straight_m.shape, source_m[2]))
    loss = np.log(10) / 20 * limits.loss_db_per_m
    rays = bent_paths(scene, room, source_m, elements, straight_s, limits.horizon_s, water)
    bounces = np.sum(rays.faces >= 0, axis=1)
    key = np.column_stack([rays.receiver // n_hydrophones, rays.image, rays.storey, bounces, rays.number])
    # A direct path that bends has a row at every element, though no ray may take it.
    off = elements.mean(axis=1) - source_m
    bent = np.flatnonzero(water.counts(np.hypot(off[:, 0], off[:, 1]), np.abs(off[:, 2])))
    direct = np.column_stack([bent, np.zeros((len(bent), 4), dtype=np.int64)])
    paths, row = np.unique(np.concatenate([direct, key]), axis=0, return_inverse=True)
    row = row.ravel()[len(bent) :]
    element, order, shape = paths[:, 0], paths[:, 3], (len(paths), n_hydrophones)
    exists, delay = np.zeros(shape, dtype=bool), straight_s[element]
    amplitude, from_m = np.zeros(shape, dtype=complex), np.tile(source_m, (len(paths), 1))
    faces = np.full((len(paths), rays.faces.shape[1]), -1, dtype=np.int8)
    heard_by = row, rays.receiver % n_hydrophones
    exists[heard_by], delay[heard_by] = np.abs(rays.amplitude) > 0, rays.delay_s
    length = rays.delay_s * (straight_m / straight_s).ravel()[rays.receiver]
    amplitude[heard_by] = rays.amplitude * np.exp(-loss * length)
    # Of several hydrophones the first one's counts: it is written last.
    from_m[row[::-1]], faces[row[::-1]] = rays.from_m[::-1], rays.faces[::-1]
    if limits.hull is not None:
        exists &= limits.hull.clear(part[element], from_m)

    is_direct = (paths[:, 1:] == 0).all(axis=1)
    first = straight_s.copy()
    first[element[is_direct]] = np.where(exists[is_direct], delay[is_direct], first[element[is_direct]])
    heard = exists & (delay <= first[element] + limits.horizon_s)
    heard &= np.abs(amplitude) >= limits.least * (np.exp(-loss * straight_m) / straight_m)[element]
    keep = np.flatnonzero(is_direct | heard.any(axis=-1))
    kept_faces = faces[keep, : order[keep].max(initial=0)]
    delay, amplitude, exists = delay[keep].T, amplitude[keep].T, exists[keep].T
    return KeptPaths(part[element[keep]], order[keep], delay, amplitude, exists, lambda: kept_faces)
