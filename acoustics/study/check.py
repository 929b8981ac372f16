"""What a scene implies before anything is simulated: the answer of `pingfix check`."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from acoustics.accuracy.link_budget import link_budget
from acoustics.base.frames import Floats
from acoustics.base.intervals import RANGE_LOST, unless_guessed
from acoustics.base.record import record
from acoustics.base.result import Result
from acoustics.estimate.detect import indistinct
from acoustics.physics.levels import power_ratio_db
from acoustics.physics.refraction import bent_ray_angle, linear_gradient_travel_time
from acoustics.physics.sound_speed import harmonic_mean_speed
from acoustics.physics.timing_bounds import half_wavelength_m
from acoustics.propagate.arrivals import arrivals
from acoustics.propagate.bending import bends, walls_on_a_slope
from acoustics.propagate.first_multipath import first_echo
from acoustics.propagate.hull_shadow import Hull
from acoustics.propagate.multipath_free_window import multipath_free_windows
from acoustics.propagate.sight import heard_directly
from acoustics.scene.keys import Assumed, assumed_values
from acoustics.scene.line import waypoints_along_line
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.electronics import Electronics, electronics
from acoustics.study.hearing import Listening, by_noise_state, heard_share
from acoustics.study.known_pool import known_pool_bound
from acoustics.study.ping_bounds import ping_bounds
from acoustics.study.together import PingerInBrief, pingers_in_brief

_BEND_WORTH_A_NOTE_DEG = 0.1
_USUAL_HZ = (5e3, 200e3)  # of pingers and beacons that are sold; common practice, no source
_RANGES_M = (1.0, 2.0, 5.0, 10.0, 15.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0)


@record
class Summary(Result):
    """What follows from a scene for one pinger; arrays of shape (n_ranges,) go with `range_m`.

    `first_echo` names the faces of the echo that ends the multipath-free window where the vehicle stands; empty: none
    does.
    `position_..._m`: Cramer-Rao bounds of the horizontal position from one ping there, by the sound before the first
    echo without knowledge of the pool, and, the pool known, before the first echo from a wall and by the whole burst.
    `assumed` lists the keys that the scenario leaves out, with the values that count instead.
    `heard` is the predicted share of pings over the detector's threshold, by the whole burst and without echoes.
    `pingers` has all that are planned together; empty for one.
    `noise_states` sets the vehicle's noise states side by side, where the scenario names some.
    """

    title: str
    pinger: str
    frequency_hz: float
    sound_speed_m_s: float
    sound_speed_sd_m_s: float
    wavelength_m: float
    free_spacing_m: float
    array: str
    n_hydrophones: int
    shortest_baseline_m: float
    longest_baseline_m: float
    observes: str
    good_for: str
    cannot_observe: str
    noise_density_db: float
    range_m: Floats
    received_level_db: Floats
    heard: Floats
    multipath_free_s: Floats
    first_echo: str
    position_multipath_free_m: float
    position_to_first_wall_m: float
    position_whole_burst_m: float
    energy_ratio_db: Floats
    arrival_sd_phase_s: Floats
    arrival_sd_envelope_s: Floats
    electronics: Electronics
    noise_states: tuple[Listening, ...]
    pingers: tuple[PingerInBrief, ...]
    assumed: tuple[Assumed, ...]
    remarks: tuple[str, ...]


def summary(scene: Scene, pinger: Pinger, *, together: Sequence[Pinger] = ()) -> Summary:
    """Sound speed, wavelength, free spacing, what the array observes, and the link at ranges from the pinger.

    The ranges lie on the straight line from the pinger through the vehicle, as far as it stays in the water, at
    the vehicle's depth; the energy counted is that inside the multipath-free window there.
    `together` are the pingers that array and recorder must serve, if there are several.
    """
    ranges, waypoints = waypoints_along_line(scene, pinger, _RANGES_M)
    window = multipath_free_windows(scene, pinger, waypoints)
    link = link_budget(scene, pinger, ranges, window_s=window)
    speed = scene.sound_speed_m_s
    return Summary(
        title=scene.title,
        pinger=pinger.name,
        frequency_hz=pinger.frequency_hz,
        sound_speed_m_s=speed,
        sound_speed_sd_m_s=scene.sound_speed_sd_m_s,
        wavelength_m=speed / pinger.frequency_hz,
        free_spacing_m=float(half_wavelength_m(pinger.band_hz[1], speed)),
        array=scene.array.name,
        n_hydrophones=len(scene.array.hydrophones),
        shortest_baseline_m=float(scene.array.baselines_m.min()),
        longest_baseline_m=float(scene.array.baselines_m.max()),
        observes=scene.array.observes,
        good_for=scene.array.good_for,
        cannot_observe=scene.array.cannot_observe,
        noise_density_db=float(scene.noise_density_db(pinger.frequency_hz)),
        range_m=ranges,
        received_level_db=link.received_level_db,
        heard=heard_share(scene, pinger, ranges),
        multipath_free_s=window,
        first_echo=_first_echo(scene, pinger),
        **_positions(scene, pinger),
        energy_ratio_db=power_ratio_db(link.energy_ratio_2e_n0),
        arrival_sd_phase_s=np.sqrt(link.carrier_variance_s2),
        arrival_sd_envelope_s=np.sqrt(link.envelope_variance_s2),
        electronics=electronics(scene, pinger, ranges),
        noise_states=by_noise_state(scene, pinger),
        pingers=pingers_in_brief(scene, together),
        assumed=assumed_values(scene),
        remarks=_remarks(scene, pinger),
    )


def _positions(scene: Scene, pinger: Pinger) -> dict[str, float]:
    """Bounds of the horizontal position from one ping where the vehicle stands [m]; infinite: not observed."""
    known = known_pool_bound(scene, pinger)
    bounds = ping_bounds(scene, pinger)
    blind = unless_guessed(bounds.totals[2], min(scene.pool.extent_m, RANGE_LOST * bounds.place.range_m))
    return {
        "position_multipath_free_m": float(blind),
        "position_to_first_wall_m": known.to_first_wall_m,
        "position_whole_burst_m": known.whole_burst_m,
    }


def _first_echo(scene: Scene, pinger: Pinger) -> str:
    threshold_db = scene.study.multipath_threshold_db
    paths = arrivals(
        scene,
        scene.vehicle.pose.to_site(scene.array.positions_m),
        pinger.position_m,
        frequency_hz=pinger.frequency_hz,
        horizon_s=pinger.length_s,
        floor_db=threshold_db,
        hull=Hull.of(scene, scene.vehicle.pose),
    )
    return first_echo(paths, threshold_db=threshold_db)


def _remarks(scene: Scene, pinger: Pinger) -> tuple[str, ...]:
    """What a reader should not overlook, in whole sentences."""
    remarks = []
    if not _USUAL_HZ[0] <= pinger.frequency_hz <= _USUAL_HZ[1]:
        remarks.append(
            f"frequency_hz = {pinger.frequency_hz:g} is {pinger.frequency_hz / 1e3:g} kHz, outside the "
            f"{_USUAL_HZ[0] / 1e3:g} to {_USUAL_HZ[1] / 1e3:g} kHz of common pingers; if a digit slipped, all figures "
            "here are wrong."
        )
    for i, j in indistinct([each.burst for each in scene.pingers]):
        one, other = scene.pingers[i], scene.pingers[j]
        remarks.append(
            f"{one.name!r} ({one.frequency_hz / 1e3:g} kHz) and {other.name!r} ({other.frequency_hz / 1e3:g} kHz) "
            "cannot be told apart by their bursts: pingfix locate refuses to hear both, and asked for one takes the "
            f"other's pings for its own. Set them at least {1.0 / min(one.length_s, other.length_s):.0f} Hz apart."
        )
    shortest, free = (
        scene.array.baselines_m.min(),
        half_wavelength_m(pinger.band_hz[1], scene.sound_speed_m_s),
    )
    if shortest > free:
        remarks.append(
            f"The shortest baseline, {1e3 * shortest:.1f} mm, is over half a wavelength ({1e3 * free:.1f} mm): the "
            "phase alone does not tell the cycle."
        )
    extent = np.ptp(scene.array.positions_m, axis=0)
    if np.any(extent > np.array(scene.vehicle.hull_m) + 1e-9):
        spans = " x ".join(f"{x:.2f}" for x in extent)
        remarks.append(f"The array spans {spans} m, more than vehicle.hull_m allows.")
    if scene.noise.self_noise_density_db is None:
        remarks.append(
            "noise.self_noise_density_db is not given: the vehicle counts as noiseless. Thrusters and motor "
            "controllers are commonly far above the water's own noise; record some before you trust the figures."
        )
    low, high = pinger.band_hz
    if scene.recorder.passband_hz and not (
        scene.recorder.passband_hz[0] < low and high < scene.recorder.passband_hz[1]
    ):
        remarks.append(f"The pinger's band, {low:.0f} to {high:.0f} Hz, is not inside recorder.passband_hz.")
    if unheard := _unheard(scene, pinger):
        remarks.append(unheard)
    reached = scene.mounting.hears(scene.array.positions_m, scene.vehicle.pose.to_body([pinger.position_m]))[0]
    if not reached.all():
        names = ", ".join(repr(h.name) for h, hears in zip(scene.array.hydrophones, reached, strict=True) if not hears)
        remarks.append(
            f"Bodies of the vehicle (mounting.shadow) hide {pinger.name} from the hydrophones {names} where it stands: "
            "they do not hear the direct sound."
        )
    return (*remarks, *_refraction(scene, pinger))


def _unheard(scene: Scene, pinger: Pinger) -> str:
    """Which hydrophones no direct sound reaches, and why, in a sentence; nothing where it reaches all."""
    hydrophones = scene.vehicle.pose.to_site(scene.array.positions_m)
    heard, why = heard_directly(scene, hydrophones, pinger.position_m, frequency_hz=pinger.frequency_hz)
    if heard.all():
        return ""
    names = ", ".join(repr(h.name) for h, hears in zip(scene.array.hydrophones, heard, strict=True) if not hears)
    who = f"hydrophones {names}" if heard.any() else "vehicle"
    return (
        f"{pinger.name} is not in sight from the {who} at {list(scene.vehicle.position_m)}: {why}, so only echoes "
        "come and no bearing is given; listen from a place that sees it (pingfix map)."
    )


def _microseconds(time_s: float) -> str:
    size = 1e6 * abs(time_s)
    return f"{size:.2g}" if size < 100 else f"{size:.0f}"


def _refraction(scene: Scene, pinger: Pinger) -> tuple[str, ...]:
    """What taking the ray as straight costs, where it costs something."""
    ends_m = np.array([scene.vehicle.position_m, pinger.position_m])
    distance, drop = float(np.linalg.norm(ends_m[1] - ends_m[0])), float(ends_m[1, 2] - ends_m[0, 2])
    across = float(np.hypot(*(ends_m[1] - ends_m[0])[:2]))  # only the level part of a ray is bent
    speeds = scene.water.sound_speed_m_s(ends_m[:, 2])
    if drop == 0 or speeds[0] == speeds[1]:
        return ()
    gradient = float(speeds[1] - speeds[0]) / drop
    bend = float(np.rad2deg(bent_ray_angle(across, sound_speed_m_s=float(speeds.mean()), gradient_per_s=gradient)))
    if bend < _BEND_WORTH_A_NOTE_DEG:
        return ()
    bent_s = linear_gradient_travel_time(
        distance, from_speed_m_s=speeds[0], to_speed_m_s=speeds[1], gradient_per_s=gradient
    )
    order = np.argsort(ends_m[:, 2])
    straight_s = distance / harmonic_mean_speed(ends_m[order, 2], speeds[order], *ends_m[:, 2])
    bent = bends(
        scene, scene.vehicle.pose.to_site(scene.array.positions_m), ends_m[1], frequency_hz=pinger.frequency_hz
    )
    taken = (
        "times, echoes, recordings and positions by the pinger's depth follow the bent rays"
        if bent
        else "the model takes the ray as straight"
    )
    if bent and walls_on_a_slope(scene):
        taken += ", but over this floor only those off walls that have a straight path past the same faces"
    return (
        f"Over the {distance:.0f} m to the pinger refraction turns the ray by about {bend:.1f} deg (depression, not "
        f"bearing) and changes its travel time by {_microseconds(float(bent_s) - float(straight_s))} us, taking the "
        f"gradient between the two depths as constant; {taken}.",
    )
