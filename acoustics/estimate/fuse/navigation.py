"""The track of a run at the times of its pings, from what the navigation gave."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from acoustics.base.errors import InputError
from acoustics.base.frames import Floats, wrap_angle
from acoustics.estimate.fuse.run import Track
from acoustics.io.navigation import Navigation


def navigated_track(navigation: Navigation, times_s: ArrayLike) -> Track:
    """Poses at times (k,) in rising order [s]: between rows linear, headings the short way round.

    Raises
    ------
    InputError
        If a time lies outside those of the navigation.
    """
    times = np.asarray(times_s, dtype=float)
    first, last = float(navigation.time_s[0]), float(navigation.time_s[-1])
    outside = times[~((times >= first) & (times <= last))]
    if outside.size:
        raise InputError(
            navigation.source,
            "time_s",
            f"has no row for a ping at {outside[0]:.3f} s: it spans {first:.3f} to {last:.3f} s",
        )
    steps = np.linalg.norm(np.diff(navigation.position_m[:, :2], axis=0), axis=-1)
    travelled = np.cumsum(np.append(navigation.travelled_m, steps))

    def at(values: Floats) -> Floats:
        return np.interp(times, navigation.time_s, values)

    return Track(
        position_m=np.stack([at(column) for column in navigation.position_m.T], axis=-1),
        roll=at(np.unwrap(navigation.roll)),
        pitch=at(np.unwrap(navigation.pitch)),
        heading=wrap_angle(at(np.unwrap(navigation.heading))),
        distance_m=at(travelled),
        origin_m=navigation.position_m[0] if navigation.origin_m is None else navigation.origin_m,
    )
