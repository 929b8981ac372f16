"""Time differences to direction of arrival (DOA): bearing and depression; and whether channels are wired as noted."""

from acoustics.estimate.direction.bearing import Bearing, estimate_bearing
from acoustics.estimate.direction.cone import FARTHEST_M, NEAREST_M, DepressionPrior, over_the_cone
from acoustics.estimate.direction.merged import MergedDirection, merged_directions
from acoustics.estimate.direction.mixture import (
    DirectionMixture,
    DirectionQuestion,
    direction_mixture,
    direction_mixtures,
)
from acoustics.estimate.direction.wiring import MISFIT_P, WiringMemory, wiring_odds

__all__ = [
    "FARTHEST_M",
    "MISFIT_P",
    "NEAREST_M",
    "Bearing",
    "DepressionPrior",
    "DirectionMixture",
    "DirectionQuestion",
    "MergedDirection",
    "direction_mixture",
    "direction_mixtures",
    "merged_directions",
    "WiringMemory",
    "estimate_bearing",
    "over_the_cone",
    "wiring_odds",
]
