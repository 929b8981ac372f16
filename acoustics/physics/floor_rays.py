"""Rays between a surface and a floor of planes, in water whose sound speed changes with depth.

Between two reflections a ray stays in an upright plane and is a chain of circular arcs (`ray_tracing`). A level surface
turns its angle over; a plane of the floor mirrors its direction, ``t - 2 (t . n) n``, and with it the upright plane in
which it goes on (F. B. Jensen, W. A. Kuperman, M. B. Porter, H. Schmidt, Computational Ocean Acoustics, 2nd ed. (2011),
chapter 3, from memory; the law of reflection is exact for plane faces).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from acoustics.base.errors import ParameterError
from acoustics.base.floors import Floor
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.physics._arcs import MOST_ARCS, Profile, Rays, along_arc, arc_time, start, to_next_row

SURFACE = 0
_LEAST_AHEAD = 0.05  # cosine between a ray's way and the receiver's, seen from above; less, and it is given up
_PAST_EDGE_M = 1e-9
_ON_FLOOR_M = 1e-9
_UPRIGHT = 1e-12  # square of the cosine of a ray that goes straight up or down
_SKIM_M = 0.01  # between two reflections: a ray that creeps along a face, or into a shore, is given up
_END, _FLOOR, _EDGE, _ROW, _SKIMS = range(5)
_Met = tuple[NDArray[np.int64], NDArray[np.int64], Floats]  # numbers of rays, faces, sines of the grazing angles


@record
class Landings:
    """Rays where they cross the upright plane through their receiver; NaN where one turned back or was given up before.

    Parameters
    ----------
    across_m : ndarray, shape (n_rays,)
        Place to the right of the receiver, along that plane [m].
    unfolded_m : ndarray, shape (n_rays,)
        Depth in water that is mirrored in floor and surface where it is met, so that it has no leap where one more
        reflection begins [m]: ``storey h + z``, or ``storey h + h - z`` in an odd storey, with h the floor's depth.
    descent : ndarray, shape (n_rays,)
        How that changes with the way ahead, square to the plane [m/m].
    heading : ndarray, shape (n_rays, 3)
        Direction, unit vectors.
    speed_m_s, time_s : ndarray, shape (n_rays,)
        Sound speed there [m/s] and travel time [s].
    faces : ndarray of int8, shape (n_rays, n_met)
        What was met in order: `SURFACE`, or 1 and on for the floor's planes; -1 after the last.
    sin_grazing : ndarray, shape (n_rays, n_met)
        Sine of the grazing angle there [1]; 0 after the last.
    """

    across_m: Floats
    unfolded_m: Floats
    descent: Floats
    heading: Floats
    speed_m_s: Floats
    time_s: Floats
    faces: NDArray[np.int8]
    sin_grazing: Floats


class _State(NamedTuple):
    """Rays under way, all (n,): their number, place and way seen from above, and the rest of what they are."""

    number: NDArray[np.int64]
    x: Floats
    y: Floats
    way_x: Floats
    way_y: Floats
    ahead: Floats  # cosine between the way and the receiver's
    left: Floats  # [m] to the plane through the receiver
    rays: Rays
    plane: NDArray[np.int64]
    reflected: NDArray[np.bool_]  # just now
    storey: NDArray[np.int64]
    time: Floats

    def take(self, which: NDArray[np.bool_]) -> _State:
        if which.all():
            return self
        some = np.flatnonzero(which)
        return _State._make(part.take(some) for part in self)


def trace_over_floor(
    rows_m: Floats,
    speed_m_s: Floats,
    floor: Floor,
    from_m: Floats,
    to_m: Floats,
    angle: Floats,
    turn: Floats,
    longest_s: Floats,
    *,
    reflected: bool = True,
) -> Landings:
    """Follow rays from one place to the upright planes through their receivers, square to the way to them.

    Parameters
    ----------
    rows_m, speed_m_s : ndarray, shape (n_rows,)
        As for `trace_rays`; from the surface, 0, to below every depth of the floor that is met.
    floor : Floor
        Of finite depth.
    from_m : ndarray, shape (3,)
        Where the rays begin [m].
    to_m : ndarray, shape (n_rays, 3)
        Receiver of each ray [m], not above or below its beginning.
    angle : ndarray, shape (n_rays,)
        Below the horizontal at the beginning [rad], short of the vertical.
    turn : ndarray, shape (n_rays,)
        Clockwise from the way to the receiver, seen from above [rad].
    longest_s : ndarray, shape (n_rays,)
        Travel time after which each is given up [s].
    reflected : bool
        Whether rays go on after a reflection.

    Returns
    -------
    Landings

    Raises
    ------
    ParameterError
        A ray of more than `MOST_ARCS` arcs.
    """
    away = to_m[:, :2] - from_m[:2]
    across = np.linalg.norm(away, axis=1)
    toward = away / across[:, None]
    cosine, sine, count = np.cos(turn), np.sin(turn), len(angle)
    way_x, way_y = cosine * toward[:, 0] - sine * toward[:, 1], cosine * toward[:, 1] + sine * toward[:, 0]
    water = Profile.of(rows_m, speed_m_s)
    rays = start(water, np.full(count, float(from_m[2])), angle)
    x, y, begin = np.full(count, float(from_m[0])), np.full(count, float(from_m[1])), np.zeros(count, dtype=np.int64)
    plane = _plane(floor, x + _PAST_EDGE_M * way_x, y + _PAST_EDGE_M * way_y)
    state = _State(np.arange(count), x, y, way_x, way_y, cosine, across, rays, plane, begin > 0, begin, np.zeros(count))
    landed: list[_State] = []
    met: list[_Met] = []
    for _ in range(MOST_ARCS):
        on = (state.ahead > _LEAST_AHEAD) & (state.rays.layer < len(rows_m) - 1)
        state = state.take(on & (state.time < longest_s[state.number]))
        if not state.number.size:
            break
        state, event = _moved(water, floor, state)
        landed.append(state.take(event == _END))
        goes = (event != _SKIMS) & (event != _END) & (reflected | ~state.reflected)
        state, event = state.take(goes), event[goes]
        state, now = _reflected(floor, toward, state, event)
        met.append(now)
    else:
        raise ParameterError(
            f"rays over {float(np.max(np.linalg.norm(to_m - from_m, axis=1))) / 1e3:,.1f} km cross rows and faces more "
            f"than {MOST_ARCS:,} times; take a shorter range, or fewer rows (water.profile)"
        )
    return _laid_out(floor, to_m, toward, landed, met)


def _plane(floor: Floor, x_m: Floats, y_m: Floats) -> NDArray[np.int64]:
    if len(floor.planes) == 1:
        return np.zeros(len(x_m), dtype=np.int64)
    return np.asarray(floor.slack_m(np.column_stack([x_m, y_m])).argmax(axis=-1))


def _moved(water: Profile, floor: Floor, state: _State) -> tuple[_State, NDArray[np.int64]]:
    """Rays at the next event on their way, and which one it is."""
    rays = state.rays
    slope, row_m, then = to_next_row(water, rays)
    steps = np.stack([state.left / state.ahead, _to_floor(floor, state, slope), _to_edge(floor, state), row_m])
    event = steps.argmin(axis=0)
    step = steps.min(axis=0)
    z, sine = along_arc(rays, slope, step)
    at_row = event == _ROW
    z, sine = np.where(at_row, then.z, z), np.where(at_row, then.sine, sine)
    moved = Rays(z, rays.c + slope * (z - rays.z), sine, rays.xi, np.where(at_row, then.layer, rays.layer))
    x, y, plane = state.x + step * state.way_x, state.y + step * state.way_y, state.plane
    over = np.flatnonzero(event == _EDGE)
    if over.size:
        past_x, past_y = x[over] + _PAST_EDGE_M * state.way_x[over], y[over] + _PAST_EDGE_M * state.way_y[over]
        plane = plane.copy()
        plane[over] = _plane(floor, past_x, past_y)
    time = state.time + arc_time(rays.xi, slope, step, rays.sine, sine)
    meets = (event == _FLOOR) | (moved.layer < 0)
    event[meets & state.reflected & (step < _SKIM_M)] = _SKIMS
    left = state.left - step * state.ahead
    return state._replace(x=x, y=y, left=left, rays=moved, plane=plane, reflected=meets, time=time), event


def _below(floor: Floor, state: _State) -> tuple[Floats, Floats, Floats]:
    """The floor's depth [m] and its slopes by x and y under rays, of the plane they are over."""
    a, b, c = (coefficient.take(state.plane) for coefficient in floor.planes.T)
    return a + b * state.x + c * state.y, b, c


