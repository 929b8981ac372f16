"""Everything that the report tells of a scene."""

from acoustics.study.report.contents import Report, study_report
from acoustics.study.report.live import LiveModel, live_energy_ratio_db

__all__ = ["LiveModel", "Report", "live_energy_ratio_db", "study_report"]
