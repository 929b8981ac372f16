"""The search over whole cycles, against brute force and against its own claim of probability."""

from __future__ import annotations

from functools import partial
from itertools import product

import numpy as np
import pytest
from scipy.optimize import least_squares

from acoustics.base.errors import ParameterError
from acoustics.estimate.tdoa import integer_ambiguity
from acoustics.estimate.tdoa.build_up_misfit import OnsetMisfit
from acoustics.estimate.tdoa.differences import Tdoa, tdoa_from_toa
from acoustics.estimate.tdoa.integer_ambiguity import resolve_ambiguity

C, F = 1480.0, 30e3
VOLUME = 0.1 * np.array([[1.0, 1, 1], [1, -1, -1], [-1, -1, 1], [-1, 1, -1]])
FLAT = 0.1 * np.array([[1.0, 1, 0], [1, -1, 0], [-1, -1, 0], [-1, 1, 0]])
LINE = np.array([0.0, 0.02, 0.12, 0.5])[:, None] * np.array([1.0, 0, 0])
HIDDEN_SHORT = np.array([0.0, 0.5, 0.52, 0.62])[:, None] * np.array([0, 1.0, 0])
EIGHT = 0.2 * np.random.default_rng(5).standard_normal((8, 3))


def simulate(hydrophones, fine_sd, coarse_sd, *, n, seed, reference=0):
    """Phase delays folded into one period, coarse delays, and the true cycles; directions over the whole sphere."""
    rng = np.random.default_rng(seed)
    u = rng.standard_normal((n, 3))
    times = -(u / np.linalg.norm(u, axis=-1, keepdims=True)) @ hydrophones.T / C
    fine = tdoa_from_toa(times + fine_sd * rng.standard_normal(times.shape), fine_sd**2, reference=reference)
    coarse = tdoa_from_toa(times + coarse_sd * rng.standard_normal(times.shape), coarse_sd**2, reference=reference)
    cycles = np.rint(fine.tdoa_s * F).astype(int)
    return Tdoa(fine.tdoa_s - cycles / F, fine.covariance_s2, reference), coarse, fine, cycles


@pytest.mark.parametrize(
    ("hydrophones", "coarse_sd"),
    [(VOLUME, 3e-6), (FLAT, 3e-6), (LINE, 5e-3), (HIDDEN_SHORT, 5e-3), (LINE[:2], 1.0), (EIGHT, 5e-5)],
)
def test_cycles_are_found(hydrophones, coarse_sd):
    # A short baseline, even between two hydrophones of which neither is the reference, settles the long ones:
    # spacing below half a wavelength (2.5 cm) needs no coarse delay at all.
    phase, coarse, fine, cycles = simulate(hydrophones, 2e-7, coarse_sd, n=400, seed=1)
    result = resolve_ambiguity(phase, coarse, hydrophones, C, F)
    right = (result.cycles == cycles).all(axis=-1)
    # A direction along a baseline of 2 cm leaves a margin of 3 us: always enough here.
    assert right.mean() > 0.995
    np.testing.assert_allclose(result.tdoa.tdoa_s[right], fine.tdoa_s[right], atol=1e-12)
    assert result.ok.all()
    assert (result.margin >= 0).all()


@pytest.mark.parametrize("hydrophones", [VOLUME, FLAT])
@pytest.mark.parametrize("coarse_sd", [6e-6, 1e-5])
def test_claimed_probability_is_the_share_that_is_right(hydrophones, coarse_sd):
    phase, coarse, _, cycles = simulate(hydrophones, 3e-7, coarse_sd, n=4000, seed=2)
    result = resolve_ambiguity(phase, coarse, hydrophones, C, F)
    right = (result.cycles == cycles).all(axis=-1)
    alone = (np.rint((coarse.tdoa_s - phase.tdoa_s) * F) == cycles).all(axis=-1)
    # Standard error of a share in 4e3 trials: 0.5 % at most; first-order scores of the unit length add a little.
    assert abs(result.probability.mean() - right.mean()) < 0.025
    assert right.mean() > alone.mean() + 0.1
    sure = result.probability > 0.9
    assert right[sure].mean() > 0.97


