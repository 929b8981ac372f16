"""From pressure to numbers: volts at the converter, the gains between clipping and quantisation, bits, filters."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from acoustics.base.checks import checked
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.physics.noise import quantisation_noise_density


def peak_volts(level_db: ArrayLike, sensitivity_db_re_v_per_upa: ArrayLike, gain_db: ArrayLike) -> Floats:
    """Peak voltage of a sine in the water behind hydrophone and preamplifier.

    Parameters
    ----------
    level_db : array_like, shape (...)
        Sound pressure level, rms [dB re 1 uPa].
    sensitivity_db_re_v_per_upa : array_like, shape (...)
        Of the hydrophone [dB re 1 V/uPa].
    gain_db : array_like, shape (...)
        Of the preamplifier [dB].

    Returns
    -------
    ndarray, shape (...)
        ``sqrt(2) * 10^((L + M + G) / 20)`` [V].

    References
    ----------
    IEC 60565-1:2020, the definition of a hydrophone's sensitivity level (from memory).
    """
    total = np.asarray(level_db, float) + np.asarray(sensitivity_db_re_v_per_upa, float) + np.asarray(gain_db, float)
    return np.sqrt(2.0) * 10.0 ** (total / 20.0)


def largest_gain_db(
    full_scale_v: ArrayLike, level_db: ArrayLike, sensitivity_db_re_v_per_upa: ArrayLike, headroom_db: ArrayLike
) -> Floats:
    """Gain at which a sine of that level, and so much more, just reaches full scale.

    Parameters
    ----------
    full_scale_v : array_like, shape (...)
        Of the converter, zero to peak [V].
    level_db : array_like, shape (...)
        Loudest level, rms [dB re 1 uPa].
    sensitivity_db_re_v_per_upa : array_like, shape (...)
        Of the most sensitive hydrophone [dB re 1 V/uPa].
    headroom_db : array_like, shape (...)
        Room for what adds to it, such as echoes [dB].

    Returns
    -------
    ndarray, shape (...)
        The inverse of `peak_volts` [dB].

    Raises
    ------
    ParameterError
        A full scale that is not positive.
    """
    room = 20.0 * np.log10(checked("full_scale_v", full_scale_v, above=0.0))
    return room - 20.0 * np.log10(peak_volts(level_db, sensitivity_db_re_v_per_upa, headroom_db))


def least_gain_db(
    full_scale_v: ArrayLike,
    bits: ArrayLike,
    sample_rate_hz: ArrayLike,
    noise_density_db: ArrayLike,
    sensitivity_db_re_v_per_upa: ArrayLike,
    margin_db: ArrayLike,
) -> Floats:
    """Gain at which the converter's steps lie so far under the noise in the water.

    Parameters
    ----------
    full_scale_v : array_like, shape (...)
        Of the converter, zero to peak [V].
    bits : array_like, shape (...)
        Of a sample [1].
    sample_rate_hz : array_like, shape (...)
        Over whose half the steps' noise spreads [Hz].
    noise_density_db : array_like, shape (...)
        In the water, without the converter's [dB re 1 uPa^2/Hz].
    sensitivity_db_re_v_per_upa : array_like, shape (...)
        Of the least sensitive hydrophone [dB re 1 V/uPa].
    margin_db : array_like, shape (...)
        Between the noise of the water and that of the steps [dB]; at 10 dB the steps add 0.4 dB.

    Returns
    -------
    ndarray, shape (...)
        ``N_q + margin - (N_w + M)``, N_q the density level of quantisation in volts [dB].

    Raises
    ------
    ParameterError
        As `quantisation_noise_density`.

    References
    ----------
    Bennett (1948), Bell Syst. Tech. J. 27:446-472, for the density of the steps.
    """
    steps_db = 10.0 * np.log10(quantisation_noise_density(full_scale_v, bits, sample_rate_hz))
    in_volts = np.asarray(noise_density_db, float) + np.asarray(sensitivity_db_re_v_per_upa, float)
    return steps_db + np.asarray(margin_db, float) - in_volts


def butterworth_order(passed_hz: float, stopped_hz: float, attenuation_db: float) -> int:
    """Least order of a Butterworth low-pass, 3 dB down at one frequency, that stops another.

    Parameters
    ----------
    passed_hz : float
        Where it is 3 dB down, the top of the band to keep [Hz].
    stopped_hz : float
        Above it [Hz].
    attenuation_db : float
        Wanted there [dB].

    Returns
    -------
    int
        Least n with ``10 log10(1 + (f_s / f_p)^(2 n)) >= A``.

    Raises
    ------
    ParameterError
        Frequencies that are not positive and in order, or no attenuation.

    Notes
    -----
    What folds onto the top of the band by sampling at ``f_s`` comes from ``f_s - f_top`` (Oppenheim and Schafer 2010,
    Discrete-Time Signal Processing, 3rd ed., sec. 4.2).

    References
    ----------
    Butterworth (1930), Wireless Engineer 7:536-541.
    """
    low, high = float(checked("passed_hz", passed_hz, above=0.0)), float(checked("stopped_hz", stopped_hz, above=0.0))
    wanted = float(checked("attenuation_db", attenuation_db, above=0.0))
    if high <= low:
        raise ParameterError(f"stopped_hz={high:g} must be above passed_hz={low:g}")
    return max(int(np.ceil(np.log10(10.0 ** (wanted / 10.0) - 1.0) / (2.0 * np.log10(high / low)))), 1)
