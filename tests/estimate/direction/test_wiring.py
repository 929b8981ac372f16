"""Swapped and inverted channels: what several pings together tell of them, and what none can tell."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest

from acoustics.base.frames import direction
from acoustics.estimate.direction.wiring import WiringMemory, wiring_odds
from acoustics.estimate.tdoa import OnsetMisfit, Tdoa
from acoustics.physics.tdoa import difference_matrix, plane_wave_time

CUBE = np.array([[x, y, z] for x in (0, 0.024) for y in (0, 0.024) for z in (0, 0.024)])
SQUARE = CUBE[[0, 2, 6, 4]]
# Of the shape of a hull: 27 cycles long, so that inverted or not some integers fit the phases.
WIDE = np.array([[0.35, -0.2, 0.1], [0.35, 0.2, 0.1], [-0.35, 0.2, 0.1], [-0.35, -0.2, 0.3]])
FREQUENCY, SPEED, SD = 30e3, 1480.0, 3e-7
STRAIGHT = np.array([0.9, 0.3])


def memory(hydrophones, change, *, pings=3, onset_sd_cycles=0.15, angles=STRAIGHT, window_s=1e-3, shared=None):
    """What some pings from one side tell whose arrival times, by phase and by envelope, `change` spoils.

    With `shared`, a seed, the errors of all pings are alike.
    """
    n, rng = len(hydrophones), np.random.default_rng(1)
    told, names = WiringMemory(), [f"h{k}" for k in range(n)]
    d, mounting = difference_matrix(n), 2e-4 / SPEED
    period = 1.0 / FREQUENCY
    for _ in range(pings):
        rng = rng if shared is None else np.random.default_rng(shared)
        times = plane_wave_time(hydrophones, direction(*angles), SPEED) + SD * rng.standard_normal(n)
        phase, start = change(times)
        start = start + onset_sd_cycles * period * rng.standard_normal(n)
        whole = np.rint((d @ (start - phase)) / period)
        delays = Tdoa(d @ phase + whole * period, SD**2 * d @ d.T)
        envelope = Tdoa(d @ start, (onset_sd_cycles * period) ** 2 * d @ d.T)
        told.add(
            partial(
                wiring_odds, delays, envelope, _misfit(start, delays, onset_sd_cycles), hydrophones, mounting**2 * d @ d.T, SPEED, 0.0,
                FREQUENCY, names, window_s=window_s,
            )
        )  # fmt: skip
    told.catch_up()
    return told


def _misfit(start, delays, sd_cycles):
    """Of normal onsets: squares about where each was, in steps of a cycle over the number of channels."""
    n = len(start)
    none = OnsetMisfit.none(1, n)
    kept = np.append(0.0, delays.tdoa_s)
    off = (start - start.mean() - (kept - kept.mean())) * FREQUENCY
    moves = (np.arange(none.steps.shape[-1]) - none.steps.shape[-1] // 2) / n
    return OnsetMisfit(none.cycles, ((moves - off[:, None]) ** 2 / sd_cycles**2)[None])


def inverted(k):
    return lambda t: (np.where(np.arange(len(t)) == k, t + 0.5 / FREQUENCY, t), t)


def swapped(i, j):
    def change(t):
        t = t.copy()
        t[[i, j]] = t[[j, i]]
        return t, t

    return change


def as_noted(t):
    return t, t


@pytest.mark.parametrize("k", [0, 3, 7])
def test_a_cube_names_its_inverted_channel(k):
    assert memory(CUBE, inverted(k)).suspected == ((f"h{k}",),)


@pytest.mark.parametrize("pair", [(0, 5), (2, 7)])
def test_a_cube_names_its_swapped_channels(pair):
    # 0-5 and 2-7 are parallel diagonals of opposite faces: a direction may be found for which either swap fits.
    found = memory(CUBE, swapped(*pair)).suspected
    assert tuple(f"h{k}" for k in pair) in found
    assert set(found) <= {("h0", "h5"), ("h2", "h7")}


@pytest.mark.parametrize("k", [0, 1, 3])
def test_build_ups_tell_the_polarity_where_the_phases_of_a_wide_array_do_not(k):
    """Onsets known to a quarter of half a cycle: three pings tell; known to a cycle, or bent by early echoes, none."""
    assert memory(WIDE, inverted(k), onset_sd_cycles=0.12).suspected == ((f"h{k}",),)
    for untold in ({"onset_sd_cycles": 1.0}, {"onset_sd_cycles": 0.4, "window_s": 0.2e-3}):
        vague = memory(WIDE, inverted(k), **untold)
        assert vague.suspected == () and (f"h{k}",) in vague.not_excluded


def test_a_wide_array_names_its_swapped_channels():
    assert ("h0", "h2") in memory(WIDE, swapped(0, 2), onset_sd_cycles=0.3).suspected


@pytest.mark.parametrize(
    "array", [CUBE, SQUARE, WIDE, SQUARE[:3], SQUARE[:2]], ids=["cube", "square", "wide", "3", "2"]
)
def test_sound_channels_raise_no_suspicion(array):
    assert memory(array, as_noted, pings=8, onset_sd_cycles=0.3).suspected == ()


def test_an_exchange_that_a_reflection_undoes_is_told_by_no_ping():
    """Diagonals of a square: the mirrored direction fits as well, however many pings there are."""
    both = (("h0", "h2"), ("h1", "h3"))
    assert memory(SQUARE, as_noted, pings=12).not_excluded == both
    assert memory(SQUARE, swapped(0, 2), pings=12).not_excluded == both


def told_by(*pings):
    told = WiringMemory()
    for odds in pings:
        told.add(partial(dict, odds))
    return told


def test_one_ping_of_a_few_counts_for_no_more_than_a_few():
    swap, inversion = ("a", "b"), ("a",)
    assert told_by({swap: 900.0}).suspected == ()  # and is not looked at, as studies hear many recordings of one
    assert told_by({swap: 900.0}).n_pings == 0
    assert told_by({swap: 900.0}, {swap: -1.0}).suspected == ()
    assert told_by({swap: 900.0, inversion: 6.0}, {swap: 900.0, inversion: 6.0}).suspected == (swap,)


def test_a_channel_that_is_deaf_for_a_ping_does_not_make_the_others_forgotten():
    told = told_by({("a", "b"): 9.0, ("b",): -9.0}, {("b",): -9.0}, {("a", "b"): 9.0, ("b",): -9.0})
    assert told.suspected == (("a", "b"),)
    quiet = told_by({("a", "b"): 0.0, ("b",): -9.0}, {("b",): -9.0})
    quiet.consider(["a", "b"])
    assert set(quiet.not_excluded) == {("a", "b"), ("a",)}  # of 'a' alone no ping told anything


def test_a_sound_ping_waits_to_be_looked_at_until_the_answer_is_out_and_a_suspected_one_does_not():
    told = told_by({("a",): -9.0}, {("a",): -9.0})
    told.catch_up()
    told.add(partial(dict, {("a",): 900.0}))
    assert told.suspected == () and len(told.waiting) == 1
    doubtful = told_by({("a",): 6.0})
    doubtful.catch_up()
    doubtful.add(partial(dict, {("a",): 6.0}))
    assert doubtful.suspected == (("a",),) and not doubtful.waiting


def test_errors_that_all_pings_from_one_place_share_do_not_add_up():
    """Sixteen pings of the same errors, which alone say little; by their sum half of such runs would be refused."""
    runs = [memory(WIDE, as_noted, pings=16, onset_sd_cycles=0.7, shared=seed) for seed in range(30)]
    assert all(told.suspected == () for told in runs)
    assert all(told.not_excluded for told in runs)
