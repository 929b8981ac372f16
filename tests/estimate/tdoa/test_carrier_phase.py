"""Tdoa by phase and the search for their cycles in batches of unlike accuracy."""

import numpy as np

from acoustics.base.frames import direction
from acoustics.estimate.tdoa.carrier_phase import phase_delays, with_cycles
from acoustics.estimate.tdoa.differences import Tdoa
from acoustics.estimate.tdoa.integer_ambiguity import resolve_ambiguity
from acoustics.physics.tdoa import difference_matrix, plane_wave_time

F, C = 30e3, 1480.0
ARRAY = np.array([[0.0, 0.0, 0.0], [0.1, 0.0, 0.0], [0.0, 0.12, 0.0], [0.03, 0.02, 0.09]])
D = difference_matrix(4)


def test_phase_delays_lie_within_half_a_cycle():
    rng = np.random.default_rng(0)
    phase = rng.uniform(-20, 20, size=(50, 4))
    fine, covariance = phase_delays(phase, np.tile(0.01 * np.eye(4), (50, 1, 1)), 2 * np.pi * F)
    assert np.abs(fine).max() <= 0.5 / F
    np.testing.assert_allclose(np.exp(-2j * np.pi * F * fine), np.exp(1j * (phase[:, 1:] - phase[:, :1])), atol=1e-9)
    np.testing.assert_allclose(covariance[0], 0.01 * (np.eye(3) + 1) / (2 * np.pi * F) ** 2)


def test_each_ping_is_searched_with_its_own_accuracy():
    rng = np.random.default_rng(1)
    units = direction(rng.uniform(-3, 3, 40), rng.uniform(-1, 1, 40))
    time = plane_wave_time(ARRAY, units, C)
    fine_sd, coarse_sd = np.array([1e-7, 6e-7]), np.array([2e-6, 9e-6])
    of = np.arange(40) % 2
    fine = (time + rng.normal(size=time.shape) * fine_sd[of, None]) @ D.T
    coarse = (time + rng.normal(size=time.shape) * coarse_sd[of, None]) @ D.T
    wrapped = fine - np.round(fine * F) / F
    covariances = [(sd[of, None, None] ** 2) * (D @ D.T) for sd in (fine_sd, coarse_sd)]
    delay, best = with_cycles(
        wrapped, covariances[0], coarse, covariances[1], hydrophones_m=ARRAY, sound_speed_m_s=C, frequency_hz=F
    )
    for kind in (0, 1):
        rows = of == kind
        alone = resolve_ambiguity(
            Tdoa(wrapped[rows], covariances[0][kind]), Tdoa(coarse[rows], covariances[1][kind]), ARRAY, C, F
        )
        np.testing.assert_array_equal(delay[rows], alone.tdoa.tdoa_s)
        np.testing.assert_allclose(best.weight[rows, 0], alone.probability)
    np.testing.assert_allclose(delay[of == 0], fine[of == 0], atol=1e-12)


def test_cycles_and_their_probability_do_not_depend_on_the_other_pings():
    # Every ping of its own variance, so near that of the next that one might stand for both.
    rng = np.random.default_rng(5)
    sd = 4e-6 * 1.02 ** np.arange(40)
    time = np.zeros((40, 4)) + rng.normal(size=(40, 4)) * sd[:, None]
    fine, coarse = np.zeros((40, 3)), time @ D.T
    fine_s2, coarse_s2 = np.tile(1e-15 * (D @ D.T), (40, 1, 1)), sd[:, None, None] ** 2 * (D @ D.T)
    known = {"hydrophones_m": ARRAY, "sound_speed_m_s": C, "frequency_hz": F}
    delay, best = with_cycles(fine, fine_s2, coarse, coarse_s2, **known)
    assert best.weight.min() < 0.9  # else nothing is shown
    for i in range(40):
        one = slice(i, i + 1)
        alone = with_cycles(fine[one], fine_s2[one], coarse[one], coarse_s2[one], **known)
        np.testing.assert_array_equal(alone[0][0], delay[i])
        np.testing.assert_allclose(alone[1].weight[0], best.weight[i], rtol=1e-9)


def test_gaps_stay_gaps():
    covariance = np.tile(1e-14 * (D @ D.T), (2, 1, 1))
    covariance[1] = np.nan
    delay, best = with_cycles(
        np.zeros((2, 3)), covariance, np.zeros((2, 3)), covariance, hydrophones_m=ARRAY, sound_speed_m_s=C,
        frequency_hz=F,
    )  # fmt: skip
    assert np.isfinite(delay[0]).all() and np.isnan(delay[1]).all() and np.isnan(best.weight[1]).all()
