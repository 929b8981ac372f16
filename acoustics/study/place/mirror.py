"""What the mirror images of a flat or straight array cost: in bearing, and in position."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.special import ndtr

from acoustics.base.frames import Floats
from acoustics.scene.shadow import Bools

_NO_WIDTH = 1e-6  # part of the widest spread that is none, as `array_rank` has it, squared


def mirror_error(
    hydrophones_m: Floats,
    heard: Bools,
    unit: Floats,
    delay_sd_m: float | Floats,
    *,
    harm: Callable[[Floats], Floats],
    against: Callable[[Floats], Floats] | None = None,
) -> Floats:
    """Root mean square error from taking the mirror image of a flat or straight array for the pinger, shape (...).

    Parameters
    ----------
    hydrophones_m : ndarray, shape (..., n_hydrophones, 3)
        Positions [m].
    heard : ndarray of bool, shape (..., n_hydrophones)
        Which of them hear the ping.
    unit : ndarray, shape (..., 3)
        Unit vectors towards the pinger.
    delay_sd_m : float or ndarray, shape (...)
        Standard deviation of one hydrophone's arrival time, as a length of path [m].
    harm : callable
        Of the images' unit vectors, shape (..., 3): the error, in the unit of the answer.
    against : callable, optional
        Of the same: how far else than by the delays the image is from the pinger, squared [standard deviations^2].

    Notes
    -----
    The pinger is reflected along the one or two axes of least spread of the hydrophones, and along both. With d the
    distance of the measurements from those of the image, in standard deviations, it is taken with probability
    Q(d / 2): one half for a plane array and delays alone.
    """
    weight = heard[..., None] / np.maximum(heard.sum(axis=-1), 1)[..., None, None]
    offset = (hydrophones_m - (weight * hydrophones_m).sum(axis=-2, keepdims=True)) * heard[..., None]
    spread, axes = np.linalg.eigh(np.swapaxes(offset, -1, -2) @ offset)  # columns, the least first
    least, middle = _axes_across(spread, axes)
    along = [(unit * axis).sum(axis=-1) for axis in (least, middle)]
    shifts = [-2 * a[..., None] * axis for a, axis in zip(along, (least, middle), strict=True)]
    paths = [4 * a**2 * np.maximum(spread[..., i], 0.0) for i, a in enumerate(along)]
    square = np.zeros(unit.shape[:-1])
    for shift, path in (
        (shifts[0], paths[0]),
        (shifts[1], paths[1]),
        (shifts[0] + shifts[1], paths[0] + paths[1]),
    ):
        image = unit + shift
        distance = path / delay_sd_m**2
        if against is not None:
            distance = distance + against(image)
        square = square + ndtr(-np.sqrt(distance) / 2) * harm(image) ** 2
    return np.asarray(np.sqrt(square))


def _axes_across(spread: Floats, axes: Floats) -> tuple[Floats, Floats]:
    """The axes of least and of middle spread; of a line, which has no such axes, the steepest and the level one."""
    least, middle, line = (axes[..., i] for i in range(3))
    level = np.stack([-line[..., 1], line[..., 0], np.zeros_like(line[..., 0])], axis=-1)
    length = np.linalg.norm(level, axis=-1, keepdims=True)
    straight = (spread[..., 1] <= _NO_WIDTH * spread[..., 2])[..., None] & (length > 1e-9)
    level = level / np.maximum(length, 1e-9)
    return np.where(straight, np.cross(line, level), least), np.where(straight, level, middle)
