"""The misfit of onsets whole cycles apart, against the samples' likelihood worked out one set at a time."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad

from acoustics.estimate.tdoa.build_up_misfit import onset_misfit
from acoustics.estimate.tdoa.carrier_phase import phase_delays
from acoustics.estimate.tdoa.direct_sound import Pings, fit_direct_sound
from acoustics.estimate.tdoa.toa import LOST_CYCLES
from acoustics.physics.burst import Burst

RATE, F, ONSET_S, WINDOW_S = 250e3, 30e3, 3e-4, 2e-4
LATE_S = np.array([0.0, 6e-5, -3e-5])


def direct_sound(burst, gain_sd):
    rng = np.random.default_rng(0)
    time = np.arange(400) / RATE
    since = time - ONSET_S - LATE_S[:, None]
    wave = (burst.complex_envelope(since) * np.exp(1j * burst.carrier * since)).real
    pressure = wave + 0.15 * rng.normal(size=(2, 3, 400))
    pings = Pings(
        pressure, np.full((2, 3), 2 * 0.15**2 / RATE), np.full(2, ONSET_S), RATE, np.zeros(3),
        np.abs(LATE_S[:, None] - LATE_S)[None], gain_sd,
    )  # fmt: skip
    return fit_direct_sound(pings, burst, WINDOW_S)


def minus_twice_log_likelihood(sound, burst, ping, onset_s, gain_sd):
    """By least squares in the phase and numerical integration over each channel's amplitude (scipy.integrate.quad)."""
    total = 0.0
    for channel, onset in enumerate(onset_s):
        time, samples = sound.carried.time_s[ping, channel], sound.carried.samples[ping, channel]
        counts = (time < sound.fit.onset_s[ping, channel] + WINDOW_S) & sound.carried.held[ping, channel]
        turn = np.exp(1j * (burst.carrier * time + sound.fit.phase[ping, channel]))
        wave = (burst.complex_envelope(time - onset) * turn)[counts]
        common = sound.fit.expected_amplitude[ping, channel]

        def misfit(amplitude, wave=wave, x=samples[counts]):
            rest = x - amplitude * wave.real
            return np.sum(rest**2) - (rest @ wave.imag) ** 2 / (wave.imag @ wave.imag)

        if gain_sd:
            sd, least = gain_sd * common, misfit(common)

            def density(a, common=common, sd=sd, least=least, misfit=misfit):
                normal = np.exp(-0.5 * ((a - common) / sd) ** 2) / (np.sqrt(2 * np.pi) * sd)
                return normal * np.exp(-0.5 * (misfit(a) - least))

            total += least - 2 * np.log(quad(density, common - 9 * sd, common + 9 * sd)[0])
        else:
            total += misfit(common)
    return total


@pytest.mark.parametrize("gain_sd", [0.0, 0.05])
@pytest.mark.parametrize("burst", [Burst(F, 4e-3, 8.0), Burst(F, 1e-3, 8.0, 3e3)], ids=["tone", "chirp"])
def test_misfit_of_sets_is_that_of_the_samples(burst, gain_sd):
    sound = direct_sound(burst, gain_sd)
    fine, _ = phase_delays(sound.fit.phase, sound.fit.phase_covariance, burst.carrier)
    rows = np.array([0, 1])
    table = onset_misfit(sound, rows, burst, fine, gain_sd=gain_sd)
    sets = table.cycles[:, None] + np.array([[0, 0], [1, 0], [0, -1], [1, 1], [-1, 1]])
    found = table.of_sets(sets.astype(float))
    for ping in rows:
        relative = np.concatenate([np.zeros((5, 1)), fine[ping] + sets[ping] / F], axis=-1)
        onset = relative + (sound.fit.onset_s[ping] - relative).mean(axis=-1, keepdims=True)
        expected = np.array([minus_twice_log_likelihood(sound, burst, ping, one, gain_sd) for one in onset])
        # After 7 time constants, here over the window, nothing is left out.
        np.testing.assert_allclose(found[ping] - found[ping, 0], expected - expected[0], atol=1e-3, rtol=1e-6)


def test_sets_far_off_are_never_the_best_and_pings_may_be_picked():
    burst = Burst(F, 4e-3, 8.0)
    sound = direct_sound(burst, 0.0)
    fine, _ = phase_delays(sound.fit.phase, sound.fit.phase_covariance, burst.carrier)
    table = onset_misfit(sound, np.array([0, 1]), burst, fine, gain_sd=0.0)
    sets = table.cycles[:, None] + np.array([[0, 0], [40, -40], [1000, 3]])
    misfit = table.of_sets(sets.astype(float))
    assert np.isfinite(misfit).all() and (misfit[:, 1:] > misfit[:, :1] + 50).all()
    one = onset_misfit(sound, np.array([1]), burst, fine[1:], gain_sd=0.0)
    np.testing.assert_allclose(one.steps, table.of(np.array([1])).steps, atol=1e-9)


def test_of_onsets_that_may_be_lost_the_likelihood_is_mixed_with_one_of_anywhere_about():
    burst, lost = Burst(F, 4e-3, 8.0), np.array([0.0, 0.3])
    sound = direct_sound(burst, 0.05)
    fine, _ = phase_delays(sound.fit.phase, sound.fit.phase_covariance, burst.carrier)
    sure, mixed = (
        onset_misfit(one, np.array([0, 1]), burst, fine, gain_sd=0.05).steps
        for one in (sound, replace(sound, onset_moved=lost))
    )
    np.testing.assert_allclose(mixed[0], sure[0], atol=1e-9)
    step = 1.0 / 3.0  # cycles: one over the channels
    density = np.exp(-0.5 * sure[1])
    density /= step * density.sum(axis=-1, keepdims=True)
    expected = 0.7 * density + 0.3 / (2 * LOST_CYCLES)
    ratio = expected.max(axis=-1, keepdims=True) / expected
    np.testing.assert_allclose(mixed[1], 2 * np.log(ratio), rtol=1e-9, atol=1e-9)
