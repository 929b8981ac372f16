"""How each result is shown: the words and the picture of the command that asks the same question, by its class."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from acoustics.base.errors import ParameterError
from acoustics.present.text.tables import to_dict

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["draw", "text", "to_dict"]

# Module of `present.text` and `present.plot`, and the function in each. Loaded when a result is shown.
TEXTS = {
    "Bound": ("bound", "bound_text"),
    "Budget": ("budget", "budget_text"),
    "CalibratedArray": ("calibrate", "calibration_text"),
    "CalibrationPlan": ("calibrate", "plan_text"),
    "Comparison": ("compare", "comparison_text"),
    "DayPlan": ("checklist", "checklist_text"),
    "FusedRun": ("fuse", "fusion_text"),
    "LocatedPings": ("locate", "located_text"),
    "Placement": ("place", "place_text"),
    "PoolMap": ("map", "map_text"),
    "Rehearsal": ("rehearse", "rehearsal_text"),
    "SimulatedRecording": ("simulate", "recording_text"),
    "SpacingStudy": ("spacing", "spacing_text"),
    "Spectrum": ("spectrum", "spectrum_text"),
    "StationStudy": ("stations", "stations_text"),
    "Summary": ("check", "summary_text"),
    "Validation": ("validate", "validation_text"),
    "WaterColumn": ("sound_speed", "water_text"),
    "WaypointsStudy": ("waypoints", "waypoints_text"),
}
PLOTS = {
    "Bound": ("bound", "bound_plot"),
    "Budget": ("budget", "budget_plot"),
    "CalibratedArray": ("calibrate", "calibration_plot"),
    "CalibrationPlan": ("calibrate", "plan_plot"),
    "Comparison": ("compare", "comparison_plot"),
    "FusedRun": ("fuse", "fusion_plot"),
    "Placement": ("place", "place_plot"),
    "PoolMap": ("map", "map_plot"),
    "Rehearsal": ("rehearse", "rehearsal_plot"),
    "SpacingStudy": ("spacing", "spacing_plot"),
    "Spectrum": ("spectrum", "spectrum_plot"),
    "StationStudy": ("stations", "stations_plot"),
    "Validation": ("validate", "validation_plot"),
    "WaypointsStudy": ("waypoints", "waypoints_plot"),
}


def text(result: object) -> str:
    """The answer in words and tables."""
    module, name = TEXTS[type(result).__name__]
    words: str = getattr(import_module(f"acoustics.present.text.{module}"), name)(result)
    return words


def draw(result: object, over: tuple[Any, ...], path: Path | None, *, force: bool) -> Figure:
    """The picture of a result over a scene (and a pinger) where it has them; written to `path` where one is given.

    Raises
    ------
    ParameterError
        If there is no picture of such a result.
    """
    kind = type(result).__name__
    if kind not in PLOTS:
        raise ParameterError(f"{kind} has no picture; drawn are: {', '.join(PLOTS)}")
    module, name = PLOTS[kind]
    style = import_module("acoustics.present.plot.style")
    if path is not None:
        style.check_picture(path, force=force)
    figure: Figure = getattr(import_module(f"acoustics.present.plot.{module}"), name)(result, *over)
    if path is not None:
        style.write_picture(path, figure, force=force)
    return figure
