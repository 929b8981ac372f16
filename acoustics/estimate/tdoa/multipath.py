"""When the first multipath arrival comes: where the samples first need an echo to explain them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.special import chdtri

from acoustics.base.frames import Floats
from acoustics.estimate.tdoa.segment import AlignedSegments
from acoustics.estimate.tdoa.toa import BuildUp, fit_build_up
from acoustics.physics.burst import Burst

# No echo within it can be told from the direct sound. Longer looks better in the middle of a pool, where the first
# echoes come from surface and floor and share the azimuth, but beside a wall 3, 4, 5 cycles cover 92, 88, 87 % where 95
# are stated, and 5 give wild answers: rows "near walls" in benchmarks/constants.py
LEAST_CYCLES = 2.0
# Of an echo that must be heard before it is believed: a strong one at once, weak ones when more of them was heard;
# halved or doubled, the RMS in a pool moves by a fifth (benchmarks/constants.py)
_LOOK_BACK_CYCLES = (1.5, 6.0, 24.0)
# Of the window from one test to the next, where it is longer than the step of half a cycle. Larger steps run past the
# first echo: at 1.5 and 2 regions hold 93.5 and 86 % where 95 are stated (benchmarks/constants.py)
_GROWTH = 1.1
# Chance that the window of a burst without echoes is shortened, over all tests of a ping: 0.15 % were of 2,000. A third
# or three times of it moves the RMS in a pool by 4 to 8 % (benchmarks/constants.py)
FALSE_ALARM = 0.01


def multipath_free_window(
    aligned: AlignedSegments,
    burst: Burst,
    onset_s: Floats,
    *,
    longest_s: float,
    shortest_s: float,
    lead_s: float,
    noise_sd: Floats,
    gain_sd: float,
    apart_s: float = np.inf,
) -> tuple[Floats, Floats]:
    """Longest window after the onset that the direct sound explains by itself.

    Parameters
    ----------
    aligned : AlignedSegments
        Samples of m pings.
    burst : Burst
        What was sent.
    onset_s : ndarray, shape (m, n_channels)
        Rough onsets [s].
    longest_s : float
        Limit of the answer [s].
    shortest_s : float
        What the first fit needs; where it holds an echo, the answer is shorter, but no less than two cycles [s].
    lead_s : float
        How long before the rough onset the samples begin [s].
    noise_sd, gain_sd
        As `fit_build_up` takes them.
    apart_s : float
        How far an onset may be from the middle one of the ping's [s].

    Returns
    -------
    window_s : ndarray, shape (m,)
        The multipath-free window, measured [s].
    onset_s : ndarray, shape (m, n_channels)
        Better onsets, from the last fit that no echo had a part in [s].

    Notes
    -----
    For growing windows the direct sound is fitted, and then the direct sound with a second burst that begins
    one and a half, six or 24 cycles before the window's end at every channel, of any amplitude and phase: the
    nearest finds a strong echo at once, the others a weak one when enough of it was heard. The drop of
    chi-square is the statistic of the generalised likelihood ratio: chi-square of 2 degrees of freedom a channel
    where there is no echo. Where it is above the limit the window ends at the nearest beginning, or, if that
    explains nothing, at the one that fits best.
    """
    m, n = onset_s.shape
    period = 1.0 / burst.frequency_hz
    look_back = period * np.array(_LOOK_BACK_CYCLES)
    longest_s = max(longest_s, shortest_s)
    ends = _ends(shortest_s + look_back[0], longest_s, 0.5 * period)
    begins = period * np.arange(LEAST_CYCLES, longest_s / period, 0.5)
    # The first window may hold an echo at any place.
    at_first = begins[: 1 + int(np.sum(begins < shortest_s - 1e-3 * period))]
    limit = float(chdtri(2.0 * n, FALSE_ALARM / max(len(at_first) + len(ends) * len(look_back), 1)))
    # Samples before the rough onset, and those by which the fitted one may be later.
    interval = float(aligned.time_s[0, 0, 1] - aligned.time_s[0, 0, 0])
    margin_s = lead_s + 2.0 * period
    window = np.full(m, longest_s)
    onsets = np.repeat(onset_s[None], len(ends) + 1, axis=0)
    rows = np.arange(m)
    for k, end in enumerate(ends):
        part = aligned.some(rows, int(np.ceil((margin_s + end) / interval)))
        length = np.full(len(rows), end)
        fit = fit_build_up(
            part, burst, onsets[k, rows], window_s=length, noise_sd=noise_sd[rows], gain_sd=gain_sd,
            iterations=2 if k else 6,
        )  # fmt: skip
        # A weak burst's onset may wander off in noise, further than sound travels.
        middle = np.median(fit.onset_s, axis=-1, keepdims=True)
        fit = replace(fit, onset_s=np.clip(fit.onset_s, middle - apart_s, middle + apart_s))
        onsets[k + 1 :, rows] = fit.onset_s
        tried = end - look_back[look_back <= end - begins[0]] if k else at_first[::-1]
        gain = _echo_gain(part, burst, fit, end, tried)
        ended = gain.max(axis=0) > limit
        window[rows[ended]] = end - look_back[0]
        # Where the echo was not heard at once, or may be anywhere, the beginning that fits best is sought.
        late = np.flatnonzero(ended & ((gain[0] <= limit) | (k == 0)))
        if len(late):
            tried = begins[begins < end - look_back[0] + 1e-3 * period]
            gain = _echo_gain(part.some(late), burst, fit.some(late), end, tried)
            window[rows[late]] = tried[np.argmax(gain, axis=0)]
        rows = rows[~ended]
        if not len(rows):
            break
    # From the last fit that no echo had a part in.
    return window, onsets[np.searchsorted(ends, window + 1e-3 * period), np.arange(m)]


def _ends(first_s: float, last_s: float, step_s: float) -> list[float]:
    """Ends of the windows that are tested."""
    ends = [first_s]
    while ends[-1] < last_s:
        ends.append(min(max(ends[-1] + step_s, ends[-1] * _GROWTH), last_s))
    return ends if first_s <= last_s else []


def _echo_gain(aligned: AlignedSegments, burst: Burst, fit: BuildUp, end_s: float, begins_s: Floats) -> Floats:
    """Drop of chi-square, shape (k, m), by an echo that begins `begins_s`, shape (k,), after each channel's onset."""
    weight = aligned.before(fit.onset_s + end_s)
    since = aligned.time_s - fit.onset_s[..., None]
    carrier = np.exp(1j * (burst.carrier * aligned.time_s + fit.phase[..., None])) * weight
    envelope, slope = burst.complex_envelope(since)
    direct = np.stack([(envelope * carrier).real, -(envelope * carrier).imag, -(slope * carrier).real], axis=-2)
    direct = direct / np.maximum(np.linalg.norm(direct, axis=-1, keepdims=True), 1e-9)
    inverse = np.linalg.inv(direct @ np.swapaxes(direct, -1, -2) + 1e-9 * np.eye(3))
    samples = (aligned.samples * weight)[..., None]
    left = samples - np.swapaxes(direct, -1, -2) @ (inverse @ (direct @ samples))
    gains = np.empty((len(begins_s), len(since)))
    for gain, begin in zip(gains, begins_s, strict=True):
        wave = burst.complex_envelope(since - begin)[0] * carrier
        echo = np.stack([wave.real, wave.imag], axis=-2)
        echo = echo / np.maximum(np.linalg.norm(echo, axis=-1, keepdims=True), 1e-9)
        across = echo @ np.swapaxes(direct, -1, -2)
        normal = echo @ np.swapaxes(echo, -1, -2) - across @ inverse @ np.swapaxes(across, -1, -2) + 1e-9 * np.eye(2)
        right = echo @ left
        gain[:] = (right * np.linalg.solve(normal, right)).sum(axis=(-1, -2, -3))
    return gains
