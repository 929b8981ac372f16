"""The part of a pool map that is simulated: fixes in every cell, by chunks of cells that any worker may take."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from acoustics.geometry import Floats
from acoustics.study.chunk_store import Arrays
from acoustics.study.delay_level import DelayErrors, simulate_fixes
from acoustics.study.runner import Running, run_chunks
from acoustics.study.statistics import masked_rms

_FIXES_AT_ONCE = 16_384  # about 20 MB at work


@dataclass(frozen=True)
class FixModel:
    """What the fixes of all cells share; as the arguments of `simulate_fixes`."""

    hydrophones_m: Floats
    sound_speed_m_s: float
    errors: DelayErrors
    source_depth_sd_m: float
    attitude_sd: Floats
    position_sd_m: Floats
    trials: int


@dataclass(frozen=True)
class _Chunk:
    """Some cells: where the pinger is, the variance of an arrival's phase there, and their own seed."""

    model: FixModel
    source_m: Floats
    phase_variance_s2: Floats
    seed: np.random.SeedSequence


@dataclass(frozen=True)
class CellFixes:
    """RMS of the fixes given and the ends of its 95 % interval [m], and the share of pings without one; (n_cells,)."""

    rms_m: Floats
    low_m: Floats
    high_m: Floats
    refused: Floats


def fixes_in_cells(
    model: FixModel,
    source_m: Floats,
    phase_variance_s2: Floats,
    *,
    seed: int,
    fingerprint: str,
    running: Running,
    progress: Callable[[int, int], None],
) -> CellFixes:
    """Simulate every cell in which the pinger can be heard.

    Parameters
    ----------
    model : FixModel
        What the cells share.
    source_m : ndarray, shape (n_cells, 3)
        True positions of the pinger [m].
    phase_variance_s2 : ndarray, shape (n_cells,)
        Of one arrival [s^2]; infinite where nothing is heard.
    seed : int
        Every chunk of cells has its own child of it.
    fingerprint : str
        Of all the study's inputs.
    running : Running
        Who does it.
    progress : callable
        Told how many of how many chunks are finished.
    """
    n = len(source_m)
    found = CellFixes(np.full(n, np.inf), np.zeros(n), np.full(n, np.inf), np.ones(n))
    heard = np.flatnonzero(np.isfinite(phase_variance_s2)) if model.trials else np.arange(0)
    at_once = max(1, _FIXES_AT_ONCE // max(model.trials, 1))
    parts = [heard[start : start + at_once] for start in range(0, len(heard), at_once)]
    children = np.random.SeedSequence(seed).spawn(len(parts))
    chunks = [
        _Chunk(model, source_m[cells], phase_variance_s2[cells], child)
        for cells, child in zip(parts, children, strict=True)
    ]
    results = run_chunks(
        _fixes_of_chunk,
        chunks,
        workers=running.workers,
        folder=running.folder,
        fingerprint=fingerprint,
        progress=progress,
    )
    for cells, result in zip(parts, results, strict=True):
        for name, values in result.items():
            getattr(found, name)[cells] = values
    return found


def _fixes_of_chunk(chunk: _Chunk) -> Arrays:
    model = chunk.model
    fix = simulate_fixes(
        model.hydrophones_m,
        chunk.source_m,
        model.sound_speed_m_s,
        replace(model.errors, phase_variance_s2=chunk.phase_variance_s2),
        source_depth_sd_m=model.source_depth_sd_m,
        attitude_sd=model.attitude_sd,
        trials=model.trials,
        rng=np.random.default_rng(chunk.seed),
        position_sd_m=model.position_sd_m,
    )
    square = np.sum((fix.position_m - chunk.source_m[:, None])[..., :2] ** 2, axis=-1)
    rms, low, high = masked_rms(square, fix.ok)
    return {"rms_m": rms, "low_m": low, "high_m": high, "refused": 1 - fix.ok.mean(axis=-1)}
