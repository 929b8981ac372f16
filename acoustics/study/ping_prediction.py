"""What the vehicle's own estimator, which knows nothing of the pool, will make of one ping: a prediction.

Beside it stand the bounds of `ping_bounds`. They count the burst up to the first strong echo, and no unbiased estimator
that uses no more does better. The vehicle's estimator cannot know where that is: it uses more, with less noise and with
some bias, so its error may be below that bound or above it.
"""

from __future__ import annotations

import numpy as np

from acoustics.base.frames import Floats
from acoustics.base.intervals import BEARING_GUESS_SD, Interval, share_interval, unless_guessed
from acoustics.base.record import record
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws import draw_blind_bearings, draws_each, measure_blind, places_about

_PLACES, _MOST_DRAWS = 24, 36


@record
class PingPrediction:
    """Of one ping, over places within 20 cm of the vehicle's, 5 cm of its depth. All are predictions.

    Attributes
    ----------
    window_s : float
        Part of the burst that the estimator uses, median [s].
    energy_ratio_2e_n0 : float
        Of the sound in it, echoes included, median [1].
    answered : float
        Share of pings with a bearing.
    bearing_deg : float
        RMS error of the bearing in the site over the pings that have one; infinite: none, or no better than a guess.
    wrong_integer : Interval
        Share of the same pings whose integer ambiguity is resolved wrongly, with its 95 % interval over the places.
    drawn : int
        Pings with a bearing, from which the shares and errors are.
    position_m : float
        RMS horizontal error of the position in the site over the pings that have one; infinite where under half do.
    """

    window_s: float
    energy_ratio_2e_n0: float
    answered: float
    bearing_deg: float
    wrong_integer: Interval
    drawn: int
    position_m: float


def predict_ping(scene: Scene, pinger: Pinger) -> PingPrediction:
    """What to expect of one ping where the vehicle stands, in its attitude.

    Parameters
    ----------
    scene : Scene
        The vehicle at its pose.
    pinger : Pinger
        One of the scene's.

    Returns
    -------
    PingPrediction
        From `measure_blind` and `draw_blind_bearings`, with the seed of the scene's study.
    """
    rng = np.random.default_rng(scene.study.seed)
    own = scene.vehicle.pose
    places = places_about(scene, np.tile(own.position_m, (_PLACES, 1)), rng)
    pose = scene.vehicle.pose_at(places, np.full(_PLACES, own.heading))
    pings = measure_blind(scene, pinger, pose, rng)
    draws = draws_each(scene, pinger, _MOST_DRAWS)
    drawn = draw_blind_bearings(scene, pinger, pings, pose, draws=draws, rng=rng, attitude_sd=scene.vehicle.attitude_sd)
    given = np.isfinite(drawn.error)
    located = np.isfinite(drawn.across_m)
    across = np.hypot(_rms(drawn.across_m[located]), np.sqrt(2.0) * scene.vehicle.position_sd_m)
    return PingPrediction(
        window_s=float(np.median(pings.window_s)),
        energy_ratio_2e_n0=float(np.median(pings.energy_ratio_2e_n0)),
        answered=float(given.mean()),
        bearing_deg=float(unless_guessed(np.rad2deg(_rms(drawn.error[given])), np.rad2deg(BEARING_GUESS_SD))),
        wrong_integer=share_interval(drawn.wrong_integer[given], np.nonzero(given)[0], int(given.sum())),
        drawn=int(given.sum()),
        position_m=float(unless_guessed(across, scene.pool.extent_m)) if located.mean() > 0.5 else np.inf,
    )


def _rms(errors: Floats) -> float:
    return float(np.sqrt(np.mean(errors**2))) if errors.size else np.inf
