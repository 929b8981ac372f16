"""From samples to the direct sound: find the burst, see how long it is free of multipath, fit it there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from acoustics.base.batches import rows_of
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.estimate.tdoa.burst_sums import BurstSums, CarriedSegments
from acoustics.estimate.tdoa.multipath import LEAST_CYCLES, multipath_free_window
from acoustics.estimate.tdoa.segment import align_segments
from acoustics.estimate.tdoa.toa import SEARCH_CYCLES, BuildUp, first_onsets, fit_build_up, travel_steps
from acoustics.estimate.tdoa.undetected_echo import is_narrow, undetected_echo
from acoustics.estimate.tdoa.unequal_amplitudes import unequal_amplitudes
from acoustics.physics.burst import Burst

# Parts of the burst in which it is looked for, the shortest first: echoes spoil the long ones. Doubled, the RMS beside
# walls nearly doubles (benchmarks/constants.py)
_LOOK_CYCLES = (3.0, 10.0, 30.0, 100.0)
# Chance at a channel that its noise looks better at some wrong begin than the burst does, with which a look is content
_MISTAKEN = 0.01
_MUCH = 3.0  # times as much on average is enough where some channel hears less
_MORE = 1.5  # times what was looked at: from so long a window on a weak burst is found anew in it
_LEAD_CYCLES = 4.0  # flat: halved or doubled, accuracy moves under 5 % (benchmarks/constants.py)


@record
class Pings:
    """m pings to be measured, laid out flat.

    Parameters
    ----------
    pressure : ndarray, shape (m, n_channels, n_samples)
        Samples.
    noise_density : ndarray, shape (m, n_channels)
        One-sided.
    onset_s : ndarray, shape (m,)
        First guess of the arrival after the first sample [s].
    sample_rate_hz : float
        Sample rate [Hz].
    offset_s : ndarray, shape (n_channels,)
        Sampling offsets [s].
    travel_s : ndarray, shape (m or 1, n_channels, n_channels)
        Longest possible delay between two channels [s].
    gain_sd : float
        As `fit_build_up` takes it.
    """

    pressure: Floats
    noise_density: Floats
    onset_s: Floats
    sample_rate_hz: float
    offset_s: Floats
    travel_s: Floats
    gain_sd: float

    @property
    def noise_sd(self) -> Floats:
        """Of the samples, shape (m, n_channels)."""
        return np.sqrt(self.noise_density * self.sample_rate_hz / 2.0)

    @property
    def farthest_s(self) -> Floats:
        """Longest possible delay between any two channels, shape (m or 1,) [s]."""
        return np.asarray(self.travel_s.max(axis=(-1, -2)))

    def some(self, rows: NDArray[np.intp]) -> Pings:
        """The same of some of the pings."""
        return replace(
            self,
            pressure=self.pressure[rows],
            noise_density=self.noise_density[rows],
            onset_s=self.onset_s[rows],
            travel_s=rows_of(self.travel_s, rows),
        )

    @property
    def seconds(self) -> float:
        """What the samples of a channel span [s]."""
        return self.pressure.shape[-1] / self.sample_rate_hz


@record
class DirectSound:
    """The direct sound of m pings.

    Parameters
    ----------
    carried : CarriedSegments
        The samples about it.
    fit : BuildUp
        Amplitude, phase and onset in the window.
    heard : ndarray, shape (m, n_channels)
        Drop of chi-square by the burst at each channel alone, in the window.
    window_s : ndarray, shape (m,)
        Part of the burst that was used [s].
    phase, phase_covariance : ndarray, shapes (m, n_channels) and (m, n_channels, n_channels)
        Those of the fit, with what an undetected echo may do to them [rad], [rad^2].
    lasting_covariance : ndarray, shape (m, n_channels, n_channels)
        What of that an undetected echo does to all pings heard at one place alike [rad^2].
    onset_moved : ndarray, shape (m,)
        Probability of each channel that echoes have moved its onset by anything; the fit's covariance knows nothing of
        it.
    """

    carried: CarriedSegments
    fit: BuildUp
    heard: Floats
    window_s: Floats
    phase: Floats
    phase_covariance: Floats
    lasting_covariance: Floats
    onset_moved: Floats


def fit_direct_sound(
    pings: Pings, burst: Burst, window_s: Floats | float | None, ended: NDArray[np.bool_] | None = None
) -> DirectSound:
    """Find the burst near the first guess and fit it in a window of given length, or in the multipath-free one.

    `window_s`: one for all, or one a ping, (m,) [s]. `ended`, (m,): whether an echo ended it; None: it holds no echo.

    Each ping is treated by itself: what else is in the batch does not change its answer.
    """
    period = 1.0 / burst.frequency_hz
    if window_s is None:
        longest = _longest_windows(pings, burst)
        looks = period * np.array(_LOOK_CYCLES)
        kept_s = max(min(burst.length_s, pings.seconds), LEAST_CYCLES * period)
    else:
        longest = np.broadcast_to(np.asarray(window_s, dtype=float), len(pings.onset_s))
        kept_s = float(longest.max())
        looks = np.array([kept_s])
    rough, looked = _find(pings, burst, looks, longest)
    carried = _carried(pings, burst, rough, kept_s)
    window = longest.copy()
    if window_s is None:
        for look, limit in np.unique(np.stack([looked, longest], axis=-1), axis=0):
            rows = np.flatnonzero((looked == look) & (longest == limit))
            window[rows], rough[rows] = multipath_free_window(
                carried.some(rows),
                rough[rows],
                longest_s=float(limit),
                # What took a long look to be found needs it to be measured.
                shortest_s=LEAST_CYCLES * period if look <= looks[0] else float(look),
                lead_s=_LEAD_CYCLES * period,
                noise_sd=pings.noise_sd[rows],
                gain_sd=pings.gain_sd,
                apart_s=rows_of(pings.farthest_s, rows) + _LEAD_CYCLES * period,
            )
        # A weak burst is found anew in all that may be used of it, which tells its beginning better than a part.
        weak = np.flatnonzero((looked > looks[0]) & (window > _MORE * looked))
        if len(weak):
            rough[weak] = _search(pings.some(weak), burst, window[weak])[0]
            carried = _carried(pings, burst, rough, kept_s)
    fit = fit_build_up(
        carried,
        rough,
        window_s=window,
        noise_sd=pings.noise_sd,
        gain_sd=pings.gain_sd,
        apart_s=pings.farthest_s,
    )
    sums = BurstSums.of(carried, fit.onset_s, window[:, None])
    phase, covariance, lasting = fit.phase, fit.phase_covariance, np.zeros_like(fit.phase_covariance)
    moved = np.zeros(len(window))
    if window_s is None:
        ended = window < longest - 0.25 * period
    if ended is not None:
        term = undetected_echo(sums, fit, window_s=window, ended=ended, travel_s=pings.travel_s)
        phase, covariance = phase + term.phase_shift, covariance + term.phase_covariance
        lasting = term.lasting_covariance
        if not is_narrow(pings.travel_s, burst):
            told, moved = unequal_amplitudes(sums, fit, gain_sd=pings.gain_sd, window_s=window, travel_s=pings.travel_s)
            covariance, lasting = covariance + told, lasting + told
    return DirectSound(carried, fit, _heard_alone(sums, fit.phase), window, phase, covariance, lasting, moved)


def _longest_windows(pings: Pings, burst: Burst) -> Floats:
    """What of the burst is inside each ping's samples at every channel for sure, shape (m,) [s]."""
    period = 1.0 / burst.frequency_hz
    # The guess may be early by as much as the search reaches.
    held = pings.seconds - pings.onset_s - SEARCH_CYCLES * period - pings.farthest_s
    # Where the samples end before the burst does, in half cycles: few lengths, each for many pings.
    held = 0.5 * period * np.floor(held / (0.5 * period) + 1e-6)
    return np.maximum(np.minimum(burst.length_s, held), LEAST_CYCLES * period)


