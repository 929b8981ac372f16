"""Calibration of a scene's array from located pings, and the corrected array as a file."""

from __future__ import annotations

import json
from collections.abc import Sequence

import numpy as np

from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.base.result import Result
from acoustics.estimate.calibrate import (
    Separation,
    bearing_gain,
    bearing_sd,
    calibrate_array,
    corrected_positions,
    parts,
)
from acoustics.scene.array import Array
from acoustics.scene.scene import Scene
from acoustics.study.calibrate.inputs import CalibrationInput
from acoustics.study.calibrate.plan import ParameterLine, parameter_lines, separation_of


@record
class PingLine:
    """One ping of a run: RMS of its delays' residuals before and after [us], whether kept, whether cycles were
    taken off."""

    ping: int
    rms_before_us: float
    rms_after_us: float
    kept: bool
    cycles_changed: bool


@record
class SourceLine:
    """A source: its place as found and the standard deviation of that, along x, y and z of the site [m]."""

    name: str
    pings: int
    position_m: tuple[float, float, float]
    sd_m: tuple[float, float, float]


@record
class CalibratedArray(Result):
    """What a run found.

    `parameters` hold value and standard deviation of each; `positions_m` and `position_sd_m` the hydrophones with
    offsets and rotation applied, and `offset_covariance_m2` (n, 3, 3) that of each one's offset. Bearings:
    standard deviation of the systematic error of a far source's site bearing, before and after, by the stated
    tolerances and by the posterior.
    """

    title: str
    array: str
    ok: bool
    reason: str
    pings: tuple[PingLine, ...]
    passed_over: dict[str, int]
    sources: tuple[SourceLine, ...]
    parameters: tuple[ParameterLine, ...]
    separation: Separation
    bearing_before_deg: float
    bearing_after_deg: float
    nominal_sound_speed_m_s: float
    sound_speed_m_s: float
    sound_speed_sd_m_s: float
    rotation_deg: tuple[float, float, float]
    positions_m: Floats
    position_sd_m: Floats
    offset_covariance_m2: Floats
    channel_delays_s: Floats
    covariance: Floats
    chi2: float
    dof: int
    p_value: float


def calibrate_from_pings(scene: Scene, given: CalibrationInput) -> CalibratedArray:
    """Calibrate the scene's array from a run, with everything that a crew needs to judge it."""
    run, prior = given.run, given.prior
    found = calibrate_array(run, prior)
    n = len(prior.hydrophones_m)
    values = parts(found.parameters, n)
    sd = np.sqrt(np.diagonal(found.covariance))
    names = tuple(h.name for h in scene.array.hydrophones)
    gain = bearing_gain(prior.hydrophones_m, prior.sound_speed_m_s)
    before, after = (np.rad2deg(bearing_sd(gain, c)) for c in (np.diag(prior.calibration_sd**2), found.covariance))
    positions, position_sd = corrected_positions(prior.hydrophones_m, found)
    offset_covariance = found.covariance[: 3 * n, : 3 * n].reshape(n, 3, n, 3)
    columns = (found.rms_before_s * 1e6, found.rms_after_s * 1e6, found.kept, np.any(found.cycles != 0, axis=-1))
    roll, pitch, heading = np.rad2deg(values.rotation).tolist()
    return CalibratedArray(
        title=scene.title,
        array=scene.array.name,
        ok=bool(found.ok),
        reason=str(found.reason),
        pings=tuple(PingLine(*line) for line in zip(given.pings, *(c.tolist() for c in columns), strict=True)),
        passed_over=given.passed_over,
        sources=_source_lines(given, found.source_error_m, found.source_sd_m),
        parameters=parameter_lines(names, prior.calibration_sd, found.parameters, sd),
        separation=separation_of(found.information, prior, run, names),
        bearing_before_deg=float(before),
        bearing_after_deg=float(after),
        nominal_sound_speed_m_s=prior.sound_speed_m_s,
        sound_speed_m_s=prior.sound_speed_m_s + float(values.sound_speed),
        sound_speed_sd_m_s=float(sd[4 * n]),
        rotation_deg=(roll, pitch, heading),
        positions_m=positions,
        position_sd_m=position_sd,
        offset_covariance_m2=np.array([offset_covariance[i, :, i, :] for i in range(n)]),
        channel_delays_s=values.channel_delays_s,
        covariance=found.covariance,
        chi2=float(found.chi2),
        dof=int(found.dof),
        p_value=float(found.p_value),
    )


def _source_lines(given: CalibrationInput, error_m: Floats, sd_m: Floats) -> tuple[SourceLine, ...]:
    lines = []
    for k, source in enumerate(given.sources):
        own = given.run.source_index == k
        x, y, z = (given.run.source_m[own][0] + error_m[k]).tolist()
        sx, sy, sz = sd_m[k].tolist()
        lines.append(SourceLine(source.name, int(own.sum()), (x, y, z), (sx, sy, sz)))
    return tuple(lines)


def corrected_array(array: Array, result: CalibratedArray) -> Array:
    """The array with the places, tolerances and channel delays that the run found."""
    changes = zip(
        result.positions_m.tolist(), result.position_sd_m.tolist(), result.channel_delays_s.tolist(), strict=True
    )
    hydrophones = [
        h.model_copy(
            update={
                "position_m": tuple(round(x, 6) for x in place),
                "tolerance_m": round(sd, 6),
                "delay_s": round(h.delay_s + delay, 10),
            }
        )
        for h, (place, sd, delay) in zip(array.hydrophones, changes, strict=True)
    ]
    return array.model_copy(update={"hydrophones": tuple(hydrophones), "mount_m": (0.0, 0.0, 0.0)})


def array_file_text(array: Array, remarks: Sequence[str] = ()) -> str:
    """An array as the TOML file that `load_array` reads, remarks as comments at its head."""
    lines = [f"# {remark}" for remark in remarks]
    texts = {"name": array.name, "good_for": array.good_for, "cannot_observe": array.cannot_observe}
    lines += [f"{key} = {_quoted(text)}" for key, text in texts.items() if text]
    if any(array.mount_m):
        lines.append(f"mount_m = {list(array.mount_m)}")
    for h in array.hydrophones:
        lines += [
            "",
            "[[hydrophone]]",
            f"name = {_quoted(h.name)}",
            f"position_m = {list(h.position_m)}",
            f"tolerance_m = {h.tolerance_m!r}",
            f"sensitivity_db_re_v_per_upa = {h.sensitivity_db_re_v_per_upa!r}",
            f"delay_s = {h.delay_s!r}",
        ]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """A basic string of TOML; those of JSON are, but for the delete character."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
