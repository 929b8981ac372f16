"""One ping of the design as a short recording with its sidecar, and what the bound says of it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from acoustics.accuracy.bounds import bearing_bound
from acoustics.accuracy.link_budget import link_budget
from acoustics.base.files import whole_file
from acoustics.base.frames import Floats
from acoustics.io.recording import choose_encoding, write_samples
from acoustics.io.sidecar import sidecar_table
from acoustics.propagate.multipath_free_window import multipath_free_windows
from acoustics.propagate.render import DrawnRecording, draw_recordings, render
from acoustics.propagate.sight import hydrophones_reached
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.simulate import sidecar_of
from acoustics.study.validate.design import Trial

RECORDING, SIDECAR = "recording.wav", "recording.json"
_LEAD_S = 12e-3  # noise alone before the ping, for an estimator to learn its level from
_LEAD_SPREAD_S = 2e-3  # the ping comes at no round number of samples
_REVERBERATION_S = 10e-3


def trial_recording(scene: Scene, pinger: Pinger, trial: Trial) -> DrawnRecording:
    """As `trial_recordings` of one trial."""
    return trial_recordings(scene, pinger, [trial])[0]


def trial_recordings(scene: Scene, pinger: Pinger, trials: Sequence[Trial]) -> list[DrawnRecording]:
    """Recordings of one ping each, at one place and heading and of one level, all with echoes or none: noise alone,
    the burst, and its echoes where the trials have them.

    Everything else, mounting, skew and the errors of the instruments, is drawn as for any recording of the scene.
    """
    one, (roll, pitch) = trials[0], (scene.vehicle.roll_deg, scene.vehicle.pitch_deg)
    placed = {"position_m": one.position_m, "roll_deg": roll, "pitch_deg": pitch}
    vehicle = scene.vehicle.model_copy(update=placed | {"heading_deg": float(np.rad2deg(one.heading))})
    louder = pinger.model_copy(update={"source_level_db": one.source_level_db, "start_jitter_s": 0.0})
    drawn = draw_recordings(
        scene.model_copy(update={"vehicle": vehicle, "pingers": (louder,)}),
        seconds=_LEAD_S + _LEAD_SPREAD_S + pinger.length_s + _REVERBERATION_S,
        seeds=[trial.recording_seed for trial in trials],
        echoes=one.echoes,
        reverberation_s=_REVERBERATION_S,
    )
    return [_begun(recording, trial.recording_seed) for recording, trial in zip(drawn, trials, strict=True)]


def _begun(drawn: DrawnRecording, seed: int) -> DrawnRecording:
    """Pings come at their repetition interval; here the one ping is put where the short recording holds it."""
    lead = _LEAD_S + _LEAD_SPREAD_S * np.random.default_rng(seed).uniform()
    one = drawn.series[0]
    return replace(drawn, series=(replace(one, start_s=np.array([lead - one.direct_delay_s.min()])),))


def write_trial(scene: Scene, pinger: Pinger, trial: Trial, recording: Path, sidecar: Path) -> None:
    """Write the recording (WAV, as narrow as the recorder's words allow) and the sidecar of a trial.

    Raises
    ------
    OutputError
        If they cannot be written; neither is then left behind.
    """
    drawn = trial_recording(scene, pinger, trial)
    bits = scene.recorder.bits
    encoding = choose_encoding(recording, bits)
    notes = json.dumps(sidecar_table(sidecar_of(drawn, encoding)), allow_nan=False) + "\n"
    with whole_file(sidecar, force=True) as to_sidecar, whole_file(recording, force=True) as to_recording:
        write_samples(
            to_recording,
            render(drawn),
            n_samples=drawn.n_samples,
            n_channels=len(drawn.skew_s),
            sample_rate_hz=scene.recorder.sample_rate_hz,
            recorder_bits=bits,
            encoding=encoding,
        )
        to_sidecar.write_text(notes, encoding="utf-8")


def trial_bounds(scene: Scene, pinger: Pinger, trials: Sequence[Trial]) -> Floats:
    """Cramer-Rao bound of each trial's bearing, shape (n_trials,) [rad]; infinite where nothing is observed.

    With echoes only the burst's multipath-free window counts, without them all of it; hydrophones behind a body of
    the vehicle do not count. Mounting, skew and sound speed are unknowns of the scene's sizes; the attitude is none,
    since the bearing is that from the bow.
    """
    waypoints = np.array([trial.position_m for trial in trials])
    heading = np.array([trial.heading for trial in trials])
    window = np.full(len(trials), np.inf)
    echoing = np.array([trial.echoes for trial in trials])
    if echoing.any():
        seen, trial = np.unique(np.column_stack([waypoints, heading])[echoing], axis=0, return_inverse=True)
        free_s = multipath_free_windows(scene, pinger, seen[:, :3], seen[:, 3])[trial.ravel()]
        window[echoing] = np.where(free_s < pinger.length_s, free_s, np.inf)
    link = link_budget(scene, pinger, [trial.range_m for trial in trials], window_s=window)
    louder = 10 ** ((np.array([trial.source_level_db for trial in trials]) - pinger.source_level_db) / 10)
    jitter = scene.recorder.aperture_jitter_s**2
    variance = ((link.carrier_variance_s2 - jitter) / louder + jitter)[:, None]
    reached = hydrophones_reached(scene, scene.vehicle.pose_at(waypoints, heading), np.array(pinger.position_m))
    return bearing_bound(
        scene.array.positions_m,
        [trial.bearing for trial in trials],
        [trial.depression for trial in trials],
        scene.sound_speed_m_s,
        arrival_variance_s2=variance if reached.all() else np.where(reached, variance, np.inf),
        element_sd_m=scene.array.tolerances_m,
        skew_sd_s=scene.recorder.skew_sd_s,
        sound_speed_sd_m_s=scene.sound_speed_sd_m_s,
    ).bearing_sd
