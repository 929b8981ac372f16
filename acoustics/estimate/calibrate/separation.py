"""What a calibration run cannot separate, found from its information and said in words."""

from __future__ import annotations

import numpy as np

from acoustics.base.frames import Floats, direction
from acoustics.base.record import record
from acoustics.estimate.calibrate.model import Parts

# A move by one prior standard deviation that changes the sum of squares by less than this is not seen: what is
# known of it afterwards comes from the prior by more than half.
_SEEN = 1.0
_ALIKE = 0.7  # cosine beyond which a direction counts as the named one
_LOADING = 0.35  # least share of a direction that is worth naming in it; words alone depend on it
_AXES = ("x (forward)", "y (starboard)", "z (down)")
_TURNS = ("roll", "pitch", "heading")


@record
class Combination:
    """A kind of combination of parameters: how many of its `of` independent ones the data left to the prior."""

    what: str
    unseen: int
    of: int


@record
class Separation:
    """Of `of` independent combinations of the parameters `unseen` rest on the prior by more than half.

    `named` says which, each counted once; `rest` describes those that no name fits by their largest parts.
    """

    unseen: int
    of: int
    named: tuple[Combination, ...]
    rest: tuple[str, ...]


def parameter_names(names: tuple[str, ...]) -> tuple[str, ...]:
    """What each calibration parameter is called, in their order."""
    offsets = [f"{name} {axis}" for name in names for axis in "xyz"]
    return (*offsets, *(f"{name} delay" for name in names), "sound speed", *(f"rotation: {turn}" for turn in _TURNS))


def find_unseparated(
    information: Floats,
    prior_sd: Floats,
    hydrophones_m: Floats,
    directions: Floats,
    sound_speed_m_s: float,
    names: tuple[str, ...],
) -> Separation:
    """Name the combinations of parameters that the data do not tell apart.

    Parameters
    ----------
    information : ndarray, shape (p, p)
        Of the data, in units of the prior's standard deviations: `Calibration.information`.
    prior_sd : ndarray, shape (p,)
        Standard deviations; a parameter of 0 is known and left out.
    hydrophones_m : ndarray, shape (n_hydrophones, 3)
        Nominal positions [m].
    directions : ndarray, shape (n_pings, 3)
        Unit vectors to the source in the body frame, one a ping.
    sound_speed_m_s : float
        Nominal [m/s].
    names : tuple of str
        Of the hydrophones.

    Returns
    -------
    Separation
    """
    free = prior_sd > 0
    data, sd = information[np.ix_(free, free)], prior_sd[free]
    value, vector = np.linalg.eigh(data)
    unseen = vector[:, value < _SEEN]
    total, named = unseen.shape[1], []
    for what, columns in _families(hydrophones_m, directions, sound_speed_m_s):
        possible = columns[:, np.all(columns[~free] == 0, axis=0) & np.any(columns[free] != 0, axis=0)]
        if possible.shape[1] == 0 or unseen.shape[1] == 0:
            continue
        own = _basis(possible[free] / sd[:, None])
        weight, turn = np.linalg.eigh(own.T @ data @ own)
        hidden = own @ turn[:, weight < _SEEN]
        _, cosine, across = np.linalg.svd(hidden.T @ unseen)
        count = int(np.sum(cosine > _ALIKE))
        if count:
            named.append(Combination(what, count, own.shape[1]))
            unseen = unseen @ across[count:].T
    called = [name for name, use in zip(parameter_names(names), free, strict=True) if use]
    return Separation(total, int(free.sum()), tuple(named), tuple(_largest_parts(v, called) for v in unseen.T))


def bearing_gain(hydrophones_m: Floats, sound_speed_m_s: float, *, n_bearings: int = 72) -> Floats:
    """Error of the site bearing of a far, level source by each calibration parameter.

    Equal weights, depression known. Returns shape (n_bearings, p), bearings all round [rad per unit of each
    parameter]; infinite or useless figures near the ends of a line of hydrophones are to be expected.
    """
    bearing = np.arange(n_bearings) * (2 * np.pi / n_bearings)
    unit, along = direction(bearing, 0.0), direction(bearing + np.pi / 2, 0.0)
    n = len(hydrophones_m)
    by_bearing = -along @ hydrophones_m.T / sound_speed_m_s
    by_bearing = by_bearing - by_bearing.mean(axis=-1, keepdims=True)
    square = np.sum(by_bearing**2, axis=-1)
    gain = by_bearing / np.maximum(square, 1e-9 * square.max())[:, None]
    by_offset = -unit[:, None, :] / sound_speed_m_s * gain[..., None]
    by_speed = np.sum(gain * (unit @ hydrophones_m.T), axis=-1) / sound_speed_m_s**2
    moment = -np.cross(hydrophones_m[None], unit[:, None, :]) / sound_speed_m_s
    by_rotation = np.einsum("bn,bnj->bj", gain, moment)
    return np.concatenate([by_offset.reshape(n_bearings, 3 * n), gain, by_speed[:, None], by_rotation], axis=-1)


