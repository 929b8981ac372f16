"""Whether hydrophones, preamplifier and converter suit the pinger over the ranges at hand."""

from __future__ import annotations

import numpy as np

from acoustics.accuracy.link_budget import link_budget
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.physics.electronics import butterworth_order, largest_gain_db, least_gain_db, peak_volts
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene

_ECHO_HEADROOM_DB = 6.0  # direct sound and an echo as strong: common practice, no source
_STEPS_UNDER_NOISE_DB = 10.0  # quantisation then adds 0.4 dB to the noise
_FOLDED_DB = 20.0  # noise that folds into the band then adds 0.04 dB: common practice, no source
_BITS = range(4, 33)  # that a converter may have


@record
class Electronics:
    """Predictions for the direct sound at the nearest and the farthest range on the line through the vehicle.

    `near_peak_v`, `far_peak_v` are at the converter. A gain from `least_gain_db` to `largest_gain_db` neither clips at
    the nearest range, echoes of the direct sound's strength included, nor lets quantisation add over 0.4 dB to the
    noise in the water; `clips_within_m` is how near that comes with the gain as it is set, 0 where it never clips.
    `enough_bits` is the least for which such a gain exists, 0 if none is. `antialias_order` is of a Butterworth
    low-pass, 3 dB down at the band's top, that stops by 20 dB what folds onto it. Of a multiplexed converter
    `skew_s` is the time from its first to its last channel, `skew_bearing_deg` by how much it turns the bearing if
    nobody corrects it, along the longest baseline; 0 where all channels are sampled at once.
    """

    near_range_m: float
    far_range_m: float
    near_peak_v: float
    far_peak_v: float
    full_scale_v: float
    gain_db: float
    least_gain_db: float
    largest_gain_db: float
    clips_within_m: float
    bits: int
    enough_bits: int
    antialias_order: int
    skew_s: float
    skew_phase_deg: float
    skew_bearing_deg: float


def electronics(scene: Scene, pinger: Pinger, range_m: Floats) -> Electronics:
    """Volts, gains, bits and filter for the ranges [m], in rising order."""
    recorder = scene.recorder
    sensitivity = np.array([h.sensitivity_db_re_v_per_upa for h in scene.array.hydrophones])
    level_db = link_budget(scene, pinger, range_m).received_level_db
    volts = peak_volts(level_db, sensitivity.max(), recorder.gain_db)
    loudest = largest_gain_db(recorder.full_scale_v, level_db[0], sensitivity.max(), _ECHO_HEADROOM_DB)
    noise_db = float(scene.noise.density_db(pinger.frequency_hz))
    quietest = least_gain_db(
        recorder.full_scale_v, list(_BITS), recorder.sample_rate_hz, noise_db, sensitivity.min(), _STEPS_UNDER_NOISE_DB
    )
    enough = np.flatnonzero(quietest <= loudest)
    skew_s = 0.0
    if recorder.multiplexed:
        skew_s = (len(sensitivity) - 1) / len(sensitivity) / recorder.sample_rate_hz
    along = skew_s * scene.sound_speed_m_s / float(scene.array.baselines_m.max())
    # A recorder too slow for the pinger is told of elsewhere.
    top_hz, rate_hz = pinger.band_hz[1], max(recorder.sample_rate_hz, pinger.least_sample_rate_hz)
    return Electronics(
        near_range_m=float(range_m[0]),
        far_range_m=float(range_m[-1]),
        near_peak_v=float(volts[0]),
        far_peak_v=float(volts[-1]),
        full_scale_v=recorder.full_scale_v,
        gain_db=recorder.gain_db,
        least_gain_db=float(quietest[_BITS.index(recorder.bits)]),
        largest_gain_db=float(loudest),
        clips_within_m=_clips_within_m(scene, pinger, float(sensitivity.max()), float(range_m[0])),
        bits=recorder.bits,
        enough_bits=int(_BITS[enough[0]]) if enough.size else 0,
        antialias_order=butterworth_order(top_hz, rate_hz - top_hz, _FOLDED_DB),
        skew_s=skew_s,
        skew_phase_deg=360.0 * pinger.frequency_hz * skew_s,
        skew_bearing_deg=float(np.rad2deg(np.arcsin(min(along, 1.0)))),
    )


def _clips_within_m(scene: Scene, pinger: Pinger, sensitivity_db: float, nearest_m: float) -> float:
    """Farthest range [m] at which the gain as it is set clips, echoes included; 0 if not even at the nearest."""
    ranges = np.geomspace(nearest_m, 1e4, 2000)
    level_db = link_budget(scene, pinger, ranges).received_level_db
    gain_db = scene.recorder.gain_db + _ECHO_HEADROOM_DB
    over = peak_volts(level_db, sensitivity_db, gain_db) > scene.recorder.full_scale_v
    return float(ranges[over][-1]) if over.any() else 0.0
