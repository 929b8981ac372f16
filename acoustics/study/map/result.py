"""What a pool map says: choices, values by cell, and quantiles over the cells."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.intervals import Interval, quantiles
from acoustics.base.record import record
from acoustics.base.result import Result
from acoustics.study.map.cells import Over
from acoustics.study.map.echoes import EchoPlace
from acoustics.study.map.known_pool import KnownPool
from acoustics.study.map.listening import ListeningPlace
from acoustics.study.map.own_estimator import OwnEstimator


@record
class MapChoices:
    """What a map is over and of.

    Parameters
    ----------
    over : "vehicle" or "pinger"
        What stands in the cells: the vehicle, the pinger being where the scene has it, or the other way round.
    heading : "scene" or "worst"
        The scene's heading, or in each cell the worst of 24.
    site_position : bool
        Whether the position is that in the site, `vehicle.position_sd_m` included, or that relative to the vehicle.
    echo_cells, echo_pings : int
        At how many cells so many pings each are rendered, with and without echoes.
    known_pool_cells : int
        In how many cells, at most, the bounds of an estimator that knows the pool are worked out.
    """

    over: Over = "vehicle"
    heading: Literal["scene", "worst"] = "scene"
    site_position: bool = False
    echo_cells: int = 0
    echo_pings: int = 6
    known_pool_cells: int = 0


@record
class Outcomes:
    """Shares of the pings, adding up to one, shape (n_y, n_x), NaN where nothing can be.

    `right`: the right station is chosen; `other`: another one; `none`: none of them, though the pinger is at one;
    `undecided`: no answer is more probable than all the others together, or there is nothing to go by.
    """

    right: Floats
    other: Floats
    none: Floats
    undecided: Floats


@record
class OutcomeShare:
    """Mean share of one of the outcomes over the cells: predicted, and simulated with its 95 % interval."""

    outcome: str
    predicted: float
    simulated: Interval | None


@record
class StationMap:
    """The station that one ping's fix would choose by Bayes' rule, the right cycle given.

    `meant`, shape (n_y, n_x): index in `answers` of the right answer, the one that an exact fix would give; the last
    answer is none of the stations. `pings`: simulated ones asked in each cell. `right_low`, `right_high`: ends of the
    95 % interval of the simulated share of right choices.
    """

    answers: tuple[str, ...]
    meant: Floats
    pings: int
    predicted: Outcomes
    simulated: Outcomes | None
    right_low: Floats | None
    right_high: Floats | None
    over_cells: tuple[OutcomeShare, ...]


@record
class PoolMap(Result):
    """Cells of a grid, shape (n_y, n_x); NaN where nothing can be.

    Bounds (Cramer-Rao, single ping): `bearing_deg` is the standard deviation of the bearing in the site frame,
    heading error included; `position_m` the horizontal RMS error. Predictions for the vehicle's own estimator:
    `own_position_m`, the same with its own window and the echoes in it, and `wrong_integer`, the probability of one.
    Simulation of that estimator: `simulated_m`, the RMS of the fixes that it gave, with the ends of its 95 % confidence
    interval, and `refused`, the share for which it named a reason instead. `failed` is the share of pings that give no
    fix or one from a wrong cycle, the two taken as independent. `simulated_over_predicted` is the median of that ratio
    over the cells where every ping gave a fix; None where there are fewer than two. Infinite: not observable.
    `heading_deg` is None where each cell has its own worst heading, `worst_heading_deg` then. `shadowed`: share of the
    hydrophones that bodies of the vehicle keep from the pinger. `stations` is None where there are fewer than two.
    `known_pool`: what echoes could add, in some of the cells; None where not asked for. `own_estimator`: bearings of
    the vehicle's estimator, which knows nothing of the pool, in some of the cells; None where the pinger stands in
    them. `listen`: where to listen; None where no cell is any good.
    """

    title: str
    array: str
    pinger: str
    over: Over
    depth_m: float
    heading_deg: float | None
    site_position: bool
    trials: int
    seed: int
    x_m: Floats
    y_m: Floats
    worst_heading_deg: Floats | None
    multipath_free_s: Floats
    shadowed: Floats
    bearing_deg: Floats
    position_m: Floats
    own_position_m: Floats
    wrong_integer: Floats
    wrong_cycle_limit: float
    simulated_m: Floats
    simulated_low_m: Floats
    simulated_high_m: Floats
    refused: Floats
    failed: Floats
    simulated_over_predicted: Interval | None
    stations: StationMap | None
    echoes: tuple[EchoPlace, ...]
    own_estimator: OwnEstimator | None
    known_pool: KnownPool | None
    listen: ListeningPlace | None

    @property
    def wet(self) -> NDArray[np.bool_]:
        """Where vehicle and pinger can be."""
        return np.isfinite(self.multipath_free_s)

    @property
    def wrong_integer_share(self) -> float:
        """Predicted share of pings with a wrong integer, mean over the cells; NaN where none can be predicted.

        That of the vehicle's own estimator where it is told.
        """
        own = np.nan if self.own_estimator is None else self.own_estimator.wrong_integer_share.value
        return own if np.isfinite(own) else float(self.wrong_integer[self.wet].mean())

    @property
    def quantiles(self) -> dict[str, Floats]:
        """Median, 90th and 95th percentile over the cells, by what they are of."""
        names = ("bearing_deg", "position_m", "own_position_m", "wrong_integer")
        columns = {name: getattr(self, name) for name in names}
        if self.trials:
            columns |= {"simulated_m": self.simulated_m, "refused": self.refused, "failed": self.failed}
        if self.stations is not None:
            columns["not_right_station"] = 1 - self.stations.predicted.right
            if self.stations.simulated is not None:
                columns["not_right_station_simulated"] = 1 - self.stations.simulated.right
        wet = self.wet
        return {name: quantiles(values[wet]) for name, values in columns.items() if not np.isnan(values[wet]).any()}
