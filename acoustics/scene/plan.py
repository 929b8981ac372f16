"""What to study: ranges, grids, targets and the seed."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from acoustics.scene.model import NotNegative, Number, Positive, SceneModel


class Plan(SceneModel):
    """The `[study]` table: what the questions are asked for, each with a default that suits a pool."""

    sample_rates_hz: Annotated[tuple[Positive, ...], Field(min_length=1, max_length=16)] = (
        96e3,
        192e3,
        250e3,
        500e3,
    )
    bearing_target_deg: Positive = 3.0
    wrong_cycle_limit: Annotated[float, Field(strict=True, gt=0, lt=0.5)] = 0.01
    multipath_threshold_db: Annotated[float, Field(strict=True, ge=-60, le=0)] = -20.0
    pinger_depth_sd_m: NotNegative = 0.2
    # Standard deviation along x and y of a pinger's place about its station's, and the prior of its being at none.
    station_spread_m: Annotated[float, Field(strict=True, gt=0, le=1000)] = 0.5
    none_prior: Annotated[float, Field(strict=True, ge=0, lt=1)] = 0.05
    map_step_m: Positive = 0.5
    map_depth_m: Positive | None = None
    map_extent_m: tuple[Number, Number, Number, Number] | None = None
    waypoints: Annotated[int, Field(strict=True, ge=1, le=6)] = 3
    pings_per_waypoint: Annotated[int, Field(strict=True, ge=1, le=10_000)] = 3
    speed_m_s: Positive = 0.3
    time_limit_s: Positive = 180.0
    trials: Annotated[int, Field(strict=True, ge=1, le=1_000_000)] = 2000
    seed: Annotated[int, Field(strict=True, ge=0)] = 1

    @model_validator(mode="after")
    def _extent_in_order(self) -> Self:
        if self.map_extent_m is not None:
            x0, y0, x1, y1 = self.map_extent_m
            if x1 <= x0 or y1 <= y0:
                raise ValueError(f"map_extent_m must be [x_low, y_low, x_high, y_high], got {list(self.map_extent_m)}")
        return self
