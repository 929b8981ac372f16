"""Correlation's delays against a brute-force search of the oversampled correlation."""

import numpy as np
import pytest
from scipy.signal import correlate, firwin, resample

from acoustics.estimate.tdoa.correlation import correlation_delays
from acoustics.estimate.tdoa.segment import align_segments
from acoustics.physics.burst import Burst

RATE, UP = 192e3, 256
TRUE = np.array([0.0, 7.3e-6, -4.1e-6])


def pings(noise, seed=0):
    """A whole burst of 0.6 ms in a segment long enough for all of its decay."""
    burst = Burst(30e3, 6e-4, 4.0)
    rng = np.random.default_rng(seed)
    t = np.arange(384) / RATE
    since = t - 4.3e-4 - TRUE[:, None]
    wave = (burst.complex_envelope(since) * np.exp(1j * burst.carrier * since)).real
    x = wave + noise * rng.normal(size=wave.shape)
    density = np.full((1, 3), 2.0 * max(noise, 1e-3) ** 2 / RATE)
    aligned = align_segments(
        x[None], RATE, np.zeros(3), noise_density=density, onset_s=np.array([4.3e-4]),
        from_s=np.full((1, 3), -4.3e-4), length_s=2e-3,
    )  # fmt: skip
    return burst, x, aligned


@pytest.mark.parametrize("noise", [0.0, 0.05])
def test_against_oversampled_search(noise):
    """scipy.signal.resample by 256 and scipy.signal.correlate, the highest sample taken; same band."""
    burst, x, aligned = pings(noise)
    window = 1.4e-3
    delay, _ = correlation_delays(
        aligned, burst, TRUE[None], window_s=np.array([window]), travel_s=np.full(3, 12e-6), whiten=False
    )
    # The gate as stated: from a cycle before the burst on; its end lies in the quiet after the decay.
    gated = np.where(np.arange(384) / RATE - 4.3e-4 - TRUE[:, None] >= -1 / 30e3, x, 0.0)
    half = burst.frequency_hz / burst.q
    spectrum, frequency = np.fft.rfft(gated, 2048, axis=-1), np.fft.rfftfreq(2048, 1 / RATE)
    spectrum *= np.abs(frequency - 30e3) <= half
    fine = resample(np.fft.irfft(spectrum, 2048, axis=-1), 2048 * UP, axis=-1)
    for i in (1, 2):
        full = correlate(fine[i], fine[0], method="fft")
        middle, reach = len(fine[0]) - 1, int(20e-6 * RATE * UP)
        lags = np.arange(-reach, reach + 1)
        best = lags[np.argmax(full[middle - reach : middle + reach + 1])] / (RATE * UP)
        # The search is good to half of its step of 20 ns, and its correlation is cut where ours runs round.
        assert delay[0, i - 1] == pytest.approx(best, abs=2.5e-8)


def test_no_bias_between_samples():
    """Without noise the delay is exact but for what the band leaves out; a parabola would err by 0.1 us and more."""
    burst, _, aligned = pings(0.0)
    for whiten in (False, True):
        delay, _ = correlation_delays(
            aligned, burst, TRUE[None], window_s=np.array([1.4e-3]), travel_s=np.full(3, 12e-6), whiten=whiten
        )
        np.testing.assert_allclose(delay[0], TRUE[1:], atol=3e-8)


def test_lags_stay_within_what_the_distance_allows():
    burst = Burst(30e3, 6e-4, 4.0)
    x = np.random.default_rng(3).normal(size=(200, 3, 384))
    aligned = align_segments(
        x, RATE, np.zeros(3), noise_density=np.full((200, 3), 2 / RATE), onset_s=np.full(200, 4e-4),
        from_s=np.zeros((200, 3)), length_s=5e-4,
    )  # fmt: skip
    delay, _ = correlation_delays(
        aligned, burst, np.zeros((200, 3)), window_s=np.full(200, 3e-4), travel_s=np.full(3, 12e-6), whiten=True
    )
    assert np.abs(delay).max() <= 12e-6 + 0.125 / 30e3 + 1e-12


def test_band_filter_of_the_reference_is_no_accident():
    """The reference's band filter, by scipy.signal.firwin in place of the spectrum's cut, moves nothing."""
    burst, x, _ = pings(0.0)
    taps = firwin(255, [22.5e3, 37.5e3], pass_zero=False, fs=RATE)
    filtered = np.array([np.convolve(channel, taps) for channel in x])
    fine = resample(np.pad(filtered, ((0, 0), (200, 200))), UP * (filtered.shape[1] + 400), axis=-1)
    full = correlate(fine[1], fine[0], method="fft")
    middle, reach = len(fine[0]) - 1, int(15e-6 * RATE * UP)
    best = (np.argmax(full[middle - reach : middle + reach + 1]) - reach) / (RATE * UP)
    assert best == pytest.approx(TRUE[1], abs=2.5e-8)
