"""Arrivals of one ping at hydrophones: the direct path and the echoes, with delay and amplitude."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import field
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.propagate.bending import bending, bends, walls_on_a_slope
from acoustics.propagate.echoes import (
    check_limits,
    checked_geometry,
    room_of_scene,
)
from acoustics.propagate.hull_shadow import Hull
from acoustics.propagate.images import Bools, Complexes, Ints
from acoustics.propagate.kept_bent_paths import kept_bent_paths
from acoustics.propagate.kept_paths import Limits, join
from acoustics.propagate.kept_straight_paths import kept_straight_paths
from acoustics.scene.scene import Scene

DEFAULT_HORIZON_S = 4e-3
_RECEIVERS_AT_ONCE = 2_000


@record
class Arrivals:
    """What reaches each hydrophone, one path after another.

    The pressure at a hydrophone is the real part of the sum over paths of ``amplitude * p(t - delay)``, with
    p the analytic signal, ``A(t) exp(+i w t)``, of the pressure at 1 m from the pinger.

    Parameters
    ----------
    delay_s : ndarray, shape (..., n_hydrophones, n_paths)
        Travel time [s]. The direct path is the first, the others follow by the mean of their delays over the
        hydrophones. Where `valid` is false: the end of the horizon; of a direct path what it would drawn.
    amplitude : ndarray of complex, shape (..., n_hydrophones, n_paths)
        Pressure over that at 1 m [1]: coefficients of the faces, spreading, absorption. 0 where not `valid`.
    order : ndarray of int, shape (..., n_paths)
        Number of reflections; -1 where this batch element has no such path.
    valid : ndarray of bool, shape (..., n_hydrophones, n_paths)
        Whether the path reaches the hydrophone: the vehicle's own bodies may block it, even the direct one, and so may
        walls or floor where the water is not convex.
    face_names : tuple of str
        Names of the faces of the pool.
    horizon_s : float
        Echoes later than this after the direct arrival at every hydrophone are left out [s].
    floor_db : float
        Echoes weaker than this at every hydrophone are left out [dB re the direct arrival].
    find_faces : callable
        Gives `faces`.
    """

    delay_s: Floats
    amplitude: Complexes
    order: Ints
    valid: Bools
    face_names: tuple[str, ...]
    horizon_s: float
    floor_db: float
    find_faces: Callable[[], NDArray[np.int8]] = field(repr=False)

    @cached_property
    def faces(self) -> NDArray[np.int8]:
        """Faces that each path meets, shape (..., n_paths, largest order), found when first asked for.

        They are indices into `face_names`, in order from the source to the first hydrophone that hears the path; -1
        after the last.
        """
        return self.find_faces()


def arrivals(
    scene: Scene,
    hydrophones_site_m: ArrayLike,
    source_m: ArrayLike,
    *,
    frequency_hz: float,
    horizon_s: float = DEFAULT_HORIZON_S,
    floor_db: float = -40.0,
    hull: Hull | None = None,
) -> Arrivals:
    """Direct arrival and every echo that is early and strong enough, whatever its order.

    Parameters
    ----------
    scene : Scene
        Pool and water.
    hydrophones_site_m : array_like, shape (..., n_hydrophones, 3)
        Hydrophones, site frame [m].
    source_m : array_like, shape (3,)
        Pinger, site frame [m].
    frequency_hz : float
        Frequency of absorption, roughness and phase [Hz].
    horizon_s : float
        Latest echo, after the direct arrival [s]. The order of reflection needed for it is found.
    floor_db : float
        Weakest echo [dB re the direct arrival, which counts even where it is blocked].
    hull : Hull, optional
        The vehicle that carries the hydrophones, its poses broadcasting to (...): its bodies block the paths whose last
        leg meets them.

    Returns
    -------
    Arrivals

    Raises
    ------
    ParameterError
        A wrong shape, a place outside the water, a hydrophone at the source, a frequency or horizon that is
        not positive, a floor above 0 dB, or a horizon that needs too many images.

    Notes
    -----
    Rays are bent by the sound-speed profile where that counts (`Bending`); past walls over a floor that is not level,
    those that have a straight path past the same faces beside them. Elsewhere they are straight: with a profile the
    time along each is exact, its bending is left out. Coefficients are those of plane waves, which holds a few
    wavelengths from a face. Nothing is diffracted.
    """
    check_limits(frequency_hz, horizon_s)
    if not -np.inf <= floor_db <= 0:
        raise ParameterError(f"floor_db={floor_db} must be at most 0 dB re the direct arrival")
    hydrophones, source = checked_geometry(scene, hydrophones_site_m, source_m)
    batch, n_hydrophones = hydrophones.shape[:-2], hydrophones.shape[-2]
    flat = hydrophones.reshape(-1, n_hydrophones, 3)
    room = room_of_scene(scene, source, flat.reshape(-1, 3), frequency_hz=frequency_hz)
    loss_db_per_m = float(scene.water.absorption_db_per_km(frequency_hz)) / 1000
    step = max(1, _RECEIVERS_AT_ONCE // n_hydrophones)
    limits = Limits(horizon_s, 10 ** (floor_db / 20), loss_db_per_m, None if hull is None else hull.spread(batch))
    bent = bends(scene, flat, source, frequency_hz=frequency_hz, horizon_s=horizon_s)
    water = bending(scene, flat, source, frequency_hz=frequency_hz) if bent.any() else None
    straight = np.flatnonzero(~bent | (scene.pool.is_level or scene.pool.outline_m is not None))
    found = [kept_straight_paths(scene, room, source, flat, part, limits, water) for part in _parts(straight, step)]
    if water is not None:
        if walls_on_a_slope(scene):
            bent = bends(scene, flat, source, frequency_hz=frequency_hz)
        parts = _parts(np.flatnonzero(bent), step)
        found += [kept_bent_paths(scene, room, source, flat, part, limits, water) for part in parts]
    kept = join(found)
    # Rank of each path within its batch element: the pairs come sorted by element.
    first_of = np.searchsorted(kept.element, np.arange(len(flat)))
    path = np.arange(len(kept.element)) - first_of[kept.element]
    n_paths = int(path.max()) + 1

    def laid_out(values: NDArray, fill: ArrayLike) -> NDArray:
        """Values of shape (..., n) as (*batch, ..., n_paths)."""
        rest = values.shape[:-1]
        if len(flat) == 1:
            return values.reshape(*batch, *rest, n_paths)
        out = np.empty((*rest, len(flat), n_paths), dtype=values.dtype)
        out[...] = fill
        out[..., kept.element, path] = values
        return np.moveaxis(out, -2, 0).reshape(*batch, *rest, n_paths)

    def faces() -> NDArray[np.int8]:
        return np.moveaxis(laid_out(kept.find_faces().T, -1), -2, -1)

    end = kept.delay_s[:, first_of] + horizon_s
    delay, amplitude = kept.delay_s, kept.amplitude
    if not kept.exists.all():
        delay = np.where(kept.exists | (kept.order == 0), delay, end[:, kept.element])
        amplitude = np.where(kept.exists, amplitude, 0)
    return Arrivals(
        delay_s=laid_out(delay, end[..., None]),
        amplitude=laid_out(amplitude, 0),
        order=laid_out(kept.order, -1),
        valid=laid_out(kept.exists, False),
        face_names=tuple(face.name for face in scene.pool.faces),
        horizon_s=horizon_s,
        floor_db=floor_db,
        find_faces=faces,
    )


def _parts(rows: Ints, step: int) -> list[Ints]:
    return [rows[start : start + step] for start in range(0, len(rows), step)]
