"""The one linear error model: what is wrong with array, water and navigation, and how it moves arrival times.

Bounds, budgets, plans, simulations and the fusion of pings all read it, so that none of them can hold an error for
new at each ping that another holds for constant: `EFFECTS` says which is which.
"""

from __future__ import annotations

from dataclasses import field
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.physics.direct_rays import DirectRays
from acoustics.physics.tdoa import plane_wave_time, spherical_wave


@record
class Effect:
    """How long an error lasts, and whether it touches one channel alone.

    `lasts`: "run", all pings of a run share it; "ping", it is new at each; "leg", it is new on each leg between pings
    and stays to the end of the run; "stop", pings heard at one place share it, as far as `echo_coherence` goes.
    """

    lasts: Literal["run", "ping", "leg", "stop"]
    one_channel: bool = False


EFFECTS = {
    "heading": Effect("run"),
    "log_scale": Effect("run"),
    "sound_speed": Effect("run"),
    "start": Effect("run"),
    "mounting": Effect("run", one_channel=True),
    "skew": Effect("run", one_channel=True),
    "attitude": Effect("ping"),
    "noise": Effect("ping", one_channel=True),
    "drift": Effect("leg"),
    "echo": Effect("stop", one_channel=True),
}
SHARED = tuple(name for name, effect in EFFECTS.items() if effect.lasts == "run")


def echo_coherence(apart: ArrayLike, excess: ArrayLike) -> Floats:
    """Coherence of an early echo, against the direct sound, between two places: of two hydrophones, or of a moved one.

    Parameters
    ----------
    apart : array_like
        Distance of the places times the wave number [rad].
    excess : array_like
        Excess path of the echo over the range of the pinger [1]; small.

    Returns
    -------
    ndarray
        ``exp(-(k r)^2 d / (3 R))``.

    Notes
    -----
    An echo by a face halfway comes from an angle ``sqrt(2 d / R)`` off the direct sound (to second order): its phase
    against that turns by ``k r`` times the component of the angle along the way. The mean is over all directions of the
    way. Derived here.
    """
    return np.exp(-np.square(apart) * np.asarray(excess) / 3.0)


@record
class ErrorSizes:
    """Standard deviations of all errors but noise.

    Parameters
    ----------
    heading_bias_sd : float
        Error of the heading that lasts the whole run [rad].
    attitude_sd : array_like, shape (3,)
        Errors of roll, pitch and heading that are new at each ping [rad].
    position_sd_m : float
        Error of the start of the run, along x and along y [m]; without dead reckoning of every place.
    depth_sd_m : float
        Error of the vehicle's depth, the same for the whole run [m].
    drift_sd_m_per_root_m : float
        Dead reckoning as a random walk: standard deviation along x and along y after one metre travelled
        [m per square root of a metre]; after d metres it is sqrt(d) times that.
    log_scale_sd : float
        Relative error of the velocity log, the same for the whole run: grows with the distance itself [1].
    dead_reckoned : bool
        Whether compass and velocity log made the track, from its start on: the heading's lasting error then turned it
        as well. False where each place was measured by itself, which drift and scale do not concern.
    sound_speed_sd_m_s : float
        Error of the assumed sound speed [m/s].
    element_sd_m : array_like, shape () or (n_hydrophones,)
        Error of each hydrophone's place along every body axis [m].
    skew_sd_s : array_like, shape () or (...)
        Error of each channel's time; one value, or one a run of the batch [s].

    Raises
    ------
    ParameterError
        For a value that is negative or not finite, or a shape that does not fit.
    """

    heading_bias_sd: float = 0.0
    attitude_sd: Floats = field(default_factory=lambda: np.zeros(3))
    position_sd_m: float = 0.0
    depth_sd_m: float = 0.0
    drift_sd_m_per_root_m: float = 0.0
    log_scale_sd: float = 0.0
    dead_reckoned: bool = True
    sound_speed_sd_m_s: float = 0.0
    element_sd_m: Floats = field(default_factory=lambda: np.zeros(()))
    skew_sd_s: Floats = field(default_factory=lambda: np.zeros(()))

    def __post_init__(self) -> None:
        for name in ("attitude_sd", "element_sd_m", "skew_sd_s"):
            value = np.asarray(getattr(self, name), dtype=float)
            object.__setattr__(self, name, value)
            if not np.all((value >= 0) & (value < np.inf)) or (name == "attitude_sd" and value.shape != (3,)):
                count = "3 finite values" if name == "attitude_sd" else "finite values"
                raise ParameterError(f"{name}={value.tolist()}: expected {count}, 0 or more")
        for name in (
            "heading_bias_sd",
            "position_sd_m",
            "depth_sd_m",
            "drift_sd_m_per_root_m",
            "log_scale_sd",
            "sound_speed_sd_m_s",
        ):
            if not 0.0 <= getattr(self, name) < np.inf:
                raise ParameterError(f"{name}={getattr(self, name)}: expected a finite value, 0 or more")

    @property
    def single_place_sd_m(self) -> Floats:
        """Of the place along the axes of the site for whoever takes one ping alone [m], shape (3,)."""
        return np.array([self.position_sd_m, self.position_sd_m, self.depth_sd_m])

    @property
    def start_sd_m(self) -> Floats:
        """Of the start of the run, which all its places share, along the axes of the site [m], shape (3,)."""
        return self.single_place_sd_m * [self.dead_reckoned, self.dead_reckoned, 1.0]

    @property
    def single_attitude_sd(self) -> Floats:
        """Of roll, pitch and heading for whoever takes one ping alone, the lasting error included [rad], shape (3,)."""
        roll, pitch, heading = self.attitude_sd
        return np.array([roll, pitch, np.hypot(heading, self.heading_bias_sd)])

    def channel_variance_s2(self, sound_speed_m_s: float) -> Floats:
        """`channel_variance_s2` of these sizes [s^2], shape () or (n_hydrophones,)."""
        return channel_variance_s2(self.skew_sd_s, self.element_sd_m, sound_speed_m_s)


