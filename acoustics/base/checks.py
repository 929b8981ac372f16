"""Checks of arguments that all formulas share: refuse what is wrong, warn about what is only far away."""

from __future__ import annotations

import warnings

import numpy as np
from numpy.typing import ArrayLike

from acoustics.base.errors import ParameterError, ValidityWarning
from acoustics.base.frames import Floats


def checked(
    name: str,
    value: ArrayLike,
    *,
    minimum: float = -np.inf,
    maximum: float = np.inf,
    above: float = -np.inf,
    allow_infinite: bool = False,
) -> Floats:
    """`value` as an array of floats, or ParameterError with the first element that breaks the rule.

    `minimum` and `maximum` may be reached, `above` may not. NaN is always refused.
    """
    if isinstance(value, float) and minimum <= value <= maximum and above < value and abs(value) < np.inf:
        return np.asarray(value)  # the same as below, a tenth as long: estimators ask this for every window
    array = np.asarray(value, dtype=float)
    valid = (array >= minimum) & (array <= maximum) & ((array > above) | (above == -np.inf))
    if not allow_infinite:
        valid &= np.isfinite(array)
    if not valid.all():
        rules = [] if allow_infinite else ["finite"]
        rules += [f"at least {minimum:g}"] if minimum > -np.inf else []
        rules += [f"above {above:g}"] if above > -np.inf else []
        rules += [f"at most {maximum:g}"] if maximum < np.inf else []
        raise ParameterError(f"{name}={array[~valid].flat[0]:g} must be {' and '.join(rules) or 'a number'}")
    return array


def warn_outside(formula: str, name: str, values: Floats, low: ArrayLike, high: ArrayLike, unit: str) -> None:
    """ValidityWarning with the first of `values` outside [low, high], the range of the formula's source."""
    low, high = np.asarray(low, dtype=float), np.asarray(high, dtype=float)
    outside = (values < low) | (values > high)
    if np.any(outside):
        values, low, high = np.broadcast_arrays(values, low, high)
        first = np.flatnonzero(outside)[0]
        limits = f"{low.flat[first]:g} to {high.flat[first]:g} {unit}".rstrip()
        warn_invalid(f"{formula}: {name}={values.flat[first]:g} is outside {limits}")


def warn_invalid(text: str) -> None:
    """ValidityWarning that points at the caller of the formula."""
    # One helper lies between here and the formula; its caller is one further up.
    warnings.warn(text, ValidityWarning, stacklevel=4)


_LARGEST_APERTURE_M = 15.0  # no vehicle that a crew carries to a pool is longer
_LARGEST_WHOLE_M = 2.0  # nobody notes a longer array to the metre, and half a wavelength at 250 kHz is 3 mm
_MILLIMETRES = "if these are millimetres, divide by 1000: position_m is in metres"


def wide_aperture(positions_m: ArrayLike) -> str:
    """What is wrong with hydrophones, shape (n, 3) [m], that stand farther apart than any vehicle is long; else ''.

    Memory and time of an estimator grow with the largest spacing, so a slip there must not come through.
    """
    span = _span_m(positions_m)
    if span <= _LARGEST_APERTURE_M:
        return ""
    return f"the hydrophones span {span:.4g} m, more than any vehicle; {_MILLIMETRES}"


def whole_metres(positions_m: ArrayLike, hull_m: ArrayLike | None) -> str:
    """What is wrong with hydrophones, shape (n, 3) [m], at whole metres, farther apart than the hull is long; else ''.

    So looks a small array typed in millimetres. `hull_m` is the box of the hull, shape (3,) [m], if it is known.
    """
    span, hull = _span_m(positions_m), 0.0 if hull_m is None else float(np.linalg.norm(hull_m))
    if span <= max(hull, _LARGEST_WHOLE_M) or np.any(np.asarray(positions_m, dtype=float) % 1.0):
        return ""
    room = "give hull_m" if hull_m is None else "make hull_m as large"
    return f"the hydrophones span {span:.4g} m, all at whole metres; {_MILLIMETRES}; if they are metres, {room}"


def _span_m(positions_m: ArrayLike) -> float:
    places = np.asarray(positions_m, dtype=float)
    return float(np.max(np.linalg.norm(places[:, None] - places, axis=-1), initial=0.0))
