"""Rendered pings: exact at any delay, additive over paths, and moved by exactly what their start is moved."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from acoustics.propagate.render.bursts import SampleTimes, ping_pressure
from acoustics.scene.pinger import Pinger

RATE = 250e3
frequency = st.floats(10e3, 60e3)
length = st.floats(1e-4, 5e-3)
quality = st.floats(0.5, 60.0)
start = st.floats(0.0, 100.0)
seed = st.integers(0, 2**16)


def paths_of(seed, n_channels=2, n_paths=5):
    rng = np.random.default_rng(seed)
    delay = np.sort(rng.uniform(1e-3, 8e-3, (n_channels, n_paths)), axis=1)
    amplitude = rng.normal(size=(n_channels, n_paths)) + 1j * rng.normal(size=(n_channels, n_paths))
    return (
        delay,
        amplitude,
        np.ones(delay.shape, dtype=bool),
        SampleTimes(1 / RATE, rng.uniform(-3e-6, 3e-6, n_channels)),
    )


def pinger_of(frequency_hz=30e3, length_s=4e-3, q=8.0):
    place = (0.0, 0.0, 1.0)
    return Pinger(position_m=place, frequency_hz=frequency_hz, length_s=length_s, q=q, source_level_db=117.0)


def placed(rendered, first, n):
    """A rendered ping among n samples from `first` on."""
    begin, pressure = rendered
    out = np.zeros((n, pressure.shape[1]), dtype=complex)
    out[begin - first : begin - first + len(pressure)] = pressure
    return out


@given(frequency, length, quality, start, seed)
def test_every_sample_is_the_burst_at_its_own_time(frequency_hz, length_s, q, start_s, seed):
    delay, amplitude, valid, times = paths_of(seed)
    first, pressure = ping_pressure(pinger_of(frequency_hz, length_s, q), start_s, delay, amplitude, valid, times)
    t = (first + np.arange(len(pressure)))[:, None, None] / RATE + times.offset_s[:, None] - start_s - delay
    # The keyed resonance from its definition: exponential build-up while driven, the same time constant after.
    rate, since = np.pi * frequency_hz / q, np.maximum(t, 0.0)
    envelope = (1 - np.exp(-rate * np.minimum(since, length_s))) * np.exp(-rate * np.maximum(since - length_s, 0.0))
    expected = np.sum(amplitude * envelope * np.exp(2j * np.pi * frequency_hz * since) * (t > 0), axis=-1)
    peak_pa = np.sqrt(2.0) * 1e-6 * 10 ** (117.0 / 20)
    # Times of 100 s are rounded to 1e-14 s, 1e-8 rad at 60 kHz; the decay is cut at 2e-9 of the plateau.
    scale = np.abs(amplitude).sum()
    np.testing.assert_allclose(pressure / peak_pa, expected, rtol=0, atol=5e-8 * scale)


@given(start, seed, st.integers(1, 4))
def test_paths_add_up_in_any_parts_and_order(start_s, seed, cut):
    delay, amplitude, valid, times = paths_of(seed)
    pinger = pinger_of()
    whole = ping_pressure(pinger, start_s, delay, amplitude, valid, times)
    parts = [(delay[:, part], amplitude[:, part], valid[:, part]) for part in (slice(None, cut), slice(cut, None))]
    rendered = [ping_pressure(pinger, start_s, *part, times) for part in parts]
    first = min(begin for begin, _ in rendered) - 1
    n = max(begin + len(pressure) for begin, pressure in (*rendered, whole)) - first + 1
    joined = sum(placed(ping, first, n) for ping in rendered)
    # Each part ends 20 of its own time constants after its last path: 2e-9 of the plateau.
    np.testing.assert_allclose(joined, placed(whole, first, n), rtol=0, atol=1e-7 * np.abs(joined).max())
    turned = ping_pressure(pinger, start_s, delay[:, ::-1], amplitude[:, ::-1], valid, times)
    np.testing.assert_allclose(
        placed(turned, first, n), placed(whole, first, n), rtol=0, atol=1e-10 * np.abs(joined).max()
    )


@given(st.floats(0.0, 1.0), seed, st.integers(1, 100_000))
def test_a_start_later_by_whole_samples_moves_the_samples(start_s, seed, samples):
    delay, amplitude, valid, times = paths_of(seed)
    here = ping_pressure(pinger_of(), start_s, delay, amplitude, valid, times)
    there = ping_pressure(pinger_of(), start_s + samples / RATE, delay, amplitude, valid, times)
    first, n = min(here[0], there[0] - samples), max(len(here[1]), len(there[1])) + 2
    # A path whose arrival falls on a sample may begin there or one later, where the burst is still zero.
    moved = placed((there[0] - samples, there[1]), first, n)
    np.testing.assert_allclose(moved, placed(here, first, n), rtol=0, atol=1e-7 * np.abs(here[1]).max())


@given(start, seed, st.floats(0.01, 100.0))
def test_pressure_is_proportional_to_the_amplitudes_and_blind_to_paths_that_do_not_exist(start_s, seed, factor):
    delay, amplitude, valid, times = paths_of(seed)
    valid[:, 3] = False
    first, pressure = ping_pressure(pinger_of(), start_s, delay, amplitude, valid, times)
    louder = ping_pressure(pinger_of(), start_s, delay, factor * amplitude, valid, times)[1]
    np.testing.assert_allclose(louder, factor * pressure, rtol=0, atol=1e-9 * factor * np.abs(pressure).max())
    without = ping_pressure(pinger_of(), start_s, *(np.delete(a, 3, axis=1) for a in (delay, amplitude, valid)), times)
    n = max(len(pressure), len(without[1])) + 2
    both = (placed(ping, first, n) for ping in (without, (first, pressure)))
    np.testing.assert_allclose(*both, rtol=0, atol=1e-10 * np.abs(pressure).max())
