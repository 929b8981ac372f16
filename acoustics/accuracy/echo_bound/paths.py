"""Paths of one ping at many places of vehicle and pinger: times, amplitudes, and the times' derivatives."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from acoustics.accuracy.echo_bound.round_corners import paths_round_corners
from acoustics.base.frames import Floats, Pose
from acoustics.base.record import record
from acoustics.io.site_sketch import faces_sd, site_faces
from acoustics.physics.image_receivers import ImagePaths, PlaneFaces, image_maps, visible_paths
from acoustics.propagate.echoes import room_of_scene
from acoustics.propagate.hull_shadow import Hull
from acoustics.propagate.images import path_gain
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene

Complexes = NDArray[np.complex128]
Bools = NDArray[np.bool_]

# Mirroring receivers blindly is quicker among few faces; among many it makes images that are seen from nowhere.
_FEW_FACES = 8
_FREE_SD_S = 100.0  # of the emission time, of which nothing is known


@record
class PlacedPings:
    """Vehicle and pinger of each batch element, both in the site.

    `waypoints_m`, shape (n, 3) [m]; `headings`, shape (n,) [rad]; `sources_m`, shape (n, 3) [m]. Roll and pitch are the
    scene's.
    """

    waypoints_m: Floats
    headings: Floats
    sources_m: Floats

    def take(self, rows: Any) -> PlacedPings:
        """Some of the batch elements."""
        return PlacedPings(self.waypoints_m[rows], self.headings[rows], self.sources_m[rows])


@record
class EchoPaths:
    """Paths of each batch element, the direct one first, padded with paths of no amplitude.

    Parameters
    ----------
    delay_s : ndarray, shape (n, n_hydrophones, n_paths)
        Travel times [s]; infinite where there is no path.
    amplitude : ndarray of complex, shape (n, n_hydrophones, n_paths)
        Pressure over that at 1 m [1].
    wall : ndarray of bool, shape (n, n_paths)
        Whether a wall is among the path's faces.
    by : ndarray, shape (n, n_hydrophones, n_paths, n_parameters)
        Derivative of the arrival times by x and y of the pinger [s/m] and then by every error of the geometry, each in
        units of its standard deviation [s].
    """

    delay_s: Floats
    amplitude: Complexes
    wall: Bools
    by: Floats

    def until(self, window_s: Floats) -> EchoPaths:
        """Without the paths that begin later than windows of shape (n,) [s] after the direct sound at each channel."""
        early = self.delay_s < self.delay_s[..., :1] + window_s[:, None, None]
        kept = early.any(axis=1)
        count = max(int(kept.sum(axis=-1).max()), 1)
        order = np.argsort(~kept, axis=-1, kind="stable")[:, :count]
        amplitude = np.where(early, self.amplitude, 0.0)
        across = order[:, None, :]
        return EchoPaths(
            np.take_along_axis(self.delay_s, across, axis=-1),
            np.take_along_axis(amplitude, across, axis=-1),
            np.take_along_axis(self.wall, order, axis=-1),
            np.take_along_axis(self.by, across[..., None], axis=-2),
        )


def echo_paths(
    scene: Scene,
    pinger: Pinger,
    pings: PlacedPings,
    *,
    horizon_s: float,
    floor_db: float,
    most_images: int,
    site_position: bool,
) -> EchoPaths:
    """Every path that is early and strong enough, and what its times depend on.

    Parameters
    ----------
    scene : Scene
        Pool, water, array, and what is not known of them.
    pinger : Pinger
        Its frequency counts here; the places are those of `pings`.
    pings : PlacedPings
        Batch of n.
    horizon_s : float
        Latest path after the direct one [s].
    floor_db : float
        Weakest path [dB re the direct one].
    most_images : int
        As `visible_paths` takes it, for convex water of few faces.
    site_position : bool
        Whether x and y are the site's, or relative to the vehicle.

    Notes
    -----
    Which paths exist, and their coefficients, are those of the array's middle; out of the pinger's sight it has none,
    since times count from the direct sound. The sound speed is the vehicle's all along each path.
    """
    faces = site_faces(scene.pool)
    pose = scene.vehicle.pose_at(pings.waypoints_m, pings.headings)
    hydrophones = pose.to_site(scene.array.positions_m)
    middle, speed = hydrophones.mean(axis=1), scene.sound_speed_m_s
    direct_m = np.linalg.norm(pings.sources_m - middle, axis=-1)
    reach = direct_m + speed * horizon_s
    if scene.pool.is_convex and len(faces.names) <= _FEW_FACES:
        found = visible_paths(faces, pings.sources_m, middle, reach, most_each=most_images)
    else:
        found = paths_round_corners(scene, faces, pings.sources_m, middle, reach)
    gain, strong = _gains(scene, pinger, faces, found, pings.sources_m, direct_m, floor_db)
    strong &= np.isin(found.element, found.element[(found.faces < 0).all(axis=-1)])
    found = ImagePaths(found.element[strong], found.faces[strong], found.image_m[strong])

    sequences, which = np.unique(found.faces, axis=0, return_inverse=True)
    maps, which = image_maps(faces, sequences), which.ravel()
    element = found.element
    receivers = hydrophones[element]
    images = maps.images_m(receivers, which[:, None])
    sight = pings.sources_m[element][:, None] - images
    distance = np.linalg.norm(sight, axis=-1)
    toward = sight / distance[..., None]
    loss_db_per_m = float(scene.water.absorption_db_per_km(pinger.frequency_hz)) / 1000
    amplitude = gain[strong][:, None] * 10 ** (-loss_db_per_m * distance / 20) / distance
    hull = Hull.of(scene, pose)
    if hull is not None:
        seen = np.einsum("nji,nj->ni", maps.matrix[which], pings.sources_m[element] - maps.shift_m[which])
        amplitude = amplitude * hull.clear(element, seen)

    by_face = -np.einsum("nhpi,nhi->nhp", maps.images_by(receivers, which[:, None]), toward) / speed
    by_receiver = -np.einsum("nji,nhj->nhi", maps.matrix[which], toward) / speed
    columns = [
        *_by_places(scene, pose, receivers, toward / speed, by_receiver, element, site_position),
        by_face * faces_sd(scene.pool, faces),
        *_by_channels(scene, pinger, by_receiver, distance / speed),
    ]
    wall = np.array([name.startswith("wall") for name in faces.names] + [False])
    return _laid_out(
        len(pings.headings),
        element,
        distance / speed,
        amplitude,
        np.any(wall[found.faces], axis=-1),
        np.concatenate(columns, axis=-1),
    )


def _gains(
    scene: Scene,
    pinger: Pinger,
    faces: PlaneFaces,
    found: ImagePaths,
    sources_m: Floats,
    direct_m: Floats,
    floor_db: float,
) -> tuple[Complexes, Bools]:
    """Product of each path's coefficients, and whether it is strong enough for its spreading."""
    room = room_of_scene(scene, sources_m[0], sources_m, frequency_hz=pinger.frequency_hz)
    sight = found.image_m - sources_m[found.element]
    distance = np.linalg.norm(sight, axis=-1)
    way = sight / distance[:, None]
    sin_grazing = np.zeros(found.faces.shape)
    for k in range(found.faces.shape[1]):
        met = found.faces[:, k] >= 0
        normal = np.where(met[:, None], faces.normals[found.faces[:, k]], 0.0) if len(faces.names) else 0.0 * way
        across = np.sum(normal * way, axis=-1)
        sin_grazing[:, k] = np.abs(across)
        way = way - 2 * across[:, None] * normal
    gain = path_gain(room, found.faces, sin_grazing)
    level = np.abs(gain) * direct_m[found.element] / distance
    return gain, (level >= 10 ** (floor_db / 20)) | (found.faces[:, :1] < 0).all(axis=-1)


