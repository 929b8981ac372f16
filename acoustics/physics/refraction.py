"""How far a straight ray is from the true, bent one, in water of one gradient; and the profile of one of several."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from acoustics.base.frames import Floats
from acoustics.base.record import record


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


@record
class SoundSpeedProfile:
    """Sound speed [m/s] at increasing depths [m], linear between and constant beyond; both of shape (n_rows,)."""

    depth_m: Floats
    speed_m_s: Floats

    def below(self, depth_m: float) -> SoundSpeedProfile:
        """The same with its depths counted from that one."""
        return SoundSpeedProfile(self.depth_m - depth_m, self.speed_m_s)
