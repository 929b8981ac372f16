"""To which station would we go?"""

from acoustics.study.stations.study import (
    TARGET,
    EchoPlan,
    StationStudy,
    pingers_at_stations,
    station_model,
    study_stations,
)

__all__ = ["TARGET", "EchoPlan", "StationStudy", "pingers_at_stations", "station_model", "study_stations"]
