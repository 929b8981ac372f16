"""Paths in water whose sound speed changes with depth: eigenrays, with surface and floor unfolded.

Mirrored in the surface and the level floor again and again, the water becomes one tall body in which a path that is
reflected runs on as a ray that is only bent; a receiver has an image in each of its storeys. Walls mirror the way seen
from above (`plan_view`), which is only as long as that to an image of the source. Over a floor that slopes or is of
several planes rays are followed from reflection to reflection, and storeys count these.
"""

from __future__ import annotations

from dataclasses import fields
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.base.table_model import DEEPEST_M
from acoustics.physics.eigenrays import Eigenrays, eigenrays
from acoustics.physics.floor_eigenrays import floor_eigenrays
from acoustics.physics.floor_rays import SURFACE
from acoustics.physics.path_rays import places_along
from acoustics.physics.ray_tracing import trace_rays
from acoustics.propagate.bending import Bending, profile_rows
from acoustics.propagate.images import Bools, Complexes, Ints, Room, path_gain
from acoustics.propagate.in_the_water import in_the_water
from acoustics.propagate.plan_view import PlanPaths, plan_paths
from acoustics.scene.scene import Scene

_STEEPER = np.deg2rad(3.0)  # than the steepest path a ray of the fan may be, so that it has a neighbour
_SLOWER = 1 + 2e-5  # than along the straight line the first direct ray never is by as much
_SHALLOWEST_M = 0.1  # of water whose storeys are counted
_WAYS_AT_ONCE, _IMAGES_AT_ONCE = 3_000, 100_000


