"""The variance that counts in the choice of a cycle, against a choice by likelihood that is simulated sample by sample."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import ndtr

from acoustics.base.errors import ParameterError
from acoustics.physics.build_up import _overlap, _slope, _slopes, cycle_choice_variance
from acoustics.physics.burst import burst_envelope, burst_moments
from acoustics.physics.timing_bounds import arrival_time_variance

BURST = {"frequency_hz": 30e3, "length_s": 4e-3, "q": 8.0}
HALF_S = 0.5 / 30e3


def share_mistaken(ratio, window_s, n_channels, trials, *, frequency_hz=30e3, length_s=4e-3, q=8.0):
    """Half of the channels half a cycle early, half of them late, or all on time: which is likelier, arrival and
    amplitude free? By search over both for each of the two, on samples of the envelope with white noise."""
    rng = np.random.default_rng(4)
    half, step = 0.5 / frequency_hz, 0.5e-6
    t = np.arange(-2.2 * half, window_s, step) + step / 2
    arrival = np.arange(-1.2 * half, 1.2 * half, half / 20)

    def burst(begin):
        return burst_envelope(t - begin, frequency_hz=frequency_hz, length_s=length_s, q=q)

    amplitude = np.sqrt(ratio / np.sum(burst(0.0) ** 2))
    best = []
    x = amplitude * burst(0.0) + rng.normal(size=(trials, n_channels, len(t)))
    for early in (0.0, half):
        found, size = 0.0, 0.0
        for channels, move in ((slice(0, n_channels // 2), -early), (slice(n_channels // 2, None), early)):
            templates = np.array([burst(c + move) for c in arrival])
            found = found + x[:, channels].sum(axis=1) @ templates.T
            size = size + n_channels // 2 * np.sum(templates**2, axis=-1)
        best.append((np.maximum(found, 0.0) ** 2 / size).max(axis=-1))
    return np.mean(best[1] > best[0])


@pytest.mark.parametrize(
    ("energy_ratio_db", "window_s", "n_channels", "burst"),
    [(24, 5e-4, 4, BURST), (27, 5e-4, 2, BURST), (16, 85e-6, 4, BURST), (21, 3e-4, 4, BURST | {"q": 4.0})],
)
@pytest.mark.slow
@pytest.mark.thorough
def test_mistakes_are_those_of_a_choice_by_likelihood(energy_ratio_db, window_s, n_channels, burst):
    ratio = 10 ** (energy_ratio_db / 10)
    variance = cycle_choice_variance(ratio, window_s, **burst, n_channels=n_channels)
    # Normal onsets, half of them moved by half a cycle up and half of them down: Q(distance / 2), textbook.
    predicted = ndtr(-np.sqrt(n_channels / variance) * HALF_S / 2)
    share = share_mistaken(ratio, window_s, n_channels, 8000, **burst)
    # 95 % of 8,000 trials: 6 % of a share of 0.1; 5 % of it for the average over the arrival.
    assert predicted == pytest.approx(share, abs=1.96 * np.sqrt(share * (1 - share) / 8000) + 0.05 * share)


@pytest.mark.parametrize(("x", "y"), [(0.0, 0.0), (-1e-5, 2e-5), (3e-5, 1e-6)])
def test_inner_products_of_shifted_build_ups(x, y):
    # scipy.integrate.quad of the envelope and its derivative knows nothing of the closed forms.
    rate, window = np.pi * 30e3 / 8.0, 1.2e-4

    def envelope(t):
        return float(burst_envelope(t, **BURST))

    def slope(t):
        return -rate * np.exp(-rate * t) if t > 0 else 0.0

    both = quad(lambda t: envelope(t - x) * envelope(t - y), -1e-4, window, points=[x, y])[0]
    mixed = quad(lambda t: slope(t - x) * envelope(t - y), -1e-4, window, points=[x, y])[0]
    square = quad(lambda t: slope(t - x) ** 2, -1e-4, window, points=[x])[0]
    at = np.array(x), np.array(y), np.array(window), rate
    assert _overlap(*at) == pytest.approx(both, rel=1e-7)
    assert _slope(*at) == pytest.approx(mixed, rel=1e-7)
    assert _slopes(np.array(x), np.array(window), rate) == pytest.approx(square, rel=1e-7)


@pytest.mark.parametrize("sweep_hz", [0.0, 4e3])
def test_never_under_the_bound_and_falling_with_the_signal(sweep_hz):
    ratio, window = 10 ** np.linspace(0, 8, 40)[:, None], np.array([4e-5, 8.5e-5, 5e-4, 4e-3, np.inf])
    variance = cycle_choice_variance(ratio, window, **BURST, sweep_hz=sweep_hz, n_channels=4)
    moments = burst_moments(window, **BURST, sweep_hz=sweep_hz)
    bound = arrival_time_variance(ratio, moments.mean_square_angular_bandwidth)
    assert variance.shape == (40, 5)
    assert (np.diff(variance, axis=0) < 0).all()
    assert (variance > bound).all()
    # A corner leaves its mark at any signal: half a cycle is no small part of the build-up.
    assert variance[-1, 2] / bound[-1, 2] == pytest.approx(1.07, abs=0.05 if not sweep_hz else 0.07)


def test_nothing_to_choose_by():
    variance = cycle_choice_variance([0.0, 100.0, 100.0], [1e-3, 0.0, HALF_S], **BURST, n_channels=4)
    assert np.isinf(variance).all()
    with pytest.raises(ParameterError, match="energy_ratio_2e_n0=-1 must be"):
        cycle_choice_variance(-1.0, 1e-3, **BURST, n_channels=4)