def _heard_alone(sums: BurstSums, phase: Floats) -> Floats:
    """Drop of chi-square (m, n) by the burst in the window, its onset given, of any amplitude and phase."""
    normal, right = sums.normal_equations(phase)
    uu, uv, vv = normal[..., 0, 0], normal[..., 0, 1], normal[..., 1, 1]
    ux, vx = right[..., 0], right[..., 1]
    return np.asarray((vv * ux**2 - 2.0 * uv * ux * vx + uu * vx**2) / np.maximum(uu * vv - uv**2, 1e-9))


def _find(pings: Pings, burst: Burst, looks: Floats, longest: Floats) -> tuple[Floats, Floats]:
    """Rough onsets (m, n), and in how much of the burst each was found (m,) [s].

    Of the looks, in rising order, a ping takes the first, or its longest window if that is shorter, and further ones
    that are shorter than its longest window.
    """
    rough, looked = np.empty(pings.noise_density.shape), np.empty(len(pings.noise_density))
    left = np.arange(len(rough))
    enough = _clearly_there(np.broadcast_to(pings.farthest_s, len(rough)) * burst.frequency_hz)
    for look in looks:
        if look > looks[0]:
            left = left[look < longest[left]]
        looked[left] = np.minimum(look, longest[left])
        rough[left], heard = _search(pings.some(left), burst, looked[left])
        left = left[heard < enough[left]]
        if not len(left):
            break
    return rough, looked