@record
class BentPaths:
    """Eigenrays of receivers, one a row; all of shape (n_rays,).

    Parameters
    ----------
    receiver, image, storey, number : ndarray of int
        Which receiver; which image of the source in the walls, 0 for itself; the receiver's storey (0: without
        reflection at surface and floor as a straight path, -1: surface first, 1: floor first, and so on); and which of
        its rays with as many reflections, by their time, where there are several.
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
    image: Ints
    storey: Ints
    number: Ints
    faces: NDArray[np.int8]
    delay_s: Floats
    amplitude: Complexes
    from_m: Floats


def direct_times_s(scene: Scene, source_m: Floats, receivers_m: Floats) -> Floats:
    """Travel times [s] of the first direct ray to receivers (n, 3), shape (n,); inf in a shadow zone."""
    floor = scene.pool.floor_planes
    across, length = np.hypot(*(receivers_m - source_m)[:, :2].T), np.linalg.norm(receivers_m - source_m, axis=1)
    first = np.full(len(across), np.inf)
    if not scene.pool.is_level:
        under = float(floor.depth_m(np.concatenate([receivers_m, source_m[None]])).max())
        rows, speed = profile_rows(scene, 0.0, _deepest_m(scene, under, float(across.max())))
        steepest, any_time, own = _steepest(speed, across, length), first.copy(), np.zeros(1, dtype=np.int64)
        found = floor_eigenrays(rows, speed, floor, source_m, receivers_m, own, steepest, any_time, reflected=False)
        np.minimum.at(first, found.receiver, found.ends.time_s)
        return first
    body = _unfolded(scene, float(max(receivers_m[:, 2].max(), source_m[2])), 0.0)
    steepest = _steepest(body.speed_m_s, across, length)
    rays = eigenrays(
        body.rows_m,
        body.speed_m_s,
        float(source_m[2]),
        receivers_m[:, 2:],
        across,
        steepest=steepest,
        watched=body.faces,
    )
    direct = np.all(rays.ends.passed < 0, axis=1)
    np.minimum.at(first, rays.receiver[direct], rays.ends.time_s[direct])
    return first


def _steepest(speed_m_s: Floats, across_m: Floats, length_m: Floats) -> Floats:
    """Steepest departure [rad] of a ray no longer than that: somewhere it is as flat as the straight way, by Snell."""
    return np.arccos(np.clip(speed_m_s.min() / speed_m_s.max() * across_m / length_m, 0.0, 1.0))


def bent_paths(
    scene: Scene,
    room: Room,
    source_m: Floats,
    elements_m: Floats,
    straight_s: Floats,
    horizon_s: float,
    water: Bending,
) -> BentPaths:
    """Every bent path up to a time after the direct sound; over a floor that is not level, every path.

    Parameters
    ----------
    scene : Scene
        Water, surface, floor and walls.
    room : Room
        Its coefficients; they are met by water of the sound speed at the source's depth.
    source_m : ndarray, shape (3,)
        Source [m].
    elements_m : ndarray, shape (n_elements, n_hydrophones, 3)
        Receivers, one after another [m]; those of an element hear the same paths.
    straight_s : ndarray, shape (n_elements, n_hydrophones)
        Travel time along the straight line to each [s]; counts where there is no direct ray.
    horizon_s : float
        Latest echo after it [s].
    water : Bending
        Says which paths are bent.
    """
    if not scene.pool.is_level:
        return _over_slopes(scene, room, source_m, elements_m.reshape(-1, 3), straight_s.ravel(), horizon_s)
    n_hydrophones, receivers = elements_m.shape[1], elements_m.reshape(-1, 3)
    reach_m = room.fastest_m_s * (straight_s.ravel() + horizon_s)
    ways = plan_paths(scene, room, source_m, receivers, reach_m)
    middle = np.repeat(elements_m.mean(axis=1), n_hydrophones, axis=0)
    across = np.linalg.norm(middle[ways.receiver, :2] - ways.from_m, axis=-1)
    ways = ways.take(np.flatnonzero(water.counts_on_legs(reach_m[ways.receiver], across)))
    tall = _tall_m(ways.across_m, reach_m[ways.receiver])
    body = _unfolded(scene, float(source_m[2]), tall)
    step = max(1, min(_WAYS_AT_ONCE, _IMAGES_AT_ONCE // len(body.storeys)))
    found = []
    for begin in range(0, max(len(ways.receiver), 1), step):
        some = ways.take(np.arange(begin, min(begin + step, len(ways.receiver))))
        across = np.linalg.norm(middle[some.receiver, :2] - some.from_m, axis=-1)
        upright = np.abs(body.depths_m(middle[some.receiver, 2]) - source_m[2])
        aims = body.depths_m(receivers[some.receiver, 2])
        aims[~water.counts(across[:, None], upright)] = np.nan
        steepest = _steepest(body.speed_m_s, some.across_m, reach_m[some.receiver])
        rays = eigenrays(
            body.rows_m, body.speed_m_s, float(source_m[2]), aims, some.across_m, steepest=steepest, watched=body.faces
        )
        found.append(_described(scene, room, source_m, receivers, some, rays, body))
    return _joined(found)


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
    rows, speed = profile_rows(scene, 0.0, _deepest_m(scene, under.max(), reach_m.max()))
    # Each plane that is met between turns the ray by twice its incline.
    steepest = _steepest(speed, across, reach_m) + (most + 1) * np.arctan(_incline(scene))
    storeys = np.arange(-most, most + 1)
    rays = floor_eigenrays(rows, speed, floor, source_m, receivers_m, storeys, steepest, longest_s)
    surface, bottom = _face_numbers(scene)
    faces = np.where(rays.ends.faces > SURFACE, bottom + rays.ends.faces - 1, surface)
    faces = np.where(rays.ends.faces < 0, -1, faces).astype(np.int8)
    gain = path_gain(room, faces, rays.ends.sin_grazing)
    if scene.pool.outline_m is not None:
        planes, met = np.column_stack([room.normals, room.offsets_m])[faces], np.sum(faces >= 0, axis=1)
        track = places_along(rows, speed, source_m, receivers_m[rays.receiver], rays.departure, planes, met)
        gain *= in_the_water(room, len(faces), *track)
    length = rays.ends.time_s * float(scene.water.sound_speed_m_s(source_m[2]))
    return BentPaths(
        receiver=rays.receiver,
        image=np.zeros(len(rays.receiver), dtype=np.int64),
        storey=rays.storey,
        number=_rank(rays.ends.time_s, rays.receiver, rays.storey, np.sum(faces >= 0, axis=1)),
        faces=faces,
        delay_s=rays.ends.time_s,
        amplitude=gain * rays.amplitude * np.exp(0.5j * np.pi * rays.caustics),
        from_m=receivers_m[rays.receiver] - length[:, None] * rays.ends.heading,
    )


def _tall_m(across_m: Floats, reach_m: Floats) -> float:
    """Height [m] of the unfolded water that paths come through, and somewhat more."""
    upright = np.sqrt(np.maximum(reach_m**2 - across_m**2, 0.0))
    return float(np.max(upright, initial=0.0) + np.max(across_m, initial=0.0) * np.tan(_STEEPER))


def _incline(scene: Scene) -> float:
    return float(np.hypot(*scene.pool.floor_planes.planes[:, 1:].T).max())


def _deepest_m(scene: Scene, under_m: float, reach_m: float) -> float:
    """No floor within reach is deeper [m], and no row of the profile; without one pressure alone bends rays."""
    rows_m = [row.depth_m for row in scene.water.profile]
    return min(max([under_m + _incline(scene) * reach_m, *rows_m]), DEEPEST_M)


def _face_numbers(scene: Scene) -> tuple[int, int]:
    """Among the room's faces: the surface, the last where it swallows sound, and the floor, or its first plane."""
    names = [face.name for face in scene.pool.faces]
    first = next((number for number, name in enumerate(names) if name.startswith("floor")), len(names))
    return names.index("surface") if "surface" in names else len(names), first


