"""Paths in open water whose sound speed changes with depth: eigenrays, with surface and floor unfolded.

Mirrored in the surface and the level floor again and again, the water becomes one tall body in which a path that is
reflected runs on as a ray that is only bent; a receiver has an image in each of its storeys. Over a floor that slopes
or is of several planes rays are followed from reflection to reflection, and storeys count these.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.table_model import DEEPEST_M
from acoustics.physics.eigenrays import Eigenrays, eigenrays
from acoustics.physics.floor_eigenrays import floor_eigenrays
from acoustics.physics.floor_rays import SURFACE
from acoustics.propagate.images import Bools, Complexes, Ints, Room, path_gain
from acoustics.propagate.kept_paths import KeptPaths, Limits
from acoustics.scene.scene import Scene

BEND_SHARE = 0.02  # of a period of the carrier: a difference in travel time that is no longer taken as none
_STEEPER = np.deg2rad(3.0)  # than the steepest path a ray of the fan may be, so that it has a neighbour
_SLOWER = 1 + 2e-5  # than along the straight line the first direct ray never is by as much
_SHALLOWEST_M = 0.1  # of water whose storeys are counted
_SHALLOWEST_ROW_M = 1.0  # of the last row, where there is no floor


@dataclass(frozen=True)
class BentPaths:
    """Eigenrays of receivers, one a row; all of shape (n_rays,).

    Parameters
    ----------
    receiver, storey, number : ndarray of int
        Which receiver; its image's storey (0: without reflection as a straight path, -1: surface first, 1: floor
        first, and so on); and which of its rays with as many reflections, by their time, where there are several.
    faces : ndarray of int8, shape (n_rays, most)
        Faces met in order from the source; -1 after the last.
    delay_s : ndarray
        Travel time [s].
    amplitude : ndarray of complex
        Pressure over that at 1 m without absorption [1].
    from_m : ndarray, shape (n_rays, 3)
        Where the sound seems to come from at the receiver [m].
    """

    receiver: Ints
    storey: Ints
    number: Ints
    faces: NDArray[np.int8]
    delay_s: Floats
    amplitude: Complexes
    from_m: Floats


def bends(scene: Scene, receivers_m: Floats, source_m: Floats, *, frequency_hz: float) -> Bools:
    """Whether the profile bends rays to receivers (..., 3) by so much that it counts.

    A chord r of a circle of radius c / g is passed sooner by ``r^3 g^2 / (24 c^3)`` than at the speed along the chord;
    with the steepest gradient of the profile it counts beyond `BEND_SHARE` of the carrier's period. Never where there
    are walls: there rays are taken as straight.
    """
    across = np.hypot(*np.moveaxis(receivers_m - source_m, -1, 0)[:2])
    if scene.pool.outline_m is not None:
        return np.zeros(across.shape, dtype=bool)
    floor = scene.pool.floor_depth_m(np.concatenate([receivers_m.reshape(-1, 3), source_m[None]])).max()
    rows, speed = _rows(scene, float(max(receivers_m[..., 2].max(), source_m[2])), float(floor))
    steepest = np.abs(np.diff(speed) / np.diff(rows)).max()
    sooner = across**3 * steepest**2 / (24 * speed.min() ** 3)
    return np.asarray(sooner > BEND_SHARE / frequency_hz)


def direct_times_s(scene: Scene, source_m: Floats, receivers_m: Floats) -> Floats:
    """Travel times [s] of the first direct ray to receivers (n, 3), shape (n,); inf in a shadow zone."""
    floor = scene.pool.floor_planes
    across, length = np.hypot(*(receivers_m - source_m)[:, :2].T), np.linalg.norm(receivers_m - source_m, axis=1)
    first = np.full(len(across), np.inf)
    if slopes(scene):
        under = float(floor.depth_m(np.concatenate([receivers_m, source_m[None]])).max())
        rows, speed = _rows(scene, 0.0, _deepest_m(scene, under, float(across.max())))
        steepest, any_time, own = _steepest(speed, across, length), first.copy(), np.zeros(1, dtype=np.int64)
        found = floor_eigenrays(rows, speed, floor, source_m, receivers_m, own, steepest, any_time, reflected=False)
        np.minimum.at(first, found.receiver, found.ends.time_s)
        return first
    rows, speed, _, floor_m = _unfolded(scene, float(max(receivers_m[:, 2].max(), source_m[2])), 0.0)
    watched = (rows == 0) | (rows == floor_m)
    depth, steepest = receivers_m[:, 2:], _steepest(speed, across, length)
    rays = eigenrays(rows, speed, float(source_m[2]), depth, across, steepest=steepest, watched=watched)
    direct = np.all(rays.ends.passed < 0, axis=1)
    np.minimum.at(first, rays.receiver[direct], rays.ends.time_s[direct])
    return first


def slopes(scene: Scene) -> bool:
    """Whether the floor is not level all over."""
    planes = scene.pool.floor_planes.planes
    return len(planes) > 1 or bool(planes[0, 1:].any())


def _steepest(speed_m_s: Floats, across_m: Floats, length_m: Floats) -> Floats:
    """Steepest departure [rad] of a ray no longer than that: somewhere it is as flat as the straight way, by Snell."""
    return np.arccos(np.clip(speed_m_s.min() / speed_m_s.max() * across_m / length_m, 0.0, 1.0))


def bent_paths(
    scene: Scene, room: Room, source_m: Floats, receivers_m: Floats, straight_s: Floats, horizon_s: float
) -> BentPaths:
    """Every path up to a time after the direct sound, in water where `bends` holds.

    Parameters
    ----------
    scene : Scene
        Water, surface and floor.
    room : Room
        Its coefficients; they are met by water of the sound speed at the source's depth.
    source_m : ndarray, shape (3,)
        Source [m].
    receivers_m : ndarray, shape (n_receivers, 3)
        Receivers [m].
    straight_s : ndarray, shape (n_receivers,)
        Travel time along the straight line to each [s]; counts where there is no direct ray.
    horizon_s : float
        Latest echo after it [s].
    """
    across = np.hypot(*(receivers_m - source_m)[:, :2].T)
    if slopes(scene):
        return _over_slopes(scene, room, source_m, receivers_m, straight_s, horizon_s)
    reach_m = room.fastest_m_s * (straight_s + horizon_s)
    tall = _tall_m(across, reach_m)
    rows, speed, storeys, floor_m = _unfolded(scene, float(source_m[2]), tall)
    steepest = _steepest(speed, across, reach_m)
    z = receivers_m[:, 2, None]
    height = 0.0 if not np.isfinite(floor_m) else floor_m
    images = np.where(storeys % 2 == 0, storeys * height + z, (storeys + 1) * height - z)
    watched = np.zeros(len(rows), dtype=bool)
    watched[np.searchsorted(rows, [0.0] if height == 0 else np.arange(storeys[0] + 1, storeys[-1] + 1) * height)] = True
    rays = eigenrays(rows, speed, float(source_m[2]), images, across, steepest=steepest, watched=watched)
    return _described(scene, room, source_m, receivers_m, rays, rows, speed, storeys, height)


def _over_slopes(
    scene: Scene,
    room: Room,
    source_m: Floats,
    receivers_m: Floats,
    straight_s: Floats,
    horizon_s: float,
) -> BentPaths:
    """Paths over a floor that is not level, which sends rays aside and, towards shallow water, ever steeper."""
    floor = scene.pool.floor_planes
    longest_s = _SLOWER * straight_s + horizon_s
    reach_m, across = room.fastest_m_s * longest_s, np.hypot(*(receivers_m - source_m)[:, :2].T)
    under = floor.depth_m(np.concatenate([receivers_m, source_m[None]]))
    most = int(np.ceil(_tall_m(across, reach_m) / max(under.min(), _SHALLOWEST_M))) + 1
    rows, speed = _rows(scene, 0.0, _deepest_m(scene, under.max(), reach_m.max()))
    # Each plane that is met between turns the ray by twice its incline.
    steepest = _steepest(speed, across, reach_m) + (most + 1) * np.arctan(_incline(scene))
    storeys = np.arange(-most, most + 1)
    rays = floor_eigenrays(rows, speed, floor, source_m, receivers_m, storeys, steepest, longest_s)
    surface, bottom = _face_numbers(scene)
    faces = np.where(rays.ends.faces > SURFACE, bottom + rays.ends.faces - 1, surface)
    faces = np.where(rays.ends.faces < 0, -1, faces).astype(np.int8)
    gain = path_gain(room, faces, rays.ends.sin_grazing)
    length = rays.ends.time_s * float(scene.water.sound_speed_m_s(source_m[2]))
    return BentPaths(
        receiver=rays.receiver,
        storey=rays.storey,
        number=_rank(rays.ends.time_s, rays.receiver, rays.storey, np.sum(faces >= 0, axis=1)),
        faces=faces,
        delay_s=rays.ends.time_s,
        amplitude=gain * rays.amplitude * np.exp(0.5j * np.pi * rays.caustics),
        from_m=receivers_m[rays.receiver] - length[:, None] * rays.ends.heading,
    )


def _tall_m(across_m: Floats, reach_m: Floats) -> float:
    """Height [m] of the unfolded water that paths come through, and somewhat more."""
    return float(np.max(np.sqrt(np.maximum(reach_m**2 - across_m**2, 0.0))) + np.max(across_m) * np.tan(_STEEPER))


def _incline(scene: Scene) -> float:
    return float(np.hypot(*scene.pool.floor_planes.planes[:, 1:].T).max())


def _deepest_m(scene: Scene, under_m: float, reach_m: float) -> float:
    """No floor within reach is deeper [m], and none of the profile's rows."""
    return min(max(under_m + _incline(scene) * reach_m, scene.water.profile[-1].depth_m), DEEPEST_M)


