"""Plan and simulate hydrophone arrays that locate an acoustic pinger.

The flow in one line: scene -> arrivals -> delays -> bearing -> fix, with a bound from the same scene beside each,
and studies that ask a question of many of them. The names below are the whole of it for everyday use; they load
when first used, so that importing the package costs nothing.

- `load_scene`, `load_array`: a scenario file or an array definition, checked.
- `summary`: what a scene implies (sound speed, free spacing, link by range).
- `study_spacing`: how far apart, and what sample rate.
- `map_pool`: how far off one ping's fix is, over the pool.
- `arrivals`: direct sound and echoes at given hydrophones.
- `estimate_bearing`, `locate_source`, `resolve_ambiguity`, `Tdoa`, `tdoa_from_toa`: what the vehicle
  computes from delays.
- `simulate_recording`, `load_recording`, `read_sidecar`: recordings written and read.
- `measure_tdoa`: delays from the samples of a ping; `read_pings`, `fuse_pings`: from several pings to a position.
- `study_stations`, `study_waypoints`, `study_place`, `plan_calibration`, `validate_estimator`: the questions of a crew.
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
    from acoustics.base.regions import error_ellipse as error_ellipse
    from acoustics.estimate.direction import estimate_bearing as estimate_bearing
    from acoustics.estimate.fuse import fuse_pings as fuse_pings
    from acoustics.estimate.position import locate_source as locate_source
    from acoustics.estimate.tdoa import Tdoa as Tdoa
    from acoustics.estimate.tdoa import measure_tdoa as measure_tdoa
    from acoustics.estimate.tdoa import resolve_ambiguity as resolve_ambiguity
    from acoustics.estimate.tdoa import tdoa_from_toa as tdoa_from_toa
    from acoustics.io.ping_lines import read_pings as read_pings
    from acoustics.io.recording import load_recording as load_recording
    from acoustics.io.sidecar import read_sidecar as read_sidecar
    from acoustics.present.text.tables import to_dict as to_dict
    from acoustics.propagate.arrivals import arrivals as arrivals
    from acoustics.scene.scenario import load_array as load_array
    from acoustics.scene.scenario import load_scene as load_scene
    from acoustics.study.calibrate import plan_calibration as plan_calibration
    from acoustics.study.check import summary as summary
    from acoustics.study.map import map_pool as map_pool
    from acoustics.study.place import study_place as study_place
    from acoustics.study.simulate import simulate_recording as simulate_recording
    from acoustics.study.spacing import study_spacing as study_spacing
    from acoustics.study.stations import study_stations as study_stations
    from acoustics.study.validate import validate_estimator as validate_estimator
    from acoustics.study.waypoints import study_waypoints as study_waypoints

_HOME = {
    "Tdoa": "acoustics.estimate.tdoa",
    "arrivals": "acoustics.propagate.arrivals",
    "bearing_bound": "acoustics.accuracy.bounds",
    "tdoa_from_toa": "acoustics.estimate.tdoa",
    "error_ellipse": "acoustics.base.regions",
    "estimate_bearing": "acoustics.estimate.direction",
    "fuse_pings": "acoustics.estimate.fuse",
    "load_array": "acoustics.scene.scenario",
    "load_recording": "acoustics.io.recording",
    "load_scene": "acoustics.scene.scenario",
    "locate_source": "acoustics.estimate.position",
    "map_pool": "acoustics.study.map",
    "measure_tdoa": "acoustics.estimate.tdoa",
    "summary": "acoustics.study.check",
    "plan_calibration": "acoustics.study.calibrate",
    "position_bound": "acoustics.accuracy.bounds",
    "read_pings": "acoustics.io.ping_lines",
    "read_sidecar": "acoustics.io.sidecar",
    "resolve_ambiguity": "acoustics.estimate.tdoa",
    "simulate_recording": "acoustics.study.simulate",
    "study_place": "acoustics.study.place",
    "study_waypoints": "acoustics.study.waypoints",
    "study_spacing": "acoustics.study.spacing",
    "study_stations": "acoustics.study.stations",
    "to_dict": "acoustics.present.text.tables",
    "validate_estimator": "acoustics.study.validate",
}
__all__ = sorted(_HOME)


def __getattr__(name: str) -> object:
    if name not in _HOME:
        raise AttributeError(f"module 'acoustics' has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return __all__