class _Body(NamedTuple):
    """Unfolded water: rows [m], the speed there, which are faces, storeys, and the floor's depth, 0 without one [m]."""

    rows_m: Floats
    speed_m_s: Floats
    faces: Bools
    storeys: Ints
    floor_m: float

    def depths_m(self, depth_m: Floats) -> Floats:
        """Depths [m] of places at a depth (n,) [m] in each storey, shape (n, n_storeys)."""
        z, k = depth_m[:, None], self.storeys
        return np.where(k % 2 == 0, k * self.floor_m + z, (k + 1) * self.floor_m - z)


def _unfolded(scene: Scene, source_z: float, tall_m: float) -> _Body:
    floor = float(scene.pool.floor_planes.planes[0, 0])
    rows, speed = profile_rows(scene, source_z + tall_m, floor)
    if not np.isfinite(floor):
        tall, speeds = np.concatenate([-rows[::-1], rows[1:]]), np.concatenate([speed[::-1], speed[1:]])
        return _Body(tall, speeds, tall == 0.0, np.array([-1, 0]), 0.0)
    most = int(np.ceil(tall_m / floor)) + 1
    storeys = np.arange(-most, most + 1)
    # Each storey begins where the one below it ends.
    parts = [k * floor + rows if k % 2 == 0 else (k + 1) * floor - rows[::-1] for k in storeys]
    tall = np.concatenate([parts[0], *[part[1:] for part in parts[1:]]])
    there = [speed if k % 2 == 0 else speed[::-1] for k in storeys]
    faces = np.zeros(len(tall), dtype=bool)
    faces[:: len(rows) - 1] = True
    faces[[0, -1]] = False
    return _Body(tall, np.concatenate([there[0], *[part[1:] for part in there[1:]]]), faces, storeys, floor)


