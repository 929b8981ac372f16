"""What a recording holds before anything is known of it: noise, steady tones, and bursts of any frequency."""

from acoustics.estimate.spectrum.bursts import BurstTrain, find_bursts
from acoustics.estimate.spectrum.measure import MeasuredBurst, complex_envelope, measure_bursts, off_carrier_hz
from acoustics.estimate.spectrum.noise import NoiseSpectrum, SteadyTone, band_densities, noise_spectrum, steady_tones

__all__ = [
    "BurstTrain",
    "MeasuredBurst",
    "NoiseSpectrum",
    "SteadyTone",
    "band_densities",
    "complex_envelope",
    "find_bursts",
    "measure_bursts",
    "noise_spectrum",
    "off_carrier_hz",
    "steady_tones",
]
