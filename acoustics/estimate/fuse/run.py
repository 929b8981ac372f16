"""What is fused: pings heard along a run, the poses they were heard from, and where their source may be."""

from __future__ import annotations

from dataclasses import field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.polygons import uniform_moments
from acoustics.base.record import record
from acoustics.estimate.fuse.echo_places import EchoPlaces
from acoustics.estimate.fuse.stops import UndetectedEchoes
from acoustics.physics.refraction import SoundSpeedProfile

MOST_PINGS = 1000  # the matrices of a run then take about 100 MB


@record
class Track:
    """Poses of a run as the navigation gave them; batch of runs (...).

    Parameters
    ----------
    position_m : array_like, shape (..., n_pings, 3)
        Origin of the body frame in the site frame at each ping [m].
    roll, pitch, heading : array_like, shape (..., n_pings) or ()
        Attitude [rad].
    distance_m : array_like, shape (..., n_pings), optional
        Travelled since the start of the run [m], never falling. By default along straight lines from ping to ping.
    origin_m : array_like, shape (..., 3), optional
        Where the dead reckoning began [m]; the first pose by default.
    """

    position_m: Floats
    roll: ArrayLike = 0.0
    pitch: ArrayLike = 0.0
    heading: ArrayLike = 0.0
    distance_m: Floats | None = None
    origin_m: Floats | None = None

    def __post_init__(self) -> None:
        position = np.asarray(self.position_m, dtype=float)
        if position.ndim < 2 or position.shape[-1] != 3 or not np.isfinite(position).all():
            raise ParameterError(f"position_m has shape {position.shape}: expected (..., n_pings, 3), finite values")
        legs = np.linalg.norm(np.diff(position, axis=-2, prepend=position[..., :1, :]), axis=-1)
        given: dict[str, tuple[ArrayLike, tuple[int, ...]]] = {
            name: (getattr(self, name), position.shape[:-1]) for name in ("roll", "pitch", "heading")
        }
        distance = np.cumsum(legs, axis=-1) if self.distance_m is None else self.distance_m
        given["distance_m"] = (distance, position.shape[:-1])
        origin = position[..., 0, :] if self.origin_m is None else self.origin_m
        given["origin_m"] = (origin, (*position.shape[:-2], 3))
        object.__setattr__(self, "position_m", position)
        for name, (value, shape) in given.items():
            try:
                array = np.broadcast_to(np.asarray(value, dtype=float), shape)
            except ValueError:
                raise ParameterError(f"{name} has shape {np.shape(value)}: expected {shape}") from None
            if not np.isfinite(array).all():
                raise ParameterError(f"{name} holds a value that is not finite")
            object.__setattr__(self, name, array)
        if np.any(np.diff(np.asarray(self.distance_m), axis=-1, prepend=0.0) < 0):
            raise ParameterError("distance_m falls from one ping to the next: the pings must be in order of time")


EPOCH_SD_S = 1.0  # of the start of a pinger's clock before its first arrival: more than any time of travel


@record
class PingClock:
    """What is known of when a pinger sounds: every so often by a steady clock of its own, its start unknown.

    Parameters
    ----------
    pri_s : float
        Nominal pulse repetition interval [s].
    pri_sd_s : float
        How well that is known: 1e-4 of it for a crystal of 100 ppm [s].
    jitter_sd_s : float
        Of each arrival time: when a burst starts against the steady clock, and how well its arrival is timed [s].
    """

    pri_s: float
    pri_sd_s: float
    jitter_sd_s: float

    def __post_init__(self) -> None:
        for name in ("pri_s", "pri_sd_s", "jitter_sd_s"):
            if not 0.0 < getattr(self, name) < np.inf:
                raise ParameterError(f"{name}={getattr(self, name)}: expected above 0, finite")

    def count(self, arrival_s: Floats) -> Floats:
        """Intervals since the first arrival of each run, whole numbers of shape (..., n_pings); NaN where none is."""
        since = arrival_s - np.fmin.reduce(arrival_s, axis=-1, keepdims=True)
        return np.round(since / self.pri_s)


