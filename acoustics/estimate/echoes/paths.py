"""Paths by the faces of a site sketch: which there are, when they arrive, and what their times depend on."""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats, Pose
from acoustics.base.least_squares import transposed
from acoustics.base.record import record
from acoustics.io.echo_fix import LEAST_OWN_SD_M
from acoustics.io.ping import NavigatedPose
from acoustics.physics.burst import Burst
from acoustics.physics.error_model import attitude_axes
from acoustics.physics.image_receivers import (
    ImageMaps,
    ImagePaths,
    PlaneFaces,
    TooManyImages,
    image_maps,
    visible_paths,
)

# Expected pressure after a bounce: concrete from total reflection at grazing incidence to 0.5 head-on; the surface
# loses little. Amplitudes are free, so this only says which paths may be loud. Common practice, no source.
_KEPT_BY_SURFACE, _KEPT_BY_OTHERS = 0.95, 0.7
WEAKEST = 10 ** (-26 / 20)  # re the direct sound
# How fast the phase of a reflection turns with the cosine between path and normal [rad]: root mean square over all
# angles by the power sent on, over steps of 0.1, and over materials: rock 4, sand 6, concrete 9, clay 11
# (physics/reflection.py). Near a critical angle it is three times as fast.
_TURN_BY_COSINE = 8.0
EMISSION_UNIT_S = 1e-5
_SHARE_OF_BUILD_UP = 0.25
_AT_ONCE = 500  # places of which paths are looked for


@record
class SiteKnowledge:
    """All that an estimate by echoes rests on, beside the samples.

    Parameters
    ----------
    faces : PlaneFaces
        The site sketch.
    faces_sd : ndarray, shape (n_face_parameters,)
        Standard deviation of each of the faces' parameters [m or 1].
    hydrophones_m : ndarray, shape (n_channels, 3)
        Body frame [m].
    tolerances_m : ndarray, shape (n_channels,)
        Standard deviation of each place along each axis [m].
    skew_sd_s : float
        Standard deviation of each channel's clock [s].
    pose : NavigatedPose
        Of the vehicle, with standard deviations.
    sound_speed_m_s, sound_speed_sd_m_s : float
        Of the water [m/s].
    burst : Burst
        By the pinger's data sheet.
    depth_m, depth_sd_m : float
        Of the pinger [m].
    q_sd_share, frequency_sd_share : float
        Of the burst's Q and of its carrier, as shares of them [1].
    """

    faces: PlaneFaces
    faces_sd: Floats
    hydrophones_m: Floats
    tolerances_m: Floats
    skew_sd_s: float
    pose: NavigatedPose
    sound_speed_m_s: float
    sound_speed_sd_m_s: float
    burst: Burst
    depth_m: float
    depth_sd_m: float
    q_sd_share: float = 0.2
    frequency_sd_share: float = 0.002

    @cached_property
    def middle_m(self) -> Floats:
        """Middle of the hydrophones in the site [m], shape (3,)."""
        return self.pose.pose.to_site(self.hydrophones_m).mean(axis=0)

    @cached_property
    def own_sd(self) -> Floats:
        """Standard deviations of the own x, y and depth [m]."""
        own = [self.pose.position_sd_m, self.pose.position_sd_m, self.pose.depth_sd_m]
        return np.maximum(own, LEAST_OWN_SD_M)

    @cached_property
    def angle_sd(self) -> Floats:
        """Standard deviations of roll, pitch and heading [rad]."""
        return np.array([self.pose.roll_sd, self.pose.pitch_sd, self.pose.heading_sd])

    @cached_property
    def is_small(self) -> bool:
        """Whether sound crosses the array in a small share of the burst's build-up."""
        crossing_s = np.ptp(self.hydrophones_m, axis=0).max() / self.sound_speed_m_s
        return bool(crossing_s < _SHARE_OF_BUILD_UP * self.burst.q / (np.pi * self.burst.frequency_hz))

    @cached_property
    def n_parameters(self) -> int:
        """Parameters of a state, see `unpacked`."""
        return 13 + len(self.faces_sd) + 4 * len(self.hydrophones_m)

    @cached_property
    def prior(self) -> Floats:
        """Information that the priors hold about each parameter of a state, shape (n_parameters,)."""
        free = np.isin(np.arange(self.n_parameters), (X, Y, EMISSION))
        return np.where(free, 0.0, 1.0)


