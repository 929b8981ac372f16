"""A scene as the notes of a crew, for a recording that has none, and notes with a calibrated array put in."""

from __future__ import annotations

from dataclasses import replace

from acoustics.base.errors import ParameterError
from acoustics.io.sidecar import Channel, KnownPinger, Sidecar
from acoustics.scene.array import Array
from acoustics.scene.scene import Scene


def sidecar_of_scene(scene: Scene) -> Sidecar:
    """The scene's array, water, pingers and pose taken at their word; levels stand as shares of full scale."""
    recorder, vehicle, n = scene.recorder, scene.vehicle, len(scene.array.hydrophones)
    turn_s = 1.0 / (n * recorder.sample_rate_hz) if recorder.multiplexed else 0.0
    x, y, z = vehicle.position_m
    return Sidecar(
        sample_rate_hz=recorder.sample_rate_hz,
        channels=tuple(
            Channel(
                h.name,
                (place[0], place[1], place[2]),
                h.tolerance_m,
                h.sensitivity_db_re_v_per_upa,
                k * turn_s - h.delay_s,
            )
            for k, (h, place) in enumerate(zip(scene.array.hydrophones, scene.array.positions_m.tolist(), strict=True))
        ),
        pingers=tuple(
            KnownPinger(
                name=p.name,
                frequency_hz=p.frequency_hz,
                length_s=p.length_s,
                pri_s=p.pri_s,
                q=p.q,
                sweep_hz=p.sweep_hz,
                depth_m=p.position_m[2],
                depth_sd_m=scene.study.pinger_depth_sd_m,
            )
            for p in scene.pingers
        ),
        sound_speed_m_s=scene.sound_speed_m_s,
        sound_speed_sd_m_s=scene.sound_speed_sd_m_s,
        gain_db=recorder.gain_db,
        skew_sd_s=recorder.timing_sd_s(scene.pingers[0].frequency_hz),
        position_m=(x, y, z),
        roll_deg=vehicle.roll_deg,
        pitch_deg=vehicle.pitch_deg,
        heading_deg=vehicle.heading_deg,
        position_sd_m=vehicle.position_sd_m,
        depth_sd_m=vehicle.depth_sd_m,
        roll_sd_deg=vehicle.roll_sd_deg,
        pitch_sd_deg=vehicle.pitch_sd_deg,
        heading_sd_deg=vehicle.heading_sd_deg,
    )


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
        channels.append(
            replace(
                channel,
                position_m=(x, y, z),
                tolerance_m=hydrophone.tolerance_m,
                sampling_offset_s=channel.sampling_offset_s - hydrophone.delay_s,
            )
        )
    return replace(notes, channels=tuple(channels))
