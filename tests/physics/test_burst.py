"""The burst against its circuit's differential equation, its moments against quadrature and fine sampling."""

import numpy as np
import pytest
from scipy.integrate import cumulative_trapezoid, quad, solve_ivp, trapezoid

from acoustics.base.errors import ParameterError
from acoustics.physics.burst import Burst, burst_envelope, burst_moments, burst_phase
from acoustics.physics.timing_bounds import arrival_time_variance

BURST = {"frequency_hz": 30e3, "length_s": 0.5e-3, "q": 8.0}
WINDOWS_S = [20e-6, 75e-6, 240e-6, 0.5e-3, 0.55e-3, 2e-3]
SWEEPS_HZ = [0.0, 5e3, -8e3]


def test_envelope_solves_the_resonator():
    # A resonant circuit's envelope: a' = (drive - a) pi f / q (averaged equation; textbook), by
    # scipy.solve_ivp.
    rate = np.pi * BURST["frequency_hz"] / BURST["q"]
    t = np.linspace(0.0, 1.5e-3, 301)
    solution = solve_ivp(
        lambda t, a: rate * ((t < BURST["length_s"]) - a),
        (0.0, t[-1]),
        [0.0],
        t_eval=t,
        max_step=2e-6,
        rtol=1e-9,
        atol=1e-12,
    )
    np.testing.assert_allclose(burst_envelope(t, **BURST), solution.y[0], atol=1e-4)
    assert (burst_envelope([-1e-3, 0.0], **BURST) == 0.0).all()


@pytest.mark.parametrize("sweep", SWEEPS_HZ)
def test_phase_is_the_integral_of_the_frequency(sweep):
    t = np.linspace(0.0, 1e-3, 100001)
    frequency = 30e3 + sweep * (np.minimum(t / BURST["length_s"], 1.0) - 0.5)
    expected = 2 * np.pi * cumulative_trapezoid(frequency, t, initial=0.0)
    phase = burst_phase(t, frequency_hz=30e3, length_s=BURST["length_s"], sweep_hz=sweep)
    np.testing.assert_allclose(phase, expected, atol=1e-6)


@pytest.mark.parametrize("sweep", SWEEPS_HZ)
@pytest.mark.parametrize("window", WINDOWS_S)
def test_moments_equal_those_of_a_finely_sampled_burst(window, sweep):
    # Brute force: the pressure itself at two carrier phases a quarter cycle apart, differentiated
    # numerically.
    t = np.linspace(0.0, window, 400001)
    envelope = burst_envelope(t, **BURST)
    phase = burst_phase(t, frequency_hz=30e3, length_s=BURST["length_s"], sweep_hz=sweep)
    bursts = [np.sqrt(2) * envelope * np.cos(phase + turn) for turn in (0.0, np.pi / 2)]
    energy = np.mean([trapezoid(s**2, t) for s in bursts])
    slope = np.mean([trapezoid(np.gradient(s, t) ** 2, t) for s in bursts])

    baseband = envelope * np.exp(1j * (phase - 2 * np.pi * 30e3 * t))
    derivative = np.gradient(baseband, t)
    mean = trapezoid(np.imag(np.conj(baseband) * derivative), t) / energy
    spread = trapezoid(np.abs(derivative) ** 2, t) / energy - mean**2

    moments = burst_moments(window, **BURST, sweep_hz=sweep)
    assert moments.energy_s == pytest.approx(energy, rel=1e-5, abs=0)
    assert moments.mean_square_angular_frequency == pytest.approx(slope / energy, rel=1e-5, abs=0)
    assert moments.mean_square_angular_bandwidth == pytest.approx(spread, rel=2e-4)


@pytest.mark.parametrize("window", [1e-9, 5e-8, 8.4e-8, 8.6e-8, 1e-6, 1e-4])
def test_energy_of_short_windows_keeps_its_digits(window):
    # Around 1e-3 time constants a series replaces the closed form; scipy.integrate.quad knows neither.
    expected, _ = quad(lambda t: burst_envelope(t, **BURST) ** 2, 0.0, window, epsabs=0.0, epsrel=1e-12)
    assert burst_moments(window, **BURST).energy_s == pytest.approx(expected, rel=1e-8, abs=0)


