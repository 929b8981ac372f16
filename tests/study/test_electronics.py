"""What `check` says of gain, bits and multiplexing, against samples rendered with them."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.present.text.check import electronics_words, summary_text
from acoustics.propagate.render import draw_recording, render
from acoustics.scene.scenario import load_scene, shipped
from acoustics.study.check import summary

HARBOUR = load_scene(shipped("examples")["quay-nine"])


def with_recorder(**changes):
    return HARBOUR.model_copy(update={"recorder": HARBOUR.recorder.model_copy(update=changes)})


def at(scene):
    return summary(scene, scene.pingers[0])


def test_a_gain_within_the_two_limits_suits_all_ranges():
    e = at(HARBOUR).electronics
    fine = at(with_recorder(gain_db=(e.least_gain_db + e.largest_gain_db) / 2))
    assert fine.electronics.clips_within_m == 0.0
    assert "which suits all ranges" in " ".join(electronics_words(fine))
    loud = at(with_recorder(gain_db=e.largest_gain_db + 6.0))
    # 6 dB more is twice as far, absorption aside.
    assert loud.electronics.clips_within_m == pytest.approx(2 * e.near_range_m, rel=0.05)
    assert "which clips within" in summary_text(loud)
    assert "quantisation raises the noise" in summary_text(at(with_recorder(gain_db=e.least_gain_db - 3.0)))


def test_one_bit_less_than_enough_has_no_gain_for_all_ranges():
    enough = at(HARBOUR).electronics.enough_bits
    e = at(with_recorder(bits=enough)).electronics
    assert e.least_gain_db <= e.largest_gain_db
    short = at(with_recorder(bits=enough - 1))
    assert short.electronics.least_gain_db > short.electronics.largest_gain_db
    assert "None suits all ranges" in summary_text(short)


def test_the_volts_are_those_of_the_recording():
    # Without echoes and noise to speak of, at the vehicle's own range, the largest sample is the predicted peak.
    quiet = HARBOUR.noise.model_copy(update={"self_noise_density_db": 30.0})
    scene = with_recorder(gain_db=0.0, bits=24).model_copy(update={"noise": quiet})
    pinger = scene.pingers[0]
    own = float(np.linalg.norm(np.subtract(scene.vehicle.position_m, pinger.position_m)))
    e = at(scene).electronics
    peak = e.near_peak_v * e.near_range_m / own
    drawn = draw_recording(scene, seconds=3.0, seed=1, echoes=False)
    counts = np.concatenate(list(render(drawn)))
    largest = np.abs(counts).max() / 2**23 * scene.recorder.full_scale_v
    assert largest == pytest.approx(peak, rel=0.1)  # the absorption over the way


def test_multiplexed_channels_are_as_far_apart_as_the_recorder_takes_them():
    e = at(with_recorder(multiplexed=True)).electronics
    n, rate = len(HARBOUR.array.hydrophones), HARBOUR.recorder.sample_rate_hz
    assert e.skew_s == pytest.approx((n - 1) / n / rate)
    assert e.skew_phase_deg == pytest.approx(360 * HARBOUR.pingers[0].frequency_hz * e.skew_s)
    assert "Multiplexed" in summary_text(at(with_recorder(multiplexed=True)))
    assert at(HARBOUR).electronics.skew_bearing_deg == 0.0
