"""Where should the vehicle stop and listen next?"""

from acoustics.study.waypoints.study import Run, WaypointsStudy, study_waypoints
from acoustics.study.waypoints.value import Ellipse

__all__ = ["Ellipse", "Run", "WaypointsStudy", "study_waypoints"]
