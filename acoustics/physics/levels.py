"""Levels in decibels: pressure, spreading and sums of powers. The reference pressure is 1 uPa."""

from __future__ import annotations

from functools import reduce

import numpy as np
from numpy.typing import ArrayLike

from acoustics.base.checks import checked
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats

REFERENCE_PRESSURE_PA = 1e-6


def pressure_from_level_pa(level_db: ArrayLike) -> Floats:
    """Rms pressure [Pa] of a sound pressure level [dB re 1 uPa], any shape (ISO 18405:2017, 3.2.1.1)."""
    return REFERENCE_PRESSURE_PA * 10 ** (np.asarray(level_db, dtype=float) / 20.0)


def amplitude_sd_from_level(level_sd_db: ArrayLike) -> Floats:
    """Relative standard deviation of an amplitude [1] whose level has the standard deviation `level_sd_db` [dB], any
    shape.

    ``ln(10) / 20`` times that, which is exact for small ones and a tenth too little at 4 dB: the first term of
    ``10^(x / 20)``.
    """
    return np.asarray(level_sd_db, dtype=float) * np.log(10.0) / 20.0


def spherical_spreading_loss_db(range_m: ArrayLike) -> Floats:
    """Spreading loss from 1 m to a range in free water.

    Parameters
    ----------
    range_m : array_like, shape (...)
        Distance from the source [m]; negative loss inside 1 m.

    Returns
    -------
    ndarray, shape (...)
        ``20 log10(r / 1 m)`` [dB].

    Raises
    ------
    ParameterError
        A range that is not positive.

    References
    ----------
    Urick (1983), Principles of Underwater Sound, 3rd ed., section 5.2.
    """
    return 20.0 * np.log10(checked("range_m", range_m, above=0.0))


def received_level_db(source_level_db: ArrayLike, range_m: ArrayLike, absorption_db_per_km: ArrayLike) -> Floats:
    """Level at a range from a source in free water.

    Parameters
    ----------
    source_level_db : array_like, shape (...)
        Source level [dB re 1 uPa at 1 m].
    range_m : array_like, shape (...)
        Distance from the source [m].
    absorption_db_per_km : array_like, shape (...)
        Absorption [dB/km].

    Returns
    -------
    ndarray, shape (...)
        Source level less spherical spreading less absorption over the range [dB re 1 uPa].

    Raises
    ------
    ParameterError
        A range that is not positive or a negative absorption.

    References
    ----------
    Urick (1983), Principles of Underwater Sound, 3rd ed., section 5.3.
    """
    absorption = checked("absorption_db_per_km", absorption_db_per_km, minimum=0.0)
    spreading = spherical_spreading_loss_db(range_m)
    return np.asarray(source_level_db, float) - spreading - absorption * np.asarray(range_m, float) / 1e3


def power_sum_db(*levels_db: ArrayLike) -> Floats:
    """Level [dB] of the sum of the powers of independent contributions.

    Parameters
    ----------
    *levels_db : array_like, shape (...)
        Levels with one common reference [dB]; -inf is a contribution of no power.

    Returns
    -------
    ndarray, shape (...)
        ``10 log10(sum 10^(L/10))`` [dB].

    Raises
    ------
    ParameterError
        No level at all.
    """
    if not levels_db:
        raise ParameterError("levels_db=() must hold at least one level")
    nepers = [np.asarray(level, dtype=float) * (np.log(10.0) / 10.0) for level in levels_db]
    return np.asarray(reduce(np.logaddexp, nepers)) * (10.0 / np.log(10.0))


def power_ratio_db(ratio: ArrayLike) -> Floats:
    """Ratio of two powers or energies [dB], any shape: ``10 log10(ratio)``; minus infinity for none, NaN below zero.

    References
    ----------
    IEC 60027-3:2002, level of a power quantity.
    """
    with np.errstate(divide="ignore"):  # nothing heard is an answer
        return np.asarray(10 * np.log10(ratio))
