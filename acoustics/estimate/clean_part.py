"""How long a burst stays clean: when the samples first need an echo to explain them."""

from __future__ import annotations

import numpy as np
from scipy.special import chdtri

from acoustics.estimate.onset import fit_build_up
from acoustics.estimate.snippet import Burst, Cut
from acoustics.geometry import Floats

LEAST_CYCLES = 2.0  # shorter windows tell too little of amplitude and onset
_LOOK_BACK_CYCLES = 1.5  # of an echo that must be heard before it is believed
_GROWTH = 1.1  # of the window from one test to the next, where it is longer than the step of half a cycle
FALSE_ALARM = 0.01  # chance that a clean burst is cut short, over all tests of a ping


def clean_part(
    cut: Cut, burst: Burst, onset_s: Floats, *, longest_s: float, shortest_s: float, noise_sd: Floats, gain_sd: float
) -> tuple[Floats, Floats]:
    """Longest window after the onset that the direct sound explains by itself.

    Parameters
    ----------
    cut : Cut
        Samples of m pings.
    burst : Burst
        What was sent.
    onset_s : ndarray, shape (m, n_channels)
        Rough onsets [s].
    longest_s, shortest_s : float
        Limits of the answer [s].
    noise_sd, gain_sd
        As `fit_build_up` takes them.

    Returns
    -------
    window_s : ndarray, shape (m,)
        The clean window [s].
    onset_s : ndarray, shape (m, n_channels)
        Better onsets, from the last fit that no echo had a part in [s].

    Notes
    -----
    For growing windows the direct sound is fitted, and then the direct sound with a second burst that begins
    one and a half cycles before the window's end at every channel, of any amplitude and phase. The drop of
    chi-square is the statistic of the generalised likelihood ratio: chi-square of 2 degrees of freedom a channel
    where there is no echo. Where it is above the limit the clean part ends at the beginning of that echo.
    """
    m, n = onset_s.shape
    look_back = _LOOK_BACK_CYCLES / burst.frequency_hz
    ends = _ends(shortest_s + look_back, longest_s, 0.5 / burst.frequency_hz)
    limit = float(chdtri(2.0 * n, FALSE_ALARM / max(len(ends), 1)))
    # Samples before the rough onset, and those by which the fitted one may be later.
    interval = float(cut.time_s[0, 0, 1] - cut.time_s[0, 0, 0])
    margin_s = float((onset_s - cut.time_s[..., 0]).max()) + 2.0 / burst.frequency_hz
    window, onset = np.full(m, max(longest_s, shortest_s)), onset_s.copy()
    rows = np.arange(m)
    for k, end in enumerate(ends):
        part = cut.some(rows, int(np.ceil((margin_s + end) / interval)))
        length = np.full(len(rows), end)
        fit = fit_build_up(
            part, burst, onset[rows], window_s=length, noise_sd=noise_sd[rows], gain_sd=gain_sd,
            iterations=2 if k else 6,
        )  # fmt: skip
        ended = _echo_gain(part, burst, fit.onset_s, fit.phase, end, end - look_back) > limit
        window[rows[ended]] = max(end - look_back, shortest_s)
        rows = rows[~ended]
        onset[rows] = fit.onset_s[~ended]
        if not len(rows):
            break
    return window, onset


def _ends(first_s: float, last_s: float, step_s: float) -> list[float]:
    """Ends of the windows that are tested."""
    ends = [first_s]
    while ends[-1] < last_s:
        ends.append(min(max(ends[-1] + step_s, ends[-1] * _GROWTH), last_s))
    return ends if first_s <= last_s else []


def _echo_gain(cut: Cut, burst: Burst, onset: Floats, phase: Floats, end_s: float, echo_s: float) -> Floats:
    """Drop of chi-square, shape (m,), by an echo that begins `echo_s` after the onset of each channel."""
    weight = cut.before(onset + end_s)
    since = cut.time_s - onset[..., None]
    carrier = np.exp(1j * (burst.carrier * cut.time_s + phase[..., None])) * weight
    envelope, slope = burst.complex_envelope(since)
    echo = burst.complex_envelope(since - echo_s)[0]
    direct = np.stack([(envelope * carrier).real, -(envelope * carrier).imag, -(slope * carrier).real], axis=-2)
    more = np.stack([(echo * carrier).real, -(echo * carrier).imag], axis=-2)
    samples = (cut.samples * weight)[..., None]
    return _explained(np.concatenate([direct, more], axis=-2), samples) - _explained(direct, samples)


def _explained(columns: Floats, samples: Floats) -> Floats:
    """Sum over channels of the energy that columns (m, n, p, L) explain of the samples (m, n, L, 1)."""
    size = np.maximum(np.linalg.norm(columns, axis=-1, keepdims=True), 1e-9)
    columns = columns / size
    normal = columns @ np.swapaxes(columns, -1, -2) + 1e-9 * np.eye(columns.shape[-2])
    right = columns @ samples
    return (right * np.linalg.solve(normal, right)).sum(axis=(-1, -2, -3))