def _search(pings: Pings, burst: Burst, length_s: Floats) -> tuple[Floats, Floats]:
    """Rough onsets (m, n) [s] by so much of the burst (m,) [s], and the drop of chi-square by it (m,) at
    the channel that heard least; no less than a share of the mean, where that one is deaf."""
    rough, heard = np.empty(pings.noise_density.shape), np.empty(len(length_s))
    steps = np.broadcast_to(travel_steps(pings.travel_s, burst), (len(rough), *pings.travel_s.shape[1:]))
    for length, rows in _groups(length_s, steps):
        rough[rows], gain = first_onsets(
            pings.pressure[rows],
            pings.sample_rate_hz,
            pings.offset_s,
            burst,
            noise_density=pings.noise_density[rows],
            onset_s=pings.onset_s[rows],
            travel_steps=steps[rows[0]],
            window_s=length,
        )
        heard[rows] = np.maximum(gain.min(axis=-1), gain.mean(axis=-1) / _MUCH)
    return rough, heard


def _carried(pings: Pings, burst: Burst, rough: Floats, kept_s: float) -> CarriedSegments:
    """The samples from some cycles before rough onsets (m, n) [s] to as many after so much of the burst."""
    lead_s = _LEAD_CYCLES / burst.frequency_hz
    aligned = align_segments(
        pings.pressure,
        pings.sample_rate_hz,
        pings.offset_s,
        noise_density=pings.noise_density,
        onset_s=pings.onset_s,
        from_s=rough - lead_s,
        length_s=2.0 * lead_s + kept_s,
    )
    return CarriedSegments.of(aligned, burst)


def _clearly_there(apart_cycles: Floats) -> Floats:
    """Drop of chi-square at the channel that heard least with which a look is content, by how far onsets may be apart.

    Noise makes one of 2 degrees of freedom at each begin, as many of which differ as there are cycles to search
    (Bonferroni).
    """
    return 2.0 * np.log(2.0 * (SEARCH_CYCLES + apart_cycles) / _MISTAKEN)


def _groups(length_s: Floats, steps: NDArray[np.intp]) -> Iterator[tuple[float, NDArray[np.intp]]]:
    """Rows with equal lengths (m,) and equal steps (m, n, n), and that length."""
    kinds = np.column_stack([length_s, steps.reshape(len(length_s), steps[:1].size)])
    for kind in np.unique(kinds, axis=0):
        yield float(kind[0]), np.flatnonzero((kinds == kind).all(axis=-1))