def _face_numbers(scene: Scene) -> tuple[int, int]:
    """Among the room's faces: the surface, the last where it swallows sound, and the floor, or its first plane."""
    names = [face.name for face in scene.pool.faces]
    first = next((number for number, name in enumerate(names) if name.startswith("floor")), len(names))
    return names.index("surface") if "surface" in names else len(names), first


def _rows(scene: Scene, deepest_m: float, floor_m: float) -> tuple[Floats, Floats]:
    """Depths from the surface to the floor, or to a depth without one, and the sound speed there."""
    bottom = floor_m if np.isfinite(floor_m) else min(max(deepest_m, _SHALLOWEST_ROW_M), DEEPEST_M)
    given = [row.depth_m for row in scene.water.profile if 0.0 < row.depth_m < bottom]
    rows = np.unique([0.0, *given, bottom])
    return rows, np.asarray(scene.water.sound_speed_m_s(rows))


def _unfolded(scene: Scene, source_z: float, tall_m: float) -> tuple[Floats, Floats, Ints, float]:
    """Rows and speeds of the unfolded water, its storeys, and the floor's depth, inf where there is none."""
    floor = float(scene.pool.floor_planes.planes[0, 0])
    rows, speed = _rows(scene, source_z + tall_m, floor)
    most = int(np.ceil(tall_m / floor)) + 1 if np.isfinite(floor) else 1
    storeys = np.arange(-most, most + 1) if np.isfinite(floor) else np.array([-1, 0])
    parts = (
        [
            (storey * floor + rows, speed) if storey % 2 == 0 else ((storey + 1) * floor - rows[::-1], speed[::-1])
            for storey in storeys
        ]
        if np.isfinite(floor)
        else [(-rows[::-1], speed[::-1]), (rows, speed)]
    )
    # Each storey begins where the one below it ends.
    tall = np.concatenate([parts[0][0], *[part[0][1:] for part in parts[1:]]])
    return tall, np.concatenate([parts[0][1], *[part[1][1:] for part in parts[1:]]]), storeys, floor


