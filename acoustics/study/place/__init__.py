"""Where on the vehicle should the hydrophones be mounted?"""

from acoustics.study.place.aim import Aim, criterion_for
from acoustics.study.place.file import placed_array, placement_remarks, ranges_in_words
from acoustics.study.place.regions import corner_shares
from acoustics.study.place.study import Line, Placement, quick_placement, study_place
from acoustics.study.place.verification import Check

__all__ = [
    "Aim",
    "Check",
    "Line",
    "Placement",
    "corner_shares",
    "criterion_for",
    "placed_array",
    "placement_remarks",
    "quick_placement",
    "ranges_in_words",
    "study_place",
]
