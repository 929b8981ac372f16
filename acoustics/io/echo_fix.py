"""What the echoes of one ping told of its place, and the keys of a ping's line that hold it."""

from __future__ import annotations

from typing import Annotated, Any

import numpy as np
from pydantic import Field

from acoustics.base.frames import Floats
from acoustics.base.mixtures import credible_level_on_map
from acoustics.base.record import record
from acoustics.base.regions import error_ellipse, inside_region
from acoustics.base.table_model import Flag, NotNegative, Number, Place, Point, Positive, TableModel, Text

FAR_M = 1.0
LEAST_OWN_SD_M = 0.01  # nobody knows the own place more finely; a place by echoes is never found as if one did
_SURE = 0.9  # nine answers of ten are asked to lie within `FAR_M`


@record
class EchoMode:
    """One place that fits.

    Parameters
    ----------
    position_m, covariance_m2 : ndarray, shape (3,) and (3, 3)
        Site frame [m].
    probability : float
        Of the place [1].
    by_errors_m : ndarray, shape (n_errors, 2), optional
        How far x and y are off where an error is one standard deviation large [m]. The errors, in this order: the
        pinger's depth; own x, y and depth; roll, pitch, heading; sound speed; Q; carrier; the sketch's parameters as in
        `EchoFix.face_offsets`; of each channel the hydrophone's x, y, z in the body; of each channel its clock. The
        rest of the covariance is new at each ping.
    """

    position_m: Floats
    covariance_m2: Floats
    probability: float
    by_errors_m: Floats | None = None

    @property
    def radius_m(self) -> float:
        """Radius of a circle of the 95 % ellipse's area on the map [m]."""
        ellipse = error_ellipse(self.covariance_m2[:2, :2])
        return float(np.sqrt(ellipse.semi_major * ellipse.semi_minor))

    def holds(self, place_m: Floats) -> bool:
        """Whether a place [m] lies in the 95 % ellipse on the map."""
        return bool(inside_region((place_m - self.position_m)[:2], self.covariance_m2[:2, :2]))


@record
class FaceOffset:
    """How far a parameter of the site sketch is off by the best mode: `offset` [m or 1], and over its deviation [1]."""

    name: str
    offset: float
    over_sd: float


@record
class EchoFix:
    """Where one ping came from by its echoes, and what speaks against it.

    Parameters
    ----------
    ok : bool
        Whether the position may be used.
    reason : str
        Why not; empty where ok.
    modes : tuple of EchoMode
        Places that fit, the best first, whether the sketch is right or not; empty where none was sought.
    far_probability : float
        Probability that the pinger is over `FAR_M`, 1 m, from the first of them on the map [1].
    wrong_sketch_probability : float
        Probability that floor or walls are farther off the sketch than its standard deviations say [1].
    heading_correction, heading_correction_sd : float
        How much farther clockwise than noted the vehicle heads, of the best mode [rad].
    face_offsets : tuple of FaceOffset
        Of each parameter of the sketch.
    misfit : float
        Chi-squared of samples and priors over their number [1].
    p_value : float
        Probability of a misfit at least as large [1].
    agreement : float
        Share of the starts that ended at the best mode [1].
    window_s : float
        Part of the burst that was used [s].
    depth_m, depth_sd_m : float
        Of the pinger, as it was taken to be [m].

    Numbers are NaN where no place was sought.
    """

    ok: bool
    reason: str
    modes: tuple[EchoMode, ...] = ()
    far_probability: float = np.nan
    wrong_sketch_probability: float = np.nan
    heading_correction: float = np.nan
    heading_correction_sd: float = np.nan
    face_offsets: tuple[FaceOffset, ...] = ()
    misfit: float = np.nan
    p_value: float = np.nan
    agreement: float = np.nan
    window_s: float = np.nan
    depth_m: float = np.nan
    depth_sd_m: float = np.nan

    @property
    def sure(self) -> bool:
        """Whether the pinger is within `FAR_M` of the first place with a probability of nine in ten."""
        return self.far_probability <= 1.0 - _SURE

    def credible_level(self, place_m: Floats) -> float:
        """Content of the smallest region on the map, of all modes by their weights, that holds a place [m]."""
        return credible_level_on_map(
            place_m[:2],
            [mode.position_m[:2] for mode in self.modes],
            [mode.covariance_m2[:2, :2] for mode in self.modes],
            [mode.probability for mode in self.modes],
        )


