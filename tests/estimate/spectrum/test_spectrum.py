"""Noise, tones and bursts of recordings made here, by numpy alone, whose values are known."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.base.errors import ParameterError
from acoustics.estimate.spectrum import band_densities, find_bursts, measure_bursts, noise_spectrum, steady_tones

RATE, DENSITY = 200e3, 1e-10  # samples a second; unit^2/Hz, one-sided
FREQUENCY, LENGTH, Q, INTERVAL = 32_345.6, 3.2e-3, 9.0, 0.71


def noise(rng, seconds, channels=2):
    """White: variance is density times half of the rate."""
    return rng.normal(scale=np.sqrt(DENSITY * RATE / 2), size=(channels, int(seconds * RATE)))


def add_burst(samples, start, *, amplitude, frequency=FREQUENCY, length=LENGTH, q=Q):
    """A resonator driven for `length`, by its differential equation's solution."""
    t = np.arange(samples.shape[-1]) / RATE - start
    near = (t > 0) & (t < length + 3e-3)
    rate = np.pi * frequency / q
    u = t[near]
    rise = 1 - np.exp(-rate * np.minimum(u, length))
    samples[:, near] += amplitude * rise * np.exp(-rate * np.maximum(u - length, 0)) * np.cos(2 * np.pi * frequency * u)


def pinged(seed=4, *, over_noise_db=40.0, echoes=(), seconds=4.0):
    """Bursts so much over the noise in 1 kHz; echoes as (delay, gain), later from ping to ping as on a drift."""
    rng = np.random.default_rng(seed)
    samples = noise(rng, seconds)
    amplitude = np.sqrt(2 * DENSITY * 1e3 * 10 ** (over_noise_db / 10))
    for start in np.arange(0.2, seconds - 0.1, INTERVAL):
        for delay, gain in ((0.0, 1.0), *echoes):
            add_burst(samples, start + delay * (1 + 0.1 * start), amplitude=gain * amplitude)
    return samples, amplitude


def test_the_density_of_white_noise_is_that_of_its_variance():
    centres, density = band_densities(noise_spectrum(noise(np.random.default_rng(1), 2.0), RATE))
    assert centres[0] == pytest.approx(1000.0)
    assert centres[-1] * 10**0.05 <= RATE / 2
    # The narrowest band, 231 Hz, holds some 35 bins of over 50 half-overlapping segments: 2 % rms, 3 sd.
    np.testing.assert_allclose(density / DENSITY, 1.0, atol=0.1)


def test_bursts_do_not_raise_the_noise():
    samples, _ = pinged(over_noise_db=60.0)
    _, density = band_densities(noise_spectrum(samples, RATE))
    # A fifth of the segments hold a burst: the median is then the noise's quantile of 0.62, 1.4 dB up at most.
    np.testing.assert_allclose(density / DENSITY, 1.0, atol=0.35)


def test_a_tone_is_named_by_frequency_and_level():
    rng = np.random.default_rng(2)
    samples = noise(rng, 3.0)
    t = np.arange(samples.shape[-1]) / RATE
    samples += 2e-3 * np.cos(2 * np.pi * 8123.4 * t) + 1e-3 * np.cos(2 * np.pi * 16_246.8 * t + 1.0)
    tones = steady_tones(noise_spectrum(samples, RATE))
    # Bins are 12.2 Hz wide; Grandke's interpolation leaves a fraction of a hertz.
    assert [tone.frequency_hz for tone in tones] == pytest.approx([8123.4, 16_246.8], abs=0.5)
    np.testing.assert_allclose([tone.mean_square.mean() for tone in tones], [2e-6, 0.5e-6], rtol=0.05)


def test_noise_alone_holds_no_tone_and_no_burst():
    samples = noise(np.random.default_rng(3), 4.0)
    assert steady_tones(noise_spectrum(samples, RATE)) == ()
    assert find_bursts(samples, RATE) == ()


def test_knocks_are_no_bursts():
    samples = noise(np.random.default_rng(3), 2.0)
    samples[:, :: int(0.3 * RATE)] += 1e3 * np.sqrt(DENSITY * RATE / 2)
    assert find_bursts(samples, RATE) == ()


