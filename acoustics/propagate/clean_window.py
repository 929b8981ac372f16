"""The clean window at many places at once, for maps, without laying out every echo."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from acoustics.errors import ParameterError
from acoustics.geometry import Floats
from acoustics.propagate.arrivals import DEFAULT_HORIZON_S
from acoustics.propagate.echoes import (
    check_limits,
    checked_geometry,
    find_images,
    follow_paths,
    room_of_scene,
)
from acoustics.scene.scene import Scene

_FIRST_LOOK_S = 4e-3


def clean_window_map_s(
    scene: Scene,
    hydrophones_site_m: ArrayLike,
    source_m: ArrayLike,
    *,
    frequency_hz: float,
    horizon_s: float = DEFAULT_HORIZON_S,
    threshold_db: float = -20.0,
) -> Floats:
    """Clean window of every batch element: the same as `clean_window_s` of the `arrivals`, sooner.

    Parameters
    ----------
    scene : Scene
        Pool and water.
    hydrophones_site_m : array_like, shape (..., n_hydrophones, 3)
        Hydrophones, site frame [m].
    source_m : array_like, shape (3,)
        Pinger, site frame [m].
    frequency_hz, horizon_s : float
        As for `arrivals` [Hz, s].
    threshold_db : float
        Echoes weaker than this are negligible [dB re the direct arrival at the same hydrophone].

    Returns
    -------
    ndarray, shape (...)
        Shortest window over the hydrophones [s]; `horizon_s` where no echo comes before it.

    Raises
    ------
    ParameterError
        As `arrivals` does, and for a threshold above 0 dB.
    """
    check_limits(frequency_hz, horizon_s)
    hydrophones, source = checked_geometry(scene, hydrophones_site_m, source_m)
    if not -np.inf <= threshold_db <= 0:
        raise ParameterError(f"threshold_db={threshold_db} must be at most 0 dB re the direct arrival")
    elements = hydrophones.reshape(-1, *hydrophones.shape[-2:])
    window = np.full(len(elements), horizon_s)
    # Nearly always an early echo ends the search, long before a long burst is over.
    left, reached_s = np.arange(len(elements)), min(_FIRST_LOOK_S, horizon_s)
    while left.size:
        window[left] = _windows(scene, elements[left], source, frequency_hz, reached_s, threshold_db)
        left = left[window[left] >= reached_s] if reached_s < horizon_s else left[:0]
        reached_s = min(4 * reached_s, horizon_s)
    return window.reshape(hydrophones.shape[:-2])


def _windows(
    scene: Scene, hydrophones: Floats, source: Floats, frequency_hz: float, horizon_s: float, threshold_db: float
) -> Floats:
    """Windows, shape (n_elements,), of hydrophones (n_elements, n_hydrophones, 3), up to one horizon."""
    receivers = hydrophones.reshape(-1, 3)
    element = np.arange(len(receivers)) // hydrophones.shape[-2]
    room = room_of_scene(scene, source, receivers, frequency_hz=frequency_hz)
    loss_db_per_m = float(scene.water.absorption_db_per_km(frequency_hz)) / 1000
    direct_m = np.linalg.norm(receivers - source, axis=-1)
    direct_s = direct_m / room.mean_speed_m_s(receivers[:, 2], np.full(len(receivers), source[2]))
    images = find_images(room, source, receivers, room.fastest_m_s * (direct_s + horizon_s))
    window = np.full(element[-1] + 1, horizon_s)
    # An echo matters only where it comes before the earliest found so far, so most images, taken in the order
    # of their reflections, are dismissed by their distance alone.
    for image in range(1, len(images.order)):
        distance = np.linalg.norm(receivers - images.position_m[image], axis=-1)
        row = np.flatnonzero(distance < room.fastest_m_s * (direct_s + window[element]))
        if not row.size:
            continue
        paths = follow_paths(room, source, images.take(np.full(row.size, image)), receivers[row])
        longer_m = distance[row] - direct_m[row]
        level_db = 20 * np.log10(direct_m[row] / distance[row]) - loss_db_per_m * longer_m
        strong = paths.exists & (np.abs(paths.gain) * 10 ** (level_db / 20) > 10 ** (threshold_db / 20))
        after = distance[row] * paths.slowness_s_m - direct_s[row]
        np.minimum.at(window, element[row[strong]], after[strong])
    # Along straight rays an echo through faster water can come first: then nothing of the burst is clean.
    return np.maximum(window, 0.0)
