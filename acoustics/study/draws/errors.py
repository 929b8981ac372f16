"""Errors of runs drawn from their sizes, and the arrival times that come of them: true to the full model."""

from __future__ import annotations

import numpy as np

from acoustics.base.frames import Floats, Pose
from acoustics.base.record import record
from acoustics.physics.direct_rays import direct_rays, with_times
from acoustics.physics.error_model import ErrorSizes, sight_of_source
from acoustics.physics.refraction import SoundSpeedProfile
from acoustics.physics.tdoa import spherical_time


@record
class DrawnErrors:
    """Errors of r runs of p pings at n hydrophones; what a run shares has an axis of 1 in the place of the pings.

    `heading` (r, 1) [rad], `scale` (r, 1) the factor of the log, `start` (r, 1, 3) and `walk` (r, p, 2) [m], `attitude`
    (r, p, 3) [rad], `offsets` (r, 1, n, 3) [m] of the hydrophones, `sound_speed` (r, 1) [m/s], `skew` (r, 1, n) [s].
    """

    heading: Floats
    scale: Floats
    start: Floats
    walk: Floats
    attitude: Floats
    offsets: Floats
    sound_speed: Floats
    skew: Floats

    def true_positions(self, shown_m: Floats, origin_m: Floats) -> Floats:
        """Where the vehicle is, (r, p, 3) [m], if its navigation shows (p, 3) on a run from an origin (3,)."""
        lead = shown_m - origin_m
        turned = self._turned(lead[..., :2] * self.scale[..., None], 1.0)
        level = turned + self.walk
        return self._with_height(level, lead[..., 2]) + origin_m + self.start

    def shown_positions(self, true_m: Floats) -> Floats:
        """What the navigation shows, (r, p, 3) [m], of true places (p, 3): the inverse, from the first of them."""
        lead = true_m - true_m[0]
        level = self._turned((lead[..., :2] - self.walk) / self.scale[..., None], -1.0)
        return self._with_height(level, lead[..., 2]) + true_m[0] - self.start

    def arrival_times(
        self,
        hydrophones_m: Floats,
        true_m: Floats,
        shown_angles: Floats,
        source_m: Floats,
        sound_speed_m_s: float,
        profile: SoundSpeedProfile | None,
    ) -> Floats:
        """Arrival times without noise, (r, p, n) [s].

        Parameters
        ----------
        hydrophones_m : ndarray, shape (n, 3)
            Nominal places in the body frame [m].
        true_m : ndarray, shape (..., p, 3)
            True places of the vehicle [m].
        shown_angles : ndarray, shape (..., 3)
            Roll, pitch and heading that the instruments show at each ping [rad].
        source_m : ndarray, shape (..., 3)
            Source of each ping [m].
        sound_speed_m_s : float
            Assumed sound speed [m/s].
        profile : SoundSpeedProfile, optional
            Of water that bends the direct ray.
        """
        angles = shown_angles + self.attitude
        roll, pitch, heading = np.moveaxis(angles, -1, 0)
        pose = Pose(true_m, roll, pitch, heading + self.heading)
        hydrophones = pose.to_site(hydrophones_m + self.offsets)
        speed = sound_speed_m_s + self.sound_speed
        if profile is None:
            return spherical_time(hydrophones, source_m, speed) + self.skew
        middle = hydrophones.mean(axis=-2)
        rays = with_times(profile, middle, direct_rays(profile, middle, source_m))
        return sight_of_source(hydrophones, source_m, speed, rays=rays).time_s + self.skew

    def of_places(self, off_m: Floats, sizes: ErrorSizes) -> Floats:
        """All errors but those of the site, (r, p, 8 + 4 n), in order and units of `estimate.fuse.EchoPlaces`.

        `off_m`, (r, p, 3): how far the vehicle is from where its navigation shows it [m]; the pinger's depth has none.
        """
        batch = off_m.shape[:2]
        turned = self.attitude + np.stack([0 * self.heading, 0 * self.heading, self.heading], axis=-1)
        tolerance, skew_sd = np.broadcast_to(sizes.element_sd_m, self.skew.shape[-1]), np.asarray(sizes.skew_sd_s)
        mounting = np.divide(
            self.offsets, tolerance[:, None], out=np.zeros_like(self.offsets), where=tolerance[:, None] > 0
        )
        skew = np.divide(self.skew, skew_sd, out=np.zeros_like(self.skew), where=skew_sd > 0)
        parts = [
            np.zeros((1, 1, 1)),
            off_m,
            turned,
            self.sound_speed[..., None],
            mounting.reshape(batch[0], 1, -1),
            skew,
        ]
        return np.concatenate([np.broadcast_to(part, (*batch, part.shape[-1])) for part in parts], axis=-1)

    def _turned(self, level: Floats, sense: float) -> Floats:
        """Horizontal vectors turned by the heading's lasting error."""
        angle = sense * self.heading
        x, y = level[..., 0], level[..., 1]
        return np.stack([x * np.cos(angle) - y * np.sin(angle), x * np.sin(angle) + y * np.cos(angle)], axis=-1)

    @staticmethod
    def _with_height(level: Floats, height: Floats) -> Floats:
        return np.concatenate([level, np.broadcast_to(height, level.shape[:-1])[..., None]], axis=-1)


def draw_errors(
    sizes: ErrorSizes, legs_m: Floats, n_hydrophones: int, *, n_runs: int, rng: np.random.Generator
) -> DrawnErrors:
    """Errors of dead-reckoned runs over legs (p,) [m], each the way to a ping from the one before, as
    `error_model.EFFECTS` says."""
    p, n = len(legs_m), n_hydrophones
    elements = np.broadcast_to(np.asarray(sizes.element_sd_m), n)
    steps = rng.normal(size=(n_runs, p, 2)) * (sizes.drift_sd_m_per_root_m * np.sqrt(legs_m))[:, None]
    return DrawnErrors(
        heading=rng.normal(size=(n_runs, 1)) * sizes.heading_bias_sd,
        scale=1.0 + rng.normal(size=(n_runs, 1)) * sizes.log_scale_sd,
        start=rng.normal(size=(n_runs, 1, 3)) * sizes.start_sd_m,
        walk=np.cumsum(steps, axis=1),
        attitude=rng.normal(size=(n_runs, p, 3)) * sizes.attitude_sd,
        offsets=rng.normal(size=(n_runs, 1, n, 3)) * elements[:, None],
        sound_speed=rng.normal(size=(n_runs, 1)) * sizes.sound_speed_sd_m_s,
        skew=rng.normal(size=(n_runs, 1, n)) * np.asarray(sizes.skew_sd_s)[..., None, None],
    )