@pytest.mark.parametrize("hydrophones", [VOLUME, FLAT])
def test_same_set_as_brute_force(hydrophones):
    """All sets within 3 cycles, each with its own search for the direction on the sphere."""
    phase, coarse, _, cycles = simulate(hydrophones, 3e-7, 6e-6, n=2, seed=3)
    result = resolve_ambiguity(phase, coarse, hydrophones, C, F)
    baselines = hydrophones[1:] - hydrophones[0]
    whitener = np.linalg.inv(np.linalg.cholesky(phase.covariance_s2))
    coarse_weight = np.linalg.inv(coarse.covariance_s2)
    for i in range(2):

        def score(k, i=i):
            delay = phase.tdoa_s[i] + np.array(k) / F
            rough = delay - coarse.tdoa_s[i]

            def misfit(p):
                u = np.array([np.cos(p[1]) * np.cos(p[0]), np.cos(p[1]) * np.sin(p[0]), np.sin(p[1])])
                return whitener @ (delay + baselines @ u / C)

            total = rough @ coarse_weight @ rough
            if total > 200:
                return np.inf
            starts = product((-2.1, 0.0, 2.1), (-0.8, 0.8))
            return total + min(2 * least_squares(misfit, s, method="lm").cost for s in starts)

        near = [tuple(cycles[i] + d) for d in product((-1, 0, 1), repeat=3)]
        assert tuple(result.cycles[i]) == min(near, key=score)


def test_reference_and_batch_shape_do_not_matter():
    phase, coarse, fine, _ = simulate(VOLUME, 2e-7, 3e-6, n=6, seed=4, reference=2)
    result = resolve_ambiguity(phase, coarse, VOLUME, C, F)
    np.testing.assert_allclose(result.tdoa.tdoa_s, fine.tdoa_s, atol=1e-12)
    shaped = resolve_ambiguity(
        Tdoa(phase.tdoa_s.reshape(2, 3, 3), phase.covariance_s2, 2),
        Tdoa(coarse.tdoa_s.reshape(2, 3, 3), coarse.covariance_s2, 2),
        VOLUME,
        C,
        F,
    )
    assert shaped.cycles.shape == (2, 3, 3)
    assert shaped.score.shape == shaped.ok.shape == (2, 3)
    np.testing.assert_array_equal(shaped.cycles.reshape(6, 3), result.cycles)
    single = resolve_ambiguity(
        Tdoa(phase.tdoa_s[0], phase.covariance_s2, 2),
        Tdoa(coarse.tdoa_s[0], coarse.covariance_s2, 2),
        VOLUME,
        C,
        F,
    )
    np.testing.assert_array_equal(single.cycles, result.cycles[0])


def test_zero_noise_and_gaps():
    phase, coarse, fine, _ = simulate(VOLUME, 0.0, 0.0, n=4, seed=4)
    values = phase.tdoa_s.copy()
    values[2, 1] = np.nan
    result = resolve_ambiguity(Tdoa(values, phase.covariance_s2), coarse, VOLUME, C, F)
    np.testing.assert_array_equal(result.ok, [True, True, False, True])
    assert result.reason[2] == "a delay or its covariance is not finite"
    np.testing.assert_allclose(result.tdoa.tdoa_s[result.ok], fine.tdoa_s[result.ok], atol=1e-12)
    assert np.isfinite(result.score[result.ok]).all()


