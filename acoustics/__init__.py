"""Plan and simulate hydrophone arrays that locate an acoustic pinger.

The flow in one line: scene -> arrivals -> delays -> bearing -> fix, with a bound from the same scene beside each,
and studies that ask a question of many of them. The names below are the whole of it for everyday use; they load
when first used, so that importing the package costs nothing.

- `load_scene`, `load_array`: a scenario file or an array definition, checked.
- `outlook`: what a scene implies (sound speed, free spacing, link by range).
- `study_spacing`: how far apart, and what sample rate.
- `map_pool`: how far off one ping's fix is, over the pool.
- `arrivals`: direct sound and echoes at given hydrophones.
- `estimate_bearing`, `locate_source`, `resolve_cycles`, `Delays`, `delays_from_arrival_times`: what the vehicle
  computes from delays.
- `simulate_recording`, `load_recording`, `read_sidecar`: recordings written and read.
- `measure_delays`: delays from the samples of a ping; `read_pings`, `fuse_pings`: from several pings to a position.
- `study_stations`, `study_posts`, `study_place`, `plan_calibration`, `validate_estimator`: the questions of a crew.
- `to_dict`: any result as plain lists and numbers, as `--json` prints it.
- `error_ellipse`: axes and azimuth of a covariance's 95 % region.
- `bearing_bound`, `position_bound`: what theory allows.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from acoustics.accuracy.bounds import bearing_bound as bearing_bound
    from acoustics.accuracy.bounds import position_bound as position_bound
    from acoustics.estimate.bearing import estimate_bearing as estimate_bearing
    from acoustics.estimate.consistency import error_ellipse as error_ellipse
    from acoustics.estimate.cycles import resolve_cycles as resolve_cycles
    from acoustics.estimate.delays import Delays as Delays
    from acoustics.estimate.delays import delays_from_arrival_times as delays_from_arrival_times
    from acoustics.estimate.fusion import fuse_pings as fuse_pings
    from acoustics.estimate.measure import measure_delays as measure_delays
    from acoustics.estimate.pings import read_pings as read_pings
    from acoustics.estimate.position import locate_source as locate_source
    from acoustics.present.tables import to_dict as to_dict
    from acoustics.propagate.arrivals import arrivals as arrivals
    from acoustics.recording import load_recording as load_recording
    from acoustics.scenario import load_array as load_array
    from acoustics.scenario import load_scene as load_scene
    from acoustics.sidecar import read_sidecar as read_sidecar
    from acoustics.study.calibration_runs import plan_calibration as plan_calibration
    from acoustics.study.outlook import outlook as outlook
    from acoustics.study.place import study_place as study_place
    from acoustics.study.pool_map import map_pool as map_pool
    from acoustics.study.posts import study_posts as study_posts
    from acoustics.study.recordings import simulate_recording as simulate_recording
    from acoustics.study.spacing import study_spacing as study_spacing
    from acoustics.study.stations import study_stations as study_stations
    from acoustics.study.validation import validate_estimator as validate_estimator

_HOME = {
    "Delays": "acoustics.estimate.delays",
    "arrivals": "acoustics.propagate.arrivals",
    "bearing_bound": "acoustics.accuracy.bounds",
    "delays_from_arrival_times": "acoustics.estimate.delays",
    "error_ellipse": "acoustics.estimate.consistency",
    "estimate_bearing": "acoustics.estimate.bearing",
    "fuse_pings": "acoustics.estimate.fusion",
    "load_array": "acoustics.scenario",
    "load_recording": "acoustics.recording",
    "load_scene": "acoustics.scenario",
    "locate_source": "acoustics.estimate.position",
    "map_pool": "acoustics.study.pool_map",
    "measure_delays": "acoustics.estimate.measure",
    "outlook": "acoustics.study.outlook",
    "plan_calibration": "acoustics.study.calibration_runs",
    "position_bound": "acoustics.accuracy.bounds",
    "read_pings": "acoustics.estimate.pings",
    "read_sidecar": "acoustics.sidecar",
    "resolve_cycles": "acoustics.estimate.cycles",
    "simulate_recording": "acoustics.study.recordings",
    "study_place": "acoustics.study.place",
    "study_posts": "acoustics.study.posts",
    "study_spacing": "acoustics.study.spacing",
    "study_stations": "acoustics.study.stations",
    "to_dict": "acoustics.present.tables",
    "validate_estimator": "acoustics.study.validation",
}
__all__ = sorted(_HOME)


def __getattr__(name: str) -> object:
    if name not in _HOME:
        raise AttributeError(f"module 'acoustics' has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return __all__
