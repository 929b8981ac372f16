"""From samples to delays: how near to the bounds, how honest, and what is refused."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from acoustics.base.errors import ParameterError
from acoustics.base.regions import inside_region
from acoustics.estimate.tdoa.carrier_phase import with_cycles
from acoustics.estimate.tdoa.measure import measure_tdoa
from acoustics.estimate.tdoa.methods import METHODS
from acoustics.estimate.tdoa.segment import Segment
from acoustics.physics.burst import Burst
from acoustics.physics.tdoa import difference_matrix

_SPEC = importlib.util.spec_from_file_location(
    "waveform_accuracy", Path(__file__).parents[2] / "benchmarks" / "waveform_accuracy.py"
)
waveforms = importlib.util.module_from_spec(_SPEC)
sys.modules[_SPEC.name] = waveforms
_SPEC.loader.exec_module(waveforms)

TONE = Burst(30e3, 4e-3, 8.0)
HALF_WAVE = 0.012 * waveforms.SQUARE
TRIALS = 600


@pytest.mark.parametrize(("spacing_m", "energy_ratio_db"), [(0.012, 25.0), (0.025, 25.0), (0.120, 40.0)])
@pytest.mark.parametrize("sample_rate_hz", [96e3, 192e3, 500e3])
@pytest.mark.slow
def test_phase_comes_near_its_bound(spacing_m, energy_ratio_db, sample_rate_hz):
    row = waveforms.phase_row(spacing_m, sample_rate_hz, energy_ratio_db, 5e-4, TRIALS)
    # An RMS of 600 bearings is known to 2.9 %, of 1,800 correlated delays to about 2.3 %: 5 % asked, two of these
    # allowed. The benchmark with 5,000 pings holds 5 % without allowance.
    assert row["delay"] < 1.05 + 2 * 0.023
    assert row["bearing"] < 1.05 + 2 * 0.029
    assert row["delay"] > 0.92  # better than the bound only by chance
    # Standard error of a share of 95 % in 600: 0.9 %.
    assert 0.95 - 0.03 < row["inside"] < 0.95 + 0.025
    assert row["given"] == 1.0 and row["wrong"] <= 0.005


@pytest.fixture(scope="module")
def cycle_rows():
    """Three cases with 2,500 pings each, from 7 to 34 % wrong."""
    return [waveforms.cycle_row(case, 2500) for case in (*waveforms.CYCLE_CASES[1:3], waveforms.CYCLE_CASES[6])]


@pytest.mark.slow
@pytest.mark.thorough
def test_wrong_cycles_come_as_often_as_predicted(cycle_rows):
    for row in cycle_rows:
        assert row["simulated"].low < row["predicted"] < row["simulated"].high


@pytest.mark.slow
@pytest.mark.thorough
def test_the_bound_alone_promises_too_few_wrong_cycles(cycle_rows):
    """All cases as one, as in a single one of 2,500 pings chance is as large as the difference.

    Three standard errors of the sum of three shares are added, and what the three sums over a lattice may err, 0.006
    each (tests/accuracy/test_ambiguity.py).
    """
    shares = np.array([row["simulated"].value for row in cycle_rows])
    standard_error = np.sqrt(np.sum(shares * (1 - shares) / 2500))
    promised = sum(row["by_bound"] for row in cycle_rows)
    assert promised + 3 * 0.006 + 3 * standard_error < shares.sum()


@pytest.mark.slow
@pytest.mark.thorough
def test_the_likelihood_of_the_samples_mistakes_fewer_cycles_than_normal_onsets():
    case = waveforms.CYCLE_CASES[1]
    pings = waveforms.free_field(case.hydrophones_m, 192e3, case.energy_ratio_db, case.window_s, trials=1500)
    usual = waveforms.measured(pings, case.hydrophones_m, waveforms.SPEED, window_s=case.window_s, gain_sd=0.0)
    onset = waveforms.measured(
        pings, case.hydrophones_m, waveforms.SPEED, window_s=case.window_s, gain_sd=0.0, method="onset"
    )
    d = difference_matrix(4)
    fine = usual.tdoa.tdoa_s
    normal, _ = with_cycles(
        fine, usual.tdoa.covariance_s2, onset.tdoa.tdoa_s, onset.tdoa.covariance_s2,
        hydrophones_m=case.hydrophones_m, sound_speed_m_s=waveforms.SPEED, frequency_hz=30e3,
    )  # fmt: skip
    wrong, wrong_by_normal = (
        (np.abs(delay - pings.arrival_s @ d.T) > 0.5 / 30e3).any(axis=-1).mean() for delay in (fine, normal)
    )
    # About 34 against 37 % on the same pings.
    assert wrong < wrong_by_normal


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("louder", [1e3, 1e6, 1e10, 1e30])
def test_a_channel_of_another_scale_is_a_channel_that_hears_nothing(method, louder):
    # As by a sensitivity typed as -1900 in place of -190 dB: its noise, too, is so much louder, the burst is not.
    pings = waveforms.free_field(HALF_WAVE, 192e3, 40.0, 5e-4, trials=8)
    noise = waveforms.free_field(HALF_WAVE, 192e3, -300.0, 5e-4, trials=8, seed=3)
    pressure, density = pings.segment.pressure.copy(), np.full(4, pings.noise_density)
    lost = noise.segment.pressure[:, 0] / np.sqrt(noise.noise_density) * np.sqrt(pings.noise_density)
    pressure[:, 0], density[0] = louder * lost, louder**2 * density[0]
    segment = Segment(pressure, pings.segment.sample_rate_hz, pings.segment.sampling_offset_s)
    found = measure_tdoa(
        segment, TONE, method=method, noise_density=density, onset_s=pings.guess_s, hydrophones_m=HALF_WAVE,
        sound_speed_m_s=waveforms.SPEED, window_s=5e-4,
    )  # fmt: skip
    assert found.below_threshold.tolist() == [[True, False, False, False]] * 8
    assert not found.ok.any() and np.isnan(found.tdoa.tdoa_s).all()


@pytest.mark.parametrize("method", ["phase", "correlation", "onset"])
def test_stated_regions_hold_the_truth(method):
    hydrophones = 0.120 * waveforms.SQUARE
    pings = waveforms.free_field(hydrophones, 250e3, 45.0, 5e-4, trials=1000)
    found = waveforms.measured(pings, hydrophones, waveforms.SPEED, method=method, window_s=5e-4, gain_sd=0.0)
    error = found.tdoa.tdoa_s - pings.arrival_s @ difference_matrix(4).T
    # Standard error 0.7 %; correlation is given one more for the gates' rough ends.
    assert inside_region(error, found.tdoa.covariance_s2).mean() == pytest.approx(0.95, abs=0.028)
    assert found.ok.all()


@pytest.mark.slow
def test_echoes_end_the_window_and_leave_the_bearing_alone():
    for pose in waveforms.POSES[1:6:2]:
        error, sd, given, window_s, clean_s = waveforms.pool_row(pose, "phase", None, 150)
        assert given > 0.97
        assert abs(window_s - clean_s) < 1.0 / 30e3
        # Standard error of a share of 95 % in 150 pings: 1.8 %.
        assert np.mean(np.abs(error) < 1.96 * sd) > 0.95 - 3 * 0.018
        bias_error = np.sqrt(np.mean(error**2) / len(error))
        assert abs(np.mean(error)) < 4 * bias_error
    # The whole burst at the farthest of them: noise matters no more, and the answer is wrong.
    error, sd, *_ = waveforms.pool_row(waveforms.POSES[0], "phase", 4e-3, 20)
    assert np.abs(error).min() > 20.0 and sd.max() < 1.0


def test_multiplexed_channels_are_put_right():
    offset = np.arange(4) / (4 * 250e3)
    pings = waveforms.free_field(HALF_WAVE, 250e3, 50.0, 5e-4, trials=16, offset_s=offset)
    truth = pings.arrival_s @ difference_matrix(4).T
    for method in METHODS:
        found = waveforms.measured(pings, HALF_WAVE, waveforms.SPEED, method=method, window_s=5e-4, gain_sd=0.0)
        sd = np.sqrt(np.diagonal(found.tdoa.covariance_s2, axis1=-2, axis2=-1))
        assert np.abs((found.tdoa.tdoa_s - truth) / sd).max() < 5.0, method


def test_a_chirp_is_measured_as_well():
    pinger = waveforms.Pinger(position_m=(0.0, 0.0, 0.0), frequency_hz=30e3, length_s=2e-3, q=4.0, sweep_hz=6e3)
    pings = waveforms.free_field(HALF_WAVE, 250e3, 40.0, 1e-3, trials=200, pinger=pinger)
    found = waveforms.measured(pings, HALF_WAVE, waveforms.SPEED, pinger, window_s=1e-3, gain_sd=0.0)
    error = found.tdoa.tdoa_s - pings.arrival_s @ difference_matrix(4).T
    assert found.ok.all()
    # Standard error of the share: 1.5 %.
    assert inside_region(error, found.tdoa.covariance_s2).mean() > 0.95 - 0.045


def test_gains_that_differ_are_borne():
    gains = np.array([1.05, 0.95, 1.0, 1.03])
    pings = waveforms.free_field(HALF_WAVE, 250e3, 40.0, 5e-4, trials=100)
    segment = Segment(pings.segment.pressure * gains[:, None], 250e3)
    found = measure_tdoa(
        segment, TONE, noise_density=pings.noise_density * gains**2, onset_s=pings.guess_s, hydrophones_m=HALF_WAVE,
        sound_speed_m_s=waveforms.SPEED, window_s=5e-4,
    )  # fmt: skip
    error = found.tdoa.tdoa_s - pings.arrival_s @ difference_matrix(4).T
    assert inside_region(error, found.tdoa.covariance_s2).mean() > 0.85


def test_shapes_and_clock():
    pings = waveforms.free_field(HALF_WAVE, 250e3, 40.0, 5e-4, trials=6)
    known = {"noise_density": pings.noise_density, "hydrophones_m": HALF_WAVE, "sound_speed_m_s": waveforms.SPEED}
    flat = measure_tdoa(pings.segment, TONE, onset_s=pings.guess_s, **known)
    shaped = measure_tdoa(
        Segment(pings.segment.pressure.reshape(2, 3, 4, -1), 250e3, start_s=100.0), TONE,
        onset_s=pings.guess_s.reshape(2, 3), **known,
    )  # fmt: skip
    assert shaped.tdoa.tdoa_s.shape == (2, 3, 3) and shaped.ok.shape == (2, 3)
    np.testing.assert_allclose(shaped.tdoa.tdoa_s.reshape(6, 3), flat.tdoa.tdoa_s, atol=1e-15)
    np.testing.assert_allclose(shaped.arrival_s.ravel() - 100.0, flat.arrival_s, atol=1e-12)
    single = measure_tdoa(Segment(pings.segment.pressure[0], 250e3), TONE, onset_s=pings.guess_s[0], **known)
    assert single.tdoa.tdoa_s.shape == (3,) and single.ok.shape == ()
    np.testing.assert_allclose(flat.arrival_s, pings.arrival_s[:, 0], atol=1e-5)
    by_onset = measure_tdoa(pings.segment, TONE, method="onset", onset_s=pings.guess_s, **known).tdoa.covariance_s2
    off = shaped.envelope_delay_s.reshape(6, 3) - pings.arrival_s @ difference_matrix(4).T
    # Of 18 normal errors one is beyond four standard deviations once in 900 times.
    assert np.all(off**2 < 16.0 * np.diagonal(by_onset, axis1=-2, axis2=-1))
    skewed = measure_tdoa(pings.segment, TONE, onset_s=pings.guess_s, skew_sd_s=1e-6, **known)
    added = skewed.tdoa.covariance_s2 - flat.tdoa.covariance_s2
    np.testing.assert_allclose(added, np.broadcast_to(1e-12 * (np.eye(3) + 1.0), added.shape), rtol=1e-9)


def test_what_cannot_be_measured_says_why():
    pings = waveforms.free_field(HALF_WAVE, 250e3, 30.0, 5e-4, trials=6)
    x = pings.segment.pressure.copy()
    x[0, 1] = 0.0
    x[1, 2, 50] = np.nan
    x[2] = np.random.default_rng(1).normal(size=x[2].shape) * np.sqrt(pings.noise_density * 125e3)
    x[3, 3] = np.random.default_rng(2).normal(size=x[3, 3].shape) * np.sqrt(pings.noise_density * 125e3)
    guess = pings.guess_s.copy()
    guess[4] = 5e-3
    for method in METHODS:
        found = measure_tdoa(
            Segment(x, 250e3), TONE, method=method, noise_density=pings.noise_density, onset_s=guess,
            hydrophones_m=HALF_WAVE, sound_speed_m_s=waveforms.SPEED, window_s=5e-4,
        )  # fmt: skip
        assert found.ok.tolist() == [False, False, False, False, False, True]
        assert found.reason[0].startswith("channel 1 is below threshold")
        assert found.reason[1] == "samples or noise density are not finite"
        assert found.reason[2].startswith("the burst")
        assert found.reason[3].startswith("channel 3 is below threshold")
        assert found.reason[4] != ""
        assert np.isnan(found.tdoa.tdoa_s[:5]).all() and np.isfinite(found.tdoa.tdoa_s[5]).all()


def test_too_short_a_window_says_so():
    pings = waveforms.free_field(HALF_WAVE, 250e3, 30.0, 5e-4, trials=2)
    found = waveforms.measured(pings, HALF_WAVE, waveforms.SPEED, window_s=2e-5)
    assert set(found.reason) == {"the window holds less than a cycle"}


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"method": "guess"}, "method='guess': expected one of phase, correlation, phat, onset"),
        ({"hydrophones_m": np.zeros((3, 3))}, r"hydrophones_m has shape \(3, 3\): expected \(4, 3\)"),
        ({"window_s": 0.0}, "window_s=0 must be finite and above 0"),
        ({"onset_s": np.zeros(3)}, r"onset_s has shape \(3,\)"),
        ({"sound_speed_m_s": -1.0}, "sound_speed_m_s=-1"),
        ({"gain_sd": -0.1}, "gain_sd=-0.1"),
    ],
)
def test_wrong_arguments(change, text):
    arguments = {"noise_density": 1.0, "onset_s": 1e-4, "hydrophones_m": HALF_WAVE, "sound_speed_m_s": 1480.0}
    with pytest.raises(ParameterError, match=text):
        measure_tdoa(Segment(np.ones((2, 4, 200)), 250e3), TONE, **(arguments | change))


def test_sample_rate_under_twice_the_frequency():
    with pytest.raises(ParameterError, match="the sample rate of 48000 Hz is under twice that"):
        measure_tdoa(
            Segment(np.ones((4, 200)), 48e3), TONE, noise_density=1.0, onset_s=1e-4, hydrophones_m=HALF_WAVE,
            sound_speed_m_s=1480.0,
        )  # fmt: skip


@pytest.mark.parametrize("method", ["phase", "correlation"])
def test_within_half_a_wavelength_no_cycle_is_mistaken(method):
    """A long tone's correlation is nearly as high one cycle off; the distance alone rules that out."""
    pings = waveforms.free_field(HALF_WAVE, 250e3, 35.0, 3e-3, trials=100)
    found = waveforms.measured(pings, HALF_WAVE, waveforms.SPEED, method=method, window_s=3e-3, gain_sd=0.0)
    error = found.tdoa.tdoa_s - pings.arrival_s @ difference_matrix(4).T
    assert found.ok.all() and np.abs(error).max() < 1e-6
    assert found.integer_probability.min() > 0.999