def _described(
    scene: Scene,
    room: Room,
    source_m: Floats,
    receivers_m: Floats,
    rays: Eigenrays,
    rows: Floats,
    speed: Floats,
    storeys: Ints,
    height_m: float,
) -> BentPaths:
    passed = rays.ends.passed
    turn = np.rint(rows[passed] / height_m).astype(int) if height_m else np.zeros(passed.shape, dtype=int)
    surface, floor = _face_numbers(scene)
    faces = np.where(passed < 0, -1, np.where(turn % 2 == 0, surface, floor)).astype(np.int8)
    slowness = np.sqrt(1.0 - rays.ends.sin_angle**2) / rays.ends.speed_m_s
    sine = np.sqrt(np.maximum(1.0 - (slowness[:, None] * speed[passed]) ** 2, 0.0))
    gain = path_gain(room, faces, np.where(passed < 0, 0.0, sine))
    storey = storeys[rays.target]
    number = _rank(rays.ends.time_s, rays.receiver, rays.target, np.sum(faces >= 0, axis=1))
    receiver = receivers_m[rays.receiver]
    ahead = receiver - source_m
    ahead[:, :2] *= (np.sqrt(1.0 - rays.ends.sin_angle**2) / np.hypot(*ahead[:, :2].T))[:, None]
    ahead[:, 2] = np.where(storey % 2 == 0, rays.ends.sin_angle, -rays.ends.sin_angle)
    length = rays.ends.time_s * float(scene.water.sound_speed_m_s(source_m[2]))
    return BentPaths(
        receiver=rays.receiver,
        storey=storey,
        number=number,
        faces=faces,
        delay_s=rays.ends.time_s,
        # A tube that has crossed itself is a quarter period ahead: a signal runs as exp(+i w t) here.
        amplitude=gain * rays.amplitude * np.exp(0.5j * np.pi * rays.caustics),
        from_m=receiver - length[:, None] * ahead,
    )


