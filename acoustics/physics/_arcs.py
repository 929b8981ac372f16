"""Steps of rays from row to row of a sound-speed profile, on circular arcs (`ray_tracing`)."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats

_TINY = 1e-6  # of g times time: below it the series of artanh is exact to rounding
MOST_ARCS = 3_000


class Profile(NamedTuple):
    """Rows of depth, the sound speed there, and the gradient of the layer below each but the last."""

    rows_m: Floats
    speed_m_s: Floats
    slope: Floats

    @classmethod
    def of(cls, rows_m: Floats, speed_m_s: Floats) -> Profile:
        return cls(rows_m, speed_m_s, np.diff(speed_m_s) / np.diff(rows_m))


class Rays(NamedTuple):
    """Rays on their way: depth, sound speed, sine of the angle, ``cos(theta) / c``, and the layer ahead."""

    z: Floats
    c: Floats
    sine: Floats
    xi: Floats
    layer: NDArray[np.int64]

    def take(self, which: NDArray[np.bool_] | NDArray[np.int64] | slice) -> Rays:
        z, c, sine, xi, layer = self
        return Rays(z[which], c[which], sine[which], xi[which], layer[which])


def start(water: Profile, from_depth_m: Floats, angle: Floats) -> Rays:
    z = np.array(from_depth_m, dtype=float)
    c = np.interp(z, water.rows_m, water.speed_m_s)
    layer = np.clip(np.searchsorted(water.rows_m, z, side="right") - 1, 0, len(water.rows_m) - 2)
    return Rays(z, c, np.sin(angle), np.cos(angle) / c, layer)


def to_next_row(water: Profile, rays: Rays) -> tuple[Floats, Floats, Rays]:
    """Gradient of the rays' layers, the range across them, and the rays where they leave."""
    z, c, sine, xi, layer = rays
    rows_m, speed_m_s, slope = water.rows_m, water.speed_m_s, water.slope[layer]
    down = (sine > 0) | ((sine == 0) & (slope < 0))
    turns = xi * speed_m_s[layer + down] >= 1.0  # before it comes to the row ahead
    leaves_below = down ^ turns
    row = layer + leaves_below
    c_row, z_row = speed_m_s[row], rows_m[row]
    out = np.sqrt(np.maximum(1.0 - (xi * c_row) ** 2, 0.0))
    steep = np.abs(sine) + out
    with np.errstate(divide="ignore", invalid="ignore"):
        # Written without the difference of two sines, which nearly cancel where the gradient is small.
        across = xi * (c + c_row) * np.abs(z_row - z) / steep
        reach = np.where(turns, steep / (xi * np.abs(slope)), across)
    reach = np.fmin(reach, np.inf)  # NaN: level in even water, or along the axis of a channel
    sine_then = np.where(leaves_below, out, -out)
    return slope, reach, Rays(z_row, c_row, sine_then, xi, layer + np.where(sine_then > 0, 1, -1))


def along_arc(rays: Rays, slope: Floats, step_m: Floats) -> tuple[Floats, Floats]:
    """Depth and sine of the angle a step of range on, within the layer."""
    fallen = rays.xi * slope * step_m
    begun = rays.xi * rays.c
    # The cosine then, without a difference of nearly like numbers where rays are steep.
    level = np.sqrt(np.maximum(begun**2 + fallen * (2.0 * rays.sine - fallen), 0.0))
    sine = np.clip(rays.sine - fallen, -1.0, 1.0)
    return rays.z + step_m * (rays.sine + sine) / (begun + level), sine


def arc_time(xi: Floats, slope: Floats, range_m: Floats, sine: Floats, sine_then: Floats) -> Floats:
    """Travel time along arcs of one gradient, by the difference of the two artanh in one."""
    q = xi * range_m / (1.0 - sine * sine_then)
    small = np.abs(slope * q) < _TINY
    return np.where(small, q, np.arctanh(np.where(small, 0.0, slope * q)) / np.where(small, 1.0, slope))