def bearing_sd(gain: Floats, covariance: Floats) -> Floats:
    """Standard deviation of the bearing, the median all round, shape (...) [rad], from `bearing_gain`."""
    return np.median(np.sqrt(np.einsum("bp,...pq,bq->...b", gain, covariance, gain)), axis=-1)


def _families(hydrophones: Floats, directions: Floats, speed: float) -> list[tuple[str, Floats]]:
    """Named sets of directions in parameter space, each (p, m); what a delay cannot tell in principle comes first."""
    n = len(hydrophones)
    mean = directions.mean(axis=0)
    centred = hydrophones - hydrophones.mean(axis=0)
    _, sampled = np.linalg.eigh(np.cov(directions.T, bias=True) if len(directions) > 1 else np.zeros((3, 3)))
    unit, still = np.eye(3), (np.zeros((n, 3)), np.zeros(n), np.zeros(()), np.zeros(3))

    def vector(**changed: Floats) -> Floats:
        values = dict(zip(("offsets_m", "channel_delays_s", "sound_speed", "rotation"), still, strict=True)) | changed
        p = Parts(**values)
        return np.concatenate([p.offsets_m.ravel(), p.channel_delays_s, p.sound_speed[None], p.rotation])

    def own_offsets(axis: Floats) -> Floats:
        delay = np.eye(n) * (mean @ axis) / speed
        return np.stack(
            [
                vector(offsets_m=np.outer(row, axis), channel_delays_s=d)
                for row, d in zip(np.eye(n), delay, strict=True)
            ],
            1,
        )

    shifts = np.stack([vector(offsets_m=np.tile(axis, (n, 1))) for axis in unit], axis=1)
    turns = np.stack([vector(offsets_m=np.cross(axis, centred), rotation=-axis) for axis in unit], axis=1)
    families = [
        ("a delay common to all channels: only differences are heard", vector(channel_delays_s=np.ones(n))[:, None]),
        ("a shift of the whole array: it looks like an error of source or vehicle", shifts),
        ("a turn of the hydrophones in their frame against a turn of the frame on the vehicle", turns),
        (
            "the array's scale against the sound speed: from afar only their ratio is heard",
            vector(offsets_m=centred, sound_speed=np.array(speed))[:, None],
        ),
    ]
    families += [
        (f"offsets of single hydrophones along {_axis_name(axis)}, and the channel delays they look like", own)
        for axis in sampled.T
        for own in [own_offsets(axis)]
    ]
    families += [
        (f"the rotation in {turn}: it looks like an error of source or poses", vector(rotation=axis)[:, None])
        for turn, axis in zip(_TURNS, unit, strict=True)
    ]
    return families


def _axis_name(axis: Floats) -> str:
    k = int(np.argmax(np.abs(axis)))
    if abs(axis[k]) > 0.95:
        return _AXES[k]
    x, y, z = np.sign(axis[k]) * axis
    return f"({x:.2f}, {y:.2f}, {z:.2f})"


def _basis(columns: Floats) -> Floats:
    """Orthonormal basis of the span of columns."""
    left, size, _ = np.linalg.svd(columns / np.linalg.norm(columns, axis=0), full_matrices=False)
    return left[:, size > 1e-9 * size[0]]


def _largest_parts(vector: Floats, names: list[str]) -> str:
    order = np.argsort(-np.abs(vector))[:4]
    large = [k for k in order if abs(vector[k]) > _LOADING] or [int(order[0])]
    sign = np.sign(vector[large[0]])
    return ", ".join(f"{names[k]} {'+' if sign * vector[k] > 0 else '-'}{abs(vector[k]):.2f}" for k in large)
