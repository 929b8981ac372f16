"""Where a map says to listen: the best of its cells, and how far from the pinger a ping still tells its place."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.scene.clearance import roomy

GOOD_M = 1.0  # a fix so near is a place that a crew can act on; our choice, no source
_MOST_FAILED = 0.1  # of the pings: a place where more fail is not one to listen at
_MOST_CELLS = 0.9  # of those nearer must be good for the range to count as good


@record
class ListeningPlace:
    """The best cell of a map by the position error of one ping, or by the bearing where no cell gives a position.

    Attributes
    ----------
    by : "position" or "bearing"
        Which of the two is least there.
    kind : "prediction" or "simulation"
        What `position_m` is; of the simulation, the RMS of the fixes given.
    x_m, y_m, range_m : float
        Where it is, and how far from the pinger to the vehicle, in the horizontal plane.
    position_m, bearing_deg : float
        Errors there of the vehicle's own estimator; the bearing's is predicted. Infinite: not observed.
    failed : float
        Share of the pings there with no fix or a wrong integer; predicted alone without simulation.
    good_m, good_range_m : float
        Nine in ten of the cells up to that range have a position error of `good_m` or less, and few pings fail; 0:
        not even the nearest.
    """

    by: Literal["position", "bearing"]
    kind: Literal["prediction", "simulation"]
    x_m: float
    y_m: float
    range_m: float
    position_m: float
    bearing_deg: float
    failed: float
    good_m: float
    good_range_m: float


def listening_place(
    places_m: Floats,
    range_m: Floats,
    *,
    room_m: Floats,
    bearing_deg: Floats,
    predicted_m: Floats,
    wrong_integer: Floats,
    simulated_m: Floats,
    failed: Floats,
) -> ListeningPlace | None:
    """Pick the best cell.

    Parameters
    ----------
    places_m : ndarray, shape (n_cells, 2)
        Where the cells are [m].
    range_m, bearing_deg, predicted_m, wrong_integer : ndarray, shape (n_cells,)
        Horizontal distance between pinger and vehicle [m]; predicted errors of bearing and position, and share of
        wrong integers (NaN: not searched).
    room_m : ndarray, shape (n_cells,)
        How far the cell is from what the vehicle must not touch [m]: a metre is kept, or what there is.
    simulated_m, failed : ndarray, shape (n_cells,)
        RMS of the simulated fixes and share of failed pings; all NaN where nothing is simulated.

    Returns
    -------
    ListeningPlace or None
        None where no cell observes as much as a bearing with few enough wrong integers.
    """
    clear = roomy(room_m)
    simulated = bool(np.isfinite(failed).any())
    position = np.where(np.isnan(simulated_m), np.inf, simulated_m) if simulated else predicted_m
    lost = np.nan_to_num(failed if simulated else wrong_integer)
    usable = np.where(lost <= _MOST_FAILED, position, np.inf)
    by: Literal["position", "bearing"] = "position"
    judged = np.where(clear, usable, np.inf)
    if not np.isfinite(judged).any():
        # Without a position pings fail by definition: only wrong integers spoil a bearing.
        by, judged = "bearing", np.where(clear & (np.nan_to_num(wrong_integer) <= _MOST_FAILED), bearing_deg, np.inf)
    if not np.isfinite(judged).any():
        return None
    best = int(np.argmin(judged))
    return ListeningPlace(
        by=by,
        kind="simulation" if simulated else "prediction",
        x_m=float(places_m[best, 0]),
        y_m=float(places_m[best, 1]),
        range_m=float(range_m[best]),
        position_m=float(position[best]),
        bearing_deg=float(bearing_deg[best]),
        failed=float(lost[best]) if by == "position" else float(np.nan_to_num(wrong_integer[best])),
        good_m=GOOD_M,
        good_range_m=_good_range_m(range_m, usable <= GOOD_M),
    )


def _good_range_m(range_m: Floats, good: NDArray[np.bool_]) -> float:
    """The largest range up to which nine in ten cells are good; 0 where there is none."""
    order = np.argsort(range_m)
    share = np.cumsum(good[order]) / np.arange(1, len(order) + 1)
    enough = np.flatnonzero(share >= _MOST_CELLS)
    return float(range_m[order][enough[-1]]) if enough.size else 0.0
