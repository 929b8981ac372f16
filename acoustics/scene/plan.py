"""What to study: ranges, grids, targets and the seed."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from acoustics.scene.model import NotNegative, Number, Positive, SceneModel


class Plan(SceneModel):
    """The `[study]` table: what the questions are asked for, each with a default that suits a pool."""

    sample_rates_hz: Annotated[
        Annotated[tuple[Positive, ...], Field(min_length=1, max_length=16)],
        Field(description="Sample rates that `spacing` compares."),
    ] = (
        96e3,
        192e3,
        250e3,
        500e3,
    )
    bearing_target_deg: Annotated[Positive, Field(description="How good the bearing must be.")] = 3.0
    wrong_cycle_limit: Annotated[
        Annotated[float, Field(strict=True, gt=0, lt=0.5)],
        Field(description="How often the wrong integer may be taken."),
    ] = 0.01
    multipath_threshold_db: Annotated[
        Annotated[float, Field(strict=True, ge=-60, le=0)],
        Field(description="An echo this far below the direct sound counts as one."),
    ] = -20.0
    pinger_depth_sd_m: Annotated[NotNegative, Field(description="How well the pinger's depth is known beforehand.")] = (
        0.2
    )
    # Standard deviation along x and y of a pinger's place about its station's, and the prior of its being at none.
    station_spread_m: Annotated[
        Annotated[float, Field(strict=True, gt=0, le=1000)],
        Field(description="How far from its station a pinger may stand, along x and y."),
    ] = 0.5
    none_prior: Annotated[
        Annotated[float, Field(strict=True, ge=0, lt=1)],
        Field(description="How likely it is beforehand that the pinger is at no station."),
    ] = 0.05
    map_step_m: Annotated[Positive, Field(description="Distance between the cells of the map.")] = 0.5
    map_depth_m: Annotated[Positive | None, Field(description="Depth of the map; left out: the vehicle's.")] = None
    map_extent_m: Annotated[
        tuple[Number, Number, Number, Number] | None,
        Field(description="Corners of the map, [x_low, y_low, x_high, y_high]; left out: the pool."),
    ] = None
    waypoints: Annotated[
        Annotated[int, Field(strict=True, ge=1, le=6)], Field(description="How many waypoints `waypoints` looks for.")
    ] = 3
    pings_per_waypoint: Annotated[
        Annotated[int, Field(strict=True, ge=1, le=10_000)], Field(description="How many pings are heard at each.")
    ] = 3
    speed_m_s: Annotated[Positive, Field(description="How fast the vehicle moves between them.")] = 0.3
    time_limit_s: Annotated[Positive, Field(description="How long a run may take.")] = 180.0
    trials: Annotated[
        Annotated[int, Field(strict=True, ge=1, le=1_000_000)],
        Field(description="How many pings a simulation draws. More take longer and say it more exactly."),
    ] = 2000
    seed: Annotated[
        Annotated[int, Field(strict=True, ge=0)],
        Field(description="Where the random numbers start; the same seed gives the same answer."),
    ] = 1

    @model_validator(mode="after")
    def _extent_in_order(self) -> Self:
        if self.map_extent_m is not None:
            x0, y0, x1, y1 = self.map_extent_m
            if x1 <= x0 or y1 <= y0:
                raise ValueError(f"map_extent_m must be [x_low, y_low, x_high, y_high], got {list(self.map_extent_m)}")
        return self
