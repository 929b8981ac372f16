"""When the burst begins at each channel, by the build-up that its transducer gives it."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtri

from acoustics.base.frames import Floats
from acoustics.base.least_squares import transposed
from acoustics.base.record import record
from acoustics.base.running import running_minimum
from acoustics.estimate.tdoa.burst_sums import BurstSums, CarriedSegments
from acoustics.estimate.tdoa.segment import align_segments
from acoustics.physics.burst import Burst
from acoustics.physics.timing_bounds import onset_excess

# How far the first guess may be off; flat: halved or doubled, accuracy moves under 5 % (benchmarks/constants.py)
SEARCH_CYCLES = 4.0
# Noise before the burst that an onset is told from;
# flat: halved or doubled, no accuracy moves (benchmarks/constants.py)
_QUIET_CYCLES = 3.0
_STEPS_PER_CYCLE = 4  # halved or doubled, phase moves under 5 % (benchmarks/constants.py)
# Gain in chi-square from which on a burst is there, also as a share of the largest, later in the burst. More of it
# tells nothing about the beginning.
_CLEAR, _CLEAR_SHARE = 25.0, 0.03
_FALSE_BURST = (
    1e-3  # chance that a channel's noise is taken for a burst; a convention, only the reason given hangs on it
)
# Of each channel, of which the fit makes noise look like signal;
# flat: halved or doubled, accuracy moves under 5 % (benchmarks/constants.py)
_UNKNOWNS = 3.0
# Equal gains, but for the arithmetic; flat: halved or doubled, accuracy moves under 5 % (benchmarks/constants.py)
_LEAST_GAIN_SD = 1e-4
# How far a fitted onset may be from where the fit began; flat: it only ends a fit that has lost the burst
_FARTHEST_HALF_CYCLES = 8
# An onset that echoes have moved is anywhere within so much of where it was found.
LOST_CYCLES = 10.0
# Root mean square of one over the direct sound's travel time, for ranges from 2 to 200 m, each ratio as likely. With
# twice as much more integers of weak wide arrays far away are wrong, and near the pinger no fewer.
_NEARNESS_HZ = 250.0


@record
class BuildUp:
    """The direct sound fitted to the samples of m pings, up to a time after its arrival at each channel.

    Parameters
    ----------
    onset_s : ndarray, shape (m, n_channels)
        When the burst begins, by its envelope, less the first guess [s].
    phase : ndarray, shape (m, n_channels)
        Of the carrier at the first guess [rad].
    amplitude : ndarray, shape (m, n_channels)
        Peak on the burst's plateau, in standard deviations of the channel's samples.
    common_amplitude : ndarray, shape (m, n_channels)
        That which all channels share; in the same units.
    expected_amplitude : ndarray, shape (m, n_channels)
        The same with what the distances make of it, each channel's own within `gain_sd`.
    onset_covariance_s2, phase_covariance : ndarray, shape (m, n_channels, n_channels)
        Of both, what is common to the channels included [s^2], [rad^2].
    energy_ratio : ndarray, shape (m, n_channels)
        2 E / N0 of what was fitted [1].
    """

    onset_s: Floats
    phase: Floats
    amplitude: Floats
    common_amplitude: Floats
    expected_amplitude: Floats
    onset_covariance_s2: Floats
    phase_covariance: Floats
    energy_ratio: Floats

    def some(self, rows: NDArray[np.intp]) -> BuildUp:
        """The same of some of the pings."""
        return BuildUp(**{name: value[rows] for name, value in vars(self).items()})


def travel_steps(travel_s: Floats, burst: Burst) -> NDArray[np.intp]:
    """Longest possible delays [s] of any shape in steps of the search by `first_onsets`."""
    return np.ceil(travel_s * burst.frequency_hz * _STEPS_PER_CYCLE).astype(np.intp)


def first_onsets(
    pressure: Floats,
    sample_rate_hz: float,
    offset_s: Floats,
    burst: Burst,
    *,
    noise_density: Floats,
    onset_s: Floats,
    travel_steps: NDArray[np.intp],
    window_s: float,
) -> tuple[Floats, Floats]:
    """Rough onsets, to a quarter of a cycle, by search about the first guess.

    Parameters
    ----------
    pressure : ndarray, shape (m, n_channels, n_samples)
        Samples.
    sample_rate_hz, offset_s, burst, noise_density, onset_s
        As `measure_tdoa` takes them, flat.
    travel_steps : ndarray of int, shape (n_channels, n_channels)
        Longest possible delay between two channels, from `travel_steps`.
    window_s : float
        How much of the burst to look at.

    Returns
    -------
    onset_s : ndarray, shape (m, n_channels)
        Less the first guess [s].
    gain : ndarray, shape (m, n_channels)
        Drop of chi-square by the burst: 2 E / N0 and 2 by chance.

    Notes
    -----
    For each begin the samples before it should be noise and those in the window the burst. Chi-square says how
    well that holds; an early begin in mere noise fits as well and is ruled out by asking for a burst that is
    clearly there, no matter how strong. Channels vote together as far as the distances between them allow.
    """
    period = 1.0 / burst.frequency_hz
    step = period / _STEPS_PER_CYCLE
    farthest = int(travel_steps.max())
    reach = int(SEARCH_CYCLES * _STEPS_PER_CYCLE) + farthest
    begins = np.arange(-reach, reach + 1) * step
    quiet = _QUIET_CYCLES * period
    # Cut at the sample next to the guess: one set of templates then serves all pings.
    nearest = np.round(onset_s * sample_rate_hz) / sample_rate_hz
    in_band, share = _band_limited(pressure, sample_rate_hz, burst)
    aligned = align_segments(
        in_band,
        sample_rate_hz,
        np.zeros_like(offset_s),
        noise_density=noise_density,
        onset_s=nearest,
        from_s=np.full(pressure.shape[:2], begins[0] - quiet),
        length_s=quiet + begins[-1] - begins[0] + window_s,
    )
    # On the grid of the samples: by the first ping's times it would round as that ping's guess does.
    time = np.round(aligned.time_s[0] * sample_rate_hz) / sample_rate_hz + offset_s[:, None]
    counts = share * np.cumsum(aligned.held, axis=-1)
    energy = np.cumsum(aligned.samples**2, axis=-1)
    excess, gain = (np.empty((*pressure.shape[:2], len(begins))) for _ in range(2))
    for offset in np.unique(offset_s):  # channels that are sampled together have the same templates
        alike = np.flatnonzero(offset_s == offset)
        since = time[alike[0]] - begins[:, None]
        inside = (since >= 0) & (since < window_s)
        wave = burst.complex_envelope(since) * np.exp(1j * burst.carrier * since) * inside
        templates = np.concatenate(_orthonormal(wave.real, wave.imag))
        first, second = np.split(aligned.samples[:, alike] @ templates.T, 2, axis=-1)
        gain[:, alike] = first**2 + second**2
        end = np.maximum(np.sum(since < window_s, axis=-1) - 1, 0)
        excess[:, alike] = (energy - counts)[:, alike][..., end]
    clear = np.maximum(_CLEAR_SHARE * gain.max(axis=-1, keepdims=True), _CLEAR)
    score = excess - gain - np.minimum(gain, clear)
    total = score.copy()
    wide = np.pad(score, ((0, 0), (0, 0), (farthest, farthest)), constant_values=np.inf)
    for i, j in itertools.permutations(range(score.shape[1]), 2):
        beyond = farthest - int(travel_steps[i, j])
        total[:, i] += running_minimum(wide[:, j, beyond : wide.shape[-1] - beyond], 2 * (farthest - beyond) + 1)
    best = np.argmin(total, axis=-1)
    rough = begins[best] + (nearest - onset_s)[:, None]
    return rough, np.take_along_axis(gain, best[..., None], axis=-1)[..., 0]


def heard_anywhere(
    pressure: Floats, sample_rate_hz: float, burst: Burst, *, noise_density: Floats
) -> NDArray[np.bool_]:
    """Whether a burst begins anywhere in pings (m, n_channels, n_samples), clearly above the noise, shape (m,).

    The drop of chi-square by the burst at its best begin, mean over the channels. Noise alone gives a channel
    chi-square of 2 degrees of freedom at each begin; the limit is Bonferroni's for all begins of a channel, and a
    mean is above it only where some channel is.
    """
    if not len(pressure):
        return np.zeros(0, dtype=bool)
    time = np.arange(1, max(int(np.ceil(burst.length_s * sample_rate_hz)), 2)) / sample_rate_hz
    wave = burst.complex_envelope(time) * np.exp(1j * burst.carrier * time)
    wave /= np.sqrt(0.5 * np.sum(np.abs(wave) ** 2))
    sd = np.sqrt(noise_density * sample_rate_hz / 2.0)[..., None]
    # All lags of the correlation; scipy.signal, which has one, takes seconds to load.
    n = scipy.fft.next_fast_len(pressure.shape[-1] + len(wave) - 1)
    found = np.abs(scipy.fft.ifft(scipy.fft.fft(pressure / sd, n) * np.conj(scipy.fft.fft(wave, n)))) ** 2
    limit = chdtri(2.0, _FALSE_BURST / pressure.shape[-1])
    return np.asarray(found.max(axis=-1).mean(axis=-1) > limit)


def fit_build_up(
    carried: CarriedSegments,
    onset_s: Floats,
    *,
    window_s: Floats,
    noise_sd: Floats,
    gain_sd: float,
    iterations: int = 6,
    apart_s: ArrayLike = 0.0,
) -> BuildUp:
    """Fit amplitude, phase and onset of the direct sound, each channel up to `window_s` after its own onset.

    Parameters
    ----------
    carried : CarriedSegments
        Samples of m pings, on the carrier of what was sent.
    onset_s : ndarray, shape (m, n_channels)
        Start of the fit, less the first guess [s].
    window_s : ndarray, shape (m,)
        Length of the part that is fitted [s].
    noise_sd : ndarray, shape (m, n_channels)
        By which the samples were divided.
    gain_sd : float
        Relative standard deviation of the amplitude from channel to channel. The onset leans on it: a weak burst
        and a late one look alike.
    iterations : int
        Steps; two are enough from the onsets of a window that was little shorter.
    apart_s : array_like, shape () or (m,)
        How far the onsets of two channels may be from each other [s]: a weak burst's may be anywhere in that.

    Notes
    -----
    Gauss-Newton on all channels together, with limits on its steps: it solves for the amplitude outright, so it needs
    none of the damping of `levenberg`. The carrier's phase is free at each channel, so the onset rests on the envelope
    alone and its errors are independent of those of the phase, but for windows of a cycle or less.

    Of the amplitude's fall with the distance (`spreading`) the size is one more unknown, normal of variance 1.
    """
    n = onset_s.shape[1]
    scale = noise_sd.mean(axis=-1, keepdims=True) / noise_sd
    onset, longest = onset_s, 0.5 / carried.burst.frequency_hz
    for step in range(iterations):
        sums = BurstSums.of(carried, onset, window_s[:, None])
        if not step:
            phase, amplitude = _start(sums, scale)
        normal, right = sums.normal_equations(phase)
        normal, right = normal * scale[..., None, None] ** 2, right * scale[..., None]
        solution, expected, own, common = _solve(normal, right, amplitude, spreading(onset), gain_sd)
        amplitude = solution[..., 0]
        size = np.maximum(amplitude.mean(axis=-1), 1e-9)[:, None]
        phase = phase + np.clip(solution[..., 1] / size, -1.0, 1.0)
        onset = onset + np.clip(solution[..., 2] / size, -longest, longest)
    farthest = _FARTHEST_HALF_CYCLES * longest
    onset = np.clip(onset, onset_s - farthest, onset_s + farthest)
    # Else weak bursts would seem stronger than they are.
    fitted = np.maximum(amplitude, 0.0) ** 2 * normal[..., 0, 0]
    ratio = np.maximum(fitted - _UNKNOWNS, 0.1)
    size = size * np.sqrt(np.sum(ratio, axis=-1) / np.maximum(np.sum(fitted, axis=-1), 0.1))[:, None]
    phase_2, onset_s2 = (
        (np.eye(n) * own[..., k, None, k] + common[..., k, :] @ transposed(common[..., k, :])) / size[..., None] ** 2
        for k in (1, 2)
    )
    own_sd = np.sqrt(np.maximum(np.diagonal(onset_s2, axis1=-2, axis2=-1), 0.0))
    own_sd = np.where(np.isfinite(own_sd), own_sd, np.inf)
    frequency_hz, q = carried.burst.frequency_hz, carried.burst.q
    stretch = np.sqrt(onset_excess(own_sd, window_s[:, None], frequency_hz=frequency_hz, q=q))
    anywhere = farthest + np.asarray(apart_s)[..., None, None]
    return BuildUp(
        onset_s=onset,
        phase=phase,
        amplitude=amplitude * scale,
        common_amplitude=amplitude.mean(axis=-1, keepdims=True) * scale,
        expected_amplitude=np.maximum(expected, 0.0) * scale,
        onset_covariance_s2=_at_most(stretch[:, :, None] * onset_s2 * stretch[:, None, :], anywhere),
        phase_covariance=_at_most(phase_2, np.pi),
        energy_ratio=ratio,
    )


def spreading(onset_s: Floats) -> Floats:
    """Relative change of the amplitude from channel to channel (m, n_channels) by how far they are from the pinger.

    The amplitude falls as one over the distance (spherical spreading), so to first order by the onset's delay over the
    travel time. That is not known; here its inverse is as large as its standard deviation beforehand.
    """
    return np.asarray(-_NEARNESS_HZ * (onset_s - onset_s.mean(axis=-1, keepdims=True)))


def with_lost_onsets(fit: BuildUp, lost: Floats, burst: Burst) -> BuildUp:
    """The fit with onsets that are, with a probability at each ping (m,), anywhere about."""
    anywhere_s2 = (LOST_CYCLES / burst.frequency_hz) ** 2 / 3.0
    more = (lost * anywhere_s2)[:, None, None] * np.eye(fit.onset_s.shape[-1])
    return replace(fit, onset_covariance_s2=fit.onset_covariance_s2 + more)


def _at_most(covariance: Floats, farthest: ArrayLike) -> Floats:
    """Covariance (..., n, n) with no variance above that of a value anywhere within +-`farthest`, correlations kept.

    Nothing is less well known than that. A channel without a burst has any variance in a linear fit, and beside it the
    others would be lost in rounding.
    """
    own = np.diagonal(covariance, axis1=-2, axis2=-1)
    shrink = np.sqrt(np.minimum(1.0, np.square(farthest) / 3.0 / np.maximum(own, 1e-300)[..., None]))
    return np.asarray(covariance * shrink * np.swapaxes(shrink, -1, -2))


def _start(sums: BurstSums, scale: Floats) -> tuple[Floats, Floats]:
    """Phase and amplitude of each channel for given onsets, by linear least squares."""
    normal, right = sums.normal_equations(np.zeros_like(scale))
    uu, uv, vv = normal[..., 0, 0], normal[..., 0, 1], normal[..., 1, 1]
    ux, vx = right[..., 0], right[..., 1]
    det = np.maximum(uu * vv - uv**2, 1e-300)
    real, imag = (vv * ux - uv * vx) / det, (uu * vx - uv * ux) / det
    return np.arctan2(imag, real), np.hypot(real, imag) / scale


def _solve(
    normal: Floats, right: Floats, amplitude: Floats, weaker: Floats, gain_sd: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """Amplitudes and steps times amplitude, (m, n, 3), the amplitudes to be expected (m, n), covariances (m, n, 3, 3)
    of each channel alone, and the roots (m, n, 3, 2) of what is common to the channels and comes on top of these.

    Two more unknowns are the amplitude that all channels share and its change by delay, each channel's own within
    `gain_sd` of theirs; they are eliminated.
    """
    size = np.maximum(np.abs(amplitude).mean(axis=-1), 1e-6)
    tie = ((max(gain_sd, _LEAST_GAIN_SD) * size) ** -2)[:, None]
    matrix = normal.copy()
    matrix[..., 0, 0] += tie
    # A channel without samples keeps its start.
    diagonal = np.arange(3)
    matrix[..., diagonal, diagonal] += 1e-12 * matrix[..., diagonal, diagonal] + 1e-30
    own: Floats = np.linalg.inv(matrix).astype(float, copy=False)
    solution, leans = (own @ right[..., None])[..., 0], tie[..., None] * own[..., 0]
    # Of a sample or two an amplitude may be beyond all bounds, the tie nothing, and what is left lost in rounding.
    told = tie * np.maximum(1.0 - leans[..., 0], 1e-12)
    expected, roots = _expected(told, tie * solution[..., 0], weaker, size**-2)
    return solution + leans * expected[..., None], expected, own, leans[..., None] * roots[..., None, :]


def _expected(told: Floats, found: Floats, weaker: Floats, prior: Floats) -> tuple[Floats, Floats]:
    """Amplitudes to be expected at the channels (m, n), and the roots (m, n, 2) of their covariance.

    They are ``level + change * weaker``. Each channel tells of its own the information `told` and `found`, that times
    its amplitude, (m, n); of the change `prior` (m,) is known before.
    """
    level, both, change = (np.sum(told * by, axis=-1, keepdims=True) for by in (1.0, weaker, weaker**2))
    change += prior[:, None] + 1e-30
    level += 1e-30 - both**2 / change  # once the change is eliminated
    of_change = np.sum(found * weaker, axis=-1, keepdims=True) / change
    lever = 1.0 - weaker * both / change
    shared = (np.sum(found, axis=-1, keepdims=True) - both * of_change) / level
    roots = np.stack([lever / np.sqrt(level), weaker / np.sqrt(change)], axis=-1)
    return shared * lever + of_change * weaker, roots


def _band_limited(pressure: Floats, sample_rate_hz: float, burst: Burst) -> tuple[Floats, float]:
    """Samples without what lies over half the carrier's frequency from it, and the share of white noise that stays."""
    length = pressure.shape[-1]
    frequency = np.fft.rfftfreq(length, 1.0 / sample_rate_hz)
    off = np.abs(frequency - burst.frequency_hz) / burst.frequency_hz
    gain = np.clip(2.0 - 3.0 * off, 0.0, 1.0)  # flat to a third, none from two thirds on
    spectrum = np.fft.rfft(pressure, axis=-1) * gain
    return np.fft.irfft(spectrum, length, axis=-1), float(np.mean(gain**2))


def _orthonormal(first: Floats, second: Floats) -> tuple[Floats, Floats]:
    """Two sets of rows made orthonormal, row by row."""
    first = first / np.maximum(np.linalg.norm(first, axis=-1, keepdims=True), 1e-12)
    second = second - np.sum(first * second, axis=-1, keepdims=True) * first
    return first, second / np.maximum(np.linalg.norm(second, axis=-1, keepdims=True), 1e-12)
