"""Samples to events: matched filters, a detector of constant false-alarm rate, the PRI tracker, faults of channels."""

from acoustics.estimate.detect.burst_edge import leading_edge
from acoustics.estimate.detect.channel_faults import (
    clipped_channels,
    failed_channels,
    flat_topped_channels,
    noisy_channels,
    off_centre_channels,
    samples_at_the_ends,
    what_is_left,
)
from acoustics.estimate.detect.detector import PAST_BURSTS, BandDetector, Event, band_detector, detection_probability
from acoustics.estimate.detect.matched_filter import FilterBank, Singles, filter_bank
from acoustics.estimate.detect.noise_level import (
    band_noise_density,
    median_bias,
    noise_power,
    quantisation_density,
)
from acoustics.estimate.detect.other_bursts import indistinct, leaks
from acoustics.estimate.detect.pri_tracker import PriTracker

__all__ = [
    "PAST_BURSTS",
    "BandDetector",
    "Event",
    "FilterBank",
    "PriTracker",
    "Singles",
    "band_detector",
    "band_noise_density",
    "clipped_channels",
    "failed_channels",
    "detection_probability",
    "filter_bank",
    "flat_topped_channels",
    "indistinct",
    "leading_edge",
    "leaks",
    "median_bias",
    "noise_power",
    "noisy_channels",
    "off_centre_channels",
    "quantisation_density",
    "samples_at_the_ends",
    "what_is_left",
]
