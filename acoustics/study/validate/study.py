"""How good is an estimator of the bearing, on designed pings whose truth is known?"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from itertools import product

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.base.result import Result
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.execution import ALONE, Running, fingerprint, run_chunks
from acoustics.study.validate.adapters import BUILT_IN, Estimator
from acoustics.study.validate.answer import Answer, EstimatorFailure
from acoustics.study.validate.design import SECTORS, Design, draw_trial
from acoustics.study.validate.program import own_namespace
from acoustics.study.validate.score import NO_LIMITS, Limits, Score, missed_limits, score
from acoustics.study.validate.trials import ANSWERED, BESIDE, FAILED, REFUSED, Arrays, Validated, compare, try_estimator

_CHUNK = 8  # trials; some tenths of a second of work by a function
_TOGETHER = 24  # of them for a built-in method, which measures those of a chunk at once; a second and more
_MOST_REASONS = 8
_OUTCOMES = {ANSWERED: "answered", REFUSED: "refused", FAILED: "failed"}


@record
class Cell:
    """Pings of one bearing sector at one SNR, with echoes or without, over all ranges."""

    sector: str
    energy_ratio_db: float
    echoes: bool
    score: Score


@record
class EachPing:
    """One entry a ping, each of shape (n_trials,): where it was, what came of it, and how far off the bearing was.

    `outcome` is 'answered', 'refused' or 'failed', with the `reason`. NaN: not answered, or not stated. `bound_deg` is
    the Cramer-Rao bound of that ping's bearing.
    """

    number: NDArray[np.int64]
    sector: tuple[str, ...]
    range_m: Floats
    energy_ratio_db: Floats
    echoes: NDArray[np.bool_]
    outcome: tuple[str, ...]
    error_deg: Floats
    stated_sd_deg: Floats
    bound_deg: Floats
    wrong_integer: NDArray[np.bool_]
    reason: tuple[str, ...]


@record
class Validation(Result):
    """How an estimator did. Every error is a simulation at the level of samples; bounds are Cramer-Rao.

    `by_echoes`, `by_sector`, `by_range` and `by_snr` split the same pings four ways, `cells` three ways at once.
    `reasons` are the commonest for giving no bearing, with their number. `missed` says which limits were not kept.
    `beside` is the built-in estimator's score on the same pings where another one was asked. `pings`: each of them, if
    asked for.
    `program_apart` says of a program whether it ran in a namespace of its own, from which it sees no other process.
    """

    title: str
    array: str
    pinger: str
    estimator: str
    design: Design
    overall: Score
    by_echoes: tuple[Score, ...]
    by_sector: tuple[Score, ...]
    by_range: tuple[Score, ...]
    by_snr: tuple[Score, ...]
    cells: tuple[Cell, ...]
    reasons: tuple[tuple[str, int], ...]
    limits: Limits
    missed: tuple[str, ...]
    program_apart: bool | None
    beside: Score | None
    pings: EachPing | None


def validate_estimator(
    scene: Scene,
    pinger: Pinger,
    design: Design,
    estimator: Estimator,
    *,
    limits: Limits = NO_LIMITS,
    each_ping: bool = False,
    running: Running = ALONE,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> Validation:
    """Sound every ping of a design, ask the estimator about each, and score what it says.

    Parameters
    ----------
    scene : Scene
        Water, pool, array, recorder, noise and the tolerances of what is drawn.
    pinger : Pinger
        One of the scene's; it alone sounds.
    design : Design
        Which pings.
    estimator : Estimator
        From `choose_estimator`.
    limits : Limits
        What it must keep.
    each_ping : bool
        Whether the result tells of each ping.
    running : Running
        Who does the work, and where finished chunks are kept.
    progress : callable
        Told how many of how many chunks are finished.

    Notes
    -----
    An estimator that is not built in has the built-in one beside it, asked about the same recordings.
    """
    beside = None if estimator.name in BUILT_IN else Estimator(BUILT_IN[0])
    columns = _tried(Validated(scene, pinger, design, estimator, beside), running, progress)
    found = _validation(scene, pinger, design, estimator.name, columns, limits, each_ping=each_ping)
    return replace(found, program_apart=bool(own_namespace())) if estimator.program else found


def validate_answers(
    scene: Scene,
    pinger: Pinger,
    design: Design,
    answers: Sequence[Answer | EstimatorFailure],
    *,
    name: str,
    limits: Limits = NO_LIMITS,
    each_ping: bool = False,
    beside: bool = False,
    running: Running = ALONE,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> Validation:
    """Score answers that were found elsewhere, one for each ping of the design in its order.

    With `beside` the pings are rendered, and the built-in estimator is scored on them too.
    """
    trials = [draw_trial(scene, pinger, design, number) for number in range(1, design.trials + 1)]
    columns = compare(scene, pinger, trials, answers)
    if beside:
        others = _tried(Validated(scene, pinger, design, Estimator(BUILT_IN[0])), running, progress)
        columns |= {BESIDE + key: column for key, column in others.items()}
    return _validation(scene, pinger, design, name, columns, limits, each_ping=each_ping)


def _tried(what: Validated, running: Running, progress: Callable[[int, int], None]) -> Arrays:
    numbers = range(1, what.design.trials + 1)
    at_once = _TOGETHER if what.estimator.is_built_in else _CHUNK
    parts = [numbers[start : start + at_once] for start in range(0, what.design.trials, at_once)]
    named = (what.scene.model_dump(mode="json"), what.pinger.name, repr(what.design), repr(what.estimator))
    chunks = run_chunks(
        partial(try_estimator, what),
        parts,
        running=running,
        fingerprint=fingerprint("validate", *named, repr(what.beside)),
        progress=progress,
    )
    return _join(chunks)


def _join(chunks: Sequence[Arrays]) -> Arrays:
    return {name: np.concatenate([chunk[name] for chunk in chunks]) for name in chunks[0]}


def _validation(
    scene: Scene, pinger: Pinger, design: Design, estimator: str, trials: Arrays, limits: Limits, *, each_ping: bool
) -> Validation:
    # Trials have the children from 1 of the same seed.
    rng = np.random.default_rng(np.random.SeedSequence(design.seed, spawn_key=(0,)))

    def of(group: str, member: NDArray[np.bool_]) -> tuple[Score, ...]:
        if not member.any():
            return ()
        return (score(group, {name: column[member] for name, column in trials.items()}, rng),)

    sector, snr, echoes = trials["sector"], trials["energy_ratio_db"], trials["echoes"]
    overall = score("all pings", trials, rng)
    unanswered = trials["outcome"] != ANSWERED
    cells = [
        Cell(SECTORS[k], level, echo, found)
        for k, level, echo in product(range(len(SECTORS)), design.energy_ratio_db, design.echoes)
        for found in of(SECTORS[k], (sector == k) & (snr == level) & (echoes == echo))
    ]
    return Validation(
        title=scene.title,
        array=scene.array.name,
        pinger=pinger.name,
        estimator=estimator,
        design=design,
        overall=overall,
        by_echoes=sum((of("echoes on" if e else "echoes off", echoes == e) for e in design.echoes), ()),
        by_sector=sum((of(name, sector == k) for k, name in enumerate(SECTORS)), ()),
        by_range=sum((of(f"{r:g} m", trials["range_m"] == r) for r in design.range_m), ()),
        by_snr=sum((of(f"2E/N0 {level:g} dB", snr == level) for level in design.energy_ratio_db), ()),
        cells=tuple(cells),
        reasons=tuple(Counter(trials["reason"][unanswered].tolist()).most_common(_MOST_REASONS)),
        limits=limits,
        missed=missed_limits(overall, limits),
        program_apart=None,
        beside=_beside(trials, rng),
        pings=_each_ping(trials) if each_ping else None,
    )


def _beside(trials: Arrays, rng: np.random.Generator) -> Score | None:
    others = {name.removeprefix(BESIDE): column for name, column in trials.items() if name.startswith(BESIDE)}
    return score(f"built-in {BUILT_IN[0]}", others, rng) if others else None


def _each_ping(trials: Arrays) -> EachPing:
    return EachPing(
        number=trials["number"],
        sector=tuple(SECTORS[k] for k in trials["sector"]),
        range_m=trials["range_m"],
        energy_ratio_db=trials["energy_ratio_db"],
        echoes=trials["echoes"],
        outcome=tuple(_OUTCOMES[k] for k in trials["outcome"]),
        error_deg=np.rad2deg(trials["error"]),
        stated_sd_deg=np.rad2deg(trials["stated_sd"]),
        bound_deg=np.rad2deg(trials["bound"]),
        wrong_integer=trials["wrong_integer"] & (trials["outcome"] == ANSWERED),
        reason=tuple(trials["reason"].tolist()),
    )
