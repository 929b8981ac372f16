"""The array itself from pings of a known source."""

from acoustics.estimate.calibrate.calibration import calibrate_array, posterior_covariance, predicted_information
from acoustics.estimate.calibrate.model import CalibrationPrior, CalibrationRun, Integers, model_times, parts, whitening
from acoustics.estimate.calibrate.positions import corrected_positions, in_place
from acoustics.estimate.calibrate.separation import (
    Separation,
    bearing_gain,
    bearing_sd,
    find_unseparated,
    parameter_names,
)

__all__ = [
    "CalibrationPrior",
    "Integers",
    "Separation",
    "CalibrationRun",
    "bearing_gain",
    "bearing_sd",
    "calibrate_array",
    "corrected_positions",
    "find_unseparated",
    "in_place",
    "model_times",
    "parameter_names",
    "parts",
    "posterior_covariance",
    "predicted_information",
    "whitening",
]
