"""The array: hydrophones in the body frame, and what their geometry lets them observe."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import Annotated, Self

import numpy as np
from numpy.typing import ArrayLike
from pydantic import Field, field_validator

from acoustics.base.checks import wide_aperture
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats, array_rank
from acoustics.base.table_model import all_wrong, same_names
from acoustics.base.toml_tables import validated
from acoustics.scene.model import Name, NotNegative, Point, SceneModel

_TOUCHING_M = 1e-3  # nearer than this two hydrophones are one entry typed twice

_OBSERVES = {
    1: "a line: the angle to the line only, so the pinger lies anywhere on a cone round it",
    2: "a plane: bearing and depression, with a mirror image on the other side of the plane",
    3: "a volume: bearing and depression without a mirror image",
}


class Hydrophone(SceneModel):
    """One hydrophone: position in the array's frame, how well it is known, its sensitivity.

    `delay_s` is how much later its channel gives what it hears than it arrives, as a calibration found it.
    """

    name: Annotated[Name, Field(description="Name of the hydrophone, as answers give it.")]
    position_m: Annotated[
        Point,
        Field(
            description=(
                "Where its acoustic centre is in the array's frame: forward, starboard, down. Measure or take it from"
                " the drawing."
            )
        ),
    ]
    tolerance_m: Annotated[
        NotNegative,
        Field(
            description=(
                "Standard deviation of that place along each axis: a third of the largest error you would bet on."
            )
        ),
    ] = 1e-3
    sensitivity_db_re_v_per_upa: Annotated[
        Annotated[float, Field(strict=True, ge=-260, le=-100)],
        Field(description="Volts for a pressure, before the preamplifier. It is on the data sheet."),
    ] = -190.0
    delay_s: Annotated[
        Annotated[float, Field(strict=True, ge=-1e-3, le=1e-3)],
        Field(description="How much later its channel gives what it hears; `pingfix calibrate` finds it."),
    ] = 0.0


class Array(SceneModel):
    """Hydrophones on the vehicle. `tolerance_m` is a standard deviation per axis; `mount_m` shifts the whole array."""

    name: Annotated[Name, Field(description="Name of the array.")] = "array"
    good_for: Annotated[str, Field(description="What the array is good for, in words.")] = ""
    cannot_observe: Annotated[str, Field(description="What it cannot tell, in words.")] = ""
    mount_m: Annotated[
        Point, Field(description="Where the array's origin is on the vehicle: forward, starboard, down.")
    ] = (0.0, 0.0, 0.0)
    hydrophones: Annotated[
        Annotated[tuple[Hydrophone, ...], Field(alias="hydrophone", min_length=2, max_length=64)],
        Field(description="The hydrophones, one table each. Of more than 8 only the onsets are used, by `locate`."),
    ]

    @classmethod
    def from_positions(
        cls,
        positions_m: ArrayLike,
        *,
        name: str = "array",
        names: Sequence[str] | None = None,
        tolerance_m: ArrayLike = 1e-3,
    ) -> Self:
        """An array from positions alone.

        Parameters
        ----------
        positions_m : array_like, shape (n_hydrophones, 3)
            Forward, starboard, down [m].
        name : str
            Of the array.
        names : sequence of str, optional
            Of the hydrophones; h1, h2 and so on by default.
        tolerance_m : array_like, shape () or (n_hydrophones,)
            Standard deviation of each position along every axis [m].

        Raises
        ------
        ParameterError
            If the shape is wrong.
        InputError
            If a value is; names the key.
        """
        places = np.asarray(positions_m, dtype=float)
        if places.ndim != 2 or places.shape[1] != 3:
            raise ParameterError(f"positions_m has shape {places.shape}: expected (n_hydrophones, 3)")
        known = [f"h{k}" for k in range(1, len(places) + 1)] if names is None else list(names)
        tolerances = np.asarray(tolerance_m, dtype=float)
        if len(known) != len(places) or tolerances.shape not in ((), (len(places),)):
            raise ParameterError(
                f"{len(known)} names and tolerance_m of shape {tolerances.shape} for {len(places)} positions"
            )
        spread = np.broadcast_to(tolerances, len(places)).tolist()
        hydrophones = [
            {"name": label, "position_m": place, "tolerance_m": sd}
            for label, place, sd in zip(known, places.tolist(), spread, strict=True)
        ]
        return validated(cls, {"name": name, "hydrophone": hydrophones}, "array")

    @field_validator("hydrophones")
    @classmethod
    def _apart(cls, hydrophones: tuple[Hydrophone, ...]) -> tuple[Hydrophone, ...]:
        positions = np.array([h.position_m for h in hydrophones])
        faults = same_names([h.name for h in hydrophones], "hydrophones")
        if too_wide := wide_aperture(positions):
            faults.append(too_wide)
        distance = np.linalg.norm(positions[:, None] - positions[None], axis=-1) + np.eye(len(positions))
        if distance.min() < _TOUCHING_M:
            i, j = np.unravel_index(np.argmin(distance), distance.shape)
            faults.append(
                f"{hydrophones[i].name!r} and {hydrophones[j].name!r} coincide at {hydrophones[i].position_m}"
            )
        all_wrong("hydrophone", faults)
        return hydrophones

    @cached_property
    def positions_m(self) -> Floats:
        """Positions in the body frame, shape (n_hydrophones, 3) [m]."""
        return np.array([h.position_m for h in self.hydrophones]) + np.array(self.mount_m)

    @cached_property
    def tolerances_m(self) -> Floats:
        """Standard deviation of each position per axis, shape (n_hydrophones,) [m]."""
        return np.array([h.tolerance_m for h in self.hydrophones])

    @cached_property
    def diagonal_m(self) -> float:
        """Of the box along the axes that holds the hydrophones [m]."""
        return float(np.linalg.norm(np.ptp(self.positions_m, axis=0)))

    @property
    def pairs(self) -> tuple[np.ndarray, np.ndarray]:
        """First and second hydrophone of every baseline, each of shape (n_baselines,)."""
        return np.triu_indices(len(self.hydrophones), k=1)

    @property
    def baselines_m(self) -> Floats:
        """Length of every baseline, in the order of `pairs`, shape (n_baselines,) [m]."""
        first, second = self.pairs
        return np.linalg.norm(self.positions_m[first] - self.positions_m[second], axis=-1)

    @property
    def rank(self) -> int:
        """1 for a line, 2 for a plane, 3 for a volume."""
        return array_rank(self.positions_m)

    @property
    def observes(self) -> str:
        """What a far pinger's delays tell, in words."""
        return _OBSERVES[self.rank]
