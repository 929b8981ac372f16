"""Bearings that an array will give from all sides, as the vehicle's own estimators tell them.

Pings that were measured with their echoes are drawn many times with noise, mounting, skew and sound speed, the distance
unknown and all integers that fit weighed. Scaled, uneven and placed arrays are told apart by this one simulation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from acoustics.base.frames import Floats
from acoustics.base.intervals import Interval, rms_interval, share_interval
from acoustics.base.record import record
from acoustics.study.draws.blind import windows_alike
from acoustics.study.draws.blind_bearings import BY_SAMPLES, often_wrong, onsets_go_astray, takes_longer
from acoustics.study.draws.listener import Listener, Told
from acoustics.study.draws.noisy_pings import told_with_noise
from acoustics.study.draws.turned import TurnedPings

JOINED = 4  # pings at one place; by then a crew has heard enough to move on
# Where directions take long, draws of a place for which they are worked out: with integers beyond doubt, and others.
_SURE, _DOUBTFUL = 4, 8
_MOST_DRAWS = 32  # of a place: more tell little beside the other places


@record
class BearingOutcome:
    """Simulated with the echoes inside the estimator's window, 95 % intervals.

    Attributes
    ----------
    rms_deg : Interval
        Error of the bearing over all pings with a bearing, wrong integers included.
    right_integer_deg : Interval
        Over those with the right integers; NaN where there are none.
    wrong_integer : Interval
        Share of the others.
    """

    rms_deg: Interval
    right_integer_deg: Interval
    wrong_integer: Interval

    @property
    def wrong_integer_deg(self) -> float:
        """RMS error of the pings with wrong integers [deg]; 0 without any."""
        share = self.wrong_integer.value
        right = (1.0 - share) * self.right_integer_deg.value**2 if share < 1.0 else 0.0
        return float(np.sqrt(max(self.rms_deg.value**2 - right, 0.0) / share)) if share > 0 else 0.0

    def surely_better_than(self, other: BearingOutcome, limit: float) -> bool:
        """Whether it errs less, interval against interval, and keeps a limit of wrong integers."""
        return self.rms_deg.high < other.rms_deg.low and self.wrong_integer.high <= limit

    @classmethod
    def of(cls, drawn: TurnedBearings, rng: np.random.Generator) -> BearingOutcome:
        """The intervals count places, whose echoes are drawn once, not draws."""
        error_deg, wrong, place = np.rad2deg(drawn.error), drawn.wrong_integer, drawn.place
        nothing = Interval(float("nan"), float("nan"), float("nan"))
        return cls(
            rms_interval(error_deg, rng, place=place),
            nothing if wrong.all() else rms_interval(error_deg[~wrong], rng, place=place[~wrong]),
            share_interval(wrong, place, drawn.worth),
        )


@record
class TurnedBearings:
    """Bearings that are told of t draws.

    Attributes
    ----------
    error : ndarray, shape (t,)
        Of the bearing [rad].
    wrong_integer : ndarray of bool, shape (t,)
        As `BlindBearings` has it.
    place : ndarray of int, shape (t,)
        Number of the place: draws of one have the same echoes.
    worth : float
        So many independent draws tell as much of the share of wrong integers.
    """

    error: Floats
    wrong_integer: NDArray[np.bool_]
    place: NDArray[np.intp]
    worth: float

    @classmethod
    def joined(cls, parts: Sequence[TurnedBearings]) -> TurnedBearings:
        """Draws one after the other, those of equal numbers at the same places."""
        error, wrong, place = (
            np.concatenate([getattr(part, name) for part in parts]) for name in ("error", "wrong_integer", "place")
        )
        return cls(error, wrong, place, sum(part.worth for part in parts))

    @classmethod
    def alike(cls, parts: Sequence[TurnedBearings]) -> TurnedBearings:
        """Draws one after the other, each part's counting as much as any other's, however many they are."""
        most = max(len(part.error) for part in parts)
        joined = cls.joined([part._some(np.arange(most) * len(part.error) // most) for part in parts])
        return replace(joined, worth=len(parts) * min(part.worth for part in parts))

    def _some(self, rows: NDArray[np.intp]) -> TurnedBearings:
        return replace(self, error=self.error[rows], wrong_integer=self.wrong_integer[rows], place=self.place[rows])


def simulate_turned(heard: TurnedPings, trials: int, rng: np.random.Generator, *, joined: int = 1) -> TurnedBearings:
    """Draw about so many pings from all bearings and ask the vehicle's estimators.

    Parameters
    ----------
    heard : TurnedPings
        Each is drawn as often as the others, but for those that are not answered.
    trials : int
        At most 32 of a place are drawn.
    rng : Generator
        Source of randomness.
    joined : int
        Pings at one place whose phases and build-ups are averaged before the integers are chosen, as
        `BlindPings.averaged` has it.

    Notes
    -----
    Noise is as the estimator states it. Single pings go through the estimators as samples, four of each place, where
    `draw_blind_bearings` has them so, whose reasons hold here, too.
    """
    drawn = _told(heard, trials, rng, joined) if heard.pings.answered.any() else None
    return drawn if drawn is not None and len(drawn.error) else _guessed(heard, trials, rng)


def _told(heard: TurnedPings, trials: int, rng: np.random.Generator, joined: int) -> TurnedBearings:
    if joined > 1 or not onsets_go_astray(heard.scene, heard.pinger, heard.pings):
        answered = heard.pings.answered
        most = _MOST_DRAWS * len(np.unique(heard.place[answered]))
        drawn = _linearised(heard, max(min(trials, most) // int(answered.sum()), 1), rng, joined)
        if joined > 1 or not often_wrong(heard.scene, drawn.wrong_integer, np.ones_like(drawn.wrong_integer)):
            return drawn
    return _by_samples(heard, rng)


def _guessed(heard: TurnedPings, trials: int, rng: np.random.Generator) -> TurnedBearings:
    """What is as good as the bearings of pings that tell nothing."""
    error, wrong = rng.uniform(-np.pi, np.pi, trials), np.ones(trials, dtype=bool)
    return TurnedBearings(error, wrong, np.resize(heard.place, trials), trials)


def _linearised(heard: TurnedPings, draws: int, rng: np.random.Generator, joined: int) -> TurnedBearings:
    """So many draws of each ping that is answered, those of pings alike together.

    Where the search for integers takes little time and the directions much, these are worked out for some draws of each
    place, and for more of those whose integers are in doubt; each stands for as many as there are (double sampling for
    stratification: Neyman 1938, Journal of the American Statistical Association 33, 101-116).
    """
    pings = heard.pings.averaged(joined)
    sources = heard.pose.to_body(np.array(heard.pinger.position_m)[None])[:, 0]
    sure, others = (_SURE, _DOUBTFUL) if takes_longer(heard.scene, heard.pinger) else (len(pings.window_s) * draws,) * 2
    kinds = np.column_stack([windows_alike(pings.window_s), pings.heard])
    parts = []
    for kind in np.unique(kinds[pings.answered], axis=0):
        rows = np.flatnonzero((kinds == kind).all(axis=-1) & pings.answered)
        listener = Listener(heard.scene, heard.pinger, kind[1:] > 0, np.zeros(3))
        source, place = np.repeat(sources[rows], draws, axis=0), np.repeat(heard.place[rows], draws)
        found = listener.searched(pings, rows, source, draws, rng)
        doubtful = found.doubtful
        instead = _standing_in(2 * place + doubtful, np.where(doubtful, others, sure))
        looked, of = np.unique(instead, return_inverse=True)
        some = found.some(looked)
        told = listener.told(some.vectors, source[looked], some.turn, rng)
        worth = len(place) * max(some.doubtful.sum(), 1) / max(doubtful.sum(), 1)
        parts.append(_given(told, of, place, float(worth)))
    return TurnedBearings.joined(parts)


def _standing_in(kind: NDArray[np.intp], most: NDArray[np.intp]) -> NDArray[np.intp]:
    """For each draw (t,) one of its kind: itself, or where there are more than so many, those in turn."""
    order = np.argsort(kind, kind="stable")
    first, count = np.unique(kind[order], return_index=True, return_counts=True)[1:]
    start = np.repeat(first, count)
    instead = np.empty(len(kind), dtype=np.intp)
    instead[order] = order[start + (np.arange(len(kind)) - start) % most[order]]
    return instead


def _by_samples(heard: TurnedPings, rng: np.random.Generator) -> TurnedBearings:
    """Some draws at each place whose ping is answered."""
    rows = np.flatnonzero(heard.pings.answered)
    place, first = np.unique(heard.place[rows], return_index=True)
    pose = heard.pose.some(rows[first])
    nothing = TurnedBearings(np.zeros(0), np.zeros(0, dtype=bool), np.zeros(0, dtype=np.intp), 0.0)
    parts = told_with_noise(heard.scene, heard.pinger, pose, draws=BY_SAMPLES, rng=rng, attitude_sd=np.zeros(3))
    return TurnedBearings.joined(
        [nothing, *(_given(told, np.arange(len(at)), place[at // BY_SAMPLES], len(at)) for at, told in parts)]
    )


def _given(told: Told, of: NDArray[np.intp], place: NDArray[np.intp], worth: float) -> TurnedBearings:
    """Of draws (t,) at places that are told as some are, those with a bearing."""
    given = told.given[of]
    return TurnedBearings(told.error[of][given], told.wrong[of][given], place[given], worth * float(given.mean()))
