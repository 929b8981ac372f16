"""What a place by echoes is off by: how much of it each error of site and array makes, and what is new at each ping."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from acoustics.accuracy.echo_bound.bound import USUAL, informations, paths_in_portions
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.io.site_sketch import site_faces
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene


@record
class EchoPlaceErrors:
    """Of places by echoes in the site, by the whole burst, at the bound.

    Attributes
    ----------
    covariance_m2 : ndarray, shape (n, 2, 2)
        Of x and y, all errors together [m^2]; NaN where nothing is told.
    by : ndarray, shape (n, 2, 8 + 4 n_hydrophones + n_site)
        How far x and y are off by each error, in units and order of `estimate.fuse.EchoPlaces`: pinger's depth, own x,
        y, depth [m/m], roll, pitch, heading [m/rad], sound speed [m per m/s]; then for one standard deviation each the
        hydrophones' places, the channels' skew, Q, carrier, floor and walls [m].
    sd : ndarray, shape (8 + 4 n_hydrophones + n_site,)
        Standard deviation of each error in those units.
    variance_scale : float
        How much larger the variances of an estimator are than the bound's [1].
    """

    covariance_m2: Floats
    by: Floats
    sd: Floats
    variance_scale: float = 1.0

    @property
    def told(self) -> NDArray[np.bool_]:
        """Where there is a place at all, shape (n,)."""
        return np.asarray(np.isfinite(self.covariance_m2).all(axis=(-1, -2)))

    def at(self, k: int) -> EchoPlaceErrors:
        """That of one, shape (1,)."""
        return replace(self, covariance_m2=self.covariance_m2[k : k + 1], by=self.by[k : k + 1])

    @property
    def noise_m2(self) -> Floats:
        """What is new at each ping of an estimator's place, shape (n, 2, 2) [m^2]."""
        spread = self.by * self.sd
        return self.variance_scale * self.covariance_m2 - spread @ np.swapaxes(spread, -1, -2)


def echo_place_errors(
    scene: Scene, pinger: Pinger, waypoints_m: Floats, headings: Floats, sources_m: Floats
) -> EchoPlaceErrors:
    """Errors of the places of pings at their bound; takes and raises what `echo_bound` does.

    Notes
    -----
    With samples ``y = X s + N e + n``, the errors e of unit variance, the estimate that weighs them by their priors is
    off by ``-cov(s, e) e`` in the mean, cov that of the joint posterior: as `estimate.echoes` has it of its modes.
    """
    n_hydrophones, n_faces = len(scene.array.hydrophones), len(site_faces(scene.pool).parameters)
    order = _order(n_hydrophones, n_faces)
    sd = np.concatenate([_standard_deviations(scene), np.ones(len(order) - 8)])
    unit = np.where(sd > 0, sd, 1.0)  # where one is 0 nothing depends on it
    covariance = np.full((len(headings), 2, 2), np.nan)
    by = np.zeros((len(headings), 2, len(order)))
    for rows, paths in paths_in_portions(scene, pinger, waypoints_m, headings, sources_m, site_position=True):
        window = np.full(len(rows), pinger.length_s)
        for some, information in informations(scene, pinger, USUAL, paths.until(window), window):
            size = np.sqrt(np.einsum("nii->ni", information))
            seen = (size > 0).all(axis=-1)
            size = np.where(size > 0, size, 1.0)
            scaled = information / (size[:, :, None] * size[:, None, :])
            scaled[~seen] = np.eye(size.shape[-1])
            joint = np.linalg.inv(scaled) / (size[:, :, None] * size[:, None, :])
            at = rows[some]
            covariance[at] = np.where(seen[:, None, None], joint[:, :2, :2], np.nan)
            by[at] = -joint[:, :2, order] / unit
    return EchoPlaceErrors(covariance, by, sd)


def _order(n_hydrophones: int, n_faces: int) -> NDArray[np.intp]:
    """Where each error stands among the parameters of the joint information, see `paths`."""
    places, faces = np.arange(2, 9), np.arange(9, 9 + n_faces)
    speed = 9 + n_faces + 1  # the emission time is no error of a place: nothing is known of it
    channels = speed + 1 + np.arange(4 * n_hydrophones)
    return np.concatenate([places, [speed], channels, channels[-1] + np.array([1, 2]), faces])


def _standard_deviations(scene: Scene) -> Floats:
    """Of the errors that are told by their own units, shape (8,)."""
    vehicle = scene.vehicle
    own = [vehicle.position_sd_m, vehicle.position_sd_m, vehicle.depth_sd_m]
    return np.array([scene.study.pinger_depth_sd_m, *own, *vehicle.attitude_sd, scene.sound_speed_sd_m_s])
