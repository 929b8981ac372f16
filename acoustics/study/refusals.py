"""Which questions would be refused for a scenario, and why: found before any of them is asked."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from acoustics.base.errors import InputError, ParameterError
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene


def refuse_unanswerable(scene: Scene, pingers: Sequence[Pinger], source: str) -> None:
    """Raise what any command would refuse of a scenario, a line for each reason, without the work of the commands.

    `pingers` are planned together; questions about one of them are asked of the first.
    Questions that the scenario does not put are left out: stations without `[[station]]`, the map and waypoints of open
    water without `study.map_extent_m`. Each question takes its own first step, as it would when asked.

    Raises
    ------
    InputError
        If a command would refuse; names it where a key would stand.
    """
    reasons: dict[str, list[str]] = {}
    for command, first_step in _first_steps(scene, pingers):
        try:
            first_step()
        except ParameterError as error:
            reasons.setdefault(str(error), []).append(command)
    if reasons:
        first, *more = (InputError(source, f"pingfix {', '.join(names)}", reason) for reason, names in reasons.items())
        raise InputError(first.source, first.key, first.problem, tuple(more))


def _first_steps(scene: Scene, pingers: Sequence[Pinger]) -> Iterator[tuple[str, Callable[[], object]]]:
    # Imported here: a scenario that does not load must not wait for them.
    from acoustics.study.calibrate import RunPlan, planned_run
    from acoustics.study.map import grid_cells
    from acoustics.study.place import Aim, criterion_for
    from acoustics.study.spacing import Sweep
    from acoustics.study.waypoints import candidates_at, grid_of_waypoints, pinger_prior

    heading = np.deg2rad([scene.vehicle.heading_deg])
    pinger = pingers[0]
    yield "spacing", lambda: [Sweep.of(scene, each) for each in pingers]
    yield "place", lambda: criterion_for(scene, pinger, Aim())
    yield "calibrate", lambda: planned_run(scene, pinger, RunPlan())
    if scene.mapped:
        step = scene.study.map_step_m
        yield "map", lambda: grid_cells(scene, pinger, over="vehicle", step_m=step, headings=heading)
        prior = pinger_prior(scene, pinger, None)
        yield "waypoints", lambda: candidates_at(scene, prior, grid_of_waypoints(scene, None)[0])
