"""What noise, sampling and spacing allow for a delay, and for the bearing of a pair of hydrophones.

The energy ratio is ``2 E / N0`` with the burst's energy E and the one-sided noise density N0 of one channel.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from acoustics.base.checks import checked
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats


def arrival_time_variance(energy_ratio_2e_n0: ArrayLike, mean_square_angular_frequency: ArrayLike) -> Floats:
    """Cramer-Rao bound on the arrival time of a known burst in white noise.

    Parameters
    ----------
    energy_ratio_2e_n0 : array_like, shape (...)
        ``2 E / N0`` [1].
    mean_square_angular_frequency : array_like, shape (...)
        Of the burst [rad^2/s^2]: carrier included where its phase is used, the envelope's alone where it is
        not.

    Returns
    -------
    ndarray, shape (...)
        ``1 / (ratio * mean square)`` [s^2]; inf without energy. A delay of two such channels has twice that.

    Raises
    ------
    ParameterError
        A negative argument.

    Notes
    -----
    Reached only above the threshold; below it cycles or peaks are mistaken and the bound is too small.

    References
    ----------
    Van Trees (1968), Detection, Estimation, and Modulation Theory, Part I, ch. 4; Kay (1993), eq. 3.14.
    """
    ratio = checked("energy_ratio_2e_n0", energy_ratio_2e_n0, minimum=0.0)
    information = ratio * checked("mean_square_angular_frequency", mean_square_angular_frequency, minimum=0.0)
    return np.divide(1.0, information, out=np.full_like(information, np.inf), where=information > 0)


def onset_excess(bound_sd_s: ArrayLike, window_s: ArrayLike, *, frequency_hz: float, q: float) -> Floats:
    """By what factor the variance of an onset exceeds its Cramer-Rao bound, for a burst that begins with a corner.

    Parameters
    ----------
    bound_sd_s : array_like, shape (...)
        Standard deviation of the onset by its bound [s].
    window_s : array_like, shape (...)
        Part of the burst that is used [s].
    frequency_hz, q : float
        Carrier [Hz] and quality factor [1] of the build-up, see `burst_envelope`.

    Returns
    -------
    ndarray, shape (...)
        ``1 + sd / L`` with ``L = int env'^2 dt / env'(0)^2``, the length over which the build-up tells of its
        beginning [1].

    Raises
    ------
    ParameterError
        A negative deviation, or a window, frequency or q that is not positive.

    Notes
    -----
    The slope of the likelihood is no smooth function of the onset: its variance over a shift d is ``I d / L``, with
    I the information, and not of second order in d, because noise about the corner moves in and out of the build-up.
    What follows from it for the variance is of order sd / L. The factor was found by simulation of a channel of
    known amplitude and holds to 4 % of the variance for sd up to L / 4; above, onsets leave the neighbourhood of the
    true one altogether.
    """
    sd = checked("bound_sd_s", bound_sd_s, minimum=0.0, allow_infinite=True)
    rate = np.pi * checked("frequency_hz", frequency_hz, above=0.0) / checked("q", q, above=0.0)
    window = checked("window_s", window_s, above=0.0, allow_infinite=True)
    return 1.0 + 2.0 * rate * sd / -np.expm1(-2.0 * rate * window)


def onset_rounding_variance(sample_rate_hz: ArrayLike) -> Floats:
    """Variance [s^2] added to a delay when each of two onsets is rounded to a sample, any shape.

    ``Ts^2 / 6``: two independent uniform errors of variance ``Ts^2 / 12`` each, with ``Ts = 1 /
    sample_rate_hz``. ParameterError for a rate that is not positive.
    """
    return 2.0 * lag_rounding_variance(sample_rate_hz)


def lag_rounding_variance(sample_rate_hz: ArrayLike) -> Floats:
    """Variance [s^2] added to a delay when the lag of a correlation is rounded to a sample, any shape.

    ``Ts^2 / 12``: one uniform error, with ``Ts = 1 / sample_rate_hz``. ParameterError for a rate that is not
    positive.
    """
    return checked("sample_rate_hz", sample_rate_hz, above=0.0) ** -2.0 / 12.0


def two_element_bearing_sd(
    delay_sd_s: ArrayLike,
    *,
    spacing_m: ArrayLike,
    sound_speed_m_s: ArrayLike,
    bearing_from_broadside: ArrayLike,
) -> Floats:
    """Bearing error of a pair of hydrophones from the error of its delay.

    Parameters
    ----------
    delay_sd_s : array_like, shape (...)
        Standard deviation of the delay [s].
    spacing_m : array_like, shape (...)
        Distance between the hydrophones [m].
    sound_speed_m_s : array_like, shape (...)
        Sound speed [m/s].
    bearing_from_broadside : array_like, shape (...)
        Angle of the source from the plane midway between the two [rad].

    Returns
    -------
    ndarray, shape (...)
        ``c sigma / (d |cos b|)`` [rad]: to first order, so it grows without limit towards the line of the
        pair.

    Raises
    ------
    ParameterError
        A negative deviation, or a spacing or speed that is not positive.

    References
    ----------
    Derivative of ``tau = (d / c) sin b``; textbook identity.
    """
    sd = checked("delay_sd_s", delay_sd_s, minimum=0.0)
    d = checked("spacing_m", spacing_m, above=0.0)
    c = checked("sound_speed_m_s", sound_speed_m_s, above=0.0)
    return c * sd / (d * np.abs(np.cos(checked("bearing_from_broadside", bearing_from_broadside))))


def half_wavelength_m(frequency_hz: ArrayLike, sound_speed_m_s: ArrayLike) -> Floats:
    """Half a wavelength [m], any shape: the widest spacing whose phase fits one cycle for every direction.

    ParameterError for a frequency or speed that is not positive.
    """
    c = checked("sound_speed_m_s", sound_speed_m_s, above=0.0)
    return c / (2.0 * checked("frequency_hz", frequency_hz, above=0.0))


def weiss_weinstein1983_factor(frequency_hz: ArrayLike, bandwidth_hz: ArrayLike) -> Floats:
    """Factor on the variance of a delay when noise hides which cycle is the right one.

    Parameters
    ----------
    frequency_hz : array_like, shape (...)
        Centre frequency [Hz].
    bandwidth_hz : array_like, shape (...)
        Bandwidth of the signal [Hz], small against the centre frequency.

    Returns
    -------
    ndarray, shape (...)
        ``12 (f / W)^2``, between the Cramer-Rao bound with the carrier's phase and that of the envelope [1].

    Raises
    ------
    ParameterError
        A frequency or bandwidth that is not positive.

    References
    ----------
    Weiss & Weinstein (1983), IEEE Trans. ASSP 31:472-486; factor as stated in the abstract of Weinstein &
    Weiss (1984), IEEE Trans. ASSP 32:1064-1078.
    """
    f = checked("frequency_hz", frequency_hz, above=0.0)
    return 12.0 * (f / checked("bandwidth_hz", bandwidth_hz, above=0.0)) ** 2


def random_signal_delay_variance(
    snr: ArrayLike, *, frequency_hz: ArrayLike, bandwidth_hz: ArrayLike, duration_s: ArrayLike
) -> Floats:
    """Cramer-Rao bound on the delay of an unknown random signal with a flat band between two noisy channels.

    Parameters
    ----------
    snr : array_like, shape (...)
        Ratio of signal to noise density in the band, equal in both channels [1].
    frequency_hz : array_like, shape (...)
        Centre of the band [Hz].
    bandwidth_hz : array_like, shape (...)
        Width of the band [Hz], at most twice its centre.
    duration_s : array_like, shape (...)
        Time observed [s], long against the delay and the reciprocal of the bandwidth.

    Returns
    -------
    ndarray, shape (...)
        ``1 / (2 T int (2 pi f)^2 C / (1 - C) df)`` with ``C / (1 - C) = snr^2 / (1 + 2 snr)`` [s^2].

    Raises
    ------
    ParameterError
        An argument that is not positive, or a band that reaches below zero frequency.

    References
    ----------
    Knapp & Carter (1976), IEEE Trans. ASSP 24:320-327; its limits for low and high snr: Quazi (1981), IEEE
    Trans. ASSP 29:527-533.
    """
    ratio = checked("snr", snr, above=0.0)
    return 1.0 / (2.0 * _band_integral(frequency_hz, bandwidth_hz, duration_s) * ratio**2 / (1.0 + 2.0 * ratio))


def _band_integral(frequency_hz: ArrayLike, bandwidth_hz: ArrayLike, duration_s: ArrayLike) -> Floats:
    """``T int (2 pi f)^2 df`` over the band [rad^2/s^2]."""
    f, width = (
        checked("frequency_hz", frequency_hz, above=0.0),
        checked("bandwidth_hz", bandwidth_hz, above=0.0),
    )
    if (width > 2.0 * f).any():
        raise ParameterError(f"bandwidth_hz={bandwidth_hz!r} must be at most twice frequency_hz={frequency_hz!r}")
    cubes = 3.0 * f**2 * width * (1.0 + width**2 / (12.0 * f**2))
    return checked("duration_s", duration_s, above=0.0) * (2.0 * np.pi) ** 2 * cubes / 3.0
