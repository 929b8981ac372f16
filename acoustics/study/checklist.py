"""What a crew must have at hand on the day, worked out for one scenario."""

from __future__ import annotations

from acoustics.base.record import record
from acoustics.base.result import Result
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.budget import Budget, study_budget
from acoustics.study.check import Summary, summary
from acoustics.study.map import ListeningPlace, map_pool
from acoustics.study.sound_speed import water_column


@record
class DayPlan(Result):
    """The scene, what follows from it, and where the map says to listen; None where there is no map or no such place.

    `pinger` is whose figures these are, where the scene has several.
    """

    scene: Scene
    pinger: str
    summary: Summary
    budget: Budget
    listen: ListeningPlace | None
    sound_speed_per_degc_m_s: float


def plan_day(scene: Scene, pinger: Pinger) -> DayPlan:
    """Work out what the checklist says; open water without `study.map_extent_m` has no map, and no place from it."""
    found = map_pool(scene, pinger, trials=0, seed=scene.study.seed).listen if scene.mapped else None
    return DayPlan(
        scene=scene,
        pinger=pinger.name,
        summary=summary(scene, pinger, together=scene.pingers),
        budget=study_budget(scene, pinger),
        listen=found,
        sound_speed_per_degc_m_s=float(water_column(scene.water, [scene.vehicle.position_m[2]]).per_degc_m_s[0]),
    )