def _bursts(starts_s, echoes_s, *, seed=11, seconds=8e-3, rate=192e3, sd=0.01):
    """Pings at a square of 12 mm, each with an echo of 0.8 that follows at every channel after its own time."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * rate)) / rate
    lag = np.array([0.0, 3e-6, -2e-6, 4e-6])
    since = t - np.reshape(starts_s, (-1, 1, 1)) - lag[:, None]

    def wave(s):
        return (TONE.complex_envelope(s) * np.exp(1j * TONE.carrier * s)).real

    x = wave(since) + 0.8 * wave(since - np.reshape(echoes_s, (-1, 1, 1)))
    return Segment(x + sd * rng.standard_normal(x.shape), rate), 2 * sd**2 / rate


@pytest.mark.parametrize("method", list(METHODS))
def test_a_ping_alone_and_in_a_batch_has_the_same_tdoa(method):
    period = 1 / TONE.frequency_hz
    # Echoes that leave windows of several lengths, first guesses early and late, and segments that end before the
    # burst does: some with most of it, some with just enough to measure.
    starts = np.array([2e-3, 2e-3, 2e-3, 0.9e-3, 3.6e-3, 5.0e-3, 7.1e-3, 7.6e-3])
    guesses = starts + period * np.array([0.0, 0.0, 0.0, 2.3, -1.7, 0.4, -0.6, 1.1])
    segment, density = _bursts(starts, [2.5e-4, 6e-4, 1.5e-3, 3e-4, 9.0, 9.0, 2e-4, 9.0])
    # Sound speeds with which the longest delay is now more, now less than a step of the first search.
    speeds = np.linspace(1400.0, 1480.0, 8)
    known = {"method": method, "noise_density": density, "hydrophones_m": HALF_WAVE}
    batch = measure_tdoa(segment, TONE, onset_s=guesses, sound_speed_m_s=speeds, **known)
    assert batch.ok.all() and len(set(batch.window_s)) >= 6  # else nothing is shown
    for i, (guess, speed) in enumerate(zip(guesses, speeds, strict=True)):
        one = Segment(segment.pressure[i], segment.sample_rate_hz)
        alone = measure_tdoa(one, TONE, onset_s=guess, sound_speed_m_s=speed, **known)
        assert alone.window_s == batch.window_s[i]
        # Sums may round in another order: a femtosecond, of delays of microseconds.
        np.testing.assert_allclose(alone.tdoa.tdoa_s, batch.tdoa.tdoa_s[i], rtol=0, atol=1e-15)
        np.testing.assert_allclose(alone.tdoa.covariance_s2, batch.tdoa.covariance_s2[i], rtol=1e-8)
        np.testing.assert_allclose(alone.integer_probability, batch.integer_probability[i], rtol=1e-9)


def test_a_first_guess_far_from_the_burst_is_not_called_a_weak_burst():
    known = {"hydrophones_m": HALF_WAVE, "sound_speed_m_s": 1480.0}
    segment, density = _bursts([3e-3], [9.0])
    early = measure_tdoa(segment, TONE, onset_s=1e-3, noise_density=density, **known)
    assert not early.ok[0] and "first guess" in early.reason[0]
    # Noise alone is still weak; by the limit of 1e-3 a channel, 20 pings of 4 channels pass with a chance of 8 %.
    rng = np.random.default_rng(12)
    noise = Segment(rng.standard_normal((20, 4, 1536)), 192e3)
    alone = measure_tdoa(noise, TONE, onset_s=3e-3, noise_density=2 / 192e3, **known)
    assert not any("first guess" in r for r in alone.reason)
