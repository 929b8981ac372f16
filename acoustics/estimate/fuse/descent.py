"""From a start to the state of a run that fits its pings best: Levenberg steps, the source's along its bearing."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.least_squares import Descent, levenberg
from acoustics.base.record import record
from acoustics.estimate.fuse.information import information, solved
from acoustics.estimate.fuse.model import SOURCE, FusionProblem, linearise, weighed

# Every unknown has a prior, so none needs a floor; 1e-4 is a hundredth of a standard deviation. The first descent ends
# with the sizes of its start, which the next replaces: a tenth is near enough.
_FIRST, _NEXT = (Descent(damping=1e-4, floor=0.0, settled=settled, most_steps=40) for settled in (1e-2, 1e-4))
_DAMPED_SHARE = 0.3  # of the distance, as one standard deviation; it decides time, not where the descent ends
_LONGEST_STEP = 0.75  # of the distance
# Each descent ends where the sizes of attitude and walk are taken for the next, until the source moves by less than
# this share of its distance.
_WEIGHINGS, _STAYS = 6, 1e-3


@record
class _Weighted:
    """Runs with weights (r, p) of their pings, as `levenberg` takes them: states (size, r), runs last."""

    problem: FusionProblem
    weight: Floats

    def subset(self, runs: NDArray[np.intp]) -> _Weighted:
        return _Weighted(self.problem.subset(runs), self.weight[runs])

    def evaluate(self, state: Floats) -> tuple[Floats, Floats, Floats]:
        """Cost, of what the information consists, (k, size, r), and gradient."""
        told = information(self.problem, linearise(self.problem, state.T), state.T, self.weight)
        return told.cost, np.moveaxis(told.rows, 0, -1), -told.downhill.T

    def step(self, state: Floats, rows: Floats, gradient: Floats, damping: Floats) -> Floats:
        """Damped by a standard deviation of what is known beforehand, and of the source by a part of its distance."""
        by_distance = (damping / (_DAMPED_SHARE * self.distance(state)) ** 2)[:, None, None] * np.eye(SOURCE)
        source = self.problem.source_information + by_distance
        return solved(np.moveaxis(rows, -1, 0), source, 1.0 + damping, -gradient.T[..., None])[..., 0].T

    def move(self, state: Floats, step: Floats) -> Floats:
        """A step, the source's along its bearing in the inverse of the distance.

        The pings of a place tell a bearing, and by a known depth an inverse distance: seen from there the valley of
        the cost is straight, and in space it is not. Where the range is hardly observed a step may leave the site: the
        source moves no farther than three quarters of the way already there.
        """
        length = np.linalg.norm(step[:SOURCE], axis=0)
        part = step * np.minimum(1.0, _LONGEST_STEP * self.distance(state) / np.maximum(length, 1e-300))
        moved = state + part
        middle = self.problem.position.mean(axis=1)
        away, distance = _split(state[:SOURCE].T - middle)
        spread = np.linalg.norm(self.problem.position - middle[:, None], axis=-1).max(axis=-1)
        far = distance > spread + 0.1  # nearer, the pings lie about the source
        nearer = np.einsum("ri,ri->r", away, part[:SOURCE].T) / distance
        turn, angle = _split(part[:SOURCE].T / distance[:, None] - nearer[:, None] * away)
        toward = np.cos(angle)[:, None] * away + np.sin(angle)[:, None] * turn
        place = middle + (distance / np.maximum(1.0 - nearer, 1.0 - _LONGEST_STEP))[:, None] * toward
        moved[:SOURCE] = np.where(far, place.T, moved[:SOURCE])
        return moved

    def distance(self, state: Floats) -> Floats:
        """Of the source from the pings of each run, (r,) [m]."""
        return np.linalg.norm(state.T[:, None, :SOURCE] - self.problem.position, axis=-1).mean(axis=-1) + 0.1


def _split(vectors: Floats) -> tuple[Floats, Floats]:
    """Unit vectors (r, 3) and lengths (r,)."""
    length = np.maximum(np.linalg.norm(vectors, axis=-1), 1e-300)
    return vectors / length[:, None], length


def descend(problem: FusionProblem, state: Floats, weight: Floats) -> Floats:
    """Levenberg steps from states (r, size) with weights (r, p) of the pings, to states of least cost."""
    state, rows = state.copy(), np.arange(len(state))
    for k in range(_WEIGHINGS):
        before = state[rows]
        descent = _Weighted(weighed(problem.subset(rows), before), weight[rows])
        how = _NEXT if k else _FIRST
        found = levenberg(
            descent, before.T, _Weighted.evaluate, _Weighted.move, find_step=_Weighted.step, descent=how
        ).T
        state[rows] = found
        moved = np.linalg.norm(found[:, :SOURCE] - before[:, :SOURCE], axis=-1)
        rows = rows[(moved > _STAYS * descent.distance(found.T)) | (k == 0)]
        if not len(rows):
            break
    return state
