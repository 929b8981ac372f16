"""Noise: ambient, of the recorder, and its coherence between hydrophones. Densities are one-sided."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from acoustics.base.checks import checked, warn_outside
from acoustics.base.frames import Floats


def thermal_noise_mellen1952_db(frequency_hz: ArrayLike) -> Floats:
    """Noise of the thermal motion of the water, the least that any hydrophone hears.

    Parameters
    ----------
    frequency_hz : array_like, shape (...)
        Frequency [Hz].

    Returns
    -------
    ndarray, shape (...)
        ``-15 + 20 log10(f / 1 kHz)``, spectral density level [dB re 1 uPa^2/Hz], good to about 1 dB.

    Raises
    ------
    ParameterError
        A frequency that is not positive.

    References
    ----------
    Mellen (1952), J. Acoust. Soc. Am. 24:478-480.
    """
    return -15.0 + 20.0 * np.log10(checked("frequency_hz", frequency_hz, above=0.0) / 1e3)


def wind_noise_coates1989_db(frequency_hz: ArrayLike, wind_speed_m_s: ArrayLike) -> Floats:
    """Noise of the wind on open water.

    Parameters
    ----------
    frequency_hz : array_like, shape (...)
        Frequency [Hz], valid 1 Hz to 100 kHz.
    wind_speed_m_s : array_like, shape (...)
        Wind speed [m/s], 0 for a calm sea, not for a pool: a pool has no sea state.

    Returns
    -------
    ndarray, shape (...)
        ``50 + 7.5 sqrt(w) + 20 log10(f) - 40 log10(f + 0.4)``, f in kHz, spectral density level
        [dB re 1 uPa^2/Hz].

    Raises
    ------
    ParameterError
        A frequency that is not positive or a negative wind speed.

    Warns
    -----
    ValidityWarning
        Outside the frequencies above.

    Notes
    -----
    The measurements behind it (Wenz 1962, J. Acoust. Soc. Am. 34:1936-1956) end at 20 kHz; its slope is
    commonly continued to 100 kHz.

    References
    ----------
    Coates (1989), Underwater Acoustic Systems; Stojanovic (2007), Mobile Comput. Commun. Rev. 11(4):34-43.
    """
    f_khz = checked("frequency_hz", frequency_hz, above=0.0) / 1e3
    wind = checked("wind_speed_m_s", wind_speed_m_s, minimum=0.0)
    warn_outside("Coates 1989", "frequency_hz", f_khz * 1e3, 1.0, 1e5, "Hz")
    return 50.0 + 7.5 * np.sqrt(wind) + 20.0 * np.log10(f_khz) - 40.0 * np.log10(f_khz + 0.4)


def quantisation_snr_db(bits: ArrayLike) -> Floats:
    """Ratio of a full-scale sine to the noise of an ideal converter over its whole band [dB].

    ``20 log10(2) N + 10 log10(1.5)`` for N bits (any shape), known as 6.02 N + 1.76; Bennett (1948), Bell
    Syst. Tech. J. 27:446-472. ParameterError below 1 bit.
    """
    return 20.0 * np.log10(2.0) * checked("bits", bits, minimum=1.0) + 10.0 * np.log10(1.5)


def quantisation_noise_density(full_scale: ArrayLike, bits: ArrayLike, sample_rate_hz: ArrayLike) -> Floats:
    """Noise density of an ideal converter.

    Parameters
    ----------
    full_scale : array_like, shape (...)
        Largest input, the range being plus and minus this [any unit].
    bits : array_like, shape (...)
        Word length [bit].
    sample_rate_hz : array_like, shape (...)
        Sample rate [Hz].

    Returns
    -------
    ndarray, shape (...)
        ``(LSB^2 / 12) / (fs / 2)`` with ``LSB = 2 full_scale / 2^bits``, one-sided [unit^2/Hz].

    Raises
    ------
    ParameterError
        Fewer than 1 bit, or a full scale or rate that is not positive.

    Notes
    -----
    White and independent of the signal: true for a busy input of some LSB, false for one smaller than an LSB.

    References
    ----------
    Bennett (1948), Bell Syst. Tech. J. 27:446-472.
    """
    step = 2.0 * checked("full_scale", full_scale, above=0.0) / 2.0 ** checked("bits", bits, minimum=1.0)
    return step**2 / 12.0 / (checked("sample_rate_hz", sample_rate_hz, above=0.0) / 2.0)


def isotropic_coherence(frequency_hz: ArrayLike, distance_m: ArrayLike, sound_speed_m_s: ArrayLike) -> Floats:
    """Coherence of noise that comes equally from all directions, between two hydrophones.

    Parameters
    ----------
    frequency_hz : array_like, shape (...)
        Frequency [Hz].
    distance_m : array_like, shape (...)
        Distance between the two [m].
    sound_speed_m_s : array_like, shape (...)
        Sound speed [m/s].

    Returns
    -------
    ndarray, shape (...)
        ``sin(k d) / (k d)``, real, 1 at zero distance and first 0 at half a wavelength [1].

    Raises
    ------
    ParameterError
        A negative frequency or distance, or a speed that is not positive.

    References
    ----------
    Cook et al. (1955), J. Acoust. Soc. Am. 27:1072-1077.
    """
    f = checked("frequency_hz", frequency_hz, minimum=0.0)
    d = checked("distance_m", distance_m, minimum=0.0)
    return np.sinc(2.0 * f * d / checked("sound_speed_m_s", sound_speed_m_s, above=0.0))
