"""How a burst builds up, by its first fraction of a millisecond, in which an echo may come already."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from acoustics.base.frames import Floats

LONGEST_STRETCH_S = 0.3e-3  # fitted; few pools have two echoes in it
_LOG_QS = np.linspace(np.log(1.0), np.log(100.0), 59)
_LOG_Q_GRAIN = 0.04  # half of their step: what the mean of log Q may be off by them
_ONSETS = np.linspace(-1.5, 0.25, 141)  # of the fitted stretch, about where the burst stands out: late if it is weak
_ECHOES = np.linspace(0.05, 0.95, 19)  # when an echo comes after the direct sound, of the stretch
_ECHO_SHARE = 0.5  # of the recordings in which one comes so soon: as likely as not
_ECHO_POWER = 0.25  # of the direct sound's, its mean
_IMPERFECT = 0.02  # of the amplitude: how well a transducer keeps to the formula, and the steps of log Q to any
_ECHO_HEARD = 0.15  # of the pings and channels with an echo, over which there is one
_MOST_HEARD = 24  # pings times channels; more make Q no surer than the grain
_WIDEST_LOG_Q = 0.15  # standard deviation over which a Q is not told
# The Q of a shorter stretch, and how far off it may be, in standard deviations
_SOONER, _FARTHEST_APART = 2 / 3, 2.3
# What may be left beyond the noise, of the fitted energy, and of the noise, which varies: more is a second echo.
_LARGEST_MISFIT, _NOISE_SHARE = 0.01, 0.15
_FILTER_CYCLES, _FINER = 8.0, 4  # of the filter's response, on either side; points a sample
_LEAST = 1e-300


class BuildUp(NamedTuple):
    """Q with its standard deviation [1], and each channel's mean square once built up; NaN where it is not told.

    `early_echo`: an echo came within the stretch; if there were two, Q may be anything.
    """

    q: float
    q_sd: float
    mean_square: Floats
    early_echo: bool


def measured_build_up(
    envelope: np.ndarray,
    onset: np.ndarray,
    sample_rate_hz: float,
    frequency_hz: float,
    stretch_s: float,
    window: Floats,
    noise_span: slice,
) -> BuildUp:
    """Q of pings by their complex envelopes.

    Parameters
    ----------
    envelope : ndarray, shape (n_pings, n_channels, n_samples)
        Complex envelopes about the carrier, noise before each ping.
    onset : ndarray of int, shape (n_pings, n_channels)
        Where each stands out of the noise.
    sample_rate_hz, frequency_hz : float
        Of the samples, and of the carrier [Hz].
    stretch_s : float
        How much after the onset to fit [s].
    window : ndarray, shape (n_samples,)
        The filter's response that made the envelopes.
    noise_span : slice
        Samples that are noise alone.

    Notes
    -----
    The mean of log Q by the likelihood of the stretch in noise as it was before the ping, averaged over the onset of
    each channel and ping, its amplitude and phase: the best onset of each would take noise for a sharper rise. So it is
    over the delay, amplitude and phase of one echo within the stretch, which half of the recordings are taken to have:
    where the samples do not tell an echo from another Q the deviation grows with it. With ``a`` the product of the
    direct sound's rise and the samples, e its energy, and a', e' those of the part of an echo's rise that is orthogonal
    to it, the noise's power N and the echo's prior power S give the echo the evidence ::

        exp(|a'|^2 / (N (e' + N / S))) / (1 + S e' / N)

    Two echoes within the stretch may bend it, which is not always seen: Q is not told where more is left than noise, or
    where two thirds of the stretch give another one, and where any echo is found that is said. Bretthorst (1988),
    Bayesian Spectrum Analysis and Parameter Estimation, ch. 3, has the elimination of amplitudes; errors in
    tests/benchmarks/spectrum.py.
    """
    nothing = BuildUp(np.nan, np.nan, np.full(envelope.shape[1], np.nan), early_echo=False)
    found = _fitted(envelope, onset, sample_rate_hz, frequency_hz, stretch_s, window, noise_span)
    if found is None or not found.told:
        return nothing
    sooner = _fitted(envelope, onset, sample_rate_hz, frequency_hz, _SOONER * stretch_s, window, noise_span)
    if sooner is not None:
        apart = abs(sooner.log_q - found.log_q)
        if apart > _FARTHEST_APART * np.hypot(_LOG_Q_GRAIN, sooner.log_q_sd):
            return nothing
    q = float(np.exp(found.log_q))
    q_sd = q * float(np.hypot(found.log_q_sd, _LOG_Q_GRAIN))
    return BuildUp(q, q_sd, found.mean_square, early_echo=found.echo > _ECHO_HEARD)


class _Fit(NamedTuple):
    """Mean and standard deviation of log Q, what is left beyond the noise over what may be, channels' mean squares, and
    the share of pings and channels in which an echo is likelier than none.
    """

    log_q: float
    log_q_sd: float
    misfit: float
    mean_square: Floats
    echo: float

    @property
    def told(self) -> bool:
        inside = _LOG_QS[0] < self.log_q < _LOG_QS[-1]
        return bool(self.misfit < 1.0 and self.log_q_sd < _WIDEST_LOG_Q and inside)


def _fitted(
    envelope: np.ndarray, onset: np.ndarray, rate: float, frequency_hz: float, stretch_s: float, window: Floats,
    noise_span: slice,
) -> _Fit | None:  # fmt: skip
    """The rise over a stretch; None where no ping lies wholly in the samples."""
    half = max(int(stretch_s * rate), 4)
    around = np.arange(-2 * half, half)
    index = onset[..., None] + around  # (ping, channel, sample)
    inside = np.flatnonzero(
        np.all((index[..., 0] > 2 * noise_span.start) & (index[..., -1] < envelope.shape[-1]), axis=1)
    )
    if not len(inside):
        return None
    most = min(len(inside), max(_MOST_HEARD // envelope.shape[1], 1))
    inside = inside[np.linspace(0, len(inside) - 1, most).astype(int)]
    index, envelope = index[inside], envelope[inside]
    at = np.arange(envelope.shape[-1])
    before = (at < index[..., :1]) & (at >= noise_span.start)
    noise = np.sum(np.abs(envelope) ** 2 * before, axis=-1) / before.sum(axis=-1)
    noise = np.maximum(noise.reshape(-1) / np.mean(window**2), _LEAST)  # of a sample without the filter
    cut = np.take_along_axis(envelope, index, axis=-1).reshape(len(noise), -1)
    doubt = noise + _IMPERFECT**2 * np.mean(np.abs(cut[:, 2 * half :]) ** 2, axis=-1)
    rises = _Rises.of(around, rate, stretch_s, frequency_hz, window)
    inner = np.einsum("qon,mn->mqo", rises.rise, cut, optimize=True)
    of_q = np.sum(logsumexp(rises.score(inner, doubt), axis=-1), axis=0)
    weights = np.exp(of_q - logsumexp(of_q))
    mean = float(weights @ _LOG_QS)
    spread = float(np.sqrt(weights @ (_LOG_QS - mean) ** 2))
    k = int(np.argmax(weights))
    fitted, amplitude, echo = rises.best(inner, doubt, k)
    hiss = noise * np.mean(window**2) * len(around)
    left = float(np.median((np.sum(np.abs(cut) ** 2, axis=-1) - fitted - hiss) / fitted))
    most_left = _LARGEST_MISFIT + _NOISE_SHARE * float(np.median(hiss / fitted))
    power = np.median(amplitude.reshape(most, -1) ** 2 / 2.0, axis=0)
    return _Fit(_LOG_QS[k] if k in (0, len(_LOG_QS) - 1) else mean, spread, left / most_left, power, echo)


class _Rises(NamedTuple):
    """Build-ups of every Q from every onset, the echoes' later ones included, through the filter that made the
    envelopes, shape (n_q, n_later, n_samples), and their energy."""

    rise: Floats
    energy: Floats

    @classmethod
    def of(
        cls, samples: NDArray[np.intp], rate: float, stretch_s: float, frequency_hz: float, window: Floats
    ) -> _Rises:
        step = _ONSETS[1] - _ONSETS[0]
        from scipy import signal  # here, for it takes as long to load as the rest of a short command

        later = _ONSETS[0] + step * np.arange(len(_ONSETS) + int(np.rint(_ECHOES[-1] / step)))
        since = samples - (later * stretch_s * rate)[:, None]
        # Once on a finer grid, a filter's length before the onset and after the last sample.
        half = min(int(_FILTER_CYCLES * rate / frequency_hz) + 1, len(window) // 2)
        fine = np.arange(-_FINER * half, _FINER * (int(since.max()) + half + 2) + 1) / _FINER
        lags = np.arange(-_FINER * half, _FINER * half + 1) / _FINER
        response = np.cos(2.0 * np.pi * lags[:, None] * np.fft.fftfreq(len(window))) @ window
        driven = -np.expm1(-np.pi * frequency_hz / rate * np.exp(-_LOG_QS)[:, None] * np.maximum(fine, 0.0))
        driven = signal.fftconvolve(driven, response[None] / response.sum(), mode="same", axes=-1)
        rise = np.array([np.interp(since, fine, one, left=0.0) for one in driven])
        return cls(rise, np.maximum(np.sum(rise**2, axis=-1), _LEAST))

    def score(self, inner: np.ndarray, noise: Floats) -> Floats:
        """Log likelihoods (m, n_q, n_onsets), an echo averaged over."""
        total = self._alone(inner) / noise[:, None, None] + np.log(1.0 - _ECHO_SHARE)
        for echo in self._echoes(inner, noise):
            total = np.logaddexp(total, echo.score)
        return total

    def best(self, inner: np.ndarray, noise: Floats, k: int) -> tuple[Floats, Floats, float]:
        """Fitted energy and the direct sound's amplitude, shape (m,), for one Q at its best onset and echo, and the
        share that have one."""
        one, inner = _Rises(self.rise[k : k + 1], self.energy[k : k + 1]), inner[:, k : k + 1]
        at = one.score(inner, noise)[:, 0].argmax(axis=-1)
        row = np.arange(len(at))
        alone, direct = one._alone(inner)[row, 0, at], inner[row, 0, at]
        fitted, amplitude = alone, np.abs(direct) / one.energy[0, at]
        score = alone / noise + np.log(1.0 - _ECHO_SHARE)
        for echo in one._echoes(inner, noise):
            gain = echo.product[row, 0, at] / np.maximum(echo.energy[0, at], _LEAST)
            better = echo.score[row, 0, at] > score
            score = np.where(better, echo.score[row, 0, at], score)
            fitted = np.where(better, alone + np.abs(gain) ** 2 * echo.energy[0, at], fitted)
            both = np.abs(direct / one.energy[0, at] - echo.share[0, at] * gain)
            amplitude = np.where(better, both, amplitude)
        return fitted, amplitude, float(np.mean(fitted > alone))

    def _alone(self, inner: np.ndarray) -> Floats:
        """What the direct sound alone explains, shape (m, n_q, n_onsets)."""
        n = len(_ONSETS)
        return np.asarray(np.abs(inner[..., :n]) ** 2 / self.energy[:, :n])

    def _echoes(self, inner: np.ndarray, noise: Floats) -> Iterator[_Echo]:
        n = len(_ONSETS)
        alone, noise = self._alone(inner), noise[:, None, None]
        power = _ECHO_POWER * alone / self.energy[:, :n] + _LEAST
        for steps in np.rint(_ECHOES / (_ONSETS[1] - _ONSETS[0])).astype(int).tolist():
            overlap = np.einsum("qon,qon->qo", self.rise[:, :n], self.rise[:, steps : steps + n])
            share = overlap / self.energy[:, :n]
            energy = np.maximum(self.energy[:, steps : steps + n] - overlap * share, 0.0)
            product = inner[..., steps : steps + n] - share * inner[..., :n]
            gain = np.abs(product) ** 2 / (noise * (energy + noise / power)) - np.log1p(power * energy / noise)
            yield _Echo(alone / noise + gain + np.log(_ECHO_SHARE / len(_ECHOES)), product, energy, share)


class _Echo(NamedTuple):
    """An echo of one delay: log likelihoods with it, shape (m, n_q, n_onsets), its rises' part that is orthogonal to
    the direct ones by product with the samples, same shape, and energy, (n_q, n_onsets), and what of the direct ones
    is in the rest.
    """

    score: Floats
    product: np.ndarray
    energy: Floats
    share: Floats
