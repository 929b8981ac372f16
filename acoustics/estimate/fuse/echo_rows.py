"""Places by echoes in the model of a run: two rows of each ping, and what the state says that they should be."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.least_squares import transposed
from acoustics.base.record import record
from acoustics.estimate.fuse.echo_places import CHANNELS, EchoPlaces
from acoustics.physics.error_model import ErrorSizes

ROWS = 2  # of a ping: x and y
_DEPTH, _OWN, _ATTITUDE, _HEADING, _SPEED = 0, slice(1, 4), slice(4, 7), 6, 7  # columns of `EchoPlaces.by`


@record
class EchoRows:
    """Places by echoes of r runs laid out flat: the first two rows of each ping.

    `at`, (p,): which pings have them; `depth`, (p,), `place`, (r, p, m, 2), `by`, (r, p, m, 2, k) and `misfit`,
    (r, p, m), as of `EchoPlaces`; `noise`, (r, p, m, 2, 2), with the attitude's error that is new at each ping; `total`
    with all other errors as well, for what takes a ping alone.
    """

    at: NDArray[np.bool_]
    depth: Floats
    place: Floats
    by: Floats
    noise: Floats
    total: Floats
    misfit: Floats

    def mapped(self, change: Any) -> EchoRows:
        """The same with each array of the runs changed."""
        names = ("place", "by", "noise", "total", "misfit")
        return EchoRows(self.at, self.depth, **{name: change(getattr(self, name)) for name in names})

    def chosen(self, choice: NDArray[np.intp]) -> EchoRows:
        """The modes (r, p) of the pings alone."""
        mode = np.where(self.at, choice, 0)
        return self.mapped(lambda a: np.take_along_axis(a, mode.reshape(*mode.shape, *(1,) * (a.ndim - 2)), axis=2))


def echo_rows(echoes: EchoPlaces, errors: ErrorSizes, depth_sd_m: float, runs: tuple[int, ...]) -> EchoRows:
    """Lay the places of runs of batch shape `runs` out flat."""
    at, (p, m, _, k) = echoes.heard, echoes.by.shape
    r = int(np.prod(runs))
    turned = echoes.by[..., _ATTITUDE]
    noise = echoes.noise_m2 + (turned * errors.attitude_sd**2) @ transposed(turned)
    variance = np.ones(k)
    variance[_DEPTH], variance[_OWN] = depth_sd_m**2, errors.single_place_sd_m**2
    variance[_ATTITUDE], variance[_SPEED] = [0.0, 0.0, errors.heading_bias_sd**2], errors.sound_speed_sd_m_s**2
    total = noise + (echoes.by * variance) @ transposed(echoes.by)
    there, one = at[:, None, None, None], np.eye(ROWS)
    return EchoRows(
        at=at,
        depth=echoes.depth_m,
        place=np.nan_to_num(np.broadcast_to(echoes.place_m, (*runs, p, m, ROWS)).reshape(r, p, m, ROWS)),
        by=np.broadcast_to(np.where(there, echoes.by, 0.0), (r, p, m, ROWS, k)),
        noise=np.broadcast_to(np.where(there, noise, one), (r, p, m, ROWS, ROWS)),
        total=np.broadcast_to(np.where(there, total, one), (r, p, m, ROWS, ROWS)),
        misfit=np.broadcast_to(echoes.misfit, (r, p, m)),
    )


def echo_misfits(echo: EchoRows, candidates: Floats) -> tuple[Floats, NDArray[np.intp]]:
    """Chi-square, (r, q, p), of each ping's best mode at candidates (r, q, 3), each ping taken alone, and the mode.

    A candidate is as good as the one ping that it comes from, so that variances count twice.
    """
    away = echo.place[:, None] - candidates[:, :, None, None, :ROWS]
    misfit = 0.5 * np.einsum("rqpmi,rpmij,rqpmj->rqpm", away, np.linalg.inv(echo.total), away) + echo.misfit[:, None]
    return misfit.min(axis=-1), misfit.argmin(axis=-1)


def place_by_echoes(
    echo: EchoRows, errors: ErrorSizes, state: Floats, moved_m: Floats, turned_m: Floats, drift_m: Floats
) -> tuple[Floats, Floats]:
    """Where echoes put the source by a state, and the derivatives.

    Parameters
    ----------
    echo : EchoRows
        One mode of each ping of r runs.
    errors : ErrorSizes
        Of the runs.
    state : ndarray, shape (r, size)
        Of `FusionProblem`, without the clock.
    moved_m, turned_m : ndarray, shape (r, p, 3)
        How far each pose is off by the state, and the way since the start [m].
    drift_m : ndarray, shape (r, p, p)
        By how much a step of the walk, the last axis, moves each pose [m].

    Returns
    -------
    place_m : ndarray, shape (r, p, 2)
        Zero in pings without a place [m].
    by_state : ndarray, shape (r, p, 2, size)
        Of first order, as `EchoPlaces` is.
    """
    (r, p, _), k, size, bias_sd = moved_m.shape, echo.by.shape[-1], state.shape[-1], errors.heading_bias_sd
    error, by_state = np.zeros((r, p, k)), np.zeros((r, p, k, size))
    error[..., _DEPTH], by_state[..., _DEPTH, 2] = state[:, None, 2] - echo.depth, 1.0
    error[..., _HEADING], by_state[..., _HEADING, 3] = bias_sd * state[:, None, 3], bias_sd
    error[..., _SPEED] = errors.sound_speed_sd_m_s * state[:, None, 5]
    by_state[..., _SPEED, 5] = errors.sound_speed_sd_m_s
    error[..., _OWN] = moved_m
    if errors.dead_reckoned:
        by_state[..., _OWN, 3] = turned_m[..., [1, 0, 2]] * [-bias_sd, bias_sd, 0.0]
    by_state[..., _OWN, 4] = turned_m * errors.log_scale_sd
    by_state[..., _OWN, 6:9] = np.diag(errors.start_sd_m)
    own, steps = np.split(np.arange(9, size), [k - CHANNELS])
    for axis in range(2):
        by_state[..., _OWN.start + axis, steps[axis::2]] = drift_m
    error[..., CHANNELS:] = state[:, None, own]  # in units of their standard deviations here and there
    by_state[..., np.arange(CHANNELS, k), own] = 1.0
    by, at = echo.by[:, :, 0], echo.at[:, None]
    place = np.where(at, state[:, None, :ROWS] + np.einsum("rpik,rpk->rpi", by, error), 0.0)
    derivatives = by @ by_state
    derivatives[..., range(ROWS), range(ROWS)] += at
    return place, derivatives
