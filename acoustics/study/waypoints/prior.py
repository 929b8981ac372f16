"""Where the pinger may be before anything is heard, and how well that is known."""

from __future__ import annotations

import numpy as np

from acoustics.base.errors import ParameterError, SceneError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene

KINDS = ("stations", "pool")
_FEWEST_STATIONS = 3  # the normal prior of fewer is a line, and knows more than the crew does
_PLACES_ACROSS_POOL = 16


@record
class Prior:
    """Places where the pinger may be.

    Attributes
    ----------
    kind : str
        'stations' or 'pool'.
    places_m : ndarray, shape (n_places, 3)
        Places [m].
    weights : ndarray, shape (n_places,)
        Their probabilities.
    spread_m : float
        Standard deviation of the pinger about its place along each horizontal axis [m].
    depth_sd_m : float
        Standard deviation of what is known of its depth at each place [m].
    """

    kind: str
    places_m: Floats
    weights: Floats
    spread_m: float
    depth_sd_m: float

    @property
    def centre_m(self) -> Floats:
        """Mean of the places, shape (3,) [m]."""
        return self.weights @ self.places_m

    @property
    def covariance_m2(self) -> Floats:
        """Of the normal prior with the same horizontal mean and mean square, shape (3, 3) [m^2]; depth on its own."""
        off = self.places_m[:, :2] - self.centre_m[:2]
        covariance = np.zeros((3, 3))
        covariance[:2, :2] = (self.weights[:, None] * off).T @ off + self.spread_m**2 * np.eye(2)
        covariance[2, 2] = max(self.depth_sd_m, 1e-3) ** 2
        return covariance

    @property
    def information(self) -> Floats:
        """Inverse of the covariance, shape (3, 3) [1/m^2]."""
        return np.asarray(np.linalg.inv(self.covariance_m2), dtype=float)


def pinger_prior(scene: Scene, pinger: Pinger, kind: str | None) -> Prior:
    """The prior of that kind; None: the stations where there are three or more, else the whole water.

    In the pool the places are a uniform grid at the pinger's own height above the floor, or at its depth where there
    is no floor.

    Raises
    ------
    ParameterError
        If there are too few stations, or the water has no limits.
    """
    if kind is None:
        kind = "stations" if len(scene.stations) >= _FEWEST_STATIONS else "pool"
    if kind not in KINDS:
        raise ParameterError(f"prior {kind!r} is not known; known: {', '.join(KINDS)}")
    if kind == "stations":
        return _stations(scene)
    source = np.array(pinger.position_m)
    low, high = horizontal_extent_m(scene)
    step = float(np.sqrt(np.prod(high - low) / _PLACES_ACROSS_POOL))
    x, y = cell_centres(low, high, step)
    places = np.stack([*np.meshgrid(x, y), np.full((len(y), len(x)), source[2])], axis=-1).reshape(-1, 3)
    if scene.pool.has_floor:
        places[:, 2] += scene.pool.floor_depth_m(places) - scene.pool.floor_depth_m(source)
    places = places[scene.pool.contains(places)]
    if not len(places):
        places = source[None]
    return Prior(kind, places, np.full(len(places), 1 / len(places)), step / np.sqrt(12), scene.study.pinger_depth_sd_m)


def _stations(scene: Scene) -> Prior:
    """Three places round each station, so that waypoints are good for the pinger's spread about it as well."""
    if len(scene.stations) < _FEWEST_STATIONS:
        raise SceneError(
            f"prior 'stations' needs {_FEWEST_STATIONS} stations, the scenario has {len(scene.stations)}; use 'pool'"
        )
    weights = np.array([station.prior for station in scene.stations])
    centres = np.array([station.position_m for station in scene.stations])
    spread, turn = scene.study.station_spread_m, np.arange(3) * (2 * np.pi / 3)
    # Three places at the distance of the spread have half its variance; the spread about each has the other half.
    places = centres[:, None] + spread * np.stack([np.cos(turn), np.sin(turn), 0 * turn], axis=-1)
    places = np.where(scene.pool.contains(places)[..., None], places, centres[:, None])
    return Prior(
        kind="stations",
        places_m=places.reshape(-1, 3),
        weights=np.repeat(weights / weights.sum(), 3) / 3,
        spread_m=spread / np.sqrt(2),
        depth_sd_m=scene.study.pinger_depth_sd_m,
    )


def horizontal_extent_m(scene: Scene) -> tuple[Floats, Floats]:
    """Lowest and highest (x, y) of the water, or of the part that is mapped [m].

    Raises
    ------
    ParameterError
        For open water without `study.map_extent_m`.
    """
    if scene.pool.outline_m is not None:
        return np.min(scene.pool.outline_m, axis=0), np.max(scene.pool.outline_m, axis=0)
    if scene.study.map_extent_m is None:
        raise SceneError("study.map_extent_m is missing: open water has no outline to search for waypoints")
    return np.array(scene.study.map_extent_m[:2]), np.array(scene.study.map_extent_m[2:])


def cell_centres(low: Floats, high: Floats, step_m: float) -> tuple[Floats, Floats]:
    """Centres along x and along y of cells of about that size that fill a box [m]."""
    counts = np.maximum(np.round((high - low) / step_m), 1).astype(int)
    x, y = (lo + (np.arange(n) + 0.5) * (hi - lo) / n for lo, hi, n in zip(low, high, counts, strict=True))
    return x, y
