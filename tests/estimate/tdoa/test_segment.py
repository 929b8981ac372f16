"""The burst's envelope, the aligned about a ping, and the renderer behind the tests, against independent evaluation."""

import numpy as np
import pytest
from scipy.signal import chirp, lsim

from acoustics.base.errors import ParameterError
from acoustics.estimate.tdoa.segment import Segment, align_segments
from acoustics.physics.burst import Burst
from acoustics.propagate.render.bursts import SampleTimes, ping_pressure
from acoustics.scene.pinger import Pinger


def test_derivative_of_the_envelope_against_differences():
    burst = Burst(30e3, 1e-3, 8.0, 5e3)
    t = np.linspace(1e-5, 1.5e-3, 400)
    t = t[np.abs(t - 1e-3) > 1e-5]
    _, slope = burst.complex_envelope_and_slope(t)
    step = 1e-9
    numerical = (burst.complex_envelope(t + step) - burst.complex_envelope(t - step)) / (2 * step)
    np.testing.assert_allclose(slope, numerical, rtol=1e-4, atol=1e-1)


def test_sweep_against_scipy_chirp():
    burst = Burst(30e3, 1e-3, 8.0, 5e3)
    t = np.linspace(0.0, 1e-3, 2001)
    wave = (burst.complex_envelope(t) * np.exp(1j * burst.carrier * t)).real
    driven = chirp(t, 27.5e3, 1e-3, 32.5e3) * -np.expm1(-np.pi * 30e3 / 8.0 * t)
    np.testing.assert_allclose(wave, driven, atol=1e-9)


def test_build_up_is_that_of_a_first_order_system():
    """scipy.signal.lsim of the transducer's low-pass equivalent, time constant q / (pi f), driven for the length."""
    t = np.linspace(0.0, 2e-3, 20001)
    tau = 8.0 / (np.pi * 30e3)
    _, response, _ = lsim(([1.0], [tau, 1.0]), (t < 1e-3 - 1e-9).astype(float), t, interp=False)
    envelope = Burst(30e3, 1e-3, 8.0).complex_envelope(t)
    np.testing.assert_allclose(envelope.real, response, atol=2e-3)


def test_rendered_direct_path_against_direct_evaluation():
    """Delay and amplitude of the direct sound: level over range, and the burst at the exact times."""
    pinger = Pinger(position_m=(0.0, 0.0, 0.0), frequency_hz=30e3, source_level_db=170.0, q=8.0, length_s=1e-3)
    delay, spread = 7.123456789e-3, 1.0 / 10.5
    rate = 192e3
    first, analytic = ping_pressure(
        pinger, 2.0e-4, np.array([[delay]]), np.array([[spread + 0j]]), np.array([[True]]),
        SampleTimes(1 / rate, np.zeros(1)),
    )  # fmt: skip
    t = (first + np.arange(len(analytic))) / rate - 2.0e-4 - delay
    peak = np.sqrt(2.0) * 10 ** (170.0 / 20) * 1e-6 * spread  # dB re 1 uPa at 1 m, rms
    rate_up = np.pi * 30e3 / 8.0
    build_up = np.where(t > 0, -np.expm1(-rate_up * np.clip(t, 0, 1e-3)), 0.0) * np.exp(
        -rate_up * np.maximum(t - 1e-3, 0)
    )
    expected = peak * build_up * np.cos(2 * np.pi * 30e3 * t)
    np.testing.assert_allclose(analytic[:, 0].real, expected, atol=1e-9 * peak)


def test_cut_counts_time_from_the_guess():
    rate, offset = 100e3, np.array([0.0, 2.5e-6])
    x = np.arange(2 * 200.0).reshape(1, 2, 200)
    aligned = align_segments(
        x, rate, offset, noise_density=np.full((1, 2), 2.0 / rate), onset_s=np.array([1e-3]),
        from_s=np.array([[-1e-4, 2e-4]]), length_s=1e-3,
    )  # fmt: skip
    np.testing.assert_allclose(aligned.samples[0, 0, :3], [90, 91, 92])
    np.testing.assert_allclose(aligned.time_s[0, 0, 0], -1e-4, atol=1e-15)
    np.testing.assert_allclose(aligned.samples[0, 1, 0], 320)
    np.testing.assert_allclose(aligned.time_s[0, 1, 0], 2e-4 + 2.5e-6, atol=1e-15)
    assert aligned.held[0, 0].all() and not aligned.held[0, 1, -1]
    assert aligned.samples[0, 1, -1] == 0.0


@pytest.mark.parametrize(
    ("make", "text"),
    [
        (lambda: Segment(np.ones((1, 50)), 1e5), "at least 2 channels"),
        (lambda: Segment(np.ones((2, 50)), 0.0), "sample_rate_hz=0"),
        (lambda: Segment(np.ones((2, 50)), 1e5, np.zeros(3)), "sampling_offset_s has shape"),
        (lambda: Segment(np.ones((2, 50)), 1e5, start_s=np.zeros(3)), "start_s has shape"),
        (lambda: Burst(30e3, 0.0), "length_s=0"),
        (lambda: Burst(30e3, 1e-3, -1.0), "q=-1"),
        (lambda: Burst(30e3, 1e-3, 8.0, 40e3), "sweep_hz=40000"),
    ],
)
def test_refusals(make, text):
    with pytest.raises(ParameterError, match=text):
        make()
