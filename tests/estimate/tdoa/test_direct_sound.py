"""Which channels heard the burst, and where a weak echo ends what is clean of it."""

import numpy as np
import pytest
from scipy.stats import chi2

from acoustics.estimate.tdoa import multipath
from acoustics.estimate.tdoa.direct_sound import Pings, fit_direct_sound
from acoustics.estimate.tdoa.measure import BELOW_THRESHOLD, measure_tdoa
from acoustics.estimate.tdoa.segment import Segment
from acoustics.physics.burst import Burst

BURST = Burst(30e3, 4e-3, 8.0)
RATE, LEAD_S = 250e3, 4e-4
SQUARE = 0.018 * np.array([[0.5, -0.5, 0.0], [0.5, 0.5, 0.0], [-0.5, 0.5, 0.0], [-0.5, -0.5, 0.0]])
TRAVEL_S = np.linalg.norm(SQUARE[:, None] - SQUARE, axis=-1) / 1480.0


def samples(m, amplitude, *, echo=0.0, echo_s=0.0, seed=0):
    """Bursts from straight ahead at four channels, in noise of unit variance."""
    rng = np.random.default_rng(seed)
    since = np.arange(int((LEAD_S + 6e-3) * RATE)) / RATE - LEAD_S + SQUARE[:, :1] / 1480.0

    def wave(since):
        return BURST.complex_envelope(since) * np.exp(1j * BURST.carrier * since)

    turn = np.exp(2j * np.pi * rng.random((m, 1, 1)))
    clean = amplitude * (turn * (wave(since) + echo * wave(since - echo_s))).real
    return clean + rng.normal(size=clean.shape)


def measured(x):
    return measure_tdoa(
        Segment(x, RATE), BURST, noise_density=2.0 / RATE, onset_s=LEAD_S, hydrophones_m=SQUARE, sound_speed_m_s=1480.0
    )


@pytest.mark.parametrize("amplitude", [2.0, 20.0])
def test_a_channel_dead_in_one_ping_is_noticed_in_that_ping(amplitude):
    x = samples(24, amplitude)
    rng = np.random.default_rng(1)
    x[8:16, 2] = rng.normal(size=x[8:16, 2].shape)  # heard nothing of the burst
    x[16:24, 1, int(0.5 * LEAD_S * RATE) :] = 0.0  # broke off just before it
    found = measured(x)
    assert found.ok[:8].all()
    assert set(found.reason[8:16]) == {BELOW_THRESHOLD.format(2)}  # whole, however long
    assert all(reason == BELOW_THRESHOLD.format(1) for reason in found.reason[16:24])


@pytest.mark.slow
def test_no_channel_that_heard_a_weak_burst_is_called_silent():
    # 2 E / N0 is 24 dB in the whole burst, but 1 dB in its first three cycles: by these no channel may be judged.
    found = measured(samples(60, 0.7, seed=2))
    assert not np.any(np.char.find(found.reason.astype(str), "below threshold") >= 0)
    assert found.ok.mean() > 0.95


def flat(x):
    m = len(x)
    return Pings(x, np.full((m, 4), 2.0 / RATE), np.full(m, LEAD_S), RATE, np.zeros(4), TRAVEL_S[None], 0.05)


def test_what_a_channel_heard_of_nothing_but_noise_is_chi_square():
    x = np.random.default_rng(3).normal(size=(300, 4, 1600))
    heard = fit_direct_sound(flat(x), BURST, 1e-3).heard
    # Onsets that were sought give a little more than the two degrees of freedom of amplitude and phase.
    assert chi2.ppf(0.5, 2) < np.median(heard) < chi2.ppf(0.5, 2) + 3.0
    assert np.mean(heard > 20.0) < 4e-3


@pytest.mark.parametrize("echo_s", [2e-4, 6e-4])
@pytest.mark.slow
def test_an_echo_too_weak_to_be_heard_at_once_ends_the_window_all_the_same(echo_s):
    # One and a half cycles of such an echo add 3 to the chi-square of four channels, which noise alone makes 8.
    window = fit_direct_sound(flat(samples(60, 1.5, echo=-0.8, echo_s=echo_s, seed=4)), BURST, None).window_s
    assert np.mean(window < 1e-3) > 0.9
    assert abs(np.median(window) - echo_s) < 3 / 30e3


@pytest.mark.parametrize("echo", [0.0, 0.1, 0.5, -0.8])
@pytest.mark.slow
def test_windows_that_are_passed_over_hold_no_echo(echo, monkeypatch):
    # Echoes from 3 to 110 cycles late: the windows are those that trying every one gives.
    late = np.geomspace(1e-4, 3.7e-3, 40)
    x = np.concatenate([samples(1, 8.0, echo=echo, echo_s=s, seed=k) for k, s in enumerate(late)])
    window = fit_direct_sound(flat(x), BURST, None).window_s
    monkeypatch.setattr(multipath, "_AHEAD_FROM_CYCLES", np.inf)
    each = fit_direct_sound(flat(x), BURST, None).window_s
    # Where an echo is about as strong as the noise, whether it is heard may depend on the fit beside it.
    assert np.mean(np.abs(window - each) < 1e-9) >= 0.95


@pytest.mark.slow
@pytest.mark.parametrize("energy_ratio_db", [24.0, 27.0])
def test_onsets_of_a_weak_burst_on_a_wide_array_err_as_they_say(energy_ratio_db):
    # A square 0.9 m across, 18 cycles: there is much noise among which to take a begin for the burst's.
    rng = np.random.default_rng(5)
    wide, m = 50.0 * SQUARE, 80
    azimuth = rng.uniform(-np.pi, np.pi, m)
    late = -np.stack([np.cos(azimuth), np.sin(azimuth), 0.0 * azimuth], axis=-1) @ wide.T / 1480.0
    lead_s = LEAD_S + 0.6e-3
    since = np.arange(int((lead_s + 6e-3) * RATE)) / RATE - lead_s - late[..., None]
    wave = (BURST.complex_envelope(since) * np.exp(1j * BURST.carrier * since)).real
    energy = np.sum(wave[0, 0] ** 2)
    x = np.sqrt(10 ** (energy_ratio_db / 10) / energy) * wave + rng.normal(size=wave.shape)
    found = measure_tdoa(
        Segment(x, RATE), BURST, noise_density=2.0 / RATE, onset_s=lead_s, hydrophones_m=wide, sound_speed_m_s=1480.0
    )
    error = found.envelope_delay_s - (late[:, 1:] - late[:, :1])
    sd = np.sqrt(np.diagonal(found.envelope_covariance_s2, axis1=-2, axis2=-1))
    off = np.abs(error / sd)[found.ok]
    # Of a normal distribution 0.3 % are beyond three deviations; those of onsets have longer tails.
    assert found.ok.mean() > 0.9 and np.mean(off > 3.0) < 0.03
    assert 0.6 < np.sqrt(np.mean(off**2)) < 1.3
