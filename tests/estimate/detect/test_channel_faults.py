"""Faults of channels: each one made, and found."""

from __future__ import annotations

import numpy as np
import pytest

from acoustics.estimate.detect.channel_faults import (
    clipped_channels,
    failed_channels,
    flat_topped_channels,
    noisy_channels,
    off_centre_channels,
    what_is_left,
)

CUBE = np.array([[x, y, z] for x in (0, 0.024) for y in (0, 0.024) for z in (0, 0.024)])
SQUARE = CUBE[[0, 2, 6, 4]]
FREQUENCY = 30e3


def test_dead_and_noisy_channels_stand_out():
    density = np.array([1.0, 2.0, 0.5, 1e-4, 0.0, 300.0])
    np.testing.assert_array_equal(failed_channels(density), [0, 0, 0, 1, 1, 0])
    np.testing.assert_array_equal(noisy_channels(density), [0, 0, 0, 0, 0, 1])
    assert failed_channels(np.zeros(3)).all() and not noisy_channels(np.zeros(3)).any()


def test_the_limits_are_twenty_decibels_up_and_thirty_down():
    up, down = 10 ** (np.array([18.0, 22.0]) / 10), 10 ** (np.array([-28.0, -32.0]) / 10)
    np.testing.assert_array_equal(noisy_channels(np.array([1.0, 1.0, 1.0, *up])), [0, 0, 0, 0, 1])
    np.testing.assert_array_equal(failed_channels(np.array([1.0, 1.0, 1.0, *down])), [0, 0, 0, 0, 1])


def test_a_flat_top_is_three_equal_samples_and_seen_twice():
    """Unless it stands at the end of a known range, where once is enough."""
    tops = {
        "two, often": [5, 5, 0] * 4,
        "three, once": [5, 5, 5, 0] + [0] * 8,
        "three, twice": [5, 5, 5, 0] * 2 + [0] * 4,
    }
    volts = np.array([[-9.0, 0.0, *top, 0.0] for top in tops.values()])
    np.testing.assert_array_equal(clipped_channels(volts, None), [False, False, True])
    np.testing.assert_array_equal(clipped_channels(volts, 5.0), [False, True, True])


def test_clipping_is_seen_with_and_without_a_known_range():
    rng = np.random.default_rng(1)
    wave = 1.5 * np.sin(2 * np.pi * 0.02 * np.arange(1000)) * np.ones((3, 1))
    wave += 0.01 * rng.standard_normal(wave.shape)
    volts = np.stack([np.clip(wave[0], -1, 1), 0.5 * wave[1], np.clip(wave[2], -2, 0.7)])
    np.testing.assert_array_equal(clipped_channels(volts, 1.0), [True, False, True])
    np.testing.assert_array_equal(clipped_channels(volts, None), [True, False, True])
    # A 16-bit converter's quiet noise, of a count or two: its largest values come in short runs, and are no clipping.
    quiet = np.rint(0.8 * rng.standard_normal((200, 2000)))
    assert clipped_channels(quiet, 32768.0).mean() < 0.02


def test_an_offset_of_a_tenth_of_the_range_is_seen():
    volts = np.random.default_rng(1).standard_normal((2, 1000)) * 0.01 + np.array([[0.12], [0.08]])
    np.testing.assert_array_equal(off_centre_channels(volts, 1.0), [True, False])
    assert not off_centre_channels(volts, None).any()


def test_what_is_left_is_said_in_words():
    assert what_is_left(SQUARE) == "the other 4 stand in a plane, which has a mirror image on its other side"
    assert what_is_left(CUBE).startswith("the other 8 stand in a volume")
    assert what_is_left(SQUARE[:2]).startswith("the other 2 stand in a line")
    assert what_is_left(SQUARE[:1]).startswith("the other 1 stand at one place")


@pytest.mark.parametrize("rate", [96e3, 192e3, 250e3, 500e3])
def test_a_wave_cut_off_before_the_converter_is_seen_by_its_third_harmonic(rate):
    rng = np.random.default_rng(1)
    t = np.arange(int(0.01 * rate)) / rate
    wave = np.where(t > 4e-3, np.sin(2 * np.pi * FREQUENCY * t + rng.uniform(0, 6, (50, 1))), 0.0)
    noise = 0.02 * rng.standard_normal(wave.shape)  # which leaves no two samples alike
    assert flat_topped_channels(np.clip(wave, -0.5, 0.5) + noise, rate, FREQUENCY).mean() > 0.9
    assert not flat_topped_channels(wave + noise, rate, FREQUENCY).any()
    assert not flat_topped_channels(noise, rate, FREQUENCY).any()
    # Four samples a cycle fold the harmonic onto the carrier: nothing is claimed.
    assert not flat_topped_channels(np.clip(wave, -0.5, 0.5) + noise, 4 * FREQUENCY, FREQUENCY).any()
