"""Bearings and positions by pings with their echoes, as the vehicle's own estimators will find them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acoustics.accuracy.ambiguity import LARGEST_DIMENSION
from acoustics.base.frames import Floats, Pose
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws.blind import BlindPings
from acoustics.study.draws.listener import Listener
from acoustics.study.draws.noisy_pings import hear_with_noise
from acoustics.study.draws.told_positions import BlindBearings, with_positions

_WIDE_CYCLES, _TAKES_LONGER = 3.0, 3  # an array's extent from which on integers and distances take long to weigh
# Share of wrong integers from which on, and 2 E / N0 up to which, onsets are found whole cycles off, which linearised
# noise does not know; and at most so many draws of each ping are then put through the estimator as samples.
_OFTEN, _WEAK, BY_SAMPLES = 0.02, 100.0, 4


def draw_blind_bearings(
    scene: Scene,
    pinger: Pinger,
    pings: BlindPings,
    pose: Pose,
    *,
    draws: int,
    rng: np.random.Generator,
    attitude_sd: ArrayLike = (0.0, 0.0, 0.0),
) -> BlindBearings:
    """Draw noise, mounting, skew and sound speed for pings whose echoes are known, and ask the vehicle's estimators.

    Parameters
    ----------
    scene : Scene
        For its array and the sizes of all errors.
    pinger : Pinger
        The source.
    pings : BlindPings
        Of m places.
    pose : Pose
        Of the vehicle there, batch shape (m,).
    draws : int
        For each ping.
    rng : Generator
        Source of randomness.
    attitude_sd : array_like, shape (3,)
        Of roll, pitch and heading [rad]: the vehicle's for the bearing in the site, zeros for that from the bow.

    Returns
    -------
    BlindBearings
        Of noise as the estimator states it; where integers are then wrong in over 2 %, and for bursts under 20 dB on
        arrays over a wavelength wide, of samples with noise (`hear_with_noise`), which takes some ten times as long:
        fewer draws for each ping.
    """
    attitude = np.asarray(attitude_sd, dtype=float)
    if not onsets_go_astray(scene, pinger, pings):
        drawn = _draw_linearised(scene, pinger, pings, pose, draws, rng, attitude)
        if not often_wrong(scene, drawn.wrong_integer, np.isfinite(drawn.error)):
            return drawn
    return hear_with_noise(scene, pinger, pose, draws=min(draws, BY_SAMPLES), rng=rng, attitude_sd=attitude)


def onsets_go_astray(scene: Scene, pinger: Pinger, pings: BlindPings) -> bool:
    """Whether linearised noise says too little: integers are searched over a wide array, and most of the pings that are
    measured are bursts so weak that onsets are found whole cycles off."""
    ratio = pings.energy_ratio_2e_n0[pings.answered]
    weak = bool(len(ratio) and np.median(ratio) < _WEAK)
    return weak and _searched(scene) and width_cycles(scene, pinger) > 1.0


def often_wrong(scene: Scene, wrong_integer: NDArray[np.bool_], given: NDArray[np.bool_]) -> bool:
    """Whether so many of the draws that are given have wrong integers that linearised noise says too little."""
    return _searched(scene) and bool((wrong_integer & given).sum() > _OFTEN * given.sum())


def _searched(scene: Scene) -> bool:
    return len(scene.array.hydrophones) <= LARGEST_DIMENSION + 1


def _draw_linearised(
    scene: Scene,
    pinger: Pinger,
    pings: BlindPings,
    pose: Pose,
    draws: int,
    rng: np.random.Generator,
    attitude_sd: Floats,
) -> BlindBearings:
    """Draws of shape (m, draws), noise being as the estimator states it; those of pings alike are made together."""
    sources = pose.to_body(np.array(pinger.position_m)[None])[:, 0]
    number = np.arange(len(sources) * draws).reshape(-1, draws)
    parts = []
    kinds = np.column_stack([pings.window_s, pings.heard])
    for kind in np.unique(kinds[pings.answered], axis=0):
        rows = np.flatnonzero((kinds == kind).all(axis=-1) & pings.answered)
        listener = Listener(scene, pinger, kind[1:] > 0, attitude_sd)
        told = listener.draw(pings, rows, np.repeat(sources[rows], draws, axis=0), draws, rng)
        parts.append((number[rows].reshape(-1), told))
    return with_positions(parts, (len(sources), draws))


def draws_each(scene: Scene, pinger: Pinger, most: int) -> int:
    """Draws for each ping: `most`, or a third of it where a line's cone or a wide array's integers take three times as
    long."""
    return most // _TAKES_LONGER if takes_longer(scene, pinger) else most


def takes_longer(scene: Scene, pinger: Pinger) -> bool:
    """Whether directions of the array's pings take long to weigh."""
    return width_cycles(scene, pinger) > _WIDE_CYCLES or scene.array.rank == 1


def width_cycles(scene: Scene, pinger: Pinger) -> float:
    """The array's extent in wavelengths."""
    return scene.array.diagonal_m * pinger.frequency_hz / scene.sound_speed_m_s