def _to_floor(floor: Floor, state: _State, slope: Floats) -> Floats:
    """Range [m] to where the arc meets the plane below it, inf where it does not.

    With k = xi g, s the floor's slope along the way, A its depth below the ray, the arc ``cos(theta) = xi c`` and the
    plane meet at the range r where ``(k (A + s r) + cos(theta_1))^2 + (sin(theta_1) - k r)^2 = 1``: less its terms that
    cancel, ``k (1 + s^2) r^2 + 2 (a s - sin(theta_1)) r + A (a + cos(theta_1)) = 0`` with ``a = k A + cos(theta_1)``.
    """
    deep, b, c = _below(floor, state)
    s = b * state.way_x + c * state.way_y
    below = np.maximum(deep - state.rays.z, 0.0)
    k, level = state.rays.xi * slope, state.rays.xi * state.rays.c
    there = k * below + level
    square, half, constant = k * (1 + s**2), there * s - state.rays.sine, below * (there + level)
    with np.errstate(divide="ignore", invalid="ignore"):
        first = constant / (np.sqrt(half**2 - square * constant) - half)
        again = -2 * half / square  # it leaves the plane: the other root
    rises = (below <= _ON_FLOOR_M) & (half > 0)
    step = np.where(rises, again, first)
    return np.where((step >= 0) & np.isfinite(step) & ((step > 0) | ~rises), step, np.inf)


