"""What an array allows all round for a given strength of the ping: no scene, no echoes, one number for the noise."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from acoustics.accuracy.bounds import bearing_bound
from acoustics.base.checks import checked
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.base.result import Result
from acoustics.physics.timing_bounds import arrival_time_variance

_USUAL_SPEED_M_S = 1480.0  # fresh water at 20 degC


@record
class Bound(Result):
    """Least standard deviations of a direction by bearing, shape (n,), from one ping; infinite where not observed.

    `snr_db` is the power of the burst over that of the noise in `bandwidth_hz`; None where only 2E/N0 was given.
    """

    frequency_hz: float
    n_hydrophones: int
    sound_speed_m_s: float
    energy_ratio_db: float
    snr_db: float | None
    bandwidth_hz: float | None
    arrival_sd_s: float
    depression_deg: float
    bearing_deg: Floats
    bearing_sd_deg: Floats
    depression_sd_deg: Floats


def bound(
    positions_m: ArrayLike,
    *,
    frequency_hz: float,
    energy_ratio_db: float | None = None,
    snr_db: float | None = None,
    bandwidth_hz: float | None = None,
    length_s: float | None = None,
    bearing_deg: ArrayLike | None = None,
    depression_deg: float = 0.0,
    sound_speed_m_s: float = _USUAL_SPEED_M_S,
    sound_speed_sd_m_s: float = 0.0,
    element_sd_m: float = 0.0,
    skew_sd_s: float = 0.0,
) -> Bound:
    """Cramer-Rao bound of the direction of one ping, by its strength.

    Parameters
    ----------
    positions_m : array_like, shape (n_hydrophones, 3)
        Forward, starboard, down [m].
    frequency_hz : float
        Of the carrier [Hz].
    energy_ratio_db : float, optional
        2E/N0 of one channel: twice the burst's energy over the one-sided noise density [dB].
    snr_db, bandwidth_hz, length_s : float, optional
        In its place: power of the burst over that of the noise in a band [dB], the band [Hz], the burst's length [s].
    bearing_deg : array_like, shape (n,), optional
        Clockwise from the bow; every 5 degrees by default.
    depression_deg : float
        Positive downwards.
    sound_speed_m_s, sound_speed_sd_m_s : float
        [m/s]; fresh water at 20 degC by default.
    element_sd_m, skew_sd_s : float
        Of each hydrophone's place along each axis [m], and of each channel's time [s].

    Raises
    ------
    ParameterError
        If not exactly one of `energy_ratio_db` and `snr_db` is given, or a value is out of range.

    Notes
    -----
    ``2 E / N0 = 2 B T SNR`` for a burst of length T and constant power, with SNR = E / (T N0 B). The arrival's
    variance is ``1 / ((2 pi f)^2 2 E / N0)``: the carrier's phase is used and its cycle known, and the width of the
    spectrum is small against the carrier (Van Trees 1968, Detection, Estimation, and Modulation Theory, part I, ch. 4).
    """
    points = checked("positions_m", positions_m)
    carrier = float(checked("frequency_hz", frequency_hz, above=0.0))
    strength_db = _energy_ratio_db(energy_ratio_db, snr_db, bandwidth_hz, length_s)
    ratio = 10 ** (strength_db / 10)
    bearing = checked("bearing_deg", np.arange(-175.0, 181.0, 5.0) if bearing_deg is None else bearing_deg)
    bearing = np.atleast_1d(bearing)
    variance = arrival_time_variance(ratio, (2 * np.pi * carrier) ** 2)
    found = bearing_bound(
        points,
        np.deg2rad(bearing),
        np.full(bearing.shape, np.deg2rad(float(checked("depression_deg", depression_deg)))),
        sound_speed_m_s,
        arrival_variance_s2=variance,
        element_sd_m=element_sd_m,
        skew_sd_s=skew_sd_s,
        sound_speed_sd_m_s=sound_speed_sd_m_s,
    )
    return Bound(
        frequency_hz=carrier,
        n_hydrophones=points.shape[-2],
        sound_speed_m_s=float(sound_speed_m_s),
        energy_ratio_db=strength_db,
        snr_db=None if snr_db is None else float(snr_db),
        bandwidth_hz=None if bandwidth_hz is None else float(bandwidth_hz),
        arrival_sd_s=float(np.sqrt(variance)),
        depression_deg=float(depression_deg),
        bearing_deg=bearing,
        bearing_sd_deg=np.rad2deg(found.bearing_sd),
        depression_sd_deg=np.rad2deg(found.depression_sd),
    )


def _energy_ratio_db(
    energy_ratio_db: float | None, snr_db: float | None, bandwidth_hz: float | None, length_s: float | None
) -> float:
    """2E/N0 [dB], as given or from the power in a band."""
    if energy_ratio_db is not None and snr_db is None:
        if bandwidth_hz is not None or length_s is not None:
            raise ParameterError("bandwidth_hz and length_s go with snr_db, not with energy_ratio_db")
        return float(checked("energy_ratio_db", energy_ratio_db))
    if energy_ratio_db is not None or snr_db is None:
        raise ParameterError("exactly one of energy_ratio_db and snr_db must be given")
    if bandwidth_hz is None or length_s is None:
        raise ParameterError("snr_db needs bandwidth_hz, in which the noise counts, and length_s of the burst")
    product = float(checked("bandwidth_hz", bandwidth_hz, above=0.0) * checked("length_s", length_s, above=0.0))
    return float(checked("snr_db", snr_db)) + 10 * float(np.log10(2 * product))
