"""The track of a run at the times of its pings, from what the navigation gave."""

from __future__ import annotations

import warnings

import numpy as np
from numpy.typing import ArrayLike

from acoustics.base.errors import InputError
from acoustics.base.frames import Floats, wrap_angle
from acoustics.estimate.fuse.run import Track
from acoustics.io.navigation import Navigation

_GAP_S = 2.0  # of a vehicle under way: its heading may be another in between
_GAP_ROWS = 10.0  # usual intervals between rows


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
    _warn_of_gaps(navigation, times)
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


def _warn_of_gaps(navigation: Navigation, times_s: Floats) -> None:
    """Say where pings fall into a hole of the navigation, across which their poses are interpolated."""
    interval = np.diff(navigation.time_s)
    if len(interval) < 2:  # a vehicle that lies still needs no more rows
        return
    between = times_s[~np.isin(times_s, navigation.time_s)]
    after = np.searchsorted(navigation.time_s, between)
    holes = np.unique(after[interval[after - 1] > max(_GAP_S, _GAP_ROWS * float(np.median(interval)))])
    if holes.size:
        begin, end = navigation.time_s[holes[0] - 1], navigation.time_s[holes[0]]
        more = f" and {holes.size - 1} more such holes" if holes.size > 1 else ""
        warnings.warn(
            f"{navigation.source}: time_s: has no row between {begin:.3f} and {end:.3f} s{more}, where pings were "
            "heard; their poses are interpolated",
            stacklevel=3,
        )