_NUMBERS = (
    *("far_probability", "wrong_sketch_probability", "misfit", "p_value", "agreement", "window_s"),
    *("depth_m", "depth_sd_m"),
)
_DECIMALS = 6  # of a metre per standard deviation: a line is short, and its reader gains nothing from more


class _ModeLine(TableModel):
    position_m: Place
    covariance_m2: tuple[Point, Point, Point]
    probability: NotNegative
    by_errors_m: Annotated[tuple[tuple[Number, Number], ...], Field(max_length=4096)] | None = None


class _FaceLine(TableModel):
    name: Text
    offset: Number
    over_sd: Number


class EchoLine(TableModel):
    """The keys of `EchoFix` in a ping's line; null: no place was sought."""

    ok: Flag
    reason: Text
    modes: Annotated[tuple[_ModeLine, ...], Field(max_length=64)]
    far_probability: NotNegative | None = None
    wrong_sketch_probability: NotNegative | None = None
    heading_correction_deg: Number | None
    heading_correction_sd_deg: NotNegative | None
    face_offsets: Annotated[tuple[_FaceLine, ...], Field(max_length=256)]
    misfit: NotNegative | None
    p_value: NotNegative | None
    agreement: NotNegative | None
    window_s: NotNegative | None
    depth_m: Number | None = None
    depth_sd_m: Positive | None = None


def echo_table(fix: EchoFix) -> dict[str, Any]:
    """The answer as the table of a ping's line, the inverse of `echo_fix`."""
    numbers = {key: getattr(fix, key) for key in _NUMBERS}
    turn, turn_sd = np.rad2deg([fix.heading_correction, fix.heading_correction_sd]).tolist()
    table = {
        "ok": fix.ok,
        "reason": fix.reason,
        "modes": [
            {
                "position_m": mode.position_m.tolist(),
                "covariance_m2": mode.covariance_m2.tolist(),
                "probability": mode.probability,
                "by_errors_m": None if mode.by_errors_m is None else np.round(mode.by_errors_m, _DECIMALS).tolist(),
            }
            for mode in fix.modes
        ],
        "heading_correction_deg": turn,
        "heading_correction_sd_deg": turn_sd,
        "face_offsets": [vars(face) for face in fix.face_offsets],
        **numbers,
    }
    return {key: None if isinstance(value, float) and np.isnan(value) else value for key, value in table.items()}


def echo_fix(line: EchoLine) -> EchoFix:
    """The answer that a ping's line holds."""

    def number(value: float | None) -> float:
        return np.nan if value is None else value

    return EchoFix(
        line.ok,
        line.reason,
        tuple(
            EchoMode(
                np.array(m.position_m),
                np.array(m.covariance_m2),
                m.probability,
                None if m.by_errors_m is None else np.array(m.by_errors_m).reshape(-1, 2),
            )
            for m in line.modes
        ),
        number(line.far_probability),
        number(line.wrong_sketch_probability),
        float(np.deg2rad(number(line.heading_correction_deg))),
        float(np.deg2rad(number(line.heading_correction_sd_deg))),
        tuple(FaceOffset(f.name, f.offset, f.over_sd) for f in line.face_offsets),
        number(line.misfit),
        number(line.p_value),
        number(line.agreement),
        number(line.window_s),
        number(line.depth_m),
        number(line.depth_sd_m),
    )
