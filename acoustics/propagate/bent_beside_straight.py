"""Bent paths where walls stand on a floor that is not level: each beside the straight path past the same faces."""

from __future__ import annotations

import numpy as np

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.physics.path_rays import rays_along_paths
from acoustics.propagate.bending import profile_rows
from acoustics.propagate.images import Bools, Complexes, Images, Pairs, Room, path_gain, polyhedron_trace
from acoustics.propagate.in_the_water import in_the_water
from acoustics.scene.scene import Scene


@record
class BesideStraight:
    """What becomes of pairs of image and receiver along bent rays; all of shape (n_pairs,).

    `amplitude` is the pressure over that at 1 m without absorption, `from_m`, (n_pairs, 3), where the sound seems to
    come from [m]. Where not `exists` the others mean nothing. `walls`: whether it meets any.
    """

    exists: Bools
    delay_s: Floats
    amplitude: Complexes
    from_m: Floats
    walls: Bools

    def of(self, n_hydrophones: int) -> BesideStraight:
        """The same with a row for each that many pairs."""
        shape = (-1, n_hydrophones)
        delay, amplitude = self.delay_s.reshape(shape), self.amplitude.reshape(shape)
        exists, walls = self.exists.reshape(shape), self.walls.reshape(shape)
        return BesideStraight(exists, delay, amplitude, self.from_m.reshape(*shape, 3), walls)


def bent_beside_straight(
    scene: Scene, room: Room, source_m: Floats, images: Images, receivers_m: Floats, pairs: Pairs
) -> BesideStraight:
    """Bent rays of pairs of image and receiver; arguments as for `follow_paths`."""
    n, receiver, position = len(pairs.image), receivers_m[pairs.receiver], images.position_m[pairs.image]
    trace = polyhedron_trace(room, source_m, images.take(pairs.image), receiver)
    some = np.flatnonzero(trace.exists)
    rows, speed = profile_rows(scene, 0.0, scene.pool.deepest_m)
    planes = np.column_stack([room.normals, room.offsets_m])[trace.faces]
    count = np.sum(trace.faces >= 0, axis=1)
    rays = rays_along_paths(rows, speed, source_m, receiver[some], position[some], planes, count)
    found = rays.found & in_the_water(room, len(some), rays.ray, rays.place_m)
    exists, delay = np.zeros(n, dtype=bool), np.zeros(n)
    amplitude, from_m = np.zeros(n, dtype=complex), position.copy()
    at = some[found]
    exists[at], delay[at] = True, rays.time_s[found]
    # A tube that has crossed itself is a quarter period ahead: a signal runs as exp(+i w t) here.
    spreading = rays.amplitude[found] * np.exp(0.5j * np.pi * rays.caustics[found])
    amplitude[at] = spreading * path_gain(room, trace.faces[found], rays.sin_grazing[found])
    length = delay[at] * float(scene.water.sound_speed_m_s(source_m[2]))
    from_m[at] = receiver[at] - length[:, None] * rays.heading[found]
    walls = np.zeros(n, dtype=bool)
    walls[some] = np.any((trace.faces >= 0) & (room.normals[trace.faces, 2] == 0), axis=1)
    return BesideStraight(exists, delay, amplitude, from_m, walls)
