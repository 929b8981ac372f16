"""Several pings to one position: model of the run, fit, region, inliers and outliers, station."""

from acoustics.estimate.fuse.clock import ClockEvidence, fuse_by_clock
from acoustics.estimate.fuse.echo_evidence import contradicts_bearings, why_no_places
from acoustics.estimate.fuse.echo_places import SAME_ECHOES_M, EchoPlaces, usable_echoes, wrong_sketch_probability
from acoustics.estimate.fuse.fusion import ALTERNATIVE, RANGE_UNSEEN, FusedFix, PingRun, SourceArea, Track, fuse_pings
from acoustics.estimate.fuse.navigation import navigated_track
from acoustics.estimate.fuse.pings import error_sizes_of_pings, run_of_pings, track_of_pings
from acoustics.estimate.fuse.run import EPOCH_SD_S, PingClock, uniform_over
from acoustics.estimate.fuse.station import (
    NEAREST_M,
    NONE_OF_THESE,
    StationModel,
    Sureness,
    decisions,
    decisions_by_fix,
    single_ping_posterior,
    station_posterior,
    sureness,
)
from acoustics.estimate.fuse.stops import UndetectedEchoes, stops_of

__all__ = [
    "ALTERNATIVE",
    "EPOCH_SD_S",
    "NEAREST_M",
    "NONE_OF_THESE",
    "RANGE_UNSEEN",
    "SAME_ECHOES_M",
    "ClockEvidence",
    "EchoPlaces",
    "FusedFix",
    "PingClock",
    "PingRun",
    "SourceArea",
    "StationModel",
    "Sureness",
    "Track",
    "UndetectedEchoes",
    "contradicts_bearings",
    "decisions",
    "decisions_by_fix",
    "error_sizes_of_pings",
    "fuse_by_clock",
    "fuse_pings",
    "navigated_track",
    "run_of_pings",
    "single_ping_posterior",
    "station_posterior",
    "stops_of",
    "sureness",
    "track_of_pings",
    "uniform_over",
    "usable_echoes",
    "why_no_places",
    "wrong_sketch_probability",
]
