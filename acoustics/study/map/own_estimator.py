"""What the vehicle's own estimator, which knows nothing of the pool, will make of one ping in some cells of a map."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats, Pose
from acoustics.base.intervals import BEARING_GUESS_SD, Interval, share_interval, unless_guessed
from acoustics.base.record import record
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws import BlindPings, draw_blind_bearings, draws_each, measure_blind
from acoustics.study.map.cells import Cells

MEASURED_CELLS, _MEASURED_PINGERS = 40, 16  # each costs some milliseconds
_MOST_DRAWS = 24


@record
class OwnEstimator:
    """Predictions in some cells, shape (n,): by the estimator's own window, echoes inside it included.

    Attributes
    ----------
    x_m, y_m : ndarray
        Centres of the cells [m].
    window_s : ndarray
        Part of the burst that it uses [s].
    answered : ndarray
        Share of pings with a bearing.
    bearing_deg : ndarray
        RMS error of the bearing in the site over those, heading error included; infinite: none, or no better than a
        guess.
    wrong_integer : ndarray
        Share of them with a wrong integer; NaN where none has a bearing.
    wrong_integer_share : Interval
        Of those of all cells, with its 95 % interval over the cells; NaN where none has a bearing.
    drawn : int
        Pings with a bearing in all cells together.
    """

    x_m: Floats
    y_m: Floats
    window_s: Floats
    answered: Floats
    bearing_deg: Floats
    wrong_integer: Floats
    wrong_integer_share: Interval
    drawn: int


@record
class MeasuredCells:
    """Pings as the estimator measures them in some of the wet cells, `some` (n,), and the vehicle's poses there."""

    some: NDArray[np.intp]
    pose: Pose
    pings: BlindPings


def measured_in_cells(
    scene: Scene, pinger: Pinger, cells: Cells, heading: Floats, rng: np.random.Generator
) -> MeasuredCells:
    """Measure pings in up to 40 of the cells, drawn at random; fewer where it is the pinger that stands in them.

    `heading`, shape (n_wet,), is the vehicle's in each [rad].
    """
    own, places = scene.vehicle.pose, cells.places_m[cells.wet]
    each = MEASURED_CELLS if cells.over == "vehicle" else _MEASURED_PINGERS
    some = np.sort(rng.permutation(len(places))[:each])
    if cells.over == "vehicle":
        pose = scene.vehicle.pose_at(places[some], heading[some])
        return MeasuredCells(some, pose, measure_blind(scene, pinger, pose, rng))
    pose = scene.vehicle.pose_at(np.tile(own.position_m, (len(some), 1)), heading[some])
    pings = [
        measure_blind(
            scene,
            pinger.model_copy(update={"position_m": tuple(place)}),
            scene.vehicle.pose_at(np.array(own.position_m)[None], heading[cell : cell + 1]),
            rng,
        )
        for cell, place in zip(some, places[some].tolist(), strict=True)
    ]
    return MeasuredCells(some, pose, BlindPings.joined(pings))


def own_estimator_in_cells(
    scene: Scene, pinger: Pinger, cells: Cells, measured: MeasuredCells, rng: np.random.Generator
) -> OwnEstimator | None:
    """Predict the bearings of measured pings. None where it is the pinger that stands in the cells."""
    if cells.over == "pinger":
        return None
    places = cells.places_m[cells.wet][measured.some]
    draws = draws_each(scene, pinger, _MOST_DRAWS)
    drawn = draw_blind_bearings(
        scene, pinger, measured.pings, measured.pose, draws=draws, rng=rng, attitude_sd=scene.vehicle.attitude_sd
    )
    given = np.isfinite(drawn.error)
    count = given.sum(axis=-1)
    square = np.sum(np.where(given, drawn.error, 0.0) ** 2, axis=-1)
    rms = np.sqrt(np.divide(square, count, out=np.full(len(places), np.inf), where=count > 0))
    wrong = np.sum(drawn.wrong_integer & given, axis=-1)
    return OwnEstimator(
        x_m=places[:, 0],
        y_m=places[:, 1],
        window_s=measured.pings.window_s,
        answered=given.mean(axis=-1),
        bearing_deg=np.rad2deg(unless_guessed(rms, BEARING_GUESS_SD)),
        wrong_integer=np.divide(wrong, count, out=np.full(len(places), np.nan), where=count > 0),
        wrong_integer_share=share_interval(drawn.wrong_integer[given], np.nonzero(given)[0], int(count.sum())),
        drawn=int(count.sum()),
    )
