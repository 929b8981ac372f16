"""How far a straight ray is from the true, bent one, and where a source then seems to be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.base.frames import Floats


def linear_gradient_travel_time(
    range_m: ArrayLike, *, from_speed_m_s: ArrayLike, to_speed_m_s: ArrayLike, gradient_per_s: ArrayLike
) -> Floats:
    """Exact travel time of the bent ray between two points in water of constant sound-speed gradient.

    Parameters
    ----------
    range_m : array_like, shape (...)
        Straight distance between the points [m].
    from_speed_m_s, to_speed_m_s : array_like, shape (...)
        Sound speed at the two points [m/s].
    gradient_per_s : array_like, shape (...)
        Change of sound speed with depth [1/s], not zero.

    Returns
    -------
    ndarray, shape (...)
        ``arcosh(1 + g^2 r^2 / (2 c1 c2)) / |g|`` [s].

    Notes
    -----
    Rays are arcs of circles where the gradient is constant: Jensen, Kuperman, Porter, Schmidt, Computational
    Ocean Acoustics, section 3.3 (from memory); the travel time is the hyperbolic distance in the half-plane model.
    """
    g, r = np.abs(np.asarray(gradient_per_s, float)), np.asarray(range_m, float)
    c1, c2 = np.asarray(from_speed_m_s, float), np.asarray(to_speed_m_s, float)
    # arcosh(1 + x) = log1p(x + sqrt(x (x + 2))) keeps its digits where x is tiny, as it is in a pool.
    x = (g * r) ** 2 / (2 * c1 * c2)
    return np.log1p(x + np.sqrt(x * (x + 2))) / g


def bent_ray_angle(range_m: ArrayLike, *, sound_speed_m_s: ArrayLike, gradient_per_s: ArrayLike) -> Floats:
    """Angle [rad] between the straight line and the bent ray at its end, near the horizontal.

    Parameters
    ----------
    range_m : array_like, shape (...)
        Distance [m].
    sound_speed_m_s, gradient_per_s : array_like, shape (...)
        Sound speed [m/s] and its change with depth [1/s].

    Returns
    -------
    ndarray, shape (...)
        ``arcsin(r |g| / (2 c))`` [rad]: half the angle of the arc of radius c / g that the chord r spans.

    Notes
    -----
    Beyond the arc's diameter there is no such ray and 90 degrees is returned.
    """
    chord = (
        np.asarray(range_m, float)
        * np.abs(np.asarray(gradient_per_s, float))
        / (2 * np.asarray(sound_speed_m_s, float))
    )
    return np.arcsin(np.minimum(chord, 1.0))


_STEPS, _SAME = 8, 1e-8  # of Newton; its convergence is from one side, and quadratic: twice as many digits a step
_FLATTEST = 30.0  # cotangent of the angle where the sound is fastest, 1.9 deg: beyond, rays turn on their way


@dataclass(frozen=True)
class SoundSpeedProfile:
    """Sound speed [m/s] at increasing depths [m], linear between and constant beyond; both of shape (n_rows,)."""

    depth_m: Floats
    speed_m_s: Floats

    def below(self, depth_m: float) -> SoundSpeedProfile:
        """The same with its depths counted from that one."""
        return SoundSpeedProfile(self.depth_m - depth_m, self.speed_m_s)


def apparent_source(profile: SoundSpeedProfile, receiver_m: Floats, source_m: Floats) -> tuple[Floats, Floats]:
    """Where a source seems to be at a receiver for whom rays are straight, and how that moves with the source.

    Parameters
    ----------
    profile : SoundSpeedProfile
        Of the water, its depths counted as the places' z.
    receiver_m, source_m : ndarray, shape (..., 3)
        Places, z down from the surface [m].

    Returns
    -------
    apparent_m : ndarray, shape (..., 3)
        Above or below the source, in the direction from which its direct ray arrives [m].
    by_source : ndarray, shape (..., 3, 3)
        Derivative of that by the source's place [1].

    Notes
    -----
    By Snell's law ``xi = cos(theta) / c`` is constant along the ray, and where c is linear over a layer of thickness d
    the ray goes ``xi (c1 + c2) d / (sin1 + sin2)`` far in it (Jensen, Kuperman, Porter, Schmidt, Computational Ocean
    Acoustics, 2nd ed., chapter 3, from memory). A ray that turns on its way, between depths nearly alike, is taken as
    one arc of the gradient at the receiver, to first order. For the direction alone: the apparent distance is not the
    time of travel.
    """
    off = source_m - receiver_m
    across = np.maximum(np.hypot(off[..., 0], off[..., 1]), 1e-6)
    near, far = receiver_m[..., 2], source_m[..., 2]
    low, high = np.minimum(near, far), np.maximum(near, far)
    depth, speed = _layers(profile, low, high)
    thick, both, fastest = np.diff(depth, axis=0), speed[1:] + speed[:-1], speed.max(axis=0)
    bent = both * thick
    flat = across / np.maximum(high - low, 1e-9)
    for _ in range(_STEPS):
        flat = np.clip(flat, 1e-6, _FLATTEST)
        xi = flat / np.sqrt(1.0 + flat**2) / fastest
        sine = np.sqrt(np.maximum(1.0 - (xi * speed) ** 2, 1e-12))
        far_in_it = bent / (sine[1:] + sine[:-1])
        squares = speed**2 / sine
        way = xi * np.sum(far_in_it, axis=0)
        slope = np.sum(far_in_it * (1.0 + xi**2 * (squares[1:] + squares[:-1]) / (sine[1:] + sine[:-1])), axis=0)
        before, flat = flat, flat + (across - way) / np.maximum(slope, 1e-9) * fastest * (1.0 + flat**2) ** 1.5
        if np.all((np.abs(flat - before) < _SAME * before) | ((before == _FLATTEST) & (flat > _FLATTEST))):
            break
    turns = flat > _FLATTEST
    here, there = (np.interp(z, profile.depth_m, profile.speed_m_s) for z in (near, far))
    down = np.where(far >= near, 1.0, -1.0)
    steep = np.sqrt(np.maximum((xi * here) ** -2 - 1.0, 1e-12))
    flatter = -1.0 / (xi**3 * here**2 * steep)  # of the tangent at the receiver, by xi
    cotangent = xi * there / np.sqrt(np.maximum(1.0 - (xi * there) ** 2, 1e-12))
    bend = (np.interp(near + 0.5, profile.depth_m, profile.speed_m_s) - here) / (0.5 * here)
    fall = np.where(turns, far - near + 0.5 * across**2 * bend, down * across * steep)
    by_across = np.where(turns, across * bend, down * (steep + across * flatter / np.maximum(slope, 1e-9)))
    by_depth = np.where(turns, 1.0, -across * flatter * cotangent / np.maximum(slope, 1e-9))
    apparent = source_m.astype(float)
    apparent[..., 2] = near + fall
    by_source = np.broadcast_to(np.eye(3), (*apparent.shape, 3)).copy()
    by_source[..., 2, :2] = (by_across / across)[..., None] * off[..., :2]
    by_source[..., 2, 2] = by_depth
    return apparent, by_source


def before_rays_turn(profile: SoundSpeedProfile, receiver_m: Floats, source_m: Floats) -> NDArray[np.bool_]:
    """Whether direct rays reach receivers without a turn, shape (...): farther off `apparent_source` is a guess.

    The flattest ray that does not turn, `_FLATTEST` where sound is fastest, comes as far as this; arguments as there.
    """
    off = source_m - receiver_m
    low, high = np.minimum(receiver_m[..., 2], source_m[..., 2]), np.maximum(receiver_m[..., 2], source_m[..., 2])
    depth, speed = _layers(profile, low, high)
    share = _FLATTEST / np.sqrt(1.0 + _FLATTEST**2) * speed / speed.max(axis=0)
    sine = np.sqrt(1.0 - share**2)
    way = np.sum((share[1:] + share[:-1]) * np.diff(depth, axis=0) / (sine[1:] + sine[:-1]), axis=0)
    return np.asarray(np.hypot(off[..., 0], off[..., 1]) <= way)


def _layers(profile: SoundSpeedProfile, low: Floats, high: Floats) -> tuple[Floats, Floats]:
    """Depths of the profile between two depths (...), these included, and the speeds there, shape (n_rows + 2, ...)."""
    rows = profile.depth_m.reshape(-1, *(1,) * low.ndim)
    depth = np.concatenate([low[None], np.clip(rows, low, high), high[None]])
    return depth, np.interp(depth, profile.depth_m, profile.speed_m_s)
