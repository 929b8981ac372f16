"""The part of a pool map that is simulated at the level of delays: fixes in every cell, by chunks of cells."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.intervals import masked_rms
from acoustics.base.record import record
from acoustics.physics.error_model import ErrorSizes
from acoustics.physics.refraction import SoundSpeedProfile
from acoustics.study.draws import ArrivalErrors, simulate_fixes
from acoustics.study.execution import Arrays
from acoustics.study.map.stations import OUTCOMES, Chooser, Sights, simulated_outcomes

Ints = NDArray[np.intp]

_FIXES_AT_ONCE = 16_384  # about 20 MB at work


@record
class FixModel:
    """What the fixes of cells share; as the arguments of `simulate_fixes`."""

    hydrophones_m: Floats
    sound_speed_m_s: float
    sizes: ErrorSizes
    source_depth_sd_m: float
    trials: int
    profile: SoundSpeedProfile | None = None

    def of(self, hydrophones: Ints) -> FixModel:
        """The same with some of the hydrophones."""
        sizes = replace(self.sizes, element_sd_m=self.sizes.element_sd_m[hydrophones])
        return replace(self, hydrophones_m=self.hydrophones_m[hydrophones], sizes=sizes)


@record
class FixChunk:
    """Some cells, by number: where the pinger is, the variance of an arrival's phase there, and their own seed."""

    model: FixModel
    cells: Ints
    source_m: Floats
    phase_variance_s2: Floats
    stations: tuple[Chooser, Sights] | None
    seed: np.random.SeedSequence


@record
class CellFixes:
    """RMS of the fixes given and the ends of its 95 % interval [m], and the share of pings without one; (n_cells,).

    `chosen`, shape (n_cells, 4): how often each of `OUTCOMES` came of the pings asked for a station.
    """

    rms_m: Floats
    low_m: Floats
    high_m: Floats
    refused: Floats
    chosen: Floats


def fix_chunks(
    models: Sequence[tuple[FixModel, Ints]],
    source_m: Floats,
    phase_variance_s2: Floats,
    stations: tuple[Chooser, Sights] | None,
    *,
    seed: int,
) -> list[FixChunk]:
    """The cells laid out in chunks of fixed size.

    Parameters
    ----------
    models : sequence of (FixModel, ndarray of int)
        Hydrophones that hear together, and the cells where they do.
    source_m : ndarray, shape (n_cells, 3)
        True positions of the pinger [m].
    phase_variance_s2 : ndarray, shape (n_cells,)
        Of one arrival [s^2].
    stations : (Chooser, Sights), optional
        To choose a station from each fix.
    seed : int
        Every chunk has its own child of it.
    """
    parts = []
    for model, cells in models:
        at_once = max(1, _FIXES_AT_ONCE // max(model.trials, 1))
        parts += [(model, cells[start : start + at_once]) for start in range(0, len(cells), at_once)]
    children = np.random.SeedSequence(seed).spawn(len(parts))
    return [
        FixChunk(
            model,
            cells,
            source_m[cells],
            phase_variance_s2[cells],
            None if stations is None else (stations[0], stations[1].take(cells)),
            child,
        )
        for (model, cells), child in zip(parts, children, strict=True)
    ]


def fixes_of_chunk(chunk: FixChunk) -> Arrays:
    """What `CellFixes` holds, for the cells of a chunk."""
    model, rng = chunk.model, np.random.default_rng(chunk.seed)
    fix = simulate_fixes(
        model.hydrophones_m,
        chunk.source_m,
        model.sound_speed_m_s,
        ArrivalErrors(chunk.phase_variance_s2, np.inf, model.sizes),
        source_depth_sd_m=model.source_depth_sd_m,
        trials=model.trials,
        rng=rng,
        profile=model.profile,
    )
    square = np.sum((fix.position_m - chunk.source_m[:, None])[..., :2] ** 2, axis=-1)
    rms, low, high = masked_rms(square, fix.ok)
    found: Arrays = {"rms_m": rms, "low_m": low, "high_m": high, "refused": 1 - fix.ok.mean(axis=-1)}
    if chunk.stations is not None:
        found["chosen"] = simulated_outcomes(*chunk.stations, fix, rng)
    return found


def gather_fixes(n_cells: int, chunks: Sequence[FixChunk], results: Sequence[Arrays]) -> CellFixes:
    """Results of all chunks by cell; a cell that is in none hears nothing."""
    nothing = np.zeros((n_cells, len(OUTCOMES)))
    found = CellFixes(np.full(n_cells, np.inf), np.zeros(n_cells), np.full(n_cells, np.inf), np.ones(n_cells), nothing)
    for chunk, result in zip(chunks, results, strict=True):
        for name, values in result.items():
            getattr(found, name)[chunk.cells] = values
    return found
