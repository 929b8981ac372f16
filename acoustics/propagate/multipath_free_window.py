"""The multipath-free window at many places at once, for maps, without laying out every echo."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np
from numpy.typing import ArrayLike

from acoustics.base.errors import ParameterError, SceneError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.propagate.arrivals import DEFAULT_HORIZON_S, arrivals
from acoustics.propagate.bending import bends
from acoustics.propagate.bent_paths import direct_times_s
from acoustics.propagate.echoes import (
    check_limits,
    checked_geometry,
    find_images,
    follow_paths,
    room_of_scene,
)
from acoustics.propagate.first_multipath import multipath_free_s
from acoustics.propagate.hull_shadow import Hull
from acoustics.propagate.images import Bools, Ints, Pairs
from acoustics.propagate.sight import in_sight
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene

_FIRST_LOOK_S = 4e-3
_LOOK_BENT_S = 4e-4  # at first, or shorter by a power of four
_BETWEEN_M = 0.05  # of distance; interpolated, windows are a millionth off, a thousandth where they reach the horizon
_SMOOTH = 0.01  # share by which a window changes from one distance to the next where no echo just becomes strong
_SAME_DEPTH_DECIMALS = 6  # of a metre


def multipath_free_map_s(
    scene: Scene,
    hydrophones_site_m: ArrayLike,
    source_m: ArrayLike,
    *,
    frequency_hz: float,
    horizon_s: float = DEFAULT_HORIZON_S,
    threshold_db: float = -20.0,
    hull: Hull | None = None,
) -> Floats:
    """Multipath-free window of every batch element: the same as `multipath_free_s` of the `arrivals`, sooner.

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
    hull : Hull, optional
        As for `arrivals`.

    Returns
    -------
    ndarray, shape (...)
        Shortest window over the hydrophones that the direct arrival reaches [s], 0 if it reaches none; `horizon_s`
        where no echo comes before it.

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
    hull = None if hull is None else hull.spread(hydrophones.shape[:-2])
    bent = bends(scene, elements, source, frequency_hz=frequency_hz, horizon_s=horizon_s)
    search = _Search(scene, source, hull, frequency_hz, threshold_db)
    window = search.straight_s(elements, ~bent, horizon_s)
    if bent.any():
        window[bent] = search.bent_s(elements, np.flatnonzero(bent), horizon_s)
    return window.reshape(hydrophones.shape[:-2])


def multipath_free_pairs_s(
    scene: Scene,
    hydrophones_site_m: Floats,
    sources_m: Floats,
    *,
    frequency_hz: float,
    horizon_s: float,
    threshold_db: float,
    hull: Hull | None = None,
) -> Floats:
    """As `multipath_free_map_s` for every pair of an array (k, n, 3) and a source (m, 3) [m], shape (k, m) [s].

    Over a level floor without walls a path depends on the two depths and the distance between them alone, and all pairs
    are worked out together; where they are many, every few centimetres of distance, and interpolated where no echo just
    becomes strong.
    """
    search = partial(
        multipath_free_map_s, scene, frequency_hz=frequency_hz, horizon_s=horizon_s, threshold_db=threshold_db
    )
    if scene.pool.outline_m is not None or not scene.pool.is_level or hull is not None:
        return np.stack([search(hydrophones_site_m, source, hull=hull) for source in sources_m], axis=-1)
    across = np.linalg.norm(hydrophones_site_m[:, None, :, :2] - sources_m[:, None, :2], axis=-1)  # (k, m, n)
    depth = np.broadcast_to(hydrophones_site_m[:, None, :, 2], across.shape)
    window = np.empty(across.shape[:2])
    for source_z in np.unique(sources_m[:, 2]):
        at = sources_m[:, 2] == source_z
        source, far, deep = np.array([0.0, 0.0, source_z]), across[:, at], depth[:, at]
        found, sure = _interpolated(scene, search, source, far, deep, frequency_hz)
        if not sure.all():
            there = np.stack([far, np.zeros(far.shape), deep], axis=-1)[~sure]
            found[~sure] = search(there, source)
        window[:, at] = found
    return window


