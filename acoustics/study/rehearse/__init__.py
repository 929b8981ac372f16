"""Would a whole run, from samples to the decision, end at the right station, and in the time?"""

from acoustics.study.rehearse.play import OUTCOMES
from acoustics.study.rehearse.study import Moment, Rehearsal, RehearsedRun, study_rehearsal

__all__ = ["OUTCOMES", "Moment", "Rehearsal", "RehearsedRun", "study_rehearsal"]
