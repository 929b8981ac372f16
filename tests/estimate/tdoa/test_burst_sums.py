"""Sums over bursts on their carrier, against waves written out sample by sample."""

import numpy as np
import pytest

from acoustics.estimate.tdoa.burst_sums import BurstSums, CarriedSegments
from acoustics.estimate.tdoa.direct_fit import DirectFit
from acoustics.estimate.tdoa.segment import AlignedSegments
from acoustics.physics.burst import Burst

PERIOD, WINDOW_S, BEGINS_S, UNTIL_S = 1 / 30e3, 2e-4, np.array([2e-5, 1.1e-4]), np.array([9e-5, 1.6e-4])
BURSTS = {
    "tone": Burst(30e3, 1e-3, 8.0),
    "tone that ends": Burst(30e3, 1.5e-4, 8.0),
    "chirp": Burst(30e3, 1e-3, 8, 9e3),
}


@pytest.mark.parametrize("gaps", [False, True], ids=["whole", "gaps"])
@pytest.mark.parametrize("burst", BURSTS.values(), ids=BURSTS)
def test_sums_are_those_of_waves(burst, gaps):
    rng = np.random.default_rng(1)
    time = np.arange(90) / 250e3 - 3 * PERIOD + 1e-6 * rng.uniform(size=(2, 3, 1))
    # Samples without gaps begin before the burst or after, and end before its window does or after.
    first, end = np.array([[0, 5, 20], [0, 2, 30]])[..., None], np.array([[90, 80, 60], [70, 50, 88]])[..., None]
    whole = (np.arange(90) >= first) & (np.arange(90) < end)
    held = rng.uniform(size=time.shape) < 0.95 if gaps else whole
    aligned = AlignedSegments(rng.normal(size=time.shape), time, held)
    onset, phase = 1e-5 * rng.normal(size=(2, 3)), rng.uniform(-3, 3, (2, 3))
    sums = BurstSums.of(CarriedSegments.of(aligned, burst), onset, WINDOW_S)
    assert (sums.running is None) == (gaps or burst is not BURSTS["tone"])
    normal, right = sums.normal_equations(phase)
    direct = DirectFit.of(sums, phase, ridge=0.0)
    echoes, ended = direct.echoes(BEGINS_S), direct.echoes(BEGINS_S, UNTIL_S)
    for at in np.ndindex(2, 3):
        counts = aligned.held[at] & (time[at] < onset[at] + WINDOW_S)
        t, x = time[at][counts], aligned.samples[at][counts]

        def wave(o=0.0, p=0.0, a=1.0, t=t, at=at):
            return (
                a * (burst.complex_envelope(t - onset[at] - o) * np.exp(1j * (burst.carrier * t + phase[at] + p))).real
            )

        late = 1e-10  # the slope has a corner at the onset, which no sample is this near to
        columns = np.array([wave(), (wave(p=1e-6) - wave(p=-1e-6)) / 2e-6, (wave(late) - wave(-late)) / (2 * late)])
        np.testing.assert_allclose(normal[at], columns @ columns.T, rtol=1e-5, atol=1e-5 * np.abs(normal[at]).max())
        np.testing.assert_allclose(right[at], columns @ x, rtol=1e-5, atol=1e-5 * np.abs(right[at]).max())
        for k, begin in enumerate(BEGINS_S):
            pair = np.array([wave(begin), wave(begin, p=np.pi / 2)])
            left = np.stack([y - columns.T @ np.linalg.lstsq(columns.T, y, rcond=None)[0] for y in (*pair, x)])
            np.testing.assert_allclose(echoes.square[at][k], np.sum(pair**2, axis=-1), rtol=1e-9)
            np.testing.assert_allclose(ended.square[at][k + len(BEGINS_S)], echoes.square[at][k], rtol=1e-9)
            early = pair[:, t - onset[at] < UNTIL_S[k]]
            np.testing.assert_allclose(ended.square[at][k], np.sum(early**2, axis=-1), rtol=1e-9)
            np.testing.assert_allclose(echoes.normal[at][k], left[:2] @ left[:2].T, atol=1e-5)
            np.testing.assert_allclose(echoes.right[at][k], pair @ left[2], atol=1e-4)


def test_an_echo_that_begins_just_before_the_last_sample_has_no_negative_square():
    """Of differences of running sums rounding leaves more than there is."""
    rng = np.random.default_rng(2)
    time = np.tile(np.arange(200) / 250e3, (200, 3, 1))
    aligned = AlignedSegments(rng.normal(size=time.shape), time, np.ones(time.shape, dtype=bool))
    sums = BurstSums.of(CarriedSegments.of(aligned, BURSTS["tone"]), np.zeros((200, 3)), time[0, 0, 100] + 1e-6)
    direct = DirectFit.of(sums, rng.uniform(-3, 3, (200, 3)), ridge=1e-9)
    assert np.min(direct.echoes(time[0, 0, 100] - np.geomspace(1e-13, 1e-8, 40)).square) >= 0.0
