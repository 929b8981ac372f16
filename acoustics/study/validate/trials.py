"""Sounds a part of the designed pings, asks the estimator about each, and compares the answers with the truth."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats, direction, wrap_angle
from acoustics.base.mixtures import credible_level
from acoustics.base.record import record
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws import HALF_A_CYCLE, cycles_apart
from acoustics.study.validate.adapters import Estimator, ask_each
from acoustics.study.validate.answer import Answer, EstimatorFailure
from acoustics.study.validate.design import SECTORS, Design, Trial, draw_trial, trial_pose
from acoustics.study.validate.recording import RECORDING, SIDECAR, trial_bounds, write_trial

ANSWERED, REFUSED, FAILED = 0, 1, 2
BESIDE = "beside_"
Arrays = dict[str, NDArray[Any]]


@record
class Validated:
    """What is tried on what: equal for every part of the trials. `beside`: another one, asked about the same pings."""

    scene: Scene
    pinger: Pinger
    design: Design
    estimator: Estimator
    beside: Estimator | None = None


def try_estimator(what: Validated, numbers: Sequence[int]) -> Arrays:
    """Trials of these numbers with the estimator asked about each; see `compare` for the result.

    Columns of the one beside it have its answers under the same names, led by `BESIDE`.
    An estimator that fails is scored so, with its reason; the next trial goes on with a new folder.
    """
    trials = [draw_trial(what.scene, what.pinger, what.design, number) for number in numbers]
    answers = _ask_about(what, trials)
    found = compare(what.scene, what.pinger, trials, [answer for _, answer in answers])
    if what.beside is None:
        return found
    others = compare(what.scene, what.pinger, trials, [other for other, _ in answers if other is not None])
    return found | {BESIDE + name: column for name, column in others.items()}


_Answered = Answer | EstimatorFailure


def _ask_about(what: Validated, trials: Sequence[Trial]) -> list[tuple[_Answered | None, _Answered]]:
    """The answers about trials, of the one beside first: what the other leaves of a recording is its own matter.

    A folder holds one recording and its sidecar alone, always by the same names. Only built-in methods are asked about
    all trials at once; whoever else is asked finds one folder.
    """
    ours = what.estimator.is_built_in
    answers: list[tuple[_Answered | None, _Answered]] = []
    for part in [trials] if ours else [[trial] for trial in trials]:
        with tempfile.TemporaryDirectory(prefix="pingfix-", ignore_cleanup_errors=True) as folder:
            files = []
            for number, trial in enumerate(part):
                own = Path(folder, str(number)) if ours else Path(folder)
                own.mkdir(exist_ok=True)
                files.append((own / RECORDING, own / SIDECAR))
                write_trial(what.scene, what.pinger, trial, *files[-1])
            others = [None] * len(part) if what.beside is None else ask_each(what.beside, files)
            answers += zip(others, ask_each(what.estimator, files), strict=True)
    return answers


def compare(
    scene: Scene, pinger: Pinger, trials: Sequence[Trial], answers: Sequence[Answer | EstimatorFailure]
) -> Arrays:
    """Errors of answers against the truth.

    Returns
    -------
    dict of ndarray, each of shape (n_trials,)
        `number`, `sector` (index in `SECTORS`), `range_m`, `energy_ratio_db`, `echoes` of the trial; `bound` [rad];
        `outcome` (answered, refused or failed) and `reason`; and of the answer, NaN without one: `error` of the
        bearing [rad] and its stated standard deviation `stated_sd` [rad], `level`, the content of the smallest stated
        region that holds the true bearing, `position_error_m`, and `wrong_integer`.

    Notes
    -----
    Of two candidates the one nearer to the truth counts, as a crew that knows on which side the pinger is would take
    it, if the array leaves both: their delays are within half a period of each other on every baseline. The cycle is
    wrong where the delays of a plane wave from the answered direction differ from those from the true one by more
    than half a period on some baseline; the true depression stands in for one not given.
    """
    n = len(trials)
    columns = {name: np.full(n, np.nan) for name in ("error", "stated_sd", "level", "position_error_m")}
    outcome, reason = np.full(n, ANSWERED), [""] * n
    depression = np.array([trial.depression for trial in trials])
    for k, (trial, answer) in enumerate(zip(trials, answers, strict=True)):
        if isinstance(answer, EstimatorFailure):
            outcome[k], reason[k] = FAILED, str(answer)
            continue
        if answer.refused or not answer.bearings:
            outcome[k], reason[k] = REFUSED, answer.refused
            continue
        best = _nearest(scene, pinger, answer, trial)
        columns["error"][k] = wrap_angle(answer.bearings[best] - trial.bearing)
        if answer.depressions:
            depression[k] = answer.depressions[best]
        if answer.bearing_sds:
            columns["stated_sd"][k] = answer.bearing_sds[best]
            shares = answer.shares or (1.0 / len(answer.bearings),) * len(answer.bearings)
            columns["level"][k] = credible_level(trial.bearing, answer.bearings, answer.bearing_sds, shares)
        if answer.position_m is not None:
            place = trial_pose(scene, trial).to_body([pinger.position_m])[0]
            columns["position_error_m"][k] = np.linalg.norm(np.array(answer.position_m) - place)
    bearing = np.array([trial.bearing for trial in trials])
    true = direction(bearing, np.array([trial.depression for trial in trials]))
    answered = direction(bearing + np.nan_to_num(columns["error"]), depression)
    return {
        "number": np.array([trial.number for trial in trials]),
        "sector": np.array([SECTORS.index(trial.sector) for trial in trials]),
        "range_m": np.array([trial.range_m for trial in trials]),
        "energy_ratio_db": np.array([trial.energy_ratio_db for trial in trials]),
        "echoes": np.array([trial.echoes for trial in trials]),
        "bound": trial_bounds(scene, pinger, trials),
        "outcome": outcome,
        "reason": np.array(reason),
        "wrong_integer": _cycles_apart(scene, pinger, answered, true) > HALF_A_CYCLE,
        **columns,
    }


def _nearest(scene: Scene, pinger: Pinger, answer: Answer, trial: Trial) -> int:
    """Index of the candidate nearest to the truth, among those that the delays leave beside the first."""
    depressions = answer.depressions or (trial.depression,) * len(answer.bearings)
    toward = direction(np.array(answer.bearings), np.array(depressions))
    fits = _cycles_apart(scene, pinger, toward, toward[0]) <= HALF_A_CYCLE
    return int(np.argmax(np.where(fits, toward @ direction(trial.bearing, trial.depression), -np.inf)))


def _cycles_apart(scene: Scene, pinger: Pinger, one: Floats, other: Floats) -> Floats:
    return cycles_apart(scene.array.positions_m, one, other, scene.sound_speed_m_s, pinger.frequency_hz)
