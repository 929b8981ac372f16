"""From samples to the direct sound: find the burst, see how long it stays clean, fit it there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from acoustics.base.frames import Floats
from acoustics.estimate.tdoa.multipath import LEAST_CYCLES, clean_part
from acoustics.estimate.tdoa.segment import Cut, cut_out
from acoustics.estimate.tdoa.toa import SEARCH_CYCLES, BuildUp, first_onsets, fit_build_up, quadratures
from acoustics.physics.burst import Burst

# Parts of the burst in which it is looked for, the shortest first: echoes spoil the long ones.
_LOOK_CYCLES = (3.0, 10.0, 30.0, 100.0)
_CLEARLY_THERE = 12.0  # mean drop of chi-square a channel with which a look is content
_LEAD_CYCLES = 4.0


@dataclass(frozen=True)
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
    travel_s : ndarray, shape (n_channels, n_channels)
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
    def seconds(self) -> float:
        """What the samples of a channel span [s]."""
        return self.pressure.shape[-1] / self.sample_rate_hz


@dataclass(frozen=True)
class DirectSound:
    """The direct sound of m pings.

    Parameters
    ----------
    cut : Cut
        The samples about it.
    fit : BuildUp
        Amplitude, phase and onset in the window.
    heard : ndarray, shape (m, n_channels)
        Drop of chi-square by the burst at each channel alone, in the window.
    window_s : ndarray, shape (m,)
        Part of the burst that was used [s].
    """

    cut: Cut
    fit: BuildUp
    heard: Floats
    window_s: Floats


def fit_direct_sound(pings: Pings, burst: Burst, window_s: float | None) -> DirectSound:
    """Find the burst near the first guess and fit it in a window of given length, or in the clean one."""
    period = 1.0 / burst.frequency_hz
    # The guess may be early by as much as the search reaches.
    held = pings.seconds - float(pings.onset_s.max()) - SEARCH_CYCLES * period - float(pings.travel_s.max())
    longest = max(min(burst.length_s, held), LEAST_CYCLES * period)
    looks = [window_s] if window_s is not None else [n * period for n in _LOOK_CYCLES if n * period < longest]
    looks = looks or [longest]
    rough, looked = _find(pings, burst, looks)
    cut = cut_out(
        pings.pressure,
        pings.sample_rate_hz,
        pings.offset_s,
        noise_density=pings.noise_density,
        onset_s=pings.onset_s,
        from_s=rough - _LEAD_CYCLES * period,
        length_s=(2.0 * _LEAD_CYCLES) * period + (longest if window_s is None else window_s),
    )
    window = np.full(len(rough), longest if window_s is None else window_s)
    if window_s is None:
        for look in np.unique(looked):
            rows = np.flatnonzero(looked == look)
            window[rows], rough[rows] = clean_part(
                cut.some(rows),
                burst,
                rough[rows],
                longest_s=longest,
                # What took a long look to be found needs it to be measured.
                shortest_s=LEAST_CYCLES * period if look == looks[0] else look,
                noise_sd=pings.noise_sd[rows],
                gain_sd=pings.gain_sd,
                apart_s=float(pings.travel_s.max()) + _LEAD_CYCLES * period,
            )
    fit = fit_build_up(cut, burst, rough, window_s=window, noise_sd=pings.noise_sd, gain_sd=pings.gain_sd)
    return DirectSound(cut, fit, _heard_alone(cut, burst, fit.onset_s, window), window)


def _heard_alone(cut: Cut, burst: Burst, onset: Floats, window_s: Floats) -> Floats:
    """Drop of chi-square (m, n) by the burst in the window, its onset given, of any amplitude and phase."""
    since = cut.time_s - onset[..., None]
    wave = burst.complex_envelope(since)[0] * np.exp(1j * burst.carrier * since)
    uu, uv, vv, ux, vx = quadratures(wave * cut.before(onset + window_s[:, None]), cut.samples)
    return np.asarray((vv * ux**2 - 2.0 * uv * ux * vx + uu * vx**2) / np.maximum(uu * vv - uv**2, 1e-9))


def _find(pings: Pings, burst: Burst, looks: list[float]) -> tuple[Floats, Floats]:
    """Rough onsets (m, n), and in how much of the burst each was found (m,) [s]."""
    rough, looked = np.empty(pings.noise_density.shape), np.empty(len(pings.noise_density))
    left = np.arange(len(rough))
    for look in looks:
        rough[left], heard = first_onsets(
            pings.pressure[left],
            pings.sample_rate_hz,
            pings.offset_s,
            burst,
            noise_density=pings.noise_density[left],
            onset_s=pings.onset_s[left],
            travel_s=pings.travel_s,
            window_s=look,
        )
        looked[left] = look
        left = left[heard.mean(axis=-1) < _CLEARLY_THERE]
        if not len(left):
            break
    return rough, looked
