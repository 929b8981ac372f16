"""Pings at given poses, rendered with all that a recorder does and located: the truth that predictions are held to."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

from acoustics.accuracy.bounds import bearing_bound
from acoustics.base.frames import Pose, bearing_and_depression
from acoustics.scene.scene import Scene
from acoustics.study.validate.adapters import Estimator, ask
from acoustics.study.validate.answer import EstimatorFailure
from acoustics.study.validate.design import Trial
from acoustics.study.validate.recording import write_trial
from acoustics.study.validate.trials import compare

# So shallow that 9 us pass before the first echo, and yet the bearing of a ping is found.
SHALLOW = Scene.model_validate(
    {
        "title": "Shallow pool",
        "water": {"temperature_degc": 26.0},
        "pool": {"outline_m": [[0.0, 0.0], [50.0, 0.0], [50.0, 20.0], [0.0, 20.0]], "depth_m": 2.0},
        "pinger": [{"position_m": [40.0, 10.0, 1.8], "frequency_hz": 25e3, "source_level_db": 162.0}],
        "array": {
            "hydrophone": [
                {"name": name, "position_m": place}
                for name, place in (("a", [0.0, 0.0, 0.0]), ("b", [0.015, 0.0, 0.0]), ("c", [0.0, 0.015, 0.0]))
            ]
        },
        "noise": {"ambient_density_db": 55.0, "self_noise_density_db": 76.0},
        "vehicle": {"position_m": [10.0, 10.0, 0.8], "heading_deg": 10.0},
    }
)


def with_a_ping(drawn, at_s=0.03):
    """A drawn recording whose only ping is first heard at a given time."""
    series = drawn.series[0]
    return replace(drawn, series=(replace(series, start_s=np.array([at_s - series.direct_delay_s.min()])),))


def rendered_bearings(scene, pinger, places_m, heading, *, seed):
    """What the built-in estimator makes of one recording at each pose: the columns of `validate.trials.compare`."""
    trials = [
        _trial(scene, pinger, place, float(turn), number, seed)
        for number, (place, turn) in enumerate(zip(places_m, heading, strict=True), 1)
    ]
    return compare(scene, pinger, trials, [_answer(scene, pinger, trial) for trial in trials])


def bearing_bound_of_its_window(scene, pinger, pose, pings):
    """RMS of the Cramer-Rao bound of the bearing from the bow over pings (`measure_blind`) at poses [rad].

    Of the part of the burst that the estimator uses, with mounting, skew and sound speed as uncertain as they are to it:
    what it knows of the water, which is nothing, and no more.
    """
    sight = pose.to_body([pinger.position_m])[:, 0] - scene.array.positions_m.mean(axis=0)
    bound = bearing_bound(
        scene.array.positions_m,
        *bearing_and_depression(sight[pings.answered]),
        scene.sound_speed_m_s,
        arrival_variance_s2=np.where(pings.heard, pings.carrier_variance_s2[:, None], np.inf)[pings.answered],
        element_sd_m=scene.array.tolerances_m,
        skew_sd_s=scene.recorder.skew_sd_s,
        sound_speed_sd_m_s=scene.sound_speed_sd_m_s,
    ).bearing_sd
    return float(np.sqrt(np.mean(bound[np.isfinite(bound)] ** 2)))


def _trial(scene, pinger, place, heading, number, seed):
    own = scene.vehicle.pose
    sight = Pose(place, own.roll, own.pitch, heading).to_body([pinger.position_m])[0]
    sight = sight - scene.array.positions_m.mean(axis=0)
    bearing, depression = bearing_and_depression(sight)
    return Trial(
        number=number,
        sector="ahead",
        range_m=float(np.linalg.norm(sight)),
        energy_ratio_db=np.nan,
        echoes=True,
        source_level_db=pinger.source_level_db,
        position_m=tuple(place.tolist()),
        heading=heading,
        bearing=float(bearing),
        depression=float(depression),
        recording_seed=1000 * seed + number,
    )


def _answer(scene, pinger, trial):
    with tempfile.TemporaryDirectory() as folder:
        recording, sidecar = Path(folder, "recording.wav"), Path(folder, "recording.json")
        write_trial(scene, pinger, trial, recording, sidecar)
        try:
            return ask(Estimator("phase"), recording, sidecar)
        except EstimatorFailure as failure:
            return failure
