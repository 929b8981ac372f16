"""Monte Carlo at TDOA level: single pings and whole runs drawn with all their errors."""

from acoustics.study.draws.beforehand import pinger_clock, source_area, water_outline
from acoustics.study.draws.blind import BlindPings, measure_blind, places_about
from acoustics.study.draws.blind_bearings import draw_blind_bearings, draws_each
from acoustics.study.draws.echo_places import (
    FoundPlaces,
    drawn_places,
    fuse_with_places,
    scale_of_variances,
    with_places,
)
from acoustics.study.draws.errors import DrawnErrors, draw_errors
from acoustics.study.draws.integers import HALF_A_CYCLE, cycles_apart
from acoustics.study.draws.own_window import OwnArrivals, own_arrivals
from acoustics.study.draws.pings import ArrivalErrors, BearingTrials, simulate_bearings, simulate_fixes
from acoustics.study.draws.runs import Route, measure_along, route_positions, simulate_runs
from acoustics.study.draws.simulated_runs import SimulatedRuns, fuse_simulated, join_runs
from acoustics.study.draws.told_positions import BlindBearings
from acoustics.study.draws.turned import (
    TurnedPings,
    answered_all_round,
    measure_turned,
    turned_about,
    turned_poses,
    with_hydrophones,
)
from acoustics.study.draws.turned_bearings import JOINED, BearingOutcome, TurnedBearings, simulate_turned
from acoustics.study.draws.vehicle import SimulatedVehicle

__all__ = [
    "HALF_A_CYCLE",
    "JOINED",
    "Route",
    "SimulatedRuns",
    "ArrivalErrors",
    "BearingOutcome",
    "BearingTrials",
    "BlindBearings",
    "BlindPings",
    "DrawnErrors",
    "FoundPlaces",
    "OwnArrivals",
    "SimulatedVehicle",
    "TurnedBearings",
    "TurnedPings",
    "answered_all_round",
    "cycles_apart",
    "pinger_clock",
    "route_positions",
    "draw_blind_bearings",
    "drawn_places",
    "draws_each",
    "draw_errors",
    "fuse_simulated",
    "fuse_with_places",
    "join_runs",
    "measure_along",
    "measure_blind",
    "measure_turned",
    "own_arrivals",
    "places_about",
    "scale_of_variances",
    "simulate_bearings",
    "simulate_fixes",
    "simulate_runs",
    "simulate_turned",
    "source_area",
    "turned_about",
    "turned_poses",
    "water_outline",
    "with_hydrophones",
    "with_places",
]
