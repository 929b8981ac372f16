"""A scene as the notes of a crew, for a recording that has none, and notes with a calibrated array put in."""

from __future__ import annotations

import math

from acoustics.base.errors import ParameterError
from acoustics.base.toml_tables import validated
from acoustics.io.sidecar import NotedPose, Sidecar
from acoustics.scene.array import Array
from acoustics.scene.scene import Scene


def sidecar_of_scene(scene: Scene) -> Sidecar:
    """The scene's array, water, pingers and pose taken at their word; levels stand as shares of full scale.

    Raises
    ------
    InputError
        If a value of the scene is none that notes of a recording may have.
    """
    recorder, vehicle, n = scene.recorder, scene.vehicle, len(scene.array.hydrophones)
    turn_s = 1.0 / (n * recorder.sample_rate_hz) if recorder.multiplexed else 0.0
    places = scene.array.positions_m.tolist()
    extent = math.hypot(scene.pool.extent_m, scene.pool.deepest_m)
    profile = scene.bending_profile
    rows = [] if profile is None else list(zip(profile.depth_m.tolist(), profile.speed_m_s.tolist(), strict=True))
    table = {
        "sample_rate_hz": recorder.sample_rate_hz,
        "channels": [
            {
                "name": h.name,
                "position_m": place,
                "tolerance_m": h.tolerance_m,
                "sensitivity_db_re_v_per_upa": h.sensitivity_db_re_v_per_upa,
                "sampling_offset_s": k * turn_s - h.delay_s,
            }
            for k, (h, place) in enumerate(zip(scene.array.hydrophones, places, strict=True))
        ],
        "pingers": [
            {key: getattr(p, key) for key in ("name", "frequency_hz", "length_s", "pri_s", "q", "sweep_hz")}
            | {"depth_m": p.position_m[2], "depth_sd_m": scene.study.pinger_depth_sd_m}
            for p in scene.pingers
        ],
        "sound_speed_m_s": scene.sound_speed_m_s,
        "sound_speed_sd_m_s": scene.sound_speed_sd_m_s,
        "gain_db": recorder.gain_db,
        "skew_sd_s": recorder.timing_sd_s(scene.pingers[0].frequency_hz),
        "gain_sd_db": recorder.gain_sd_db,
        "hull_m": vehicle.hull_m,
        "farthest_m": None if extent == float("inf") else round(max(extent, 2.0), 1),
        "profile": [{"depth_m": depth, "sound_speed_m_s": round(speed, 3)} for depth, speed in rows] or None,
        "pose": {key: getattr(vehicle, key) for key in NotedPose.model_fields if key != "remark"},
    }
    return validated(Sidecar, table, f"{scene.title}: as notes of a recording")


def with_array(notes: Sidecar, array: Array) -> Sidecar:
    """Notes made before a calibration, with the places, tolerances and channel delays that it found.

    Raises
    ------
    ParameterError
        If a channel of the notes is not a hydrophone of the array.
    """
    found = {h.name: (h, place) for h, place in zip(array.hydrophones, array.positions_m.tolist(), strict=True)}
    channels = []
    for channel in notes.channels:
        if channel.name not in found:
            raise ParameterError(f"channel {channel.name!r} is not a hydrophone of {array.name}: {', '.join(found)}")
        hydrophone, (x, y, z) = found[channel.name]
        changed = {
            "position_m": (x, y, z),
            "tolerance_m": hydrophone.tolerance_m,
            "sampling_offset_s": channel.sampling_offset_s - hydrophone.delay_s,
        }
        channels.append(channel.model_copy(update=changed))
    return notes.model_copy(update={"channels": tuple(channels)})
