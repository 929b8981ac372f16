"""To which station would we go?"""

from acoustics.study.stations.study import TARGET, StationStudy, station_model, study_stations

__all__ = ["TARGET", "StationStudy", "station_model", "study_stations"]