def _interpolated(
    scene: Scene, search: Callable[[Floats, Floats], Floats], source_m: Floats, far_m: Floats, deep_m: Floats, hz: float
) -> tuple[Floats, Bools]:
    """Windows (k, m) of arrays whose hydrophones are so far off and so deep, (k, m, n), and where they can be told so:
    nowhere if that takes more places than there are hydrophones."""
    depths = np.unique(np.round(deep_m, _SAME_DEPTH_DECIMALS))
    grid = np.arange(far_m.min(), far_m.max() + _BETWEEN_M, _BETWEEN_M)
    if len(depths) * len(grid) >= far_m.size:
        return np.zeros(far_m.shape[:-1]), np.zeros(far_m.shape[:-1], dtype=bool)
    free, smooth = np.full(far_m.shape, np.inf), np.ones(far_m.shape, dtype=bool)
    for z in depths:
        here = np.round(deep_m, _SAME_DEPTH_DECIMALS) == z
        line = np.stack([grid, np.zeros(len(grid)), np.full(len(grid), z)], axis=-1)
        reached = np.isfinite(direct_times_s(scene, source_m, line)) | ~bends(
            scene, line[:, None], source_m, frequency_hz=hz
        )
        windows, place = search(line[:, None], source_m), (far_m[here] - grid[0]) / _BETWEEN_M
        free[here] = np.where(reached[np.rint(place).astype(np.intp)], np.interp(far_m[here], grid, windows), np.inf)
        even = np.abs(np.diff(windows)) <= _SMOOTH * windows[1:]
        smooth[here] = np.append(even, True)[place.astype(np.intp)]
    shortest = free.min(axis=-1)
    return np.where(np.isfinite(shortest), shortest, 0.0), np.asarray(smooth.all(axis=-1))


def _first_look_bent_s(scene: Scene, elements_m: Floats, source_m: Floats) -> Floats:
    """How long to look for a first echo along bent rays, shape (n_elements,): for all places as far off alike.

    From depth h to depth h the echo of surface or floor comes ``2 h^2 / (r c)`` late at a range r.
    """
    middle = elements_m.mean(axis=1)
    across = np.hypot(*(middle - source_m)[:, :2].T)
    deep = np.minimum(scene.pool.floor_depth_m(middle), scene.pool.floor_depth_m(source_m[None]))
    late = 2 * deep**2 / (across * float(scene.water.sound_speed_m_s(source_m[2])))
    return np.asarray(_LOOK_BENT_S * 4.0 ** np.clip(np.ceil(np.log(late / _LOOK_BENT_S) / np.log(4.0)), -6, 0))


