"""Monte Carlo at TDOA level: single pings and whole runs drawn with all their errors."""

from acoustics.study.draws.blind import BlindPings, measure_blind, places_about
from acoustics.study.draws.blind_bearings import BlindBearings, draw_blind_bearings, draws_each
from acoustics.study.draws.errors import DrawnErrors, draw_errors
from acoustics.study.draws.integers import HALF_A_CYCLE, cycles_apart
from acoustics.study.draws.own_window import OwnArrivals, own_arrivals
from acoustics.study.draws.pings import ArrivalErrors, simulate_bearings, simulate_fixes
from acoustics.study.draws.runs import (
    Route,
    fuse_simulated,
    join_runs,
    pinger_clock,
    route_positions,
    simulate_runs,
    source_area,
    water_outline,
)

__all__ = [
    "HALF_A_CYCLE",
    "Route",
    "ArrivalErrors",
    "BlindBearings",
    "BlindPings",
    "DrawnErrors",
    "OwnArrivals",
    "cycles_apart",
    "pinger_clock",
    "route_positions",
    "draw_blind_bearings",
    "draws_each",
    "draw_errors",
    "fuse_simulated",
    "join_runs",
    "measure_blind",
    "own_arrivals",
    "places_about",
    "simulate_bearings",
    "simulate_fixes",
    "simulate_runs",
    "source_area",
    "water_outline",
]
