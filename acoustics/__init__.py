"""Plan and simulate hydrophone arrays that locate an acoustic pinger.

The flow in one line: scene -> arrivals -> time differences -> bearing -> position, with a bound from the same scene
beside each, and studies that ask a question of many of them. A question has one name, here and as a command. The names
load when first used, so that importing the package costs nothing.

Scenes and files
- `load_scene`, `load_array`: a scenario file or an array definition, checked; `Array.from_positions` makes an array,
  `Scene.changed` a scene with something changed, checked as well.
- `load_recording`, `read_sidecar`, `read_sketch`, `read_pings`: what stands in files.

Before the water
- `check`: what a scene implies. `sound_speed`: of its water, by depth.
- `spacing`: how far apart, and what sample rate. `place`: where on the hull.
- `checklist`: what to bring, set, measure and do on the day.
- `compare`: scenes side by side, with every difference.
- `bound`: what an array allows at a signal-to-noise ratio.
- `map`: how far off one ping's fix is, over the pool. `budget`: which error costs how much.
- `stations`: how often a run ends at the right one. `waypoints`: where to stop and listen next.
  `rehearse`: how whole runs end, from samples to the decision.
- `validate`: how good an estimator is. `plan_calibration`: what a calibration would tell.

In the water
- `simulate`: a recording with known truth. `spectrum`: what a recording holds. `locate`: a recording to pings.
  `bearings`: samples to bearings.
- `fuse`: pings to one position and a station. `calibrate`: pings to a corrected array.

What these are made of
- `tdoa_from_toa`, `measure_tdoa`, `resolve_ambiguity`, `estimate_bearing`, `locate_source`: one step each.
- `arrivals`: direct sound and echoes. `bearing_bound`, `position_bound`: what theory allows, batched.
- `error_ellipse`: axes and azimuth of a covariance's 95 % region. `to_dict`: anything as plain lists and numbers.

An answer prints as the command does, `answer.plot("file.png")` draws it where there is a picture, and
`answer.to_dict()` is what `--json` prints. Every type of an argument or a result is among the names; what is wrong
raises a `PingfixError`: `InputError`, `ParameterError` or `OutputError`.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from acoustics.base.result import Result

if TYPE_CHECKING:
    from acoustics.accuracy.array_bound import Bound as Bound
    from acoustics.accuracy.array_bound import bound as bound
    from acoustics.accuracy.bounds import bearing_bound as bearing_bound
    from acoustics.accuracy.bounds import position_bound as position_bound
    from acoustics.accuracy.observability import BearingBound as BearingBound
    from acoustics.accuracy.observability import PositionBound as PositionBound
    from acoustics.api.planning import budget as budget
    from acoustics.api.planning import check as check
    from acoustics.api.planning import checklist as checklist
    from acoustics.api.planning import compare as compare
    from acoustics.api.planning import map as map
    from acoustics.api.planning import place as place
    from acoustics.api.planning import plan_calibration as plan_calibration
    from acoustics.api.planning import rehearse as rehearse
    from acoustics.api.planning import sound_speed as sound_speed
    from acoustics.api.planning import spacing as spacing
    from acoustics.api.planning import stations as stations
    from acoustics.api.planning import validate as validate
    from acoustics.api.planning import waypoints as waypoints
    from acoustics.api.run import calibrate as calibrate
    from acoustics.api.run import fuse as fuse
    from acoustics.api.run import simulate as simulate
    from acoustics.base.errors import InputError as InputError
    from acoustics.base.errors import OutputError as OutputError
    from acoustics.base.errors import ParameterError as ParameterError
    from acoustics.base.errors import PingfixError as PingfixError
    from acoustics.base.regions import ErrorEllipse as ErrorEllipse
    from acoustics.base.regions import error_ellipse as error_ellipse
    from acoustics.base.site import PoolShape as PoolShape
    from acoustics.base.site import StationPlace as StationPlace
    from acoustics.estimate.direction import Bearing as Bearing
    from acoustics.estimate.direction import estimate_bearing as estimate_bearing
    from acoustics.estimate.position import Fix as Fix
    from acoustics.estimate.position import locate_source as locate_source
    from acoustics.estimate.tdoa import Cycles as Cycles
    from acoustics.estimate.tdoa import IntegerAlternatives as IntegerAlternatives
    from acoustics.estimate.tdoa import OnsetMisfit as OnsetMisfit
    from acoustics.estimate.tdoa import Segment as Segment
    from acoustics.estimate.tdoa import Tdoa as Tdoa
    from acoustics.estimate.tdoa import TdoaMeasurement as TdoaMeasurement
    from acoustics.estimate.tdoa import measure_tdoa as measure_tdoa
    from acoustics.estimate.tdoa import resolve_ambiguity as resolve_ambiguity
    from acoustics.estimate.tdoa import tdoa_from_toa as tdoa_from_toa
    from acoustics.io.echo_fix import EchoFix as EchoFix
    from acoustics.io.echo_fix import EchoMode as EchoMode
    from acoustics.io.echo_fix import FaceOffset as FaceOffset
    from acoustics.io.ping import Candidate as Candidate
    from acoustics.io.ping import IntegerAlternative as IntegerAlternative
    from acoustics.io.ping import NavigatedPose as NavigatedPose
    from acoustics.io.ping import Ping as Ping
    from acoustics.io.ping_lines import read_pings as read_pings
    from acoustics.io.recording import Recording as Recording
    from acoustics.io.recording import load_recording as load_recording
    from acoustics.io.sample_files import SampleFile as SampleFile
    from acoustics.io.sidecar import Channel as Channel
    from acoustics.io.sidecar import KnownPinger as KnownPinger
    from acoustics.io.sidecar import Sidecar as Sidecar
    from acoustics.io.sidecar import read_sidecar as read_sidecar
    from acoustics.io.site_sketch import SiteSketch as SiteSketch
    from acoustics.io.site_sketch import read_sketch as read_sketch
    from acoustics.physics.burst import Burst as Burst
    from acoustics.physics.refraction import SoundSpeedProfile as SoundSpeedProfile
    from acoustics.present.text.tables import to_dict as to_dict
    from acoustics.propagate.arrivals import Arrivals as Arrivals
    from acoustics.propagate.arrivals import arrivals as arrivals
    from acoustics.propagate.hull_shadow import Hull as Hull
    from acoustics.scene.array import Array as Array
    from acoustics.scene.array import Hydrophone as Hydrophone
    from acoustics.scene.keep_out import KeepOut as KeepOut
    from acoustics.scene.material import Layer as Layer
    from acoustics.scene.material import Material as Material
    from acoustics.scene.mounting import BoxBody as BoxBody
    from acoustics.scene.mounting import BoxRegion as BoxRegion
    from acoustics.scene.mounting import CylinderBody as CylinderBody
    from acoustics.scene.mounting import HullPatch as HullPatch
    from acoustics.scene.mounting import KeepOutBox as KeepOutBox
    from acoustics.scene.mounting import Mounting as Mounting
    from acoustics.scene.noise import Noise as Noise
    from acoustics.scene.noise import NoiseState as NoiseState
    from acoustics.scene.noise import Tone as Tone
    from acoustics.scene.pinger import Pinger as Pinger
    from acoustics.scene.plan import Plan as Plan
    from acoustics.scene.pool import Pool as Pool
    from acoustics.scene.recorder import Recorder as Recorder
    from acoustics.scene.scenario import load_array as load_array
    from acoustics.scene.scenario import load_scene as load_scene
    from acoustics.scene.scene import Scene as Scene
    from acoustics.scene.station import Station as Station
    from acoustics.scene.vehicle import Vehicle as Vehicle
    from acoustics.scene.water import ProfileRow as ProfileRow
    from acoustics.scene.water import Water as Water
    from acoustics.study.budget import Budget as Budget
    from acoustics.study.calibrate import CalibratedArray as CalibratedArray
    from acoustics.study.calibrate import CalibrationPlan as CalibrationPlan
    from acoustics.study.calibrate import RunPlan as RunPlan
    from acoustics.study.calibrate import SourcePlace as SourcePlace
    from acoustics.study.check import Summary as Summary
    from acoustics.study.checklist import DayPlan as DayPlan
    from acoustics.study.compare import Comparison as Comparison
    from acoustics.study.fuse import FusedRun as FusedRun
    from acoustics.study.locate import LocatedPings as LocatedPings
    from acoustics.study.locate import bearings as bearings
    from acoustics.study.locate import locate as locate
    from acoustics.study.map import PoolMap as PoolMap
    from acoustics.study.place import Placement as Placement
    from acoustics.study.rehearse import Rehearsal as Rehearsal
    from acoustics.study.simulate import SimulatedRecording as SimulatedRecording
    from acoustics.study.sound_speed import WaterColumn as WaterColumn
    from acoustics.study.spacing import SpacingStudy as SpacingStudy
    from acoustics.study.spectrum import MeasuredPinger as MeasuredPinger
    from acoustics.study.spectrum import MeasuredTone as MeasuredTone
    from acoustics.study.spectrum import Spectrum as Spectrum
    from acoustics.study.spectrum import spectrum as spectrum
    from acoustics.study.stations import StationStudy as StationStudy
    from acoustics.study.validate import Limits as Limits
    from acoustics.study.validate import Validation as Validation
    from acoustics.study.waypoints import WaypointsStudy as WaypointsStudy

_NAMES = {
    "acoustics.accuracy.array_bound": "Bound bound",
    "acoustics.accuracy.bounds": "bearing_bound position_bound",
    "acoustics.accuracy.observability": "BearingBound PositionBound",
    "acoustics.api.planning": "budget check checklist compare map place plan_calibration rehearse sound_speed spacing "
    "stations validate waypoints",
    "acoustics.api.run": "calibrate fuse simulate",
    "acoustics.base.errors": "InputError OutputError ParameterError PingfixError",
    "acoustics.base.regions": "ErrorEllipse error_ellipse",
    "acoustics.base.site": "PoolShape StationPlace",
    "acoustics.estimate.direction": "Bearing estimate_bearing",
    "acoustics.estimate.position": "Fix locate_source",
    "acoustics.estimate.tdoa": "Cycles IntegerAlternatives TdoaMeasurement OnsetMisfit Segment Tdoa "
    "measure_tdoa resolve_ambiguity tdoa_from_toa",
    "acoustics.io.echo_fix": "EchoFix EchoMode FaceOffset",
    "acoustics.io.ping": "Candidate IntegerAlternative NavigatedPose Ping",
    "acoustics.io.ping_lines": "read_pings",
    "acoustics.io.recording": "Recording load_recording",
    "acoustics.io.sample_files": "SampleFile",
    "acoustics.io.sidecar": "Channel KnownPinger NotedPose Sidecar read_sidecar",
    "acoustics.io.site_sketch": "SiteSketch read_sketch",
    "acoustics.physics.burst": "Burst",
    "acoustics.physics.refraction": "SoundSpeedProfile",
    "acoustics.present.text.tables": "to_dict",
    "acoustics.propagate.arrivals": "Arrivals arrivals",
    "acoustics.propagate.hull_shadow": "Hull",
    "acoustics.scene.array": "Array Hydrophone",
    "acoustics.scene.keep_out": "KeepOut",
    "acoustics.scene.material": "Layer Material",
    "acoustics.scene.mounting": "BoxBody BoxRegion CylinderBody HullPatch KeepOutBox Mounting",
    "acoustics.scene.noise": "Noise NoiseState Tone",
    "acoustics.scene.pinger": "Pinger",
    "acoustics.scene.plan": "Plan",
    "acoustics.scene.pool": "Pool",
    "acoustics.scene.recorder": "Recorder",
    "acoustics.scene.scenario": "load_array load_scene",
    "acoustics.scene.scene": "Scene",
    "acoustics.scene.station": "Station",
    "acoustics.scene.vehicle": "Vehicle",
    "acoustics.scene.water": "ProfileRow Water",
    "acoustics.study.budget": "Budget",
    "acoustics.study.calibrate": "CalibratedArray CalibrationPlan RunPlan SourcePlace",
    "acoustics.study.check": "Summary",
    "acoustics.study.checklist": "DayPlan",
    "acoustics.study.compare": "Comparison",
    "acoustics.study.fuse": "FusedRun",
    "acoustics.study.locate": "LocatedPings bearings locate",
    "acoustics.study.map": "PoolMap",
    "acoustics.study.place": "Placement",
    "acoustics.study.rehearse": "Rehearsal",
    "acoustics.study.simulate": "SimulatedRecording",
    "acoustics.study.sound_speed": "WaterColumn",
    "acoustics.study.spacing": "SpacingStudy",
    "acoustics.study.spectrum": "MeasuredPinger MeasuredTone Spectrum spectrum",
    "acoustics.study.stations": "StationStudy",
    "acoustics.study.validate": "Limits Validation",
    "acoustics.study.waypoints": "WaypointsStudy",
}
_HOME = {name: module for module, names in _NAMES.items() for name in names.split()}
__all__ = sorted(_HOME)


def __getattr__(name: str) -> object:
    if name not in _HOME:
        raise AttributeError(f"module 'acoustics' has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return __all__


def _presenter() -> Any:
    return import_module("acoustics.present.results")


# Results are made below the words and pictures that show them: here, above both, they are told where these are.
Result.presenter = staticmethod(_presenter)
