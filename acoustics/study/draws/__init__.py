"""Monte Carlo at TDOA level: single pings and whole runs drawn with all their errors."""

from acoustics.study.draws.pings import DelayErrors, simulate_bearings, simulate_fixes
from acoustics.study.draws.runs import (
    Course,
    course_positions,
    fuse_simulated,
    join_runs,
    simulate_runs,
    source_area,
    water_outline,
)

__all__ = [
    "Course",
    "DelayErrors",
    "course_positions",
    "fuse_simulated",
    "join_runs",
    "simulate_bearings",
    "simulate_fixes",
    "simulate_runs",
    "source_area",
    "water_outline",
]
