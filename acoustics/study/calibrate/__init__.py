"""What would a calibration tell of the array, and what does one tell?"""

from acoustics.study.calibrate.array import CalibratedArray, array_file_text, calibrate_from_pings, corrected_array
from acoustics.study.calibrate.geometry import planned_run
from acoustics.study.calibrate.inputs import SourcePlace, calibration_input, read_sources
from acoustics.study.calibrate.plan import CalibrationPlan, ParameterLine, RunPlan, plan_calibration

__all__ = [
    "CalibratedArray",
    "CalibrationPlan",
    "ParameterLine",
    "RunPlan",
    "SourcePlace",
    "array_file_text",
    "calibrate_from_pings",
    "calibration_input",
    "corrected_array",
    "plan_calibration",
    "planned_run",
    "read_sources",
]