def _described(
    scene: Scene, room: Room, source_m: Floats, receivers_m: Floats, ways: PlanPaths, rays: Eigenrays, body: _Body
) -> BentPaths:
    way, passed = rays.receiver, rays.ends.passed
    turn = np.rint(body.rows_m[passed] / body.floor_m).astype(int) if body.floor_m else np.zeros(passed.shape, int)
    surface, floor = _face_numbers(scene)
    faces = np.where(passed < 0, -1, np.where(turn % 2 == 0, surface, floor)).astype(np.int8)
    level = np.sqrt(1.0 - rays.ends.sin_angle**2)
    slowness = level / rays.ends.speed_m_s
    sine = np.sqrt(np.maximum(1.0 - (slowness[:, None] * body.speed_m_s[passed]) ** 2, 0.0))
    faces, sine = _with_walls(ways, rays, float(source_m[2]), body, faces, sine)
    storey = body.storeys[rays.target]
    receiver = receivers_m[ways.receiver[way]]
    ahead = np.empty((len(way), 3))
    ahead[:, :2] = (receiver[:, :2] - ways.from_m[way]) * (level / ways.across_m[way])[:, None]
    ahead[:, 2] = np.where(storey % 2 == 0, rays.ends.sin_angle, -rays.ends.sin_angle)
    length = rays.ends.time_s * float(scene.water.sound_speed_m_s(source_m[2]))
    # A tube that has crossed itself is a quarter period ahead: a signal runs as exp(+i w t) here.
    amplitude = path_gain(room, faces, sine) * rays.amplitude * np.exp(0.5j * np.pi * rays.caustics)
    return BentPaths(
        receiver=ways.receiver[way],
        image=ways.image[way],
        storey=storey,
        number=_rank(rays.ends.time_s, way, rays.target, np.sum(faces >= 0, axis=1)),
        faces=faces,
        delay_s=rays.ends.time_s,
        amplitude=amplitude,
        from_m=receiver - length[:, None] * ahead,
    )


def _with_walls(
    ways: PlanPaths, rays: Eigenrays, source_z: float, body: _Body, faces: NDArray[np.int8], sine: Floats
) -> tuple[NDArray[np.int8], Floats]:
    """Faces and sines of the grazing angles (n_rays, n_met) of level faces, with those of walls put in their places.

    A ray comes to a wall as steep as it is there.
    """
    ray, wall = np.nonzero(ways.walls[rays.receiver] >= 0)
    if not ray.size:
        return faces, sine
    way, begin = rays.receiver[ray], np.full(len(ray), source_z)
    there = trace_rays(body.rows_m, body.speed_m_s, begin, rays.angle[ray], ways.at_m[way, wall], watched=body.faces)
    shape = (len(faces), ways.walls.shape[1])
    walls, walls_sine, after = np.full(shape, -1, dtype=np.int8), np.zeros(shape), np.full(shape, np.inf)
    walls[ray, wall] = ways.walls[way, wall]
    walls_sine[ray, wall] = ways.sine[way, wall] * np.sqrt(1.0 - there.sin_angle**2)
    after[ray, wall] = np.sum(there.passed >= 0, axis=1) - 0.5  # of the level faces
    number = np.where(faces >= 0, np.arange(faces.shape[1]), np.inf)
    order = np.argsort(np.concatenate([number, after], axis=1), axis=1, kind="stable")
    both = np.concatenate([faces, walls], axis=1), np.concatenate([sine, walls_sine], axis=1)
    return np.take_along_axis(both[0], order, axis=1), np.take_along_axis(both[1], order, axis=1)


def _joined(parts: list[BentPaths]) -> BentPaths:
    most = max(part.faces.shape[1] for part in parts)
    faces = [np.pad(part.faces, ((0, 0), (0, most - part.faces.shape[1])), constant_values=-1) for part in parts]
    rest = {
        field.name: np.concatenate([getattr(part, field.name) for part in parts])
        for field in fields(BentPaths)
        if field.name != "faces"
    }
    return BentPaths(faces=np.concatenate(faces), **rest)


def _rank(values: Floats, *groups: Ints) -> Ints:
    """Rank of each value, from 0, among those of its group."""
    order = np.lexsort((values, *groups))
    other = np.any([np.diff(group[order], prepend=-1) != 0 for group in groups], axis=0)
    position = np.arange(len(values))
    rank = np.empty(len(values), dtype=np.int64)
    rank[order] = position - np.maximum.accumulate(np.where(other, position, 0))
    return rank
