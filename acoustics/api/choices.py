"""What every question lets its caller leave out: which pinger, which seed, how many processes."""

from __future__ import annotations

from pathlib import Path

from acoustics.base.errors import ParameterError
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.execution import Running, Workers


def chosen_pinger(scene: Scene, pinger: str | Pinger | None) -> Pinger:
    """The pinger itself, the scene's of that name, or the scene's first.

    Raises
    ------
    ParameterError
        If the scene has none of that name.
    """
    if isinstance(pinger, Pinger):
        return pinger
    for known in scene.pingers:
        if pinger is None or known.name == pinger:
            return known
    names = ", ".join(p.name for p in scene.pingers)
    raise ParameterError(f"no pinger {pinger!r} in the scene; known: {names}")


def chosen_seed(scene: Scene, seed: int | None) -> int:
    """The seed given, or the scene's."""
    return scene.study.seed if seed is None else seed


def running(jobs: int, resume: str | Path | None) -> Running:
    """So many processes, finished parts kept in a folder if one is given."""
    return Running(Workers(jobs, None), None if resume is None else Path(resume))