@pytest.mark.parametrize("echoes", [(), ((0.9e-3, -0.6), (1.7e-3, 0.5), (6e-3, 0.5))], ids=["free", "echoes"])
def test_a_pinger_is_measured_without_being_told(echoes):
    samples, amplitude = pinged(echoes=echoes)
    (train,) = find_bursts(samples, RATE)
    burst = measure_bursts(samples, RATE, train)
    assert burst.n_pings == 6
    # Tolerances: some three times the largest errors of tests/benchmarks/spectrum.py at this level.
    assert burst.frequency_hz == pytest.approx(FREQUENCY, abs=5.0)
    assert burst.length_s == pytest.approx(LENGTH, abs=2e-5)
    assert burst.pri_s == pytest.approx(INTERVAL, abs=5e-5)
    assert burst.pri_sd_s < 1e-4
    assert burst.q == pytest.approx(Q, abs=3 * burst.q_sd) and burst.q_sd < 0.1 * Q and not burst.early_echo
    np.testing.assert_allclose(10 * np.log10(burst.direct_mean_square / (amplitude**2 / 2)), 0.0, atol=1.0)


def test_what_hides_in_noise_is_not_told():
    samples, _ = pinged(over_noise_db=20.0)
    weak = measure_bursts(samples, RATE, find_bursts(samples, RATE)[0])
    assert np.isnan(weak.q) and np.isnan(weak.direct_mean_square).all()
    assert weak.frequency_hz == pytest.approx(FREQUENCY, abs=30.0)


@pytest.mark.parametrize("delay_s, gain", [(0.15e-3, -0.9), (0.26e-3, -0.6), (0.08e-3, 0.6)])
def test_an_echo_that_reshapes_the_rise_is_remarked_where_a_q_is_told(delay_s, gain):
    """It comes equally late in each ping: as a build-up without one the first 0.3 ms would give another Q."""
    rng = np.random.default_rng(4)
    samples, amplitude = noise(rng, 3.0), np.sqrt(2 * DENSITY * 1e3 * 10**4)
    for start in np.arange(0.2, 2.9, INTERVAL):
        add_burst(samples, start, amplitude=amplitude)
        add_burst(samples, start + delay_s, amplitude=gain * amplitude)
    burst = measure_bursts(samples, RATE, find_bursts(samples, RATE)[0])
    assert np.isnan(burst.q) or burst.early_echo


def test_a_strong_echo_is_told_from_the_rise_over_little_noise():
    samples, _ = pinged(over_noise_db=60.0, echoes=((0.15e-3, -0.9),))
    burst = measure_bursts(samples, RATE, find_bursts(samples, RATE)[0])
    assert burst.early_echo and burst.q == pytest.approx(Q, abs=3 * burst.q_sd)


def test_each_channel_of_a_wide_array_begins_by_itself():
    samples, amplitude = pinged()
    late = np.stack([samples[0], np.roll(samples[1], int(0.5e-3 * RATE))])
    burst = measure_bursts(late, RATE, find_bursts(late, RATE)[0])
    assert burst.q == pytest.approx(Q, rel=0.3)
    np.testing.assert_allclose(10 * np.log10(burst.direct_mean_square / (amplitude**2 / 2)), 0.0, atol=1.0)


def test_two_pingers_are_two_trains_the_louder_first():
    samples, amplitude = pinged()
    for start in np.arange(0.5, 3.9, 1.3):
        add_burst(samples, start, amplitude=amplitude / 3, frequency=36_000.0)
    trains = find_bursts(samples, RATE)
    assert [round(train.frequency_hz / 1e3) for train in trains] == [32, 36]
    assert [len(train.time_s) for train in trains] == [6, 3]


def test_the_interval_spans_pings_that_are_missing():
    rng = np.random.default_rng(5)
    samples = noise(rng, 5.0)
    for k in (0, 1, 2, 4, 6):
        add_burst(samples, 0.2 + 0.7 * k, amplitude=1e-2)
    burst = measure_bursts(samples, RATE, find_bursts(samples, RATE)[0])
    assert burst.pri_s == pytest.approx(0.7, abs=1e-4)


def test_too_few_samples_are_refused():
    with pytest.raises(ParameterError, match="too few"):
        noise_spectrum(np.zeros((1, 100)), RATE)
    with pytest.raises(ParameterError, match="too few"):
        find_bursts(np.zeros((1, 100)), RATE)
