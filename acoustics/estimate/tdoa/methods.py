"""From the direct sound fitted in a window to delays, by each of the methods that there are."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.estimate.tdoa.build_up_misfit import OnsetMisfit, onset_misfit
from acoustics.estimate.tdoa.carrier_phase import phase_delays, with_cycles
from acoustics.estimate.tdoa.correlation import correlation_delays
from acoustics.estimate.tdoa.direct_sound import DirectSound
from acoustics.estimate.tdoa.integer_ambiguity import IntegerAlternatives
from acoustics.estimate.tdoa.toa import with_lost_onsets
from acoustics.physics.burst import Burst
from acoustics.physics.error_model import channel_variance_s2
from acoustics.physics.tdoa import curvature_covariance, difference_matrix


@record
class KnownArray:
    """What the methods know beside the samples."""

    burst: Burst
    hydrophones_m: Floats
    element_sd_m: Floats
    skew_sd_s: float
    gain_sd: float
    sound_speed_m_s: Floats
    sound_speed_sd_m_s: float = 0.0
    nearest_m: float = np.inf
    n_alternatives: int = 1
    keep_onsets: bool = False

    def speeds(self) -> Iterator[tuple[float, NDArray[np.intp]]]:
        """Each sound speed, and the pings that have it."""
        for speed in np.unique(self.sound_speed_m_s):
            yield float(speed), np.flatnonzero(self.sound_speed_m_s == speed)

    def travel_s(self, speed: float) -> Floats:
        """Longest possible delays against the first hydrophone, (n,) [s]."""
        return np.linalg.norm(self.hydrophones_m - self.hydrophones_m[0], axis=-1) / speed

    def shared_covariance_s2(self, speed: float) -> Floats:
        """Of skew, mounting and the wave's curvature, (n, n) [s^2]: with them the search for cycles must bear."""
        own = np.diag(channel_variance_s2(self.skew_sd_s, self.element_sd_m, speed))
        return own + curvature_covariance(self.hydrophones_m, speed, self.nearest_m)


class Answer(NamedTuple):
    """Time differences (m, n - 1) [s], covariance (m, n - 1, n - 1) [s^2], probability of the cycles (m,); the best
    vectors of integers where they were compared, the lasting share of the covariance (m,), and the misfit of the onsets
    where it is kept."""

    tdoa_s: Floats
    covariance_s2: Floats
    probability: Floats
    alternatives: IntegerAlternatives | None = None
    lasting_share: Floats | None = None
    onsets: OnsetMisfit | None = None


def _by_onset(sound: DirectSound, array: KnownArray) -> Answer:
    d = difference_matrix(sound.fit.onset_s.shape[-1])
    return Answer(sound.fit.onset_s @ d.T, d @ sound.fit.onset_covariance_s2 @ d.T, np.ones(len(sound.window_s)))


def _by_phase(sound: DirectSound, array: KnownArray) -> Answer:
    fine, fine_s2 = phase_delays(sound.phase, sound.phase_covariance, array.burst.carrier)
    lost = with_lost_onsets(sound.fit, sound.onset_moved, array.burst)
    coarse = _by_onset(replace(sound, fit=lost), array)
    d = difference_matrix(sound.phase.shape[-1])
    lasting_s2 = phase_delays(sound.phase, sound.lasting_covariance, array.burst.carrier)[1]
    share = np.trace(lasting_s2, axis1=-2, axis2=-1) / np.trace(fine_s2, axis1=-2, axis2=-1)

    every = np.arange(len(fine))
    onsets = onset_misfit(sound, every, array.burst, fine, gain_sd=array.gain_sd) if array.keep_onsets else None

    def misfit(alike: NDArray[np.intp], some: NDArray[np.intp]) -> OnsetMisfit:
        of = alike[some]
        return (
            onset_misfit(sound, of, array.burst, fine[of], gain_sd=array.gain_sd) if onsets is None else onsets.of(of)
        )

    delay = np.empty_like(fine)
    alternatives = IntegerAlternatives.none(fine.shape[:1], array.n_alternatives, fine.shape[1])
    for speed, rows in array.speeds():
        delay[rows], found = with_cycles(
            fine[rows], fine_s2[rows] + d @ array.shared_covariance_s2(speed) @ d.T,
            coarse.tdoa_s[rows], coarse.covariance_s2[rows],
            hydrophones_m=array.hydrophones_m, sound_speed_m_s=speed,
            sound_speed_sd_m_s=array.sound_speed_sd_m_s, frequency_hz=array.burst.frequency_hz,
            envelope_misfit=partial(misfit, rows),
            n_alternatives=array.n_alternatives,
        )  # fmt: skip
        alternatives.put(rows, found)
    if onsets is not None:  # the delays are those of the best vector, and so is what the onsets add to them
        best = np.rint((delay - fine) * array.burst.frequency_hz).astype(np.int64)
        onsets = OnsetMisfit(onsets.cycles - best, onsets.steps)
    return Answer(delay, fine_s2, alternatives.weight[:, 0], alternatives, share, onsets)


def _by_correlation(sound: DirectSound, array: KnownArray, *, whiten: bool = False) -> Answer:
    coarse, half = _by_onset(sound, array), 0.5 / array.burst.frequency_hz
    # By the envelope, each pair for itself: only a pair well within half a wavelength has but one peak.
    sd = np.sqrt(np.diagonal(coarse.covariance_s2, axis1=-2, axis2=-1))
    right = erf(half / (np.sqrt(2.0) * sd))
    delay, covariance = np.empty_like(coarse.tdoa_s), np.empty_like(coarse.covariance_s2)
    for speed, rows in array.speeds():
        travel_s = array.travel_s(speed)
        delay[rows], covariance[rows] = correlation_delays(
            sound.carried.some(rows), array.burst, sound.fit.onset_s[rows],
            window_s=sound.window_s[rows], travel_s=travel_s, whiten=whiten,
        )  # fmt: skip
        right[np.ix_(rows, travel_s[1:] <= 0.75 * half)] = 1.0
    return Answer(delay, covariance, np.prod(right, axis=-1))


def _by_whitened_correlation(sound: DirectSound, array: KnownArray) -> Answer:
    return _by_correlation(sound, array, whiten=True)


METHODS: dict[str, Callable[[DirectSound, KnownArray], Answer]] = {
    "phase": _by_phase,
    "correlation": _by_correlation,
    "phat": _by_whitened_correlation,
    "onset": _by_onset,
}
