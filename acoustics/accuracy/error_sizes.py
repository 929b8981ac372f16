"""From a scene to the sizes of all that is wrong with its array, water and navigation."""

from __future__ import annotations

import numpy as np

from acoustics.physics.error_model import ErrorSizes
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene


def error_sizes_of(scene: Scene, pinger: Pinger) -> ErrorSizes:
    """What the scenario says of the errors along a run past a pinger, whose frequency the skew depends on."""
    vehicle = scene.vehicle
    return ErrorSizes(
        heading_bias_sd=vehicle.lasting_heading_sd,
        attitude_sd=vehicle.ping_attitude_sd,
        position_sd_m=vehicle.position_sd_m,
        depth_sd_m=vehicle.depth_sd_m,
        drift_sd_m_per_root_m=vehicle.drift_sd_m_per_root_m,
        log_scale_sd=vehicle.log_scale_sd,
        sound_speed_sd_m_s=scene.sound_speed_sd_m_s,
        element_sd_m=scene.array.tolerances_m,
        skew_sd_s=np.array(scene.recorder.timing_sd_s(pinger.frequency_hz)),
    )