# Parameters of a state: the pinger's x and y [m], the emission time [10 us], and in units of their standard deviations
# pinger's depth, own x, y and depth, roll, pitch, heading, sound speed, Q, carrier; then faces, mounting, skew.
X, Y, EMISSION, DEPTH, OWN, ATTITUDE, SPEED, Q, CARRIER, FACES = 0, 1, 2, 3, 4, 7, 10, 11, 12, 13


@record
class PathSets:
    """Paths of each of n starts, the direct one first, padded with paths of no amplitude.

    Parameters
    ----------
    maps : ImageMaps
        Of every sequence of faces in use.
    faces : ndarray of int8, shape (n_sequences, largest order)
        Of each sequence, in order from the source; -1 after the last.
    sequence : ndarray of int, shape (n, n_paths)
        Index of each path's sequence.
    expected : ndarray, shape (n, n_paths)
        Expected pressure over that of the direct path [1]; 0 where there is no path.
    bounces : ndarray of int, shape (n, n_paths)
        How many faces each path meets.
    """

    maps: ImageMaps
    faces: NDArray[np.int8]
    sequence: NDArray[np.int64]
    expected: Floats
    bounces: NDArray[np.int64]

    def subset(self, rows: Any) -> PathSets:
        """Some of the starts, padded no more than they need."""
        count = max(int(np.sum(self.expected[rows] > 0, axis=-1).max(initial=1)), 1)
        return PathSets(
            self.maps,
            self.faces,
            self.sequence[rows, :count],
            self.expected[rows, :count],
            self.bounces[rows, :count],
        )


def path_sets(known: SiteKnowledge, sources_m: Floats, horizon_s: float, weakest: float = WEAKEST) -> PathSets:
    """Paths from sources of shape (n, 3) [m] to the array's middle that arrive within a time of the direct one [s].

    Those expected to be weaker than a share of the direct one are left out.
    """
    n, faces, speed = len(sources_m), known.faces, known.sound_speed_m_s
    receivers = np.broadcast_to(known.middle_m, (n, 3))
    direct = np.linalg.norm(sources_m - receivers, axis=-1)
    kept = np.array([_KEPT_BY_SURFACE if name == "surface" else _KEPT_BY_OTHERS for name in faces.names] + [1.0])
    found = _visible_paths(faces, sources_m, receivers, direct + speed * horizon_s, kept[:-1], weakest)
    element, length = found.element, np.linalg.norm(found.image_m - sources_m[found.element], axis=-1)
    expected = np.prod(kept[found.faces], axis=-1) * direct[element] / length
    count = np.bincount(element, minlength=n)
    rank = np.arange(len(element)) - np.searchsorted(element, np.arange(n))[element]
    sequences, which = _distinct(found.faces, len(faces.names) + 1)
    shape = (n, int(count.max()))

    def laid_out(values: Any) -> Any:
        out = np.zeros(shape, dtype=np.asarray(values).dtype)
        out[element, rank] = values
        return out

    return PathSets(
        image_maps(faces, sequences),
        sequences,
        laid_out(which.ravel()),
        laid_out(expected),
        laid_out(np.sum(found.faces >= 0, axis=-1)),
    )


