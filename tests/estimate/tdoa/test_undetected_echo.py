"""What an undetected echo is said to do to the phases, against dense algebra and against simulated pings."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2, multivariate_normal

from acoustics.estimate.tdoa.burst_sums import BurstSums, CarriedSegments
from acoustics.estimate.tdoa.direct_fit import DirectFit
from acoustics.estimate.tdoa.segment import AlignedSegments
from acoustics.estimate.tdoa.toa import BuildUp, fit_build_up
from acoustics.estimate.tdoa.undetected_echo import _with_echoes, undetected_echo
from acoustics.physics.burst import Burst

BURST = Burst(30e3, 4e-3, q=8.0)
RATE = 180e3
PERIOD = 1.0 / BURST.frequency_hz


def aligned(pressure: np.ndarray) -> CarriedSegments:
    """Samples of pings that begin 5 periods after the first sample, noise of variance 1."""
    time = np.broadcast_to(np.arange(pressure.shape[-1]) / RATE - 5 * PERIOD, pressure.shape)
    return CarriedSegments.of(AlignedSegments(pressure, time, np.ones(pressure.shape, dtype=bool)), BURST)


def wave(time_s: np.ndarray, amplitude: np.ndarray) -> np.ndarray:
    """A burst that began at time 0, of complex amplitude."""
    return (BURST.complex_envelope(time_s) * amplitude * np.exp(1j * BURST.carrier * time_s)).real


def pings(
    m: int, n: int, seconds: float, amplitude: float, echo: np.ndarray, delay_s: np.ndarray, rng: np.random.Generator
) -> CarriedSegments:
    """Direct sound of phase 0, an echo of relative complex amplitude (m, n) at delays (m, 1), and noise."""
    time = np.arange(int((seconds + 8 * PERIOD) * RATE)) / RATE - 5 * PERIOD
    clean = amplitude * wave(time, np.ones((m, n, 1)))
    turned = echo[..., None] * np.exp(1j * BURST.carrier * delay_s[..., None])  # of phase 0 at its own arrival
    late = time - delay_s[..., None]
    carrier = np.exp(1j * BURST.carrier * (time - delay_s[..., None]))
    clean = clean + amplitude * (BURST.complex_envelope(late) * turned * carrier).real
    return aligned(clean + rng.standard_normal(clean.shape))


def fitted(samples: CarriedSegments, window_s: np.ndarray) -> BuildUp:
    m, n = samples.samples.shape[:2]
    return fit_build_up(samples, np.zeros((m, n)), window_s=window_s, noise_sd=np.ones((m, n)), gain_sd=0.05)


def test_evidence_and_phase_of_one_echo_are_those_of_dense_normal_algebra():
    rng = np.random.default_rng(1)
    n, window, begin = 2, np.array([8 * PERIOD]), 3 * PERIOD
    samples = pings(1, n, 1e-3, 1.5, np.full((1, n), 0.4j), np.full((1, 1), begin), rng)
    fit = fitted(samples, window)
    direct = DirectFit.of(BurstSums.of(samples, fit.onset_s, window[:, None]), fit.phase, ridge=1e-6)
    half = rng.standard_normal((1, 2 * n, 2 * n))
    prior = half @ np.swapaxes(half, -1, -2)
    evidence, shift, covariance, lasting = (of[0] for of in _with_echoes(direct, fit, np.array([begin]), prior[None]))

    inside = np.flatnonzero((samples.time_s[0, 0] < fit.onset_s[0].max() + window[0]) & (samples.time_s[0, 0] > -1))
    time = samples.time_s[0, 0, inside]
    x = np.concatenate(
        [np.where(time < fit.onset_s[0, i] + window[0], samples.samples[0, i, inside], 0.0) for i in range(n)]
    )
    known, echo = np.zeros((len(x), 3 * n)), np.zeros((len(x), 2 * n))
    for i in range(n):
        rows = slice(i * len(time), (i + 1) * len(time))
        counts = time < fit.onset_s[0, i] + window[0]
        carrier = np.exp(1j * (BURST.carrier * time + fit.phase[0, i])) * counts
        envelope, slope = BURST.complex_envelope_and_slope(time - fit.onset_s[0, i])
        known[rows, 3 * i : 3 * i + 3] = np.stack(
            [(envelope * carrier).real, -(envelope * carrier).imag, -(slope * carrier).real / BURST.carrier], axis=-1
        )
        later = BURST.complex_envelope(time - fit.onset_s[0, i] - begin) * carrier
        echo[rows, 2 * i : 2 * i + 2] = np.stack([later.real, -later.imag], axis=-1)
    # The direct sound's own unknowns have no prior: a variance far above all others.
    without = np.eye(len(x)) + 1e6 * known @ known.T
    with_echo = without + echo @ prior[0] @ echo.T
    ratio = multivariate_normal.logpdf(x, cov=with_echo) - multivariate_normal.logpdf(x, cov=without)
    assert evidence[0] == pytest.approx(ratio, abs=1e-2)
    # Generalised least squares for the direct sound with the echo as coloured noise.
    colour = np.linalg.inv(np.eye(len(x)) + echo @ prior[0] @ echo.T)
    about = np.linalg.inv(known.T @ colour @ known)
    quadrature = (about @ known.T @ colour @ x)[1::3]
    plain = np.linalg.lstsq(known, x, rcond=None)[0][1::3]
    size = fit.common_amplitude[0]
    assert shift[0] == pytest.approx((quadrature - plain) / size, rel=1e-3, abs=1e-5)
    added = about[1::3, 1::3] - np.linalg.inv(known.T @ known)[1::3, 1::3]
    assert covariance[0] == pytest.approx(added / np.outer(size, size), rel=1e-3, abs=1e-6)
    by_echo = (about @ known.T @ colour @ echo)[1::3]  # what the estimate makes of the echo, noise apart
    assert lasting[0] == pytest.approx(by_echo @ prior[0] @ by_echo.T / np.outer(size, size), rel=1e-3, abs=1e-6)


def stated(samples: CarriedSegments, window: np.ndarray, ended: bool, travel_s: np.ndarray, *, with_term: bool):
    """Errors of phase differences to the first channel, and their covariance."""
    fit = fitted(samples, window)
    phase, covariance = fit.phase, fit.phase_covariance
    if with_term:
        sums = BurstSums.of(samples, fit.onset_s, window[:, None])
        term = undetected_echo(sums, fit, window_s=window, ended=np.full(len(window), ended), travel_s=travel_s[None])
        phase, covariance = phase + term.phase_shift, covariance + term.phase_covariance
    n = phase.shape[1]
    d = np.concatenate([-np.ones((n - 1, 1)), np.eye(n - 1)], axis=-1)
    return phase @ d.T, d @ covariance @ d.T


def inside_95(error: np.ndarray, covariance: np.ndarray) -> float:
    """Share of errors in their stated 95 % region."""
    square = np.sum(error * np.linalg.solve(covariance, error[..., None])[..., 0], axis=-1)
    return float(np.mean(square < chi2.ppf(0.95, error.shape[-1])))


@pytest.mark.slow
def test_phases_with_weak_undetected_echoes_lie_where_they_are_stated():
    rng = np.random.default_rng(2)
    m, n, travel = 1200, 3, 1e-3 * (1 - np.eye(3))  # a wide array: echoes reach its hydrophones in any phase
    window = np.full(m, 12 * PERIOD)
    delay = PERIOD * np.exp(rng.uniform(np.log(0.5), np.log(12.0), (m, 1)))
    # Small against the direct sound, as far as a phase follows it in proportion.
    echo = np.sqrt(0.05) * (rng.standard_normal((m, n)) + 1j * rng.standard_normal((m, n)))
    samples = pings(m, n, 14 * PERIOD, 1.5, echo, delay, rng)
    # What is taken beforehand of its strength is more, so the regions are generous.
    assert inside_95(*stated(samples, window, True, travel, with_term=True)) > 0.93
    assert inside_95(*stated(samples, window, True, travel, with_term=False)) < 0.85


@pytest.fixture
def as_if_narrow(monkeypatch):
    """What is taken beforehand of narrow arrays, also where echoes reach the hydrophones in any phase."""
    monkeypatch.setattr("acoustics.estimate.tdoa.undetected_echo._NARROW_CYCLES", np.inf)


@pytest.mark.slow
def test_echoes_that_come_within_half_a_cycle_and_weaken_the_sum_are_allowed_for(as_if_narrow):
    rng = np.random.default_rng(4)
    m, n, travel = 1200, 3, 1e-3 * (1 - np.eye(3))
    window = np.full(m, 6 * PERIOD)
    delay = PERIOD * np.exp(rng.uniform(np.log(0.25), np.log(0.5), (m, 1)))
    # Half as strong as the direct sound, in any phase: some leave half of it.
    echo = 0.5 * np.exp(2j * np.pi * rng.uniform(size=(m, n)))
    samples = pings(m, n, 8 * PERIOD, 1.5, echo, delay, rng)
    assert inside_95(*stated(samples, window, True, travel, with_term=True)) > 0.9
    assert inside_95(*stated(samples, window, True, travel, with_term=False)) < 0.7


@pytest.mark.slow
def test_of_a_weak_burst_a_window_that_no_echo_ended_may_hold_one(monkeypatch, as_if_narrow):
    rng = np.random.default_rng(5)
    m, n, travel = 600, 3, 1e-3 * (1 - np.eye(3))
    window = np.full(m, 60 * PERIOD)
    delay = PERIOD * np.exp(rng.uniform(np.log(0.5), np.log(60.0), (m, 1)))
    echo = 0.5 * (rng.standard_normal((m, n)) + 1j * rng.standard_normal((m, n)))
    samples = pings(m, n, 62 * PERIOD, 0.4, echo, delay, rng)
    held = inside_95(*stated(samples, window, False, travel, with_term=True))
    monkeypatch.setattr("acoustics.estimate.tdoa.undetected_echo._FINDING", 0.0)  # as if any echo were found
    surely_found = inside_95(*stated(samples, window, False, travel, with_term=True))
    assert held > 0.93 > surely_found + 0.05


def test_a_long_window_without_echoes_is_believed():
    rng = np.random.default_rng(3)
    m, n = 40, 4
    samples = pings(m, n, 3.6e-3, 1.0, np.zeros((m, n)), np.ones((m, 1)), rng)
    window = np.full(m, 3.5e-3)
    travel = 1e-3 * (1 - np.eye(n))
    error, with_term = stated(samples, window, False, travel, with_term=True)
    plain, without = stated(samples, window, False, travel, with_term=False)
    traces = (np.trace(covariance, axis1=-2, axis2=-1) for covariance in (with_term, without))
    assert np.median(np.divide(*traces)) < 1.05
    assert np.sqrt(np.mean(error**2)) < 1.05 * np.sqrt(np.mean(plain**2))
