"""What is noted of a synthetic recording: what the crew would know, and the truth, which an estimator must not see."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from acoustics.accuracy.link_budget import link_budget
from acoustics.base.frames import Pose, bearing_and_depression
from acoustics.base.record import record
from acoustics.io.recording import Encoding, volts_per_stored
from acoustics.io.sidecar import Sidecar
from acoustics.physics.levels import power_ratio_db
from acoustics.propagate.render import DrawnRecording, PingSeries
from acoustics.scene.scene import Scene
from acoustics.study.simulate.scene_sidecar import sidecar_of_scene


@record
class HeardPinger:
    """One pinger as the array hears it.

    Attributes
    ----------
    name : str
        Of the pinger.
    frequency_hz : float
        Of its carrier [Hz].
    pings : int
        How many are heard, in whole or in part.
    range_m, bearing_deg, depression_deg : float
        From the vehicle's origin, in its frame.
    received_level_db : float
        Of the direct sound on the plateau at the array's centre [dB re 1 uPa].
    energy_ratio_db : float
        ``2 E / N0`` of the whole direct burst [dB].
    paths : int
        The direct path and the echoes rendered.
    first_echo_after_s : float
        Shortest time from the direct sound to an echo, over the channels [s]; infinite where there is none.
    """

    name: str
    frequency_hz: float
    pings: int
    range_m: float
    bearing_deg: float
    depression_deg: float
    received_level_db: float
    energy_ratio_db: float
    paths: int
    first_echo_after_s: float


def heard(scene: Scene, one: PingSeries) -> HeardPinger:
    """Where a pinger is and how loud it arrives."""
    pinger = one.pinger
    toward = scene.vehicle.pose.to_body([pinger.position_m])[0]
    bearing, depression = bearing_and_depression(toward)
    centre = scene.array.positions_m.mean(axis=0)
    link = link_budget(scene, pinger, float(np.linalg.norm(toward - centre)))
    after = one.first_echo_delay_s - one.direct_delay_s
    return HeardPinger(
        name=pinger.name,
        frequency_hz=pinger.frequency_hz,
        pings=len(one.start_s),
        range_m=float(np.linalg.norm(toward)),
        bearing_deg=float(np.rad2deg(bearing)),
        depression_deg=float(np.rad2deg(depression)),
        received_level_db=float(link.received_level_db),
        energy_ratio_db=float(power_ratio_db(link.energy_ratio_2e_n0)),
        paths=one.paths.delay_s.shape[-1],
        first_echo_after_s=float(after.min()),
    )


def sidecar_of(drawn: DrawnRecording, encoding: Encoding) -> Sidecar:
    """Nominal places and values, and pose and water as the instruments gave them."""
    scene, readings = drawn.scene, drawn.readings
    known = sidecar_of_scene(scene)
    pingers = zip(known.pingers, readings.pinger_depth_m.tolist(), strict=True)
    return known.model_copy(
        update={
            "pingers": tuple(pinger.model_copy(update={"depth_m": depth}) for pinger, depth in pingers),
            "sound_speed_m_s": readings.sound_speed_m_s,
            "temperature_degc": readings.temperature_degc,
            "absolute_salinity_g_kg": readings.absolute_salinity_g_kg,
            "volts_per_count": volts_per_stored(encoding, scene.recorder.bits, scene.recorder.full_scale_v),
            "pose": known.pose.model_copy(update=_pose_table(readings.pose)),
        }
    )


def truth_table(drawn: DrawnRecording, seed: int) -> dict[str, Any]:
    """Everything that an estimator must not see. Times are true ones, 0 at the first sample of the first channel.

    Only `recorded_s` is on the recorder's clock: sample index over nominal rate at which the direct sound begins.
    """
    scene, pose = drawn.scene, drawn.scene.vehicle.pose
    temperature, salinity = (float(value) for value in scene.water.at(scene.vehicle.position_m[2]))
    return {
        "title": scene.title,
        "seed": seed,
        "pose": _pose_table(pose),
        "temperature_degc": temperature,
        "absolute_salinity_g_kg": salinity,
        "sound_speed_m_s": scene.sound_speed_m_s,
        "clock_error_ppm": scene.recorder.clock_error_ppm,
        "channels": [
            {
                "name": h.name,
                "hears": scene.array.hydrophones[hydrophone].name,
                "polarity": int(polarity),
                "position_m": place.tolist(),
                "position_error_m": (place - nominal).tolist(),
                "site_position_m": site.tolist(),
                "skew_s": float(skew),
                "gain": float(gain),
                "phase_deg": float(np.rad2deg(phase)),
            }
            for h, hydrophone, polarity, place, nominal, site, skew, gain, phase in zip(
                scene.array.hydrophones,
                drawn.hydrophone,
                drawn.polarity,
                drawn.hydrophones_m,
                scene.array.positions_m,
                pose.to_site(drawn.hydrophones_m),
                drawn.skew_s,
                drawn.gain,
                drawn.channel_phase,
                strict=True,
            )
        ],
        "dropouts_s": [[edge / scene.recorder.sample_rate_hz for edge in stretch] for stretch in drawn.dropouts],
        "pingers": [_pinger_table(drawn, one) for one in drawn.series],
        "pings": sorted(
            (ping for one in drawn.series for ping in _ping_tables(drawn, one)), key=lambda ping: ping["sent_s"]
        ),
    }


def _pinger_table(drawn: DrawnRecording, one: PingSeries) -> dict[str, Any]:
    seen = heard(drawn.scene, one)
    return {
        "name": seen.name,
        "position_m": list(one.pinger.position_m),
        "frequency_hz": seen.frequency_hz,
        "length_s": one.pinger.length_s,
        "range_m": seen.range_m,
        "bearing_deg": seen.bearing_deg,
        "depression_deg": seen.depression_deg,
    }


def _ping_tables(drawn: DrawnRecording, one: PingSeries) -> Iterator[dict[str, Any]]:
    times, rate = drawn.times, drawn.scene.recorder.sample_rate_hz
    echo = [delay if np.isfinite(delay) else None for delay in one.first_echo_delay_s.tolist()]
    for start in one.start_s.tolist():
        recorded = (start + one.direct_delay_s - times.offset_s) / (times.interval_s * rate)
        yield {
            "pinger": one.pinger.name,
            "sent_s": start,
            "direct_delay_s": one.direct_delay_s.tolist(),
            "first_echo_delay_s": echo,
            "recorded_s": recorded.tolist(),
        }


def _pose_table(pose: Pose) -> dict[str, Any]:
    roll, pitch, heading = (float(np.rad2deg(angle)) for angle in (pose.roll, pose.pitch, pose.heading))
    x, y, z = np.asarray(pose.position_m).tolist()
    return {"position_m": (x, y, z), "roll_deg": roll, "pitch_deg": pitch, "heading_deg": heading}