@record
class _Search:
    """What is looked for: echoes of a source over a threshold re the direct sound that no body of the hull blocks."""

    scene: Scene
    source_m: Floats
    hull: Hull | None
    frequency_hz: float
    threshold_db: float

    def straight_s(self, elements_m: Floats, which: Bools, horizon_s: float) -> Floats:
        """Windows of some of the arrays (n_elements, n_hydrophones, 3) by straight rays, shape (n_elements,); of the
        others 0."""
        left = np.asarray(in_sight(self.scene, elements_m, self.source_m) & which[:, None])
        if self.hull is not None:
            left &= self.hull.clear(np.arange(len(elements_m)), self.source_m)
        window = np.where(left.any(axis=-1), horizon_s, 0.0)
        # Nearly always an early echo ends the search, long before a long burst is over.
        looked_s = min(_FIRST_LOOK_S, horizon_s)
        while left.any():
            earliest = self.earliest_s(elements_m, left, looked_s)
            found = earliest < looked_s
            window[found] = earliest[found]
            left &= ~found[:, None] & (looked_s < horizon_s)
            looked_s = min(4 * looked_s, horizon_s)
        return window

    def bent_s(self, elements_m: Floats, which: Ints, horizon_s: float) -> Floats:
        """Windows of some of the arrays, by index, by rays that the water bends, shape (n_some,)."""
        # Far off in shallow water the first echo is soon there, and the next milliseconds hold many.
        window, rows = np.zeros(len(elements_m)), which
        if not self.scene.pool.is_level:  # a level floor has no more rays to follow for echoes than for direct sound
            first = direct_times_s(self.scene, self.source_m, elements_m[rows].reshape(-1, 3)).reshape(rows.size, -1)
            rows = rows[np.isfinite(first).any(axis=-1)]
        look_s = np.full(len(elements_m), horizon_s)
        look_s[rows] = np.minimum(_first_look_bent_s(self.scene, elements_m[rows], self.source_m), horizon_s)
        while rows.size:
            now_s = look_s[rows].min()
            some = rows[look_s[rows] == now_s]
            paths = arrivals(
                self.scene,
                elements_m[some],
                self.source_m,
                frequency_hz=self.frequency_hz,
                horizon_s=now_s,
                floor_db=self.threshold_db,
                hull=None if self.hull is None else self.hull.take(some),
            )
            window[some] = multipath_free_s(paths, threshold_db=self.threshold_db)
            look_s[some] = min(4 * now_s, horizon_s)
            done = some[(window[some] < now_s) | (now_s >= horizon_s)]
            rows = np.setdiff1d(rows, done, assume_unique=True)
        return window[which]

    def earliest_s(self, hydrophones: Floats, counts: Bools, horizon_s: float) -> Floats:
        """Time from the direct sound to the first echo, up to a horizon, shape (n_elements,).

        Of hydrophones (n_elements, n_hydrophones, 3) those that `counts`, (n_elements, n_hydrophones), says.
        """
        element, hydrophone = np.nonzero(counts)
        receivers, source = hydrophones[element, hydrophone], self.source_m
        room = room_of_scene(self.scene, source, receivers, frequency_hz=self.frequency_hz)
        loss_db_per_m = float(self.scene.water.absorption_db_per_km(self.frequency_hz)) / 1000
        direct_m = np.linalg.norm(receivers - source, axis=-1)
        direct_s = direct_m / room.mean_speed_m_s(receivers[:, 2], np.full(len(receivers), source[2]))
        images = find_images(room, source, receivers, room.fastest_m_s * (direct_s + horizon_s))
        earliest, least = np.full(len(hydrophones), horizon_s), 10 ** (self.threshold_db / 20)
        reach_squared = (room.fastest_m_s * (direct_s + horizon_s)) ** 2
        x, y, z = np.ascontiguousarray(receivers.T)
        # An echo matters only where it comes before the earliest found so far, so most images, taken in the order
        # of their reflections, are dismissed by their distance alone.
        for image in range(1, len(images.order)):
            place = images.position_m[image]
            row = np.flatnonzero((x - place[0]) ** 2 + (y - place[1]) ** 2 + (z - place[2]) ** 2 < reach_squared)
            if not row.size:
                continue
            pairs = Pairs(np.zeros(row.size, dtype=np.int64), np.arange(row.size))
            paths = follow_paths(room, source, images.take(np.array([image])), receivers[row], pairs)
            distance = np.linalg.norm(receivers[row] - place, axis=-1)
            level_db = 20 * np.log10(direct_m[row] / distance) - loss_db_per_m * (distance - direct_m[row])
            strong = paths.exists & (np.abs(paths.gain) * 10 ** (level_db / 20) > least)
            if self.hull is not None:
                strong &= self.hull.clear(element[row], place)[np.arange(row.size), hydrophone[row]]
            after = distance * paths.slowness_s_m - direct_s[row]
            np.minimum.at(earliest, element[row[strong]], after[strong])
            reach_squared = (room.fastest_m_s * np.maximum(direct_s + earliest[element], 0.0)) ** 2
        # Along straight rays an echo through faster water can come first: then no part of the burst is free of it.
        return np.maximum(earliest, 0.0)


def multipath_free_windows(scene: Scene, pinger: Pinger, waypoints_m: Floats, heading: Floats | None = None) -> Floats:
    """Time from the direct sound to the first strong echo [s] at vehicle positions of shape (..., 3) [m].

    The vehicle keeps the scene's attitude but for headings (...) [rad], where they are given. Capped at the burst's own
    length: beyond it there is nothing to hear. 0 where bodies of the vehicle, walls or floor keep the direct sound from
    all hydrophones.
    """
    pose = scene.vehicle.pose_at(waypoints_m.reshape(-1, 3), None if heading is None else np.ravel(heading))
    window = multipath_free_pairs_s(
        scene,
        pose.to_site(scene.array.positions_m),
        np.array([pinger.position_m]),
        frequency_hz=pinger.frequency_hz,
        horizon_s=pinger.length_s,
        threshold_db=scene.study.multipath_threshold_db,
        hull=Hull.of(scene, pose),
    )
    return np.asarray(window[:, 0].reshape(waypoints_m.shape[:-1]))


def no_window(pinger: Pinger) -> SceneError:
    """What to say of a vehicle at whose place no part of the burst is free of multipath."""
    return SceneError(
        f"vehicle.position_m: an echo reaches the array as early as {pinger.name} itself, which leaves no "
        "multipath-free window; put the vehicle nearer, or raise study.multipath_threshold_db"
    )
