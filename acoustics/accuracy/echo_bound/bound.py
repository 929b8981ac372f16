"""Least error of a horizontal position from one ping, for an estimator that knows the pool: a bound, from a scene."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from acoustics.accuracy.echo_bound.information import joint_information
from acoustics.accuracy.echo_bound.paths import EchoPaths, PlacedPings, echo_paths
from acoustics.accuracy.echo_bound.products import BurstDoubt
from acoustics.accuracy.information import covariance_from_information, eliminate_nuisance
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.physics.image_receivers import MAX_IMAGES
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene

_FLOOR_DB = -30.0
_VALUES_AT_ONCE = 500_000
# At one place: half a metre of water has up to 120 paths, and work grows by the cube of them. In 20 cm of water 150 are
# found among about 2,000 images, among fewer where it is deeper.
_MOST_PATHS, _MOST_IMAGES = 150, 5_000


@record
class EchoKnowledge:
    """What is not known besides the scene's own standard deviations.

    Attributes
    ----------
    q_sd_share : float
        Standard deviation of the transducer's Q, as a share of it.
    frequency_sd_share : float
        Standard deviation of the carrier, as a share of it.
    scatter_share : float
        Power of diffuse sound, as a share of that of all the paths. It counts as noise, spread evenly over the width
        of the transducer's resonance, f / Q. None by default, as in what `simulate` renders.
    """

    q_sd_share: float = 0.2
    frequency_sd_share: float = 2e-3
    scatter_share: float = 0.0


@record
class EchoBound:
    """Cramer-Rao bounds of the horizontal position from one ping, shape (n,).

    Infinite where it is not observed: under a cycle of the carrier counts, a corner of the pool hides the pinger, or
    the paths are over 150, or the images over 5,000, and tell nothing apart.

    Attributes
    ----------
    to_first_wall_m : ndarray
        RMS error by the sound before the first echo from a wall: direct, surface and floor [m].
    whole_burst_m : ndarray
        RMS error by as much of the sound as the burst is long, with all echoes [m].
    first_wall_s : ndarray
        When that first echo comes after the direct sound, at the channel where it is the earliest [s]; no more than
        the burst's length.
    """

    to_first_wall_m: Floats
    whole_burst_m: Floats
    first_wall_s: Floats


USUAL = EchoKnowledge()


def echo_bound(
    scene: Scene,
    pinger: Pinger,
    waypoints_m: Floats,
    headings: Floats,
    sources_m: Floats,
    *,
    knowledge: EchoKnowledge = USUAL,
    site_position: bool = False,
) -> EchoBound:
    """Bound of an estimator that is told the pool, with the tolerances with which it is known.

    Parameters
    ----------
    scene : Scene
        Pool, water, array, recorder, noise and what is not known of them; the vehicle's roll and pitch.
    pinger : Pinger
        Its burst and level.
    waypoints_m, sources_m : ndarray, shape (n, 3)
        Vehicle and pinger, site frame [m].
    headings : ndarray, shape (n,)
        Of the vehicle [rad].
    knowledge : EchoKnowledge
        What else is not known.
    site_position : bool
        Whether the position is the site's, or relative to the vehicle.

    Returns
    -------
    EchoBound

    Raises
    ------
    ParameterError
        Shapes that do not fit, or a pool with too many echoes within the burst.

    Notes
    -----
    Of every path the arrival times are known as functions of the pinger's place and of the errors: sound speed,
    attitude, own place and depth, the pinger's depth, floor and its slopes, each wall, mounting, skew. Its amplitude
    is not: one complex factor, the same at all channels, is free. Q and carrier are known to within their standard
    deviations, the emission time not at all. Sound beneath -30 dB re the direct sound is taken as not there.
    """
    found = np.full((3, len(headings)), np.inf)
    for rows, paths in paths_in_portions(scene, pinger, waypoints_m, headings, sources_m, site_position=site_position):
        found[:, rows] = _bounds(scene, pinger, knowledge, paths)
    return EchoBound(*found)


def paths_in_portions(
    scene: Scene, pinger: Pinger, waypoints_m: Floats, headings: Floats, sources_m: Floats, *, site_position: bool
) -> Iterator[tuple[NDArray[np.intp], EchoPaths]]:
    """The paths of some of the places at a time, and which these are; takes and raises what `echo_bound` does."""
    if waypoints_m.shape != (len(headings), 3) or sources_m.shape != waypoints_m.shape:
        raise ParameterError(
            f"waypoints_m, headings and sources_m have shapes {waypoints_m.shape}, {headings.shape} and "
            f"{sources_m.shape}; (n, 3), (n,) and (n, 3) are needed"
        )
    pings = PlacedPings(waypoints_m, headings, sources_m)
    for rows in _portions(len(headings)):
        yield (
            rows,
            echo_paths(
                scene,
                pinger,
                pings.take(rows),
                horizon_s=pinger.length_s,
                floor_db=_FLOOR_DB,
                most_images=_MOST_IMAGES,
                site_position=site_position,
            ),
        )


def _portions(count: int) -> list[np.ndarray]:
    """So few places at a time that all their images are no more than can be held at once."""
    return np.array_split(np.arange(count), max(1, -(-count // (MAX_IMAGES // _MOST_IMAGES))))


def _bounds(scene: Scene, pinger: Pinger, knowledge: EchoKnowledge, paths: EchoPaths) -> Floats:
    """To the first wall, whole burst, and the first wall's time, shape (3, n)."""
    direct = np.where(np.isfinite(paths.delay_s[..., :1]), paths.delay_s[..., :1], 0.0)
    after = np.where(paths.wall[:, None], paths.delay_s - direct, np.inf)
    first_wall = np.minimum(after.min(axis=(-1, -2)), pinger.length_s)
    whole = np.full(len(first_wall), pinger.length_s)
    return np.array(
        [*(_horizontal_m(scene, pinger, knowledge, paths.until(w), w) for w in (first_wall, whole)), first_wall]
    )


