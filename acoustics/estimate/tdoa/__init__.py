"""Samples to times of arrival (TOA) and their differences between hydrophones (TDOA), integer ambiguity resolved."""

from acoustics.estimate.tdoa.build_up_misfit import OnsetMisfit
from acoustics.estimate.tdoa.differences import Tdoa, tdoa_from_toa, tdoa_of
from acoustics.estimate.tdoa.integer_ambiguity import Cycles, IntegerAlternatives, resolve_ambiguity
from acoustics.estimate.tdoa.measure import LEAST_ENERGY_RATIO, TdoaMeasurement, channel_gain_sd, measure_tdoa
from acoustics.estimate.tdoa.multipath import LEAST_CYCLES
from acoustics.estimate.tdoa.segment import Segment, thinning_factor

__all__ = [
    "LEAST_CYCLES",
    "LEAST_ENERGY_RATIO",
    "Cycles",
    "IntegerAlternatives",
    "TdoaMeasurement",
    "OnsetMisfit",
    "Segment",
    "Tdoa",
    "channel_gain_sd",
    "measure_tdoa",
    "resolve_ambiguity",
    "tdoa_from_toa",
    "tdoa_of",
    "thinning_factor",
]
