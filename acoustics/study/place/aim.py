"""Which directions a placement is for, and the measure that a scene gives them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from acoustics.accuracy.error_sizes import error_sizes_of
from acoustics.accuracy.link_budget import LinkBudget, link_budget
from acoustics.base.errors import ParameterError, SceneError
from acoustics.base.frames import Floats, Pose, bearing_and_depression
from acoustics.base.record import record
from acoustics.physics.direct_rays import direct_rays
from acoustics.propagate.multipath_free_window import multipath_free_windows, no_window
from acoustics.scene.line import waypoints_along_line
from acoustics.scene.mounting import Mounting
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws import source_area
from acoustics.study.place.criterion import Criterion, Knowledge, Of
from acoustics.study.place.directions import Directions
from acoustics.study.place.regions import all_corners

_ALL_ROUND, _STEP_DEG, _FEWEST_IN_SECTOR = 24, 15.0, 9


@record
class Aim:
    """What is to be good, in which directions, and how they are weighed.

    `from_deg` clockwise to `to_deg` is a sector of bearings from the bow; both None: all round. No ranges: that of the
    pinger from where the vehicle stands [m]. No depressions: the pinger's from there, or at each of the ranges given.
    """

    of: Of = "bearing"
    worst: bool = True
    from_deg: float | None = None
    to_deg: float | None = None
    depressions_deg: tuple[float, ...] = ()
    ranges_m: tuple[float, ...] = ()

    @property
    def bearings_in_words(self) -> str:
        if self.from_deg is None:
            return "all round"
        return f"from {self.from_deg:g} clockwise to {self.to_deg:g} deg"

    @property
    def criterion_in_words(self) -> str:
        return "the worst direction" if self.worst else "RMS over the directions"


@record
class Ranges:
    """Where the pinger is heard from, shape (n_ranges,): how far [m], the multipath-free window [s], and the link.

    `scenes` have the vehicle there.
    """

    scenes: tuple[Scene, ...]
    range_m: Floats
    multipath_free_s: Floats
    link: LinkBudget


def criterion_for(scene: Scene, pinger: Pinger, aim: Aim) -> tuple[Criterion, Ranges]:
    """The measure, and the links that it stands on: the same for every array, so that only places count.

    The vehicle is moved along the line from the pinger through it for the ranges asked for.

    Raises
    ------
    ParameterError
        A range at which the vehicle has no room, a region out of the water, no multipath-free window, or half a sector.
    """
    mounting = scene.mounting.on(scene.vehicle)
    poses = _poses(scene, pinger, aim)
    sources = np.array([pose.to_body([pinger.position_m])[0] for pose in poses])
    range_m = np.linalg.norm(sources, axis=-1)
    window = np.array([_multipath_free_s(scene, pinger, mounting, pose) for pose in poses])
    link = link_budget(scene, pinger, range_m, window_s=window)
    own, bent = scene.vehicle, scene.bending_profile
    upright = own.level_pose.rotation
    towards = _directions(aim, bearing_and_depression(sources)[1], range_m, link)
    profile = None if bent is None else bent.below(own.position_m[2])
    if profile is not None:
        towards = replace(towards, rays=direct_rays(profile, np.zeros(3), towards.source_m @ upright.T))
    return Criterion(
        towards=towards,
        of=aim.of,
        worst=aim.worst,
        frequency_hz=pinger.frequency_hz,
        sound_speed_m_s=scene.sound_speed_m_s,
        # A position is judged as seen from the vehicle.
        sizes=replace(error_sizes_of(scene, pinger), element_sd_m=np.array(mounting.tolerance_m), position_sd_m=0.0),
        mounting=mounting,
        known=Knowledge(
            depth_sd_m=float(np.hypot(scene.study.pinger_depth_sd_m, own.depth_sd_m)),
            upright=upright,
            area_sd_m=float(np.sqrt(np.trace(source_area(scene).covariance_m2) / 2)),
            profile=profile,
        ),
    ), Ranges(tuple(_moved(scene, pose) for pose in poses), range_m, window, link)


def _poses(scene: Scene, pinger: Pinger, aim: Aim) -> list[Pose]:
    """Where the vehicle hears the pinger from: where it stands, or at the ranges, the nearest first."""
    if not aim.ranges_m:
        return [scene.vehicle.pose]
    there, waypoints = waypoints_along_line(scene, pinger, aim.ranges_m)
    above = abs(pinger.position_m[2] - scene.vehicle.position_m[2])
    for wished in aim.ranges_m:
        if wished not in there:
            raise ParameterError(
                f"range {wished:g} m: the line from {pinger.name} through the vehicle has no room there at the "
                f"vehicle's depth, {above:.1f} m from the pinger's"
            )
    wanted = np.isin(there, aim.ranges_m)
    return [scene.vehicle.pose_at(waypoint) for waypoint in waypoints[wanted]]


def _moved(scene: Scene, pose: Pose) -> Scene:
    place = tuple(np.asarray(pose.position_m).tolist())
    return scene.model_copy(update={"vehicle": scene.vehicle.model_copy(update={"position_m": place})})


def _directions(aim: Aim, depression: Floats, range_m: Floats, link: LinkBudget) -> Directions:
    """Every bearing at every depression and range; bearings change fastest."""
    bearing, asked = _bearings(aim), np.deg2rad(np.unique(aim.depressions_deg))
    per_range = max(len(asked), 1) * len(bearing)
    at = np.repeat(np.arange(len(range_m)), per_range)
    depression = np.resize(np.repeat(asked, len(bearing)), len(at)) if len(asked) else depression[at]
    return Directions(
        bearing=np.resize(bearing, len(at)),
        depression=np.asarray(depression),
        range_m=range_m[at],
        carrier_variance_s2=link.carrier_variance_s2[at],
        envelope_variance_s2=link.cycle_variance_s2[at],
    )


def _multipath_free_s(scene: Scene, pinger: Pinger, mounting: Mounting, pose: Pose) -> float:
    """That of the scenario's array, as `spacing` and `check` have it: elsewhere on the hull it differs a little."""
    if not np.all(scene.pool.contains(pose.to_site(all_corners(mounting)))):
        raise SceneError(
            "mounting.region: a region reaches out of the water where the vehicle stands; change it, vehicle.hull_m or "
            "vehicle.position_m"
        )
    in_the_open = scene.model_copy(update={"mounting": scene.mounting.model_copy(update={"shadows": ()})})
    # Where the vehicle hides the scenario's array, another may hear.
    for where in (scene, in_the_open):
        window = float(multipath_free_windows(where, pinger, np.asarray(pose.position_m)[None])[0])
        if window > 0:
            break
    else:
        raise no_window(pinger)
    return window


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
