"""Which error costs how much: a Cramer-Rao bound split into the parts that each error contributes.

Near the truth all measurements y are linear in what is sought and in every error,

    y = J x + sum over k of A_k e_k,   e_k standard normal and independent,

so their covariance is ``C = sum A_k A_k^T`` and the estimator that reaches the bound is ``x = G y`` with
``G = (J^T C^-1 J)^-1 J^T C^-1``. Its covariance ``G C G^T`` is the bound with all errors as nuisance parameters, and
is the sum of the parts ``G A_k A_k^T G^T``: contributions add in quadrature to the bound, exactly, because every one
passes through the same estimator, the one that knows of all errors. A contribution is therefore not what would be
left if its error were the only one, since the estimator would then weigh otherwise; and taking an error away gains
at least its contribution.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.base.checks import checked
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats, direction, direction_jacobian
from acoustics.base.record import record
from acoustics.physics.direct_rays import DirectRays
from acoustics.physics.error_model import Sight, sight_of_direction, sight_of_source
from acoustics.physics.tdoa import difference_matrix

_TURNS = ("roll", "pitch", "heading")
_SHARED = frozenset({"sound_speed", *_TURNS})


@record
class LinearModel:
    """Measurements of one ping as a linear function of what is sought and of every error.

    Attributes
    ----------
    derivative : ndarray, shape (n_measured, n_sought)
        By what is sought, each in its unit. The delays against hydrophone 0 come first, then, for a position, the
        depth.
    effects : dict of ndarray, shape (n_measured, n_errors)
        By name: the effect of one standard deviation of each independent error of that name.
    shared : frozenset of str
        Names of the errors that all channels have in common, which may be far larger than the others.
    unit : ndarray, shape (n_sought,)
        Unit of each quantity sought [rad or m]: 1, but for a depth the standard deviation with which it is known.
    """

    derivative: Floats
    effects: dict[str, Floats]
    shared: frozenset[str]
    unit: Floats


@record
class ErrorBudget:
    """A bound and its parts, each of shape (n_sought, n_sought); infinite for what is not observed.

    Attributes
    ----------
    covariance : ndarray
        The Cramer-Rao bound [rad^2 or m^2].
    parts : dict of ndarray
        What each error contributes; they add up to `covariance`.
    halved : dict of ndarray
        The bound, recomputed, with that error's standard deviation halved.
    gain : ndarray, shape (n_sought, n_measured)
        Of the estimator that reaches the bound; NaN in rows of what is not observed.
    """

    covariance: Floats
    parts: dict[str, Floats]
    halved: dict[str, Floats]
    gain: Floats


def bearing_model(
    hydrophones_m: ArrayLike,
    bearing: float,
    depression: float,
    sound_speed_m_s: float,
    *,
    arrival_sd_s: Mapping[str, ArrayLike],
    sound_speed_sd_m_s: float = 0.0,
    attitude_sd: ArrayLike = (0.0, 0.0, 0.0),
) -> LinearModel:
    """Time differences of a plane wave as a function of (bearing, depression): the model of `bounds.bearing_bound`.

    Parameters
    ----------
    hydrophones_m : array_like, shape (n_hydrophones, 3)
        Positions [m], at least two.
    bearing, depression : float
        Direction of the pinger in the same frame [rad].
    sound_speed_m_s, sound_speed_sd_m_s : float
        Sound speed and its standard deviation [m/s].
    arrival_sd_s : dict of array_like, shape (n_hydrophones,) or ()
        By name: standard deviation of an error of each arrival time, independent from channel to channel [s].
    attitude_sd : array_like, shape (3,)
        Standard deviations of small rotations about the frame's x, y and z [rad]: roll, pitch and heading.

    Returns
    -------
    LinearModel
        With the effects of `arrival_sd_s`, then "sound_speed", "roll", "pitch" and "heading".

    Raises
    ------
    ParameterError
        For a wrong shape, a speed that is not positive or a negative standard deviation.
    """
    points = _checked_points(hydrophones_m)
    speed = float(checked("sound_speed_m_s", sound_speed_m_s, above=0.0))
    unit = direction(bearing, depression)
    by_direction = -points @ direction_jacobian(bearing, depression) / speed
    sight = sight_of_direction(points, unit, speed)
    effects = _delay_effects(sight, arrival_sd_s, sound_speed_sd_m_s, attitude_sd)
    return LinearModel(difference_matrix(len(points)) @ by_direction, effects, _SHARED, np.ones(2))


def position_model(
    hydrophones_m: ArrayLike,
    source_m: ArrayLike,
    sound_speed_m_s: float,
    *,
    arrival_sd_s: Mapping[str, ArrayLike],
    depth_sd_m: Mapping[str, float],
    sound_speed_sd_m_s: float = 0.0,
    attitude_sd: ArrayLike = (0.0, 0.0, 0.0),
    own_position_sd_m: float = 0.0,
    rays: DirectRays | None = None,
) -> LinearModel:
    """Time differences and a known depth as a function of (x, y, z) of the pinger: the model of
    `bounds.position_bound`.

    Parameters
    ----------
    hydrophones_m, sound_speed_m_s, arrival_sd_s, sound_speed_sd_m_s
        As in `bearing_model`.
    source_m : array_like, shape (3,)
        Position of the pinger in the same frame [m].
    depth_sd_m : dict of float
        By name: standard deviations of the errors in what is known of the pinger's depth below the array [m], at
        least one.
    attitude_sd : array_like, shape (3,)
        As in `bearing_model`, about axes through the frame's origin.
    own_position_sd_m : float
        Standard deviation of the frame's own x and y in the site [m].
    rays : DirectRays, optional
        As in `bounds.position_information`.

    Returns
    -------
    LinearModel
        With the effects of `arrival_sd_s`, "sound_speed", "roll", "pitch", "heading", those of `depth_sd_m`, and
        "own_position".

    Raises
    ------
    ParameterError
        For a wrong shape, a speed that is not positive, a negative standard deviation or none for the depth.
    """
    points = _checked_points(hydrophones_m)
    source, speed = checked("source_m", source_m), float(checked("sound_speed_m_s", sound_speed_m_s, above=0.0))
    own = float(checked("own_position_sd_m", own_position_sd_m, minimum=0.0))
    depths = {name: float(checked(name, sd, minimum=0.0)) for name, sd in depth_sd_m.items()}
    if not depths:
        raise ParameterError("depth_sd_m names no error: give at least one standard deviation")
    total_depth = float(np.sqrt(sum(sd**2 for sd in depths.values())))
    differences = difference_matrix(len(points))
    sight = sight_of_source(points, source, speed, rays=rays)
    delays = _delay_effects(sight, arrival_sd_s, sound_speed_sd_m_s, attitude_sd)
    delays["own_position"] = differences @ sight.by_start[:, :2] * own
    effects = {name: _with_depth_row(effect) for name, effect in delays.items()}
    # In units of its own standard deviation a depth is measured to 1, and one that is known needs no special case.
    share = {name: sd / total_depth if total_depth > 0 else len(depths) ** -0.5 for name, sd in depths.items()}
    effects |= {name: _with_depth_row(np.zeros((len(differences), 1)), part) for name, part in share.items()}
    unit = np.array([1.0, 1.0, total_depth])
    derivative = _with_depth_row(differences @ sight.by_source * unit)
    derivative[-1, 2] = 1.0
    return LinearModel(derivative, effects, _SHARED | {"own_position"}, unit)


def error_budget(model: LinearModel, observable: ArrayLike) -> ErrorBudget:
    """Split the bound of a linear model into contributions, and work it out again with each error halved.

    Parameters
    ----------
    model : LinearModel
        From `bearing_model` or `position_model`.
    observable : array_like of bool, shape (n_sought,)
        What the measurements observe, from the bound of the same arguments. The rest is taken as known, as that
        bound does, and is infinite in the result.

    Returns
    -------
    ErrorBudget

    References
    ----------
    S. M. Kay, "Fundamentals of Statistical Signal Processing: Estimation Theory", Prentice Hall, 1993, chapter 6
    (best linear unbiased estimator; it reaches the Cramer-Rao bound of the linear model with normal errors).
    """
    seen = np.asarray(observable, dtype=bool)
    names, whole = list(model.effects), np.full(model.derivative.T.shape, np.nan)
    if not seen.any():
        nothing = _restore(np.zeros((0, 0)), seen)
        unseen = dict.fromkeys(names, nothing)
        return ErrorBudget(nothing, unseen, unseen, whole)
    gains = model.unit[seen, None] * _gains(model, seen)
    parts = {}
    for factor, (name, effect) in zip(_halving(len(names)).T, model.effects.items(), strict=True):
        through = factor[:, None, None] * (gains @ effect)
        parts[name] = through @ np.swapaxes(through, -1, -2)
    bounds = np.sum(list(parts.values()), axis=0)
    whole[seen] = gains[0]
    return ErrorBudget(
        _restore(bounds[0], seen),
        {name: _restore(part[0], seen) for name, part in parts.items()},
        {name: _restore(bound, seen) for name, bound in zip(names, bounds[1:], strict=True)},
        whole,
    )


def systematic_shift(gain: ArrayLike, arrival_error_s: ArrayLike) -> Floats:
    """Shift of the estimate by known errors of the arrival times, to first order.

    Parameters
    ----------
    gain : array_like, shape (n_sought, n_measured)
        From `error_budget`.
    arrival_error_s : array_like, shape (n_hydrophones,)
        Measured less modelled time [s]; what all channels share has no effect.

    Returns
    -------
    ndarray, shape (n_sought,)
        Shift [rad or m]; NaN for what is not observed.
    """
    matrix, error = np.asarray(gain, dtype=float), np.asarray(arrival_error_s, dtype=float)
    delays = difference_matrix(len(error)) @ error
    return matrix[:, : len(delays)] @ delays


def _halving(count: int) -> Floats:
    """Factors of the standard deviations: row 0 leaves all whole, row k + 1 halves error k."""
    return np.vstack([np.ones(count), 1.0 - 0.5 * np.eye(count)])


def _gains(model: LinearModel, seen: NDArray[np.bool_]) -> Floats:
    """Gain for every row of `_halving`, shape (n_errors + 1, n_seen, n_measured).

    Least squares for what is sought and the shared errors together, each of the latter measured as 0 to within its
    standard deviation: the same as with their covariance, without the loss of figures where they are large.
    """
    factors = _halving(len(model.effects)).T[..., None, None]
    scaled = {name: f * effect for f, (name, effect) in zip(factors, model.effects.items(), strict=True)}
    common = np.concatenate([effect for name, effect in scaled.items() if name in model.shared], axis=-1)
    separate = np.concatenate([effect for name, effect in scaled.items() if name not in model.shared], axis=-1)
    whitener = np.linalg.inv(np.linalg.cholesky(separate @ np.swapaxes(separate, -1, -2)))
    sought = np.broadcast_to(model.derivative[:, seen], (*common.shape[:-1], int(seen.sum())))
    above = whitener @ np.concatenate([common, sought], axis=-1)
    n_runs, n_measured, n_common = common.shape
    below = np.broadcast_to(np.eye(n_common, above.shape[-1]), (n_runs, n_common, above.shape[-1]))
    design = np.concatenate([above, below], axis=-2)
    scale = np.linalg.norm(design, axis=-2, keepdims=True)
    q, r = np.linalg.qr(design / scale)
    solved = np.linalg.solve(r, np.swapaxes(q[..., :n_measured, :], -1, -2) @ whitener)
    return (solved / np.swapaxes(scale, -1, -2))[..., n_common:, :]


def _restore(block: Floats, seen: NDArray[np.bool_]) -> Floats:
    """A covariance of all that is sought from the block that is observed: infinite variance elsewhere."""
    full = np.diag(np.where(seen, 0.0, np.inf))
    full[np.ix_(seen, seen)] = block
    return full


def _delay_effects(
    sight: Sight, arrival_sd_s: Mapping[str, ArrayLike], speed_sd: float, attitude_sd: ArrayLike
) -> dict[str, Floats]:
    """Effects on the delays, from derivatives of the arrival times."""
    differences = difference_matrix(len(sight.time_s))
    turns = differences @ sight.by_attitude() * checked("attitude_sd", attitude_sd, minimum=0.0)
    effects = {name: differences * checked(name, sd, minimum=0.0) for name, sd in arrival_sd_s.items()}
    effects["sound_speed"] = differences @ sight.by_sound_speed * checked("sound_speed_sd_m_s", speed_sd, minimum=0.0)
    return effects | {name: turns[:, [k]] for k, name in enumerate(_TURNS)}


def _with_depth_row(effect: Floats, depth: float = 0.0) -> Floats:
    return np.pad(effect, ((0, 1), (0, 0)), constant_values=depth)


def _checked_points(hydrophones_m: ArrayLike) -> Floats:
    points = checked("hydrophones_m", hydrophones_m)
    if points.ndim != 2 or points.shape[-1] != 3 or len(points) < 2:
        raise ParameterError(f"hydrophones_m has shape {points.shape}: it must be (n, 3) with n of at least 2")
    return points