def _horizontal_m(scene: Scene, pinger: Pinger, knowledge: EchoKnowledge, paths: EchoPaths, window_s: Floats) -> Floats:
    """RMS of the horizontal position by the sound inside windows [s], shape (n,)."""
    found = np.full(len(window_s), np.inf)
    for rows, information in informations(scene, pinger, knowledge, paths, window_s):
        covariance = covariance_from_information(eliminate_nuisance(information, 2))[0]
        found[rows] = np.sqrt(covariance[:, 0, 0] + covariance[:, 1, 1])
    return found


def informations(
    scene: Scene, pinger: Pinger, knowledge: EchoKnowledge, paths: EchoPaths, window_s: Floats
) -> Iterator[tuple[NDArray[np.intp], Floats]]:
    """Joint information, as from `joint_information`, of some places at a time by the sound inside windows (n,) [s],
    and which these are; those of which nothing is told are left out."""
    burst = pinger.burst
    doubt = BurstDoubt(knowledge.q_sd_share, knowledge.frequency_sd_share * pinger.frequency_hz)
    noise_db = float(scene.noise_density_db(pinger.frequency_hz))
    # Mean square pressure over the noise density, at 1 m [1/s].
    at_one_metre = 10 ** ((pinger.source_level_db - noise_db) / 10)
    power = at_one_metre * np.sum(np.abs(paths.amplitude) ** 2, axis=-1).mean(axis=-1)
    scatter = 1.0 + knowledge.scatter_share * power * pinger.q / pinger.frequency_hz
    amplitude = paths.amplitude * np.sqrt(2 * at_one_metre / scatter)[:, None, None]
    # Elements with about as many paths together: the others are padding.
    count = np.sum(np.abs(paths.amplitude).any(axis=1), axis=-1)
    order = np.argsort(count, kind="stable")
    order = order[(count[order] > 0) & (count[order] <= _MOST_PATHS) & (window_s[order] * pinger.frequency_hz >= 1.0)]
    if not order.size:
        return
    steps = 3 * (np.ceil(window_s.max() * np.pi * pinger.frequency_hz / pinger.q) + count[order] + 1)
    load = np.cumsum(steps * paths.delay_s.shape[1] * count[order])
    for rows in np.split(order, np.flatnonzero(np.diff(load // _VALUES_AT_ONCE)) + 1):
        most = int(count[rows].max())
        yield (
            rows,
            joint_information(
                burst,
                doubt,
                paths.delay_s[rows, :, :most],
                amplitude[rows, :, :most],
                paths.by[rows, :, :most],
                window_s[rows],
            ),
        )
