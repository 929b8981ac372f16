"""A recording to pings: detection, time differences, direction and position in one pass."""

from acoustics.estimate.locate.cabling import WRONGLY_WIRED
from acoustics.estimate.locate.pipeline import LocateOptions, PingerTally, Tally, first_pings, locate
from acoustics.estimate.locate.unknown import UnknownSound

__all__ = [
    "WRONGLY_WIRED",
    "LocateOptions",
    "PingerTally",
    "Tally",
    "UnknownSound",
    "first_pings",
    "locate",
]
