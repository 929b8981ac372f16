"""How often the carrier's integer ambiguity is resolved wrongly, and what that does to the bearing."""

from acoustics.accuracy.ambiguity.lattice import LARGEST_DIMENSION
from acoustics.accuracy.ambiguity.mistakes import beyond_the_surface
from acoustics.accuracy.ambiguity.model import cycle_model
from acoustics.accuracy.ambiguity.of_scene import wrong_integer_probability
from acoustics.accuracy.ambiguity.prediction import (
    CycleAmbiguity,
    integer_ambiguity,
    mixture_bearing_rms,
    wrong_integer_probability_pair,
)

__all__ = [
    "LARGEST_DIMENSION",
    "CycleAmbiguity",
    "beyond_the_surface",
    "cycle_model",
    "integer_ambiguity",
    "mixture_bearing_rms",
    "wrong_integer_probability",
    "wrong_integer_probability_pair",
]