def channel_variance_s2(skew_sd_s: ArrayLike, element_sd_m: ArrayLike, sound_speed_m_s: float) -> Floats:
    """Variance of what moves a channel's carrier and envelope alike [s^2], of any shape: its skew [s] and its
    hydrophone's place, which along the ray has the same deviation [m] whatever the direction."""
    return np.asarray(np.square(skew_sd_s) + np.square(np.asarray(element_sd_m) / sound_speed_m_s))


@record
class Sight:
    """Arrivals of one ping and their derivatives by every error, each in its own unit; batch (...).

    Made by `sight_of_source` or `sight_of_direction`. Its methods are named after the effects and give derivatives of
    the n arrival times, shape (..., n, k) [s per unit].

    Parameters
    ----------
    unit : ndarray, shape (..., n, 3)
        From each hydrophone to the source.
    time_s : ndarray, shape (..., n)
        Arrival times [s].
    sound_speed_m_s : ndarray, shape (...)
        Sound speed [m/s].
    lever_m : ndarray, shape (..., n, 3)
        From the point about which the array turns to each hydrophone [m].
    bend : ndarray, shape (..., 3, 3), optional
        Where rays are bent and `unit` is the direction from which they come: the derivative of where the source seems
        to be by its place, as from `direct_rays`.
    late_by_source : ndarray, shape (..., 3), optional
        What all arrivals are then later by, by the source's place [s/m].
    """

    unit: Floats
    time_s: Floats
    sound_speed_m_s: Floats
    lever_m: Floats
    bend: Floats | None = None
    late_by_source: Floats | None = None

    @cached_property
    def slowness(self) -> Floats:
        """Of the waves at each hydrophone, towards the source, (..., n, 3) [s/m]."""
        return np.asarray(self.unit / self.sound_speed_m_s[..., None, None])

    @cached_property
    def by_source(self) -> Floats:
        """By the source's place, k = 3 [s/m]."""
        if self.bend is None:
            return self.slowness
        # Only the depth at which it seems to be moves otherwise than the source.
        of_all = self.slowness + self.slowness[..., 2:] * (self.bend[..., None, 2, :] - [0.0, 0.0, 1.0])
        return np.asarray(of_all if self.late_by_source is None else of_all + self.late_by_source[..., None, :])

    @property
    def by_start(self) -> Floats:
        """By the vehicle's own place, k = 3 [s/m]; of it, drift moves the first two."""
        return -self.by_source

    @property
    def by_sound_speed(self) -> Floats:
        """By the sound speed, k = 1 [s per m/s]."""
        return np.asarray(-self.time_s / self.sound_speed_m_s[..., None])[..., None]

    def by_attitude(self, axes: Floats | None = None) -> Floats:
        """By small turns about axes, columns of (..., 3, 3), k = 3 [s/rad]; by default those of the frame.

        A turn by the small vector a moves a lever l by a x l, and its time by ``-u . (a x l) / c = -(l x u) . a / c``.
        """
        lx, ly, lz = (self.lever_m[..., i] for i in range(3))
        ux, uy, uz = (self.slowness[..., i] for i in range(3))
        turn = np.stack([lz * uy - ly * uz, lx * uz - lz * ux, ly * ux - lx * uy], axis=-1)
        return turn if axes is None else turn @ axes

    def by_heading(self, travelled_m: Floats | None = None) -> Floats:
        """By a lasting error of the heading, k = 1 [s/rad].

        It turns the array and, where `travelled_m`, (..., 3), from the start of the run is given, the track with it.
        """
        swung, slope = self.lever_m, self.slowness
        turned = swung[..., 1] * slope[..., 0] - swung[..., 0] * slope[..., 1]
        if travelled_m is not None:
            way, slope = travelled_m[..., None, :], self.by_source
            turned = turned + way[..., 1] * slope[..., 0] - way[..., 0] * slope[..., 1]
        return np.asarray(turned)[..., None]

    def by_log_scale(self, travelled_m: Floats) -> Floats:
        """By the relative error of the velocity log, k = 1 [s]."""
        return -np.einsum("...ni,...i->...n", self.by_source, travelled_m)[..., None]

    def by_mounting(self, rotation: Floats) -> Floats:
        """Of each hydrophone's own arrival by its own place along the body's axes, k = 3 [s/m]; of others', none."""
        return -(self.slowness @ rotation)

    def shared_effects(self, sizes: ErrorSizes, rotation: Floats, travelled_m: Floats, sums: Floats) -> Floats:
        """Effect on sums of arrival times of one standard deviation of each error that a whole run shares.

        Parameters
        ----------
        sizes : ErrorSizes
            Of a batch that broadcasts against this one.
        rotation : ndarray, shape (..., 3, 3)
            From the body to the frame of the levers.
        travelled_m : ndarray, shape (..., 3)
            Horizontal way since the start of the run [m].
        sums : ndarray, shape (..., k, n)
            Each row a sum of the arrival times, as their differences are.

        Returns
        -------
        ndarray, shape (..., k, 6 + 4 n)
            In the order of `SHARED` [s, if the sums are of seconds].
        """
        n = self.unit.shape[-2]
        columns = {
            "heading": self.by_heading(travelled_m if sizes.dead_reckoned else None) * sizes.heading_bias_sd,
            "log_scale": self.by_log_scale(travelled_m) * sizes.log_scale_sd,
            "sound_speed": self.by_sound_speed * sizes.sound_speed_sd_m_s,
            "start": self.by_start * sizes.start_sd_m,
        }
        of_all = sums @ np.concatenate([columns[name] for name in SHARED if name in columns], axis=-1)
        mounting = self.by_mounting(rotation) * np.broadcast_to(sizes.element_sd_m, n)[:, None]
        apart = sums[..., None] * mounting[..., None, :, :]  # each hydrophone's place moves its own arrival alone
        skew = np.broadcast_to(sums * sizes.skew_sd_s[..., None, None], apart.shape[:-1])
        return np.concatenate([of_all, apart.reshape(*apart.shape[:-2], 3 * n), skew], axis=-1)