def _by_places(
    scene: Scene,
    pose: Pose,
    receivers_m: Floats,
    by_source: Floats,
    by_receiver: Floats,
    element: NDArray[np.int64],
    site_position: bool,
) -> list[Floats]:
    """By the pinger's x and y; then its depth, own place, attitude, each in units of its standard deviation."""
    vehicle = scene.vehicle
    own_sd = np.array([vehicle.position_sd_m, vehicle.position_sd_m, vehicle.depth_sd_m])
    by_own = by_receiver
    if not site_position:  # an error of the own place then moves the pinger along
        by_own = by_own + by_source * [1.0, 1.0, 0.0]
    arm = receivers_m - np.asarray(pose.position_m)[element][:, None]
    by_turn = np.cross(arm, by_receiver) @ pose.rotation[element]
    return [
        by_source[..., :2],
        by_source[..., 2:] * scene.study.pinger_depth_sd_m,
        by_own * own_sd,
        by_turn * vehicle.attitude_sd,
    ]


def _by_channels(scene: Scene, pinger: Pinger, by_receiver: Floats, time_s: Floats) -> list[Floats]:
    """By emission time, sound speed, and each channel's mounting and skew, in units of their standard deviations."""
    n, n_channels, _ = by_receiver.shape
    own = np.eye(n_channels)
    mounting = own[:, :, None] * by_receiver[:, :, None, :] * scene.array.tolerances_m[:, None, None]
    skew = np.broadcast_to(own * scene.recorder.timing_sd_s(pinger.frequency_hz), (n, n_channels, n_channels))
    speed = -time_s[..., None] * scene.sound_speed_sd_m_s / scene.sound_speed_m_s
    return [np.full((n, n_channels, 1), _FREE_SD_S), speed, mounting.reshape(n, n_channels, 3 * n_channels), skew]


def _laid_out(
    count: int, element: NDArray[np.int64], delay_s: Floats, amplitude: Complexes, wall: Bools, by: Floats
) -> EchoPaths:
    """Rows of paths as arrays with an axis of batch elements and one of paths."""
    first = np.searchsorted(element, np.arange(count))
    rank = np.arange(len(element)) - first[element]
    most, n_channels = int(rank.max(initial=0)) + 1, delay_s.shape[1]
    delays = np.full((count, most, n_channels), np.inf)
    amplitudes = np.zeros((count, most, n_channels), dtype=complex)
    walls = np.zeros((count, most), dtype=bool)
    derivatives = np.zeros((count, most, n_channels, by.shape[-1]))
    delays[element, rank], amplitudes[element, rank] = delay_s, amplitude
    walls[element, rank], derivatives[element, rank] = wall, by
    return EchoPaths(np.swapaxes(delays, 1, 2), np.swapaxes(amplitudes, 1, 2), walls, np.swapaxes(derivatives, 1, 2))