def _to_edge(floor: Floor, state: _State) -> Floats:
    """Range [m] to where the plane below ends, inf where it does not."""
    nearest = np.full(len(state.number), np.inf)
    for side in range(floor.edges.shape[1]):
        u, v, w = (coefficient.take(state.plane) for coefficient in floor.edges[:, side].T)
        rate = u * state.way_x + v * state.way_y
        room = np.maximum(w - u * state.x - v * state.y, 0.0)
        np.minimum(nearest, np.divide(room, rate, out=np.full(len(rate), np.inf), where=rate > 0), out=nearest)
    return nearest


def _reflected(floor: Floor, toward: Floats, state: _State, event: NDArray[np.int64]) -> tuple[_State, _Met]:
    """Rays after what they met."""
    met = np.flatnonzero(state.reflected)
    some, bottom = state.take(state.reflected), event[met] == _FLOOR
    rays, heading = some.rays, np.stack(_heading(some))
    _, b, c = _below(floor, some)
    normal = np.stack([b, c, -np.ones(len(b))]) / np.sqrt(1 + b**2 + c**2)
    closing = np.sum(heading * normal, axis=0)
    mirrored = heading - 2 * closing * normal
    level = np.hypot(*mirrored[:2])
    turned = _onto(state.rays.sine, met, np.where(bottom, mirrored[2], -rays.sine))
    xi = _onto(state.rays.xi, met, np.where(bottom, level / rays.c, rays.xi))
    way_x = np.where(bottom, mirrored[0] / level, some.way_x)
    way_y = np.where(bottom, mirrored[1] / level, some.way_y)
    ahead = np.sum(toward[some.number].T * (way_x, way_y), axis=0)
    # A face leads to the next storey, or back through it.
    storey = some.storey + (2 * bottom - 1) * (1 - 2 * (some.storey % 2))
    state = state._replace(
        rays=state.rays._replace(sine=turned, xi=xi, layer=np.maximum(state.rays.layer, 0)),
        way_x=_onto(state.way_x, met, way_x),
        way_y=_onto(state.way_y, met, way_y),
        ahead=_onto(state.ahead, met, ahead),
        storey=_onto(state.storey, met, storey),
    )
    face = np.where(bottom, 1 + some.plane, SURFACE)
    return state, (some.number, face, np.abs(np.where(bottom, closing, rays.sine)))


def _onto(values: NDArray, at: NDArray[np.int64], new: NDArray) -> NDArray:
    out = values.copy()
    out[at] = new
    return out


def _heading(state: _State) -> tuple[Floats, Floats, Floats]:
    level = np.sqrt(np.maximum(1.0 - state.rays.sine**2, 0.0))
    return level * state.way_x, level * state.way_y, state.rays.sine


def _laid_out(floor: Floor, to_m: Floats, toward: Floats, landed: list[_State], met: list[_Met]) -> Landings:
    count = len(to_m)
    across, unfolded, descent, speed, time = (np.full(count, np.nan) for _ in range(5))
    heading = np.full((count, 3), np.nan)
    for state in landed:
        k = state.number
        depth, b, c = _below(floor, state)
        across[k] = (state.y - to_m[k, 1]) * toward[k, 0] - (state.x - to_m[k, 0]) * toward[k, 1]
        unfolded[k] = in_storey(state.storey, depth, state.rays.z)
        falls = b * state.way_x + c * state.way_y
        level = np.sqrt(np.maximum(1.0 - state.rays.sine**2, _UPRIGHT))
        descent[k] = in_storey(state.storey, falls, state.rays.sine / level) / state.ahead
        heading[k], speed[k], time[k] = np.column_stack(_heading(state)), state.rays.c, state.time
    number, face, sine = (np.concatenate([part[i] for part in met] or [np.zeros(0)]) for i in range(3))
    number = number.astype(np.int64)
    order = np.argsort(number, kind="stable")
    number = number[order]
    place = np.arange(len(number)) - np.searchsorted(number, number)
    faces = np.full((count, int(place.max(initial=-1)) + 1), -1, dtype=np.int8)
    grazing = np.zeros(faces.shape)
    faces[number, place], grazing[number, place] = face[order], sine[order]
    return Landings(across, unfolded, descent, heading, speed, time, faces, grazing)


def in_storey(storey: NDArray[np.int64], floor_m: Floats, depth_m: Floats) -> Floats:
    """Unfolded depth [m] of a depth over a floor, both [m], in a storey; all broadcasting."""
    return np.asarray(storey * floor_m + np.where(storey % 2 == 0, depth_m, floor_m - depth_m))