def test_wrong_arguments():
    phase, coarse, _, _ = simulate(VOLUME, 2e-7, 3e-6, n=4, seed=4)
    with pytest.raises(ParameterError, match=r"hydrophones_m has shape \(3, 3\): expected \(4, 3\)"):
        resolve_ambiguity(phase, coarse, VOLUME[:3], C, F)
    with pytest.raises(ParameterError, match="all hydrophones are at one place"):
        resolve_ambiguity(phase, coarse, np.zeros((4, 3)), C, F)
    with pytest.raises(ParameterError, match="coarse has shape .* expected those of phase"):
        resolve_ambiguity(phase, Tdoa(coarse.tdoa_s, coarse.covariance_s2, 1), VOLUME, C, F)
    with pytest.raises(ParameterError, match="frequency_hz=0: expected a finite value above 0"):
        resolve_ambiguity(phase, coarse, VOLUME, C, 0)
    nine = Tdoa(np.zeros(8), np.eye(8))
    with pytest.raises(ParameterError, match="9 hydrophones, expected 2 to 8"):
        resolve_ambiguity(nine, nine, np.random.default_rng(0).standard_normal((9, 3)), C, F)


def test_misfit_of_the_samples_takes_the_place_of_the_coarse_delays():
    phase = Tdoa(np.zeros((2, 3)), 1e-16 * (np.eye(3) + 1.0))
    coarse = Tdoa(np.zeros((2, 3)), (0.3 / F) ** 2 * (np.eye(3) + 1.0))
    square = np.array([[0.1, 0.1, 0.0], [0.1, -0.1, 0.0], [-0.1, -0.1, 0.0], [-0.1, 0.1, 0.0]])
    # Samples that speak for the last two channels half a cycle late and the first two half a cycle early.
    steps = np.full((2, 4, 9), 30.0)
    steps[0, :, 4] = 0.0
    steps[1, [0, 1], 2] = steps[1, [2, 3], 6] = 0.0
    misfit = OnsetMisfit(np.zeros((2, 3), dtype=int), steps)
    found = resolve_ambiguity(phase, coarse, square, C, F, envelope_misfit=misfit)
    assert found.cycles.tolist() == [[0, 0, 0], [0, 1, 1]]
    assert (found.probability > 0.99).all()
    with pytest.raises(ParameterError, match=r"envelope_misfit is of \(1, 4\) trials and channels: expected \(2, 4\)"):
        resolve_ambiguity(phase, coarse, square, C, F, envelope_misfit=misfit.of(slice(1)))


@pytest.mark.parametrize("hydrophones", [VOLUME, FLAT, LINE, 0.1 * VOLUME, EIGHT[:5]])
@pytest.mark.parametrize("coarse_sd", [3e-6, 3e-5, 1e-3])
def test_sets_far_from_the_nearest_have_no_weight(monkeypatch, hydrophones, coarse_sd):
    """Those that are not scored change no weight, be the envelope sharp or of no use."""
    phase, coarse, *_ = simulate(hydrophones, 5e-7, coarse_sd, n=60, seed=9)
    ask = partial(resolve_ambiguity, phase, coarse, hydrophones, C, F, sound_speed_sd_m_s=3.0, n_alternatives=12)
    few = ask()
    monkeypatch.setattr(integer_ambiguity, "_WITHIN", np.inf)
    every = ask()
    np.testing.assert_allclose(few.alternatives.weight, every.alternatives.weight, atol=1e-9)
    told = every.alternatives.weight > 1e-6
    np.testing.assert_array_equal(few.alternatives.cycles[told], every.alternatives.cycles[told])
    np.testing.assert_allclose(few.score, every.score, rtol=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize("coarse_sd", [1e-4, 2e-4])
def test_sets_that_are_too_many_to_be_compared_are_counted(coarse_sd):
    # Of four hydrophones 0.28 m apart with delays known to 3 and 6 cycles, far more than 800 sets fit.
    phase, coarse, _, cycles = simulate(VOLUME, 2e-7, coarse_sd, n=600, seed=8)
    found = resolve_ambiguity(phase, coarse, VOLUME, C, F, n_alternatives=integer_ambiguity.MOST_CANDIDATES)
    vectors = found.cycles[:, None] + found.alternatives.cycles
    listed = np.any((vectors == cycles[:, None]).all(axis=-1) & (found.alternatives.weight > 0), axis=-1).mean()
    stated = found.alternatives.weight.sum(axis=-1).mean()
    # Three standard errors of a share of 600, and what the extrapolation beyond those compared may err by.
    assert abs(listed - stated) < 0.06 + 0.05
