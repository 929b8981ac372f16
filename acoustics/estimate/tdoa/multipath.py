"""When the first multipath arrival comes: where the samples first need an echo to explain them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtri

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.estimate.tdoa.burst_sums import BurstSums, CarriedSegments
from acoustics.estimate.tdoa.direct_fit import DirectFit
from acoustics.estimate.tdoa.toa import BuildUp, fit_build_up

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
# From this window on it is asked first whether one twice as long needs an echo: in open water that spares the windows
# between, and in a pool most bursts have shown theirs before.
_AHEAD_FROM_CYCLES = 6.0
# Chance that the window of a burst without echoes is shortened, over all tests of a ping: 0.15 % were of 2,000. A third
# or three times of it moves the RMS in a pool by 4 to 8 % (benchmarks/constants.py)
FALSE_ALARM = 0.01
_RIDGE = 1e-9  # of products of columns of unit length


def multipath_free_window(
    carried: CarriedSegments,
    onset_s: Floats,
    *,
    longest_s: float,
    shortest_s: float,
    lead_s: float,
    noise_sd: Floats,
    gain_sd: float,
    apart_s: ArrayLike = np.inf,
) -> tuple[Floats, Floats]:
    """Longest window after the onset that the direct sound explains by itself.

    Parameters
    ----------
    carried : CarriedSegments
        Samples of m pings, on the carrier of what was sent.
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
    apart_s : array_like, shape () or (m,)
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
    explains nothing, at the one that fits best. From six cycles on the direct sound of a burst that
    was heard at once is first fitted in a window twice as long: where beside that fit none of the windows between needs
    an echo, these are passed over.
    """
    m, n = onset_s.shape
    period = 1.0 / carried.burst.frequency_hz
    look_back = period * np.array(_LOOK_BACK_CYCLES)
    longest_s = max(longest_s, shortest_s)
    ends = _ends(shortest_s + look_back[0], longest_s, 0.5 * period)
    begins = period * np.arange(LEAST_CYCLES, longest_s / period, 0.5)
    # The first window may hold an echo at any place.
    at_first = begins[: 1 + int(np.sum(begins < shortest_s - 1e-3 * period))]
    limit = float(chdtri(2.0 * n, FALSE_ALARM / max(len(at_first) + len(ends) * len(look_back), 1)))
    direct = _DirectSound(carried, lead_s + 2.0 * period, noise_sd, gain_sd, np.broadcast_to(apart_s, m))
    window = np.full(m, longest_s)
    onsets = np.repeat(onset_s[None], len(ends) + 1, axis=0)
    going_on = np.arange(m)
    # Where the burst was not heard at once, a longer window may take a stronger echo for it.
    at_once = len(at_first) == 1
    for group in _doubling(ends, _AHEAD_FROM_CYCLES * period if at_once else np.inf):
        rows = going_on
        if len(group) > 1:
            part, fit = direct.fitted(rows, onsets[group[0], rows], ends[group[-1]], iterations=3)
            free = _gain_ahead(part, fit, [ends[k] for k in group], look_back, begins[0]) <= limit
            onsets[group[-1] + 1 :, rows[free]] = fit.onset_s[free]
            rows = rows[~free]
        for k in group if len(rows) else ():
            end = ends[k]
            part, fit = direct.fitted(rows, onsets[k, rows], end, iterations=2 if k else 6)
            onsets[k + 1 :, rows] = fit.onset_s
            tried = end - look_back[look_back <= end - begins[0]] if k else at_first[::-1]
            gain = _echo_gain(part, fit, end, tried)
            ended = gain.max(axis=0) > limit
            window[rows[ended]] = end - look_back[0]
            # Where the echo was not heard at once, or may be anywhere, the beginning that fits best is sought.
            late = np.flatnonzero(ended & ((gain[0] <= limit) | (k == 0)))
            if len(late):
                tried = begins[begins < end - look_back[0] + 1e-3 * period]
                gain = _echo_gain(part.some(late), fit.some(late), end, tried)
                window[rows[late]] = tried[np.argmax(gain, axis=0)]
            rows = rows[~ended]
            if not len(rows):
                break
        going_on = going_on[window[going_on] == longest_s]
        if not len(going_on):
            break
    # From the last fit that no echo had a part in.
    return window, onsets[np.searchsorted(ends, window + 1e-3 * period), np.arange(m)]


@record
class _DirectSound:
    """What the direct sound of m pings is fitted to; `margin_s` is what samples come before an onset and after it."""

    carried: CarriedSegments
    margin_s: float
    noise_sd: Floats
    gain_sd: float
    apart_s: Floats

    def fitted(
        self, rows: NDArray[np.intp], onset_s: Floats, end_s: float, *, iterations: int
    ) -> tuple[CarriedSegments, BuildUp]:
        """The samples of some pings up to a time after their onsets, and the fit to them."""
        interval = float(self.carried.time_s[0, 0, 1] - self.carried.time_s[0, 0, 0])
        part = self.carried.some(rows, int(np.ceil((self.margin_s + end_s) / interval)))
        fit = fit_build_up(
            part, onset_s, window_s=np.full(len(rows), end_s), noise_sd=self.noise_sd[rows],
            gain_sd=self.gain_sd, iterations=iterations,
        )  # fmt: skip
        # A weak burst's onset may wander off in noise, further than sound travels.
        apart = self.apart_s[rows]
        if np.any(np.ptp(fit.onset_s, axis=-1) > apart):
            middle, apart = np.median(fit.onset_s, axis=-1, keepdims=True), apart[:, None]
            fit = replace(fit, onset_s=np.clip(fit.onset_s, middle - apart, middle + apart))
        return part, fit


def _ends(first_s: float, last_s: float, step_s: float) -> list[float]:
    """Ends of the windows that are tested."""
    ends = [first_s]
    while ends[-1] < last_s:
        ends.append(min(max(ends[-1] + step_s, ends[-1] * _GROWTH), last_s))
    return ends if first_s <= last_s else []


def _doubling(ends_s: list[float], from_s: float) -> Iterator[range]:
    """Indices of the windows by groups: one by one at first, then all up to twice the one before."""
    first = 0
    while first < len(ends_s):
        stop = first + 1
        if ends_s[first] > from_s:
            stop = max(stop, int(np.searchsorted(ends_s, 2.0 * ends_s[first - 1], side="right")))
        yield range(first, stop)
        first = stop


def _gain_ahead(
    carried: CarriedSegments, fit: BuildUp, ends_s: list[float], look_back_s: Floats, least_s: float
) -> Floats:
    """Largest drop of chi-square, shape (m,), by what each of some windows may need, beside the fit in the last."""
    until, back = (values.ravel() for values in np.meshgrid(ends_s, look_back_s))
    # Heard to the end of each window, as of echoes that cancel each other later, and to the end of the last.
    return _echo_gain(carried, fit, ends_s[-1], np.maximum(until - back, least_s), until).max(axis=0)


def _echo_gain(
    carried: CarriedSegments, fit: BuildUp, end_s: float, begins_s: Floats, until_s: Floats | None = None
) -> Floats:
    """Drop of chi-square, shape (k, m), by echoes as `DirectFit.echoes` has them; up to `end_s` the samples count."""
    sums = BurstSums.of(carried, fit.onset_s, np.asarray(end_s))
    echo = DirectFit.of(sums, fit.phase, ridge=_RIDGE).echoes(begins_s, until_s)
    size = np.maximum(np.sqrt(echo.square), 1e-9)
    normal, right = echo.normal / (size[..., :, None] * size[..., None, :]), echo.right / size
    a, b, c = normal[..., 0, 0] + _RIDGE, normal[..., 0, 1], normal[..., 1, 1] + _RIDGE
    x, y = right[..., 0], right[..., 1]
    return np.asarray(((c * x**2 - 2.0 * b * x * y + a * y**2) / (a * c - b**2)).sum(axis=1).T)
