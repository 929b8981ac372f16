"""How far a plan is: the parts of its work, about as long as they take, in simulated runs."""

from __future__ import annotations

from collections.abc import Callable
from itertools import accumulate

import numpy as np

from acoustics.base.record import record
from acoustics.scene.scene import Scene
from acoustics.study.waypoints.candidates import PINGS_MEASURED

# About how many simulated runs take as long as a ping that is measured, a candidate that listens to a place,
# the search for one waypoint by each delay of these, which grows with the square of their number, and all the rest.
_PING, _HEARD, _TRIED, _REST = 15.0, 0.03, 0.0035, 300.0
_RENDERED = 1000.0  # and a ping that is rendered and located


@record
class Work:
    """Parts of a plan: pings measured, candidates listened to, each waypoint chosen, other runs held against it, the
    plan with places by echoes where it is asked for, and at last the simulation.

    `behind`: how many simulated runs' work is done before each part, and after the last.
    """

    behind: tuple[int, ...]
    planned: int
    progress: Callable[[int, int], None]

    @classmethod
    def of(
        cls, scene: Scene, *, pairs: int, echo_pings: int, trials: int, progress: Callable[[int, int], None]
    ) -> Work:
        """Of so many pairs of candidates and places of the pinger."""
        waypoints, delays = scene.study.waypoints, len(scene.array.hydrophones) - 1
        chosen = _TRIED * pairs * delays * np.arange(1, waypoints + 1) ** 2
        parts = [_PING * PINGS_MEASURED, _HEARD * pairs, *chosen, _REST]
        planned = len(parts)
        if echo_pings:
            parts += [_RENDERED * echo_pings, 2 * (chosen.sum() + _REST)]
        parts.append((4 if echo_pings else 2) * trials)
        return cls(tuple(map(int, accumulate(parts, initial=0))), planned, progress)

    @property
    def simulation(self) -> int:
        """The last part."""
        return len(self.behind) - 2

    def tell(self, part: int, share: float = 0.0) -> None:
        """Say that all is done before a part, and a share of it."""
        first, last = self.behind[part : part + 2]
        self.progress(int(first + share * (last - first)), self.behind[-1])
