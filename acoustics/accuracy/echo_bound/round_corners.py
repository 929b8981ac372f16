"""Paths of many pings in water of many faces or round corners, by the image sources that beams leave."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.physics.image_receivers import ImagePaths, PlaneFaces, image_maps
from acoustics.propagate.echoes import find_images, room_of_scene
from acoustics.propagate.images import polyhedron_trace
from acoustics.scene.scene import Scene

_PAIRS_AT_ONCE = 200_000
_ANY_HZ = 30e3  # where paths run does not depend on it


def paths_round_corners(
    scene: Scene, faces: PlaneFaces, sources_m: Floats, receivers_m: Floats, reach_m: Floats
) -> ImagePaths:
    """The same as `image_receivers.visible_paths` gives in convex water.

    Sound takes the same paths both ways: images are those of the sources or of the receivers, whichever are fewer.
    """
    turned = len(np.unique(receivers_m, axis=0)) < len(np.unique(sources_m, axis=0))
    apexes, others = (receivers_m, sources_m) if turned else (sources_m, receivers_m)
    elements, sequences = [], []
    places, which = np.unique(apexes, axis=0, return_inverse=True)
    for k, apex in enumerate(places):
        rows = np.flatnonzero(which.ravel() == k)
        pair, met = _seen(scene, apex, others[rows], reach_m[rows])
        elements.append(rows[pair])
        sequences.append(_reversed(met) if turned else met)
    longest = max(met.shape[1] for met in sequences)
    met = np.concatenate([np.pad(m, ((0, 0), (0, longest - m.shape[1])), constant_values=-1) for m in sequences])
    element = np.concatenate(elements)
    order = np.lexsort((np.sum(met >= 0, axis=1), element))
    element, met = element[order], met[order]
    distinct, sequence = np.unique(met, axis=0, return_inverse=True)
    return ImagePaths(element, met, image_maps(faces, distinct).images_m(receivers_m[element], sequence.ravel()))


def _seen(
    scene: Scene, apex_m: Floats, others_m: Floats, reach_m: Floats
) -> tuple[NDArray[np.int64], NDArray[np.int8]]:
    """Of each path from an apex: the place it leads to, by index, and the faces in order from the apex."""
    room = room_of_scene(scene, apex_m, others_m, frequency_hz=_ANY_HZ)
    images = find_images(room, apex_m, others_m, reach_m)
    apart = np.linalg.norm(images.position_m[:, None] - others_m, axis=-1)
    image, other = np.nonzero(apart <= reach_m)
    longest, rows, found = int(images.order.max()), [], []
    for start in range(0, len(image), _PAIRS_AT_ONCE):
        part = slice(start, start + _PAIRS_AT_ONCE)
        trace = polyhedron_trace(room, apex_m, images.take(image[part]), others_m[other[part]])
        rows.append(other[part][trace.exists])
        found.append(np.pad(trace.faces, ((0, 0), (0, longest - trace.faces.shape[1])), constant_values=-1))
    if not rows:
        return np.zeros(0, dtype=np.int64), np.zeros((0, longest), dtype=np.int8)
    return np.concatenate(rows), np.concatenate(found)


def _reversed(met: NDArray[np.int8]) -> NDArray[np.int8]:
    """Rows of faces in the other order, -1 after the last."""
    count = np.sum(met >= 0, axis=1, keepdims=True)
    slot = np.arange(met.shape[1])
    return np.where(slot < count, np.take_along_axis(met, np.maximum(count - 1 - slot, 0), axis=1), np.int8(-1))
