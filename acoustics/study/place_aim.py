"""Which directions a placement is for, and the measure that a scene gives them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from acoustics.accuracy.link_budget import link_budget
from acoustics.errors import ParameterError
from acoustics.geometry import Floats, bearing_and_depression
from acoustics.propagate.clean_window import clean_window_map_s
from acoustics.scene.mounting import Mounting
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.place_criterion import Criterion

_ALL_ROUND, _STEP_DEG, _FEWEST_IN_SECTOR = 24, 15.0, 9


@dataclass(frozen=True)
class Aim:
    """Which directions matter and how they are weighed.

    `from_deg` clockwise to `to_deg` is a sector of bearings from the bow; both None: all round. No depressions: that
    of the pinger from where the vehicle stands.
    """

    worst: bool = True
    from_deg: float | None = None
    to_deg: float | None = None
    depressions_deg: tuple[float, ...] = ()

    @property
    def bearings_in_words(self) -> str:
        if self.from_deg is None:
            return "all round"
        return f"from {self.from_deg:g} clockwise to {self.to_deg:g} deg"

    @property
    def criterion_in_words(self) -> str:
        return "the worst direction" if self.worst else "RMS over the directions"


def criterion_for(scene: Scene, pinger: Pinger, aim: Aim) -> tuple[Criterion, float, float]:
    """The measure, the clean window [s] and 2E/N0 [dB]: the same for every array, so that only places count.

    Raises
    ------
    ParameterError
        A region out of the water, no clean window, or half a sector.
    """
    mounting = scene.mounting.on(scene.vehicle)
    source = scene.vehicle.pose.to_body([pinger.position_m])[0]
    distance = float(np.linalg.norm(source))
    window = _clean_window_s(scene, pinger, mounting)
    link = link_budget(scene, pinger, distance, window_s=window)
    bearing = _bearings(aim)
    depressions = np.deg2rad(aim.depressions_deg or [np.rad2deg(bearing_and_depression(source)[1])])
    d, b = (grid.ravel() for grid in np.meshgrid(np.unique(depressions), bearing, indexing="ij"))
    criterion = Criterion(
        bearing=b,
        depression=d,
        range_m=distance,
        worst=aim.worst,
        frequency_hz=pinger.frequency_hz,
        sound_speed_m_s=scene.sound_speed_m_s,
        sound_speed_sd_m_s=scene.sound_speed_sd_m_s,
        carrier_variance_s2=float(link.carrier_variance_s2),
        envelope_variance_s2=float(link.envelope_variance_s2),
        skew_sd_s=scene.recorder.skew_sd_s,
        mounting=mounting,
    )
    return criterion, window, float(10 * np.log10(link.energy_ratio_2e_n0))


def _clean_window_s(scene: Scene, pinger: Pinger, mounting: Mounting) -> float:
    """The shortest over the corners of the regions: what any array in them can count on."""
    corners = np.concatenate([_corners(region.corner, region.edges) for region in mounting.regions])
    in_site = scene.vehicle.pose.to_site(corners)
    if not np.all(scene.pool.contains(in_site)):
        raise ParameterError(
            "mounting.region: a region reaches out of the water where the vehicle stands; change it, vehicle.hull_m or "
            "vehicle.position_m"
        )
    window = float(
        clean_window_map_s(
            scene,
            in_site[None],
            np.array(pinger.position_m),
            frequency_hz=pinger.frequency_hz,
            horizon_s=pinger.length_s,
            threshold_db=scene.study.clean_window_threshold_db,
        )[0]
    )
    if window == 0:
        raise ParameterError(
            f"vehicle.position_m: at a corner of the mounting an echo comes as early as {pinger.name} itself, which "
            "leaves no clean window; put the vehicle nearer, or raise study.clean_window_threshold_db"
        )
    return window


def _corners(corner: Floats, edges: Floats) -> Floats:
    return (
        corner
        + np.stack(np.meshgrid(*[[0.0, 1.0]] * len(edges), indexing="ij"), axis=-1).reshape(-1, len(edges)) @ edges
    )


def _bearings(aim: Aim) -> Floats:
    """All round in equal steps, or over the sector with both its ends [rad]."""
    if (aim.from_deg is None) != (aim.to_deg is None):
        raise ParameterError("--from-deg and --to-deg: a sector needs both ends")
    if aim.from_deg is None or aim.to_deg is None:
        return np.arange(_ALL_ROUND) * 2 * np.pi / _ALL_ROUND
    span = (aim.to_deg - aim.from_deg) % 360.0
    if span == 0:
        raise ParameterError("--from-deg and --to-deg: the sector is empty; leave both out for all round")
    count = max(_FEWEST_IN_SECTOR, int(np.ceil(span / _STEP_DEG)) + 1)
    return np.deg2rad(aim.from_deg + np.linspace(0.0, span, count))
