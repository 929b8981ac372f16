"""Where should the vehicle stop and listen next?"""

from acoustics.study.waypoints.candidates import (
    HEADINGS,
    Candidates,
    candidates_at,
    grid_of_waypoints,
    learned_arrivals,
    listen,
)
from acoustics.study.waypoints.information import Heard, hear, run_information
from acoustics.study.waypoints.prior import Prior, pinger_prior
from acoustics.study.waypoints.study import EchoWaypoints, Run, WaypointsStudy, study_waypoints
from acoustics.study.waypoints.value import Ellipse

__all__ = [
    "HEADINGS",
    "Candidates",
    "EchoWaypoints",
    "Ellipse",
    "Heard",
    "Prior",
    "Run",
    "WaypointsStudy",
    "candidates_at",
    "grid_of_waypoints",
    "hear",
    "learned_arrivals",
    "listen",
    "pinger_prior",
    "run_information",
    "study_waypoints",
]