def sight_of_source(
    hydrophones_m: ArrayLike,
    source_m: ArrayLike,
    sound_speed_m_s: ArrayLike,
    pivot_m: ArrayLike = (0.0, 0.0, 0.0),
    rays: DirectRays | None = None,
) -> Sight:
    """Spherical waves from a place (..., 3) at hydrophones (..., n, 3) of an array that turns about a pivot [m].

    Where rays are bent, `rays` from the source to their middle, they come from where it seems to be; when is told right
    for all hydrophones where the rays have their times.
    """
    hydrophones, speed = np.asarray(hydrophones_m, dtype=float), np.asarray(sound_speed_m_s, dtype=float)
    seen = np.asarray(source_m, dtype=float) if rays is None else rays.apparent_m
    time, unit = spherical_wave(hydrophones, seen, speed)
    return Sight(
        unit,
        time if rays is None or rays.late_s is None else time + rays.late_s[..., None],
        speed,
        hydrophones - np.asarray(pivot_m, dtype=float)[..., None, :],
        None if rays is None else rays.by_source,
        None if rays is None else rays.late_by_source,
    )


def sight_of_direction(hydrophones_m: ArrayLike, unit_vector: ArrayLike, sound_speed_m_s: ArrayLike) -> Sight:
    """A plane wave from a direction (..., 3) at hydrophones (..., n, 3) [m], as from a source far away."""
    hydrophones, speed = np.asarray(hydrophones_m, dtype=float), np.asarray(sound_speed_m_s, dtype=float)
    unit = np.asarray(unit_vector, dtype=float)[..., None, :]
    return Sight(unit, plane_wave_time(hydrophones, unit[..., 0, :], speed), speed, hydrophones)


def attitude_axes(rotation: Floats) -> Floats:
    """Axes of small errors of roll, pitch and heading, columns of (..., 3, 3), of an array turned by (..., 3, 3).

    Heading turns about the site's vertical, pitch about the level axis across, roll about the body's own.
    """
    heading = np.arctan2(rotation[..., 1, 0], rotation[..., 0, 0])
    nothing = np.zeros_like(heading)
    across = np.stack([-np.sin(heading), np.cos(heading), nothing], axis=-1)
    return np.stack([rotation[..., 0], across, np.broadcast_to([0.0, 0.0, 1.0], across.shape)], axis=-1)
