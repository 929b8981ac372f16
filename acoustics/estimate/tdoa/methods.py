"""From the direct sound fitted in a window to delays, by each of the methods that there are."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from acoustics.base.frames import Floats
from acoustics.estimate.tdoa.build_up_misfit import OnsetMisfit, onset_misfit
from acoustics.estimate.tdoa.carrier_phase import phase_delays, with_cycles
from acoustics.estimate.tdoa.correlation import correlation_delays
from acoustics.estimate.tdoa.direct_sound import DirectSound
from acoustics.estimate.tdoa.integer_ambiguity import IntegerAlternatives
from acoustics.physics.burst import Burst
from acoustics.physics.tdoa import difference_matrix


@dataclass(frozen=True)
class KnownArray:
    """What the methods know beside the samples."""

    burst: Burst
    hydrophones_m: Floats
    sound_speed_m_s: float
    travel_s: Floats  # (n, n)
    sound_speed_sd_m_s: float
    # (n, n), of skew, mounting and the wave's curvature: with them the search for cycles must bear.
    shared_covariance_s2: Floats
    gain_sd: float
    n_alternatives: int
    keep_onsets: bool = False


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
    coarse = _by_onset(sound, array)
    d = difference_matrix(sound.phase.shape[-1])
    lasting_s2 = phase_delays(sound.phase, sound.lasting_covariance, array.burst.carrier)[1]
    share = np.trace(lasting_s2, axis1=-2, axis2=-1) / np.trace(fine_s2, axis1=-2, axis2=-1)

    def misfit(rows: NDArray[np.intp]) -> OnsetMisfit:
        return onset_misfit(sound, rows, array.burst, fine[rows], gain_sd=array.gain_sd)

    onsets = misfit(np.arange(len(fine))) if array.keep_onsets else None
    delay, alternatives = with_cycles(
        fine, fine_s2 + d @ array.shared_covariance_s2 @ d.T, coarse.tdoa_s, coarse.covariance_s2,
        hydrophones_m=array.hydrophones_m, sound_speed_m_s=array.sound_speed_m_s,
        sound_speed_sd_m_s=array.sound_speed_sd_m_s, frequency_hz=array.burst.frequency_hz,
        envelope_misfit=misfit if onsets is None else onsets.of,
        n_alternatives=array.n_alternatives,
    )  # fmt: skip
    if onsets is not None:  # the delays are those of the best vector, and so is what the onsets add to them
        best = np.rint((delay - fine) * array.burst.frequency_hz).astype(np.int64)
        onsets = OnsetMisfit(onsets.cycles - best, onsets.steps)
    return Answer(delay, fine_s2, alternatives.weight[:, 0], alternatives, share, onsets)


def _by_correlation(sound: DirectSound, array: KnownArray, *, whiten: bool = False) -> Answer:
    travel_s = array.travel_s[0]
    delay, covariance = correlation_delays(
        sound.carried, array.burst, sound.fit.onset_s, window_s=sound.window_s, travel_s=travel_s, whiten=whiten
    )
    # By the envelope, each pair for itself: only a pair well within half a wavelength has but one peak.
    sd = np.sqrt(np.diagonal(_by_onset(sound, array).covariance_s2, axis1=-2, axis2=-1))
    half = 0.5 / array.burst.frequency_hz
    right = np.where(travel_s[1:] <= 0.75 * half, 1.0, erf(half / (np.sqrt(2.0) * sd)))
    return Answer(delay, covariance, np.prod(right, axis=-1))


def _by_whitened_correlation(sound: DirectSound, array: KnownArray) -> Answer:
    return _by_correlation(sound, array, whiten=True)


METHODS: dict[str, Callable[[DirectSound, KnownArray], Answer]] = {
    "phase": _by_phase,
    "correlation": _by_correlation,
    "phat": _by_whitened_correlation,
    "onset": _by_onset,
}