def _visible_paths(
    faces: PlaneFaces, sources_m: Floats, receivers_m: Floats, reach_m: Floats, kept: Floats, weakest: float
) -> ImagePaths:
    """`visible_paths` of some elements at a time: a grid over the whole water has more images than it takes at once.

    The shallower the water, the more images each has: where those of some are too many, half as many are tried.
    """
    n = len(sources_m)
    if n <= _AT_ONCE:
        try:
            return visible_paths(faces, sources_m, receivers_m, reach_m, kept=kept, weakest=weakest)
        except TooManyImages:
            if n == 1:
                raise
    step = min(_AT_ONCE, -(-n // 2))
    parts = [slice(k, k + step) for k in range(0, n, step)]
    found = [_visible_paths(faces, sources_m[p], receivers_m[p], reach_m[p], kept, weakest) for p in parts]
    order = max(one.faces.shape[1] for one in found)
    return ImagePaths(
        np.concatenate([one.element + part.start for one, part in zip(found, parts, strict=True)]),
        np.concatenate(
            [np.pad(one.faces, ((0, 0), (0, order - one.faces.shape[1])), constant_values=-1) for one in found]
        ),
        np.concatenate([one.image_m for one in found]),
    )


def _distinct(rows: NDArray[np.int8], base: int) -> tuple[NDArray[np.int8], NDArray[np.intp]]:
    """The distinct rows of numbers from -1 to base - 2, in order, and which of them each is."""
    order = rows.shape[1]
    if float(base) ** order > 2.0**62:
        return np.unique(rows, axis=0, return_inverse=True)
    key = (rows + 1) @ base ** np.arange(order, dtype=np.int64)[::-1]
    _, first, which = np.unique(key, return_index=True, return_inverse=True)
    return rows[first], which


def turned_phases(known: SiteKnowledge, paths: PathSets, sources_m: Floats) -> Floats:
    """How differently the faces turn a path's phase from hydrophone to hydrophone, shape (n, n_paths) [rad].

    Root mean square about the path's mean, of sources of shape (n, 3) [m], to first order. The farther apart the
    hydrophones are and the nearer the source, the more differ the angles at which their paths meet a face; past a
    critical angle the phase of what it sends on turns with the angle. The surface turns it by pi at any angle.
    """
    arms = known.pose.pose.to_site(known.hydrophones_m) - known.middle_m
    matrix = paths.maps.matrix
    spread = (matrix @ (arms.T @ arms / len(arms)) @ transposed(matrix))[paths.sequence]
    way = sources_m[:, None] - paths.maps.images_m(known.middle_m, paths.sequence)
    length = np.linalg.norm(way, axis=-1)
    unit = way / length[..., None]
    normals = np.concatenate([known.faces.normals, np.zeros((1, 3))])
    solid = np.array([name != "surface" for name in known.faces.names] + [False])
    mirrors = np.eye(3) - 2.0 * normals[:, :, None] * normals[:, None, :]
    before = np.broadcast_to(np.eye(3), (len(paths.faces), 3, 3))
    square = np.zeros(length.shape)
    for face in paths.faces.T:
        normal = (solid[face, None] * (before @ normals[face][..., None])[..., 0])[paths.sequence]
        across = normal - np.sum(normal * unit, axis=-1, keepdims=True) * unit
        square += np.einsum("npi,npij,npj->np", across, spread, across)
        before = before @ mirrors[face]
    return np.asarray(_TURN_BY_COSINE * np.sqrt(square) / length)


def sources_m(known: SiteKnowledge, state: Floats) -> Floats:
    """Pinger's place [m], shape (n, 3), of states of shape (n, n_parameters)."""
    depth = known.depth_m + known.depth_sd_m * state[:, DEPTH]
    return np.stack([state[:, X], state[:, Y], depth], axis=-1)


def arrival_times(
    known: SiteKnowledge, paths: PathSets, state: Floats, *, by_channels: bool = True
) -> tuple[Floats, Floats]:
    """When each path arrives at each channel, and the derivatives by the parameters.

    Parameters
    ----------
    known : SiteKnowledge
        What the crew knows.
    paths : PathSets
        Of n starts.
    state : ndarray, shape (n, n_parameters)
        See above.
    by_channels : bool
        Whether the derivatives by mounting and skew are asked for.

    Returns
    -------
    arrival_s : ndarray, shape (n, n_channels, n_paths)
        On the samples' clock [s].
    by : ndarray, shape (n, n_channels, n_paths, n_parameters)
        Derivatives; nothing by Q and carrier, which change the burst.
    """
    h, n_faces, at = len(known.hydrophones_m), len(known.faces_sd), _geometry(known, paths, state)
    sight, distance, speed, receivers = at.sight_m, at.distance_m, at.speed_m_s, at.receivers_m
    sequence = paths.sequence[:, None, :]
    by_source = sight / (distance * speed[:, None, None])[..., None]
    # A moved receiver moves its image; with faces that err, a little otherwise: left out, 1e-3 of it.
    by_receiver = -np.einsum("nhpji,nhpj->nhpi", paths.maps.matrix[sequence], by_source)
    by = np.zeros((*at.arrival_s.shape, known.n_parameters if by_channels else FACES + n_faces))
    by[..., X], by[..., Y] = by_source[..., 0], by_source[..., 1]
    by[..., DEPTH] = by_source[..., 2] * known.depth_sd_m
    by[..., EMISSION] = EMISSION_UNIT_S
    by[..., OWN : OWN + 3] = by_receiver * known.own_sd
    arm = receivers - np.asarray(at.pose.position_m)[:, None, None, :]
    axes = attitude_axes(at.pose.rotation)[:, None, None]
    for k in range(3):
        by[..., ATTITUDE + k] = np.sum(np.cross(axes[..., k], arm) * by_receiver, axis=-1) * known.angle_sd[k]
    by[..., SPEED] = -distance / (speed**2)[:, None, None] * known.sound_speed_sd_m_s
    by[..., FACES : FACES + n_faces] = -np.einsum("nhpfi,nhpi->nhpf", at.by_faces, by_source)
    if not by_channels:
        return at.arrival_s, by
    by_place = np.einsum("nhpi,nij->nhpj", by_receiver, at.pose.rotation) * known.tolerances_m[:, None, None]
    for k in range(h):
        own = FACES + n_faces + 3 * k
        by[:, k, :, own : own + 3] = by_place[:, k]
        by[:, k, :, FACES + n_faces + 3 * h + k] = known.skew_sd_s
    return at.arrival_s, by


def arrivals_alone(known: SiteKnowledge, paths: PathSets, state: Floats) -> Floats:
    """`arrival_times` without derivatives, [s], shape (n, n_channels, n_paths)."""
    return _geometry(known, paths, state).arrival_s


@record
class _Geometry:
    """Of n states: receivers (n, h, 1, 3), sight, distance and arrival of each path."""

    pose: Pose
    receivers_m: Floats
    by_faces: Floats
    sight_m: Floats
    distance_m: Floats
    speed_m_s: Floats
    arrival_s: Floats


def _geometry(known: SiteKnowledge, paths: PathSets, state: Floats) -> _Geometry:
    n, h, n_faces, pose = len(state), len(known.hydrophones_m), len(known.faces_sd), known.pose
    own_sd, angle_sd = known.own_sd, known.angle_sd
    angles = np.array([pose.roll, pose.pitch, pose.heading]) + state[:, ATTITUDE : ATTITUDE + 3] * angle_sd
    faces = state[:, FACES : FACES + n_faces]
    mounting = state[:, FACES + n_faces : FACES + n_faces + 3 * h].reshape(n, h, 3) * known.tolerances_m[:, None]
    skew = state[:, FACES + n_faces + 3 * h :] * known.skew_sd_s
    turned = Pose(np.asarray(pose.position_m) + state[:, OWN : OWN + 3] * own_sd, *angles.T)
    receivers = turned.to_site(known.hydrophones_m + mounting)[:, :, None, :]
    sequence = paths.sequence[:, None, :]
    by_faces = paths.maps.images_by(receivers, sequence) * known.faces_sd[:, None]
    image = paths.maps.images_m(receivers, sequence) + np.einsum("nhpfi,nf->nhpi", by_faces, faces)
    sight = sources_m(known, state)[:, None, None] - image
    distance = np.linalg.norm(sight, axis=-1)
    speed = known.sound_speed_m_s + known.sound_speed_sd_m_s * state[:, SPEED]
    arrival = distance / speed[:, None, None] + state[:, EMISSION, None, None] * EMISSION_UNIT_S + skew[..., None]
    return _Geometry(turned, receivers, by_faces, sight, distance, speed, arrival)