@pytest.mark.parametrize("sweep", SWEEPS_HZ)
def test_whole_burst(sweep):
    whole = burst_moments(np.inf, **BURST, sweep_hz=sweep)
    late = burst_moments(5e-3, **BURST, sweep_hz=sweep)
    assert whole.energy_s == pytest.approx(late.energy_s, rel=1e-12, abs=0)
    assert whole.mean_square_angular_frequency == pytest.approx(late.mean_square_angular_frequency, rel=1e-12)
    # Parseval, by numpy's FFT: energy and mean square frequency of the spectrum, leakage of the ends aside.
    t = np.arange(2**17) * 5e-8
    phase = burst_phase(t, frequency_hz=30e3, length_s=BURST["length_s"], sweep_hz=sweep)
    spectrum = np.abs(np.fft.fft(burst_envelope(t, **BURST) * np.exp(1j * phase))) ** 2
    omega = 2 * np.pi * np.fft.fftfreq(t.size, 5e-8)
    assert whole.energy_s == pytest.approx(spectrum.sum() / t.size * 5e-8, rel=1e-4, abs=0)
    mean_square = np.sum(omega**2 * spectrum) / spectrum.sum()
    assert whole.mean_square_angular_frequency == pytest.approx(mean_square, rel=1e-3)


def test_information_only_grows_with_the_window():
    windows = np.linspace(0.0, 1.2e-3, 2000)
    moments = burst_moments(windows, **BURST, sweep_hz=6e3)
    assert (np.diff(moments.energy_s) > 0).all()
    assert (np.diff(moments.energy_s * moments.mean_square_angular_frequency) > 0).all()
    assert (np.diff(moments.energy_s * moments.mean_square_angular_bandwidth) > 0).all()


def test_window_of_no_length_holds_nothing():
    moments = burst_moments([0.0, 1e-4], **BURST)
    assert moments.energy_s[0] == 0.0
    assert moments.mean_square_angular_bandwidth[0] == 0.0
    variance = arrival_time_variance(moments.energy_s / 1e-12, moments.mean_square_angular_frequency)
    assert variance[0] == np.inf and np.isfinite(variance[1])


def test_long_burst_reaches_the_narrow_pulse():
    # E / N0 of 20 dB at 30 kHz: 1 / (2 pi f sqrt(2 E / N0)) = 3.751318e-07 s (Van Trees 1968, Part I, ch. 4).
    moments = burst_moments(np.inf, frequency_hz=30e3, length_s=1.0, q=8.0)
    assert moments.energy_s == pytest.approx(1.0, rel=1e-3)
    sd = np.sqrt(arrival_time_variance(200.0, moments.mean_square_angular_frequency))
    assert sd == pytest.approx(3.751318e-07, rel=1e-6, abs=0)


def test_a_linear_sweep_spreads_by_its_width_over_root_12():
    # Uniform spectrum: variance W^2 / 12 (textbook), for a build-up that is short against the burst.
    moments = burst_moments(np.inf, frequency_hz=30e3, length_s=0.1, q=2.0, sweep_hz=10e3)
    expected = (2 * np.pi * 10e3) ** 2 / 12
    assert moments.mean_square_angular_bandwidth == pytest.approx(expected, rel=0.01)


def test_shape_is_that_of_the_window():
    for shape in ((), (4,), (3, 2, 5)):
        moments = burst_moments(np.full(shape, 1e-4), **BURST, sweep_hz=1e3)
        assert moments.energy_s.shape == moments.mean_square_angular_frequency.shape == shape
        assert moments.mean_square_angular_bandwidth.shape == shape


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"window_s": -1e-6}, "window_s=-1e-06 must be at least 0"),
        ({"window_s": np.nan}, "window_s=nan must be"),
        ({"frequency_hz": 0.0}, "frequency_hz=0 must be finite and above 0"),
        ({"length_s": 0.0}, "length_s=0 must be finite and above 0"),
        ({"q": 0.0}, "q=0 must be finite and above 0"),
        ({"sweep_hz": 70e3}, "sweep_hz=70000 must be finite and at least -60000 and at most 60000"),
    ],
)
def test_refuses(arguments, message):
    given = {"window_s": 1e-3} | BURST | arguments
    with pytest.raises(ParameterError, match=message):
        burst_moments(given.pop("window_s"), **given)


@pytest.mark.parametrize("sweep", SWEEPS_HZ)
@pytest.mark.parametrize("q", [0.5, 8.0])
def test_later_envelopes_are_those_of_a_burst_begun_later(sweep, q):
    burst = Burst(frequency_hz=30e3, length_s=4e-3, q=q, sweep_hz=sweep)
    since, later = np.linspace(-1e-3, 3.9e-3, 2001) + np.array([[0.0], [3e-5]]), np.array([0.0, 2e-4, 3.1e-3])
    for times in (since, since + 2e-3):  # all of it driven, and with the decay
        expected = [burst.complex_envelope(times - delay) for delay in later]
        np.testing.assert_allclose(burst.later_envelopes(times, later), np.stack(expected, axis=-2), atol=1e-13)