@record
class PingRun:
    """Time differences of the pings of a run; batch of runs (...).

    Parameters
    ----------
    tdoa_s : array_like, shape (..., n_pings, n_delays)
        Time differences [s]. NaN anywhere in a ping: it was not measured and is left out.
    covariance_s2 : array_like, shape (n_pings, n_delays, n_delays) or (..., same)
        Covariance of each ping's delays from noise, new at each ping, and from undetected echoes [s^2].
    hydrophones_m : array_like, shape (n_hydrophones, 3)
        Every hydrophone of the run, nominal places in the body frame [m].
    differences : array_like, shape (n_delays, n_hydrophones) or (n_pings, n_delays, n_hydrophones)
        Which arrival times each delay is the difference of, as from `difference_matrix`. A row of zeros is a delay
        that this ping does not have, its channel being left out; its covariance must then be that of 1 s^2 alone.
    sound_speed_m_s : array_like, shape () or (n_pings,)
        Assumed sound speed [m/s].
    arrival_s : array_like, shape (..., n_pings), optional
        When each ping reached the hydrophone `heard_first`, on the recorder's clock [s]; NaN in a ping of all runs: its
        arrival time is not used.
    heard_first : array_like of int, shape (n_pings,), optional
        That hydrophone of each ping; by default the first.
    clock : PingClock, optional
        Of the pinger. With it and the arrival times the run tells differences of range as well.
    alternatives_s : array_like, shape (..., n_pings, m, n_delays), optional
        What may have to be added to the time differences of a ping: whole periods of its carrier, where these were not
        told beyond doubt [s].
    alternative_misfit : array_like, shape (..., n_pings, m), optional
        What speaks against each alternative apart from the time differences themselves: twice the fall of the log
        likelihood from the best; infinite for one that a ping does not have.
    profile : SoundSpeedProfile, optional
        Of the water, where it bends the direct rays; the sound speed is then that at the array.
    echoes : EchoPlaces, optional
        Places that count in the stead of the time differences of their pings: these, which they rest on as well, then
        have rows of zeros only in `differences`, and of alternatives none.
    undetected : UndetectedEchoes, optional
        What of the covariance pings heard at one place share; nothing by default.
    """

    tdoa_s: Floats
    covariance_s2: Floats
    hydrophones_m: Floats
    differences: Floats
    sound_speed_m_s: ArrayLike
    arrival_s: Floats | None = None
    heard_first: NDArray[np.intp] | None = None
    clock: PingClock | None = None
    alternatives_s: Floats | None = None
    alternative_misfit: Floats | None = None
    profile: SoundSpeedProfile | None = None
    echoes: EchoPlaces | None = None
    undetected: UndetectedEchoes | None = None
    heard: NDArray[np.bool_] = field(init=False)

    def __post_init__(self) -> None:
        names = ("tdoa_s", "covariance_s2", "hydrophones_m", "differences")
        delay, covariance, hydrophones, differences = (np.asarray(getattr(self, n), dtype=float) for n in names)
        if delay.ndim < 2:
            raise ParameterError(f"tdoa_s has shape {delay.shape}: expected (..., n_pings, n_delays)")
        (pings, k), n = delay.shape[-2:], len(hydrophones)
        if not 1 <= pings <= MOST_PINGS:
            raise ParameterError(f"{pings} pings: expected 1 to {MOST_PINGS}")
        if hydrophones.shape != (n, 3) or not np.isfinite(hydrophones).all():
            raise ParameterError(f"hydrophones_m has shape {hydrophones.shape}: expected (n_hydrophones, 3), finite")
        speed = np.asarray(self.sound_speed_m_s, dtype=float)
        if speed.shape not in ((), (pings,)) or not np.all((speed > 0) & np.isfinite(speed)):
            raise ParameterError(f"sound_speed_m_s={speed.tolist()}: expected one value or one a ping, above 0")
        try:
            differences = np.broadcast_to(differences, (pings, k, n))
            covariance = np.broadcast_to(covariance, (*delay.shape, k))
        except ValueError:
            raise ParameterError(
                f"covariance_s2 of shape {covariance.shape} or differences of shape {differences.shape} do not fit"
                f" tdoa_s of shape {delay.shape} and {n} hydrophones"
            ) from None
        heard = np.isfinite(delay).all(axis=-1) & np.isfinite(covariance).all(axis=(-2, -1))
        if self.echoes is not None:
            if len(self.echoes.by) != pings or self.echoes.by.shape[-1] < 8 + 4 * n:
                expected = f"({pings}, m, 2, {8 + 4 * n} or more)"
                raise ParameterError(f"echoes.by has shape {self.echoes.by.shape}: expected {expected}")
            if np.any(differences[self.echoes.heard]):
                raise ParameterError("differences: a ping counts by its time differences or by its echoes, not by both")
        object.__setattr__(self, "tdoa_s", np.where(heard[..., None], delay, 0.0))
        object.__setattr__(self, "covariance_s2", np.where(heard[..., None, None], covariance, np.eye(k)))
        object.__setattr__(self, "hydrophones_m", hydrophones)
        object.__setattr__(self, "differences", differences)
        object.__setattr__(self, "sound_speed_m_s", np.broadcast_to(speed, (pings,)))
        object.__setattr__(self, "heard", heard)
        if self.arrival_s is not None:
            self._check_arrivals(np.asarray(self.arrival_s, dtype=float), delay.shape[:-1], n)
        if self.alternatives_s is not None:
            self._check_alternatives(np.asarray(self.alternatives_s, dtype=float), delay.shape)

    def _check_alternatives(self, offset: Floats, shape: tuple[int, ...]) -> None:
        misfit = np.asarray(self.alternative_misfit, dtype=float)
        if offset.ndim != len(shape) + 1 or (*offset.shape[:-2], offset.shape[-1]) != shape:
            raise ParameterError(f"alternatives_s has shape {offset.shape}: expected (..., m, n_delays), finite")
        if misfit.shape != offset.shape[:-1] or not np.isfinite(offset).all() or not np.all(misfit >= 0):
            raise ParameterError(
                f"alternative_misfit has shape {misfit.shape}: expected {offset.shape[:-1]}, 0 or more"
            )
        if not np.isfinite(misfit[self.heard]).any(axis=-1).all():
            raise ParameterError("alternative_misfit: a ping has no alternative that is not infinitely far off")
        object.__setattr__(self, "alternatives_s", offset)
        object.__setattr__(self, "alternative_misfit", misfit)

    def _check_arrivals(self, arrival: Floats, shape: tuple[int, ...], n: int) -> None:
        first = np.zeros(shape[-1], dtype=np.intp) if self.heard_first is None else np.asarray(self.heard_first)
        if self.clock is None or arrival.shape != shape:
            raise ParameterError(f"arrival_s has shape {arrival.shape}: expected {shape}, and a clock beside it")
        if first.shape != shape[-1:] or not np.all((first >= 0) & (first < n)):
            raise ParameterError(f"heard_first={first.tolist()}: expected the index of a hydrophone for each ping")
        object.__setattr__(self, "arrival_s", arrival)
        object.__setattr__(self, "heard_first", first)

    def with_arrivals(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Delays [s], covariance and differences with arrival times as the last delay; intervals since the first.

        A row of one channel alone is no difference: its time is the arrival's.
        """
        if self.arrival_s is None or self.clock is None:
            return self.tdoa_s, self.covariance_s2, self.differences, np.zeros(self.tdoa_s.shape[:-1])
        (p, k), n = self.tdoa_s.shape[-2:], len(self.hydrophones_m)
        heard = np.where(self.heard, self.arrival_s, np.nan)
        count = self.clock.count(heard)
        since = heard - np.fmin.reduce(heard, axis=-1, keepdims=True) - count * self.clock.pri_s
        used = np.any(np.isfinite(self.arrival_s).reshape(-1, p), axis=0)
        covariance = np.zeros((*self.tdoa_s.shape[:-1], k + 1, k + 1))
        covariance[..., :k, :k] = self.covariance_s2
        covariance[..., k, k] = np.where(used, self.clock.jitter_sd_s**2, 1.0)
        row = used[:, None] * np.eye(n)[self.heard_first]
        delay = np.concatenate([self.tdoa_s, np.nan_to_num(since)[..., None]], axis=-1)
        return delay, covariance, np.concatenate([self.differences, row[:, None]], axis=1), np.nan_to_num(count)


@record
class SourceArea:
    """What is known beforehand of a source's place seen from above: a broad normal distribution, or an outline.

    It keeps a position finite where the pings give hardly more than a bearing, and weighs nothing where they give more.

    Parameters
    ----------
    mean_m : array_like, shape (2,)
        [m].
    covariance_m2 : array_like, shape (2, 2)
        [m^2].
    outline_m : array_like, shape (k, 2), optional
        Corners, in order, of a convex outline in which the source is [m]. With it the distribution only leads the fit,
        and the region of a fused position is what of the outline the pings leave.
    """

    mean_m: Floats
    covariance_m2: Floats
    outline_m: Floats | None = None

    def __post_init__(self) -> None:
        mean, covariance = (np.asarray(a, dtype=float) for a in (self.mean_m, self.covariance_m2))
        if mean.shape != (2,) or covariance.shape != (2, 2) or not np.all(np.linalg.eigvalsh(covariance) > 0):
            raise ParameterError("the source's area needs a mean of shape (2,) and a positive covariance of (2, 2)")
        if self.outline_m is not None:
            corners = np.asarray(self.outline_m, dtype=float)
            if corners.ndim != 2 or corners.shape[1] != 2 or len(corners) < 3 or not np.isfinite(corners).all():
                raise ParameterError(f"outline_m has shape {corners.shape}: expected (3 or more, 2), finite values")
            object.__setattr__(self, "outline_m", corners)
        object.__setattr__(self, "mean_m", mean)
        object.__setattr__(self, "covariance_m2", covariance)

    @property
    def information(self) -> Floats:
        """Inverse of the covariance [1/m^2]."""
        return np.asarray(np.linalg.inv(self.covariance_m2), dtype=float)


def uniform_over(outline_m: ArrayLike) -> SourceArea:
    """A place drawn evenly over a convex polygon with corners (k, 2) [m], in order."""
    corners = np.asarray(outline_m, dtype=float)
    return SourceArea(*uniform_moments(corners), corners)
