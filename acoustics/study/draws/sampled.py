"""A pinger's pings as samples at the vehicle's recorder, and which channels the vehicle's estimator takes of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats, Pose
from acoustics.base.record import record
from acoustics.estimate.tdoa import TdoaMeasurement, thinning_factor
from acoustics.physics.levels import pressure_from_level_pa
from acoustics.propagate.arrivals import Arrivals, arrivals
from acoustics.propagate.hull_shadow import Hull
from acoustics.propagate.render import ping_segments
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene

LEAD_CYCLES = 10.0
SEARCH_CYCLES = 5.0  # by which the estimator may look for the arrival, and what a look at the end takes
_WEAKEST_ECHO_DB = -40.0


@record
class Listeners:
    """Hydrophones (m, n, 3) [m] of a vehicle at m poses, and what of it is in the way."""

    sites_m: Floats
    hull: Hull | None

    @classmethod
    def of(cls, scene: Scene, pose: Pose) -> Listeners:
        """At poses of batch shape (m,)."""
        sites, hull = pose.to_site(scene.array.positions_m), Hull.of(scene, pose)
        return cls(sites, None if hull is None else hull.spread(sites.shape[:1]))


@record
class Sampled:
    """A pinger's burst at the recorder of a scene's vehicle."""

    scene: Scene
    pinger: Pinger

    @property
    def rate_hz(self) -> float:
        """Of the samples that the estimator keeps."""
        rate = self.scene.recorder.sample_rate_hz
        return rate / thinning_factor(rate, self.pinger.burst)

    @property
    def noise_density(self) -> float:
        """One-sided [Pa^2/Hz]."""
        return float(pressure_from_level_pa(self.scene.noise_density_db(self.pinger.frequency_hz))) ** 2

    @property
    def travel_s(self) -> float:
        """The array's extent [s]."""
        return float(np.ptp(self.scene.array.positions_m, axis=0).sum()) / self.scene.sound_speed_m_s

    def paths(
        self, at: Listeners, rows: NDArray[np.intp], source_m: tuple[float, float, float], horizon_s: float
    ) -> Arrivals:
        """From a pinger that stands at `source_m` to some of the poses, as far as echoes come within a time."""
        return arrivals(
            self.scene,
            at.sites_m[rows],
            source_m,
            frequency_hz=self.pinger.frequency_hz,
            horizon_s=horizon_s,
            floor_db=_WEAKEST_ECHO_DB,
            hull=None if at.hull is None else at.hull.take(rows),
        )

    def segments(
        self, paths: Arrivals, lead_s: float, listened_s: float, rng: np.random.Generator
    ) -> tuple[Floats, Floats]:
        """Samples from so long before the first direct sound until so long after it, without noise and with it [Pa].

        Of each ping the channels' gains are drawn anew.
        """
        clean = ping_segments(
            self.pinger, paths, sample_rate_hz=self.rate_hz, lead_s=lead_s, length_s=lead_s + listened_s
        )
        if self.scene.recorder.gain_sd_db:
            gain_db = self.scene.recorder.gain_sd_db * rng.standard_normal(clean.shape[:2])
            clean *= 10.0 ** (gain_db[..., None] / 20.0)
        return clean, clean + np.sqrt(self.noise_density * self.rate_hz / 2) * rng.standard_normal(clean.shape)


def by_channels_in_use(
    heard: NDArray[np.bool_], ask: Callable[[NDArray[np.intp], NDArray[np.bool_]], TdoaMeasurement]
) -> Iterator[tuple[NDArray[np.bool_], NDArray[np.intp], TdoaMeasurement, NDArray[np.bool_]]]:
    """Ask the estimator for pings that the same channels hear, and again as `locate` does: once without the channels
    that tell nothing.

    Yields channels (n,), pings by number, their measurement, and which of them are asked again. `heard`, (m, n), where
    direct sound arrives, becomes what is used.
    """
    at_first = heard.copy()
    asked = list(_by_channels(heard, np.arange(len(heard))))
    while asked:
        channels, some = asked.pop()
        measured = ask(some, channels)
        fewer = measured.below_threshold.any(axis=-1) & ((~measured.below_threshold).sum(axis=-1) >= 2)
        fewer &= (heard[some] == at_first[some]).all(axis=-1)
        heard[np.ix_(some[fewer], np.flatnonzero(channels))] = ~measured.below_threshold[fewer]
        asked += _by_channels(heard, some[fewer])
        yield channels, some, measured, fewer


def _by_channels(
    heard: NDArray[np.bool_], rows: NDArray[np.intp]
) -> Iterator[tuple[NDArray[np.bool_], NDArray[np.intp]]]:
    """Rows of `heard` (m, n) by the channels that hear, two at least."""
    for channels in np.unique(heard[rows], axis=0):
        if channels.sum() >= 2:
            yield channels, rows[(heard[rows] == channels).all(axis=-1)]
