"""How a calibration run is held: its geometry, its noise, and what is known before it."""

from __future__ import annotations

import numpy as np

from acoustics.accuracy.link_budget import link_budget
from acoustics.base.errors import ParameterError, SceneError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.estimate.calibrate import CalibrationPrior, CalibrationRun, whitening
from acoustics.physics.tdoa import difference_matrix
from acoustics.propagate.multipath_free_window import multipath_free_windows
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene


@record
class RunPlan:
    """How a run is held: the vehicle turned in place, a known source at one or more depths.

    Attributes
    ----------
    headings : int
        Headings, equally spaced all round.
    pings_each : int
        Pings heard at each heading and depth.
    source_depths_m : tuple of float
        Depths of the source [m]; empty: the pinger's own.
    range_m : float or None
        Horizontal distance at which the vehicle is set, on the line from the pinger to it [m]; None: where it is.
    source_sd_m : float
        Of the source's place against the vehicle's station, along each axis [m].
    depth_known : bool
        Whether the source's depth is; else any depth in the water.
    wobble_sd_deg : float
        What roll, pitch and heading are off by from pose to pose, beside the constant error [deg].
    wrong_integer_share : float
        Share of pings in which one channel is heard a whole cycle off [1].
    """

    headings: int = 12
    pings_each: int = 5
    source_depths_m: tuple[float, ...] = ()
    range_m: float | None = None
    source_sd_m: float = 0.05
    depth_known: bool = True
    wobble_sd_deg: float = 0.5
    wrong_integer_share: float = 0.02


def planned_prior(scene: Scene, pinger: Pinger, plan: RunPlan) -> CalibrationPrior:
    """What the crew knows before: tolerances of the scene, and of the plan."""
    depths = plan.source_depths_m or (pinger.position_m[2],)
    source_sd = np.full((len(depths), 3), plan.source_sd_m)
    if not plan.depth_known:
        source_sd[:, 2] = float(scene.pool.floor_depth_m(pinger.position_m)) / np.sqrt(12.0)
    vehicle = scene.vehicle
    return CalibrationPrior(
        hydrophones_m=scene.array.positions_m,
        element_sd_m=scene.array.tolerances_m,
        delay_sd_s=scene.recorder.timing_sd_s(pinger.frequency_hz),
        sound_speed_m_s=scene.sound_speed_m_s,
        sound_speed_sd_m_s=scene.sound_speed_sd_m_s,
        rotation_sd=vehicle.attitude_sd,
        source_sd_m=source_sd,
        place_sd_m=np.array([vehicle.position_sd_m, vehicle.position_sd_m, vehicle.depth_sd_m]),
        wobble_sd=np.full(3, np.deg2rad(plan.wobble_sd_deg)),
    )


def planned_run(scene: Scene, pinger: Pinger, plan: RunPlan) -> tuple[CalibrationRun, Floats, float, float]:
    """Geometry of the run, the sd of each ping's arrival times (n_pings,), the least 2E/N0 and the range."""
    if min(plan.headings, plan.pings_each) < 1 or plan.headings * plan.pings_each > 2000:
        raise ParameterError(
            f"headings={plan.headings}, pings_each={plan.pings_each}: expected 1 or more, and together at most 2000"
        )
    depths = np.array(plan.source_depths_m or (pinger.position_m[2],))
    place = _station(scene, pinger, plan.range_m)
    sources = np.column_stack([np.tile(pinger.position_m[:2], (len(depths), 1)), depths])
    for source in sources:
        if not scene.pool.contains(source):
            raise ParameterError(f"a source at {source.tolist()} is outside the water")
    links = []
    for source in sources:
        moved = pinger.model_copy(update={"position_m": tuple(source.tolist())})
        window = multipath_free_windows(scene, moved, place)
        links.append(link_budget(scene, moved, np.linalg.norm(source - place), window_s=window))
    sd = np.sqrt([float(link.carrier_variance_s2) for link in links])
    if not np.isfinite(sd).all():
        raise SceneError("no sound free of multipath arrives at the vehicle's place; choose another with range_m")
    n = len(scene.array.hydrophones)
    pose = np.repeat(np.arange(len(depths) * plan.headings), plan.pings_each)
    source_index = pose // plan.headings
    heading = np.deg2rad(scene.vehicle.heading_deg) + 2 * np.pi / plan.headings * (pose % plan.headings)
    turn = scene.vehicle.pose_at(place, heading).rotation
    difference = difference_matrix(n)
    white = np.array([whitening(difference, s**2 * difference @ difference.T) for s in sd])
    pings = len(pose)
    run = CalibrationRun(
        times_s=np.zeros((pings, n)),
        whitening=white[source_index],
        used=np.ones((pings, n), dtype=bool),
        reference=np.zeros(pings, dtype=np.intp),
        cycle_s=np.full(pings, 1 / pinger.frequency_hz),
        turn=turn,
        place_m=np.tile(place, (pings, 1)),
        source_m=sources[source_index],
        source_index=source_index,
        pose_index=pose,
    )
    least = min(float(link.energy_ratio_2e_n0) for link in links)
    return run, sd[source_index], least, float(np.linalg.norm(sources[0] - place))


def _station(scene: Scene, pinger: Pinger, range_m: float | None) -> Floats:
    place = np.array(scene.vehicle.position_m)
    if range_m is None:
        return place
    across = place[:2] - np.array(pinger.position_m[:2])
    across = across / max(float(np.hypot(*across)), 1e-9)
    place = np.array([*(np.array(pinger.position_m[:2]) + range_m * across), place[2]])
    reach = float(np.linalg.norm(scene.array.positions_m, axis=-1).max())
    if range_m <= reach or not scene.pool.contains(place, margin_m=reach):
        raise ParameterError(f"range_m={range_m:g}: the vehicle at {np.round(place, 2).tolist()} has no room there")
    return place
