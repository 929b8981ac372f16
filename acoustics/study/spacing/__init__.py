"""How far apart should the hydrophones be, and what sample rate does the recorder need?"""

from acoustics.study.spacing.study import SpacingStudy, study_spacing
from acoustics.study.spacing.sweep import Sweep, common_spacings
from acoustics.study.spacing.uneven import Alternative, Choice

__all__ = ["Alternative", "Choice", "SpacingStudy", "Sweep", "common_spacings", "study_spacing"]