def _rank(values: Floats, *groups: Ints) -> Ints:
    """Rank of each value, from 0, among those of its group."""
    order = np.lexsort((values, *groups))
    other = np.any([np.diff(group[order], prepend=-1) != 0 for group in groups], axis=0)
    position = np.arange(len(values))
    rank = np.empty(len(values), dtype=np.int64)
    rank[order] = position - np.maximum.accumulate(np.where(other, position, 0))
    return rank


def kept_bent_paths(
    scene: Scene, room: Room, source_m: Floats, elements_m: Floats, part: Ints, limits: Limits
) -> KeptPaths:
    """Bent paths of a part of the batch elements, by index, each path as the hydrophones of an element hear it.

    Rays of one storey and as many reflections count as one path, in the order of their times. Where no ray leads
    straight to any hydrophone (a shadow zone), the direct path is named and does not exist; its delay is then that of
    the straight line.
    """
    receivers = elements_m[part]
    flat, n_hydrophones = receivers.reshape(-1, 3), receivers.shape[1]
    straight_m = np.linalg.norm(flat - source_m, axis=-1)
    straight_s = straight_m / room.mean_speed_m_s(flat[:, 2], np.full(len(flat), source_m[2]))
    loss = np.log(10) / 20 * limits.loss_db_per_m
    rays = bent_paths(scene, room, source_m, flat, straight_s, limits.horizon_s)
    # The direct path has a row at every element, though no ray may take it.
    bounces = np.sum(rays.faces >= 0, axis=1)
    key = np.column_stack([rays.receiver // n_hydrophones, rays.storey, bounces, rays.number])
    direct = np.column_stack([np.arange(len(part)), np.zeros((len(part), 3), dtype=np.int64)])
    paths, row = np.unique(np.concatenate([direct, key]), axis=0, return_inverse=True)
    row = row.ravel()[len(part) :]
    hydrophone, shape = rays.receiver % n_hydrophones, (len(paths), n_hydrophones)
    exists, delay = np.zeros(shape, dtype=bool), straight_s.reshape(-1, n_hydrophones)[paths[:, 0]]
    amplitude, from_m = np.zeros(shape, dtype=complex), np.tile(source_m, (len(paths), 1))
    faces = np.full((len(paths), rays.faces.shape[1]), -1, dtype=np.int8)
    exists[row, hydrophone] = np.abs(rays.amplitude) > 0
    delay[row, hydrophone] = rays.delay_s
    length = rays.delay_s * (straight_m / straight_s)[rays.receiver]
    amplitude[row, hydrophone] = rays.amplitude * np.exp(-loss * length)
    from_m[row], faces[row] = rays.from_m, rays.faces
    element = paths[:, 0]
    if limits.hull is not None:
        exists &= limits.hull.clear(part[element], from_m)

    is_direct = (paths[:, 1:] == 0).all(axis=1)
    first = np.where(exists[is_direct], delay[is_direct], straight_s.reshape(-1, n_hydrophones))
    spherical = (np.exp(-loss * straight_m) / straight_m).reshape(-1, n_hydrophones)
    heard = exists & (delay <= first[element] + limits.horizon_s)
    heard &= np.abs(amplitude) >= limits.least * spherical[element]
    mean_delay = np.sum(delay * exists, axis=-1) / np.maximum(np.sum(exists, axis=-1), 1)
    order = paths[:, 2]
    keep = np.flatnonzero(is_direct | heard.any(axis=-1))
    keep = keep[np.lexsort((mean_delay[keep], ~is_direct[keep], element[keep]))]
    kept_faces = faces[keep, : order[keep].max()]
    return KeptPaths(part[element[keep]], order[keep], delay[keep], amplitude[keep], exists[keep], lambda: kept_faces)
