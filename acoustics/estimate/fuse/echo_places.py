"""Places by echoes as measurements of a run: what in them is new at each ping, and what all pings share."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.estimate.echoes import WRONG_SKETCH
from acoustics.io.echo_fix import LEAST_OWN_SD_M, EchoFix, EchoMode
from acoustics.io.ping import Ping

CHANNELS = 8  # errors before those of the channels, see `EchoPlaces.by`
_BURST = 2  # errors beside the sketch's that only echoes depend on: Q and carrier
_LEAST_ODDS = 1e-6  # that one ping alone may give for or against a sketch
_MOST_MODES = 6
_LEAST_WEIGHT = 0.01
# Nearer together, pings hear the same echoes again: what the model leaves out of them is the same error. A guess, some
# wavelengths: no source.
SAME_ECHOES_M = 0.25
_ONE_PLACE = 9.0  # squared distance in standard deviations of modes that tell one place


@record
class EchoPlaces:
    """Where echoes put the source seen from above, ping by ping; batch of runs (...).

    Of each mode ``place = source + by @ errors + noise``, the noise new at each ping. With the errors as unknowns that
    the pings share, their mean is no better known than the errors let it be.

    Parameters
    ----------
    place_m : ndarray, shape (..., n_pings, m, 2)
        Of each mode [m]; NaN in a ping that has none: its time differences count.
    noise_m2 : ndarray, shape (n_pings, m, 2, 2)
        Covariance of the noise [m^2].
    by : ndarray, shape (n_pings, m, 2, 8 + 4 n_hydrophones + n_site)
        How far a place is off by each error: pinger's depth, own x, y, depth [m/m], roll, pitch, heading [m/rad],
        sound speed [m per m/s]; then for one standard deviation each, the hydrophones' places, the channels' skew
        and what only echoes depend on: Q, carrier, floor and walls [m].
    depth_m : ndarray, shape (n_pings,)
        Of the pinger, as it was taken to be [m].
    misfit : ndarray, shape (n_pings, m)
        Twice the fall of each mode's log probability from the first; infinite: there is none.
    """

    place_m: Floats
    noise_m2: Floats
    by: Floats
    depth_m: Floats
    misfit: Floats

    @property
    def heard(self) -> NDArray[np.bool_]:
        """Which pings have a place, shape (n_pings,)."""
        return np.asarray(np.isfinite(self.place_m[..., 0, 0]).reshape(-1, self.place_m.shape[-3]).all(axis=0))


def usable_echoes(ping: Ping) -> bool:
    """Whether a ping has a place by echoes that says what its errors are."""
    fix = ping.echoes
    return fix is not None and fix.ok and all(mode.by_errors_m is not None for mode in fix.modes) and bool(fix.modes)


def echo_places(pings: Sequence[Ping], channels: Sequence[str], n: int) -> EchoPlaces | None:
    """Places by echoes of the pings of one run, of batch shape (), with n hydrophones, the first of them `channels`.

    Pings from one place count together as one: their noise is as many times larger as they are.

    Raises
    ------
    ParameterError
        If the numbers of errors do not fit the channels, or the site sketches have different faces.
    """
    used = [i for i, ping in enumerate(pings) if usable_echoes(ping)]
    if not used:
        return None
    fixes = {i: fix for i in used if (fix := pings[i].echoes) is not None}
    faces = {tuple(face.name for face in fix.face_offsets) for fix in fixes.values()}
    if len(faces) > 1:
        raise ParameterError("the places by echoes are of site sketches with different faces: locate with one")
    site, p = _BURST + len(faces.pop()), len(pings)
    place, noise = np.full((p, _MOST_MODES, 2), np.nan), np.tile(np.eye(2), (p, _MOST_MODES, 1, 1))
    by, misfit = np.zeros((p, _MOST_MODES, 2, CHANNELS + 4 * n + site)), np.full((p, _MOST_MODES), np.inf)
    depth = np.zeros(p)
    misfit[:, 0] = 0.0
    together = dict(zip(used, _together([pings[i] for i in used]).tolist(), strict=True))
    for i, fix in fixes.items():
        own = np.array([channels.index(name) for name in pings[i].channels])
        # Mounting of each channel along x, y, z, then each channel's skew.
        columns = np.concatenate([(3 * own[:, None] + np.arange(3)).ravel(), 3 * n + own]) + CHANNELS
        unit = np.concatenate([_standard_deviations(pings[i], fix.depth_sd_m), np.ones(site + len(columns))])
        order = np.concatenate([np.arange(CHANNELS), np.arange(-site, 0), columns])
        depth[i] = fix.depth_m
        modes = _apart(fix, len(unit), f"ping {pings[i].ping}")
        for j, mode in enumerate(modes):
            assert mode.by_errors_m is not None
            place[i, j] = mode.position_m
            misfit[i, j] = -2.0 * np.log(mode.probability / modes[0].probability) / together[i]
            noise[i, j] = (mode.covariance_m2 - mode.by_errors_m.T @ mode.by_errors_m) * together[i]
            by[i, j][:, order] = mode.by_errors_m.T / unit
        place[i, len(modes) :] = place[i, 0]
    most = int(np.isfinite(misfit).sum(axis=-1).max())
    return EchoPlaces(place[:, :most], noise[:, :most], by[:, :most], depth, misfit[:, :most])


def _together(pings: Sequence[Ping]) -> NDArray[np.intp]:
    """How many of the pings, itself included, hear the same echoes as each."""
    poses = np.array([ping.pose.position_m for ping in pings])
    return np.asarray(np.sum(np.linalg.norm(poses[:, None] - poses, axis=-1) < SAME_ECHOES_M, axis=-1))


def wrong_sketch_probability(pings: Sequence[Ping]) -> float:
    """Probability by all pings together that floor or walls are farther off the site sketch than it says; NaN: by none.

    One sketch serves all, so that what each ping's samples say for and against it multiplies, by Bayes' rule; pings
    from one place count as one, and refused ones as well.
    """
    told = [p for p in pings if p.echoes is not None and np.isfinite(p.echoes.wrong_sketch_probability)]
    if not told:
        return np.nan
    alone = np.array([p.echoes.wrong_sketch_probability for p in told if p.echoes is not None])
    log_odds = logit(np.clip(alone, _LEAST_ODDS, 1.0 - _LEAST_ODDS)) - logit(WRONG_SKETCH)
    return float(expit(logit(WRONG_SKETCH) + np.sum(log_odds / _together(told))))


def _standard_deviations(ping: Ping, depth_sd_m: float) -> Floats:
    """Of the errors that bearings depend on as well, as the place by echoes was found with them, shape (8,).

    Where one is 0 nothing depends on it.
    """
    pose = ping.pose
    own = np.maximum([pose.position_sd_m, pose.position_sd_m, pose.depth_sd_m], LEAST_OWN_SD_M)
    sd = np.array([depth_sd_m, *own, pose.roll_sd, pose.pitch_sd, pose.heading_sd, ping.sound_speed_sd_m_s])
    return np.where(sd > 0, sd, 1.0)


def _apart(fix: EchoFix, n_errors: int, source: str) -> list[EchoMode]:
    """Modes seen from above, those that tell one place taken together and those of hardly any weight left out."""
    rest = list(fix.modes)
    found: list[EchoMode] = []
    while rest and len(found) < _MOST_MODES:
        first = rest[0]
        near = [mode for mode in rest if _of_one_place(first, mode)]
        rest = [mode for mode in rest if not _of_one_place(first, mode)]
        weight = np.array([mode.probability for mode in near])
        place = np.array([mode.position_m[:2] for mode in near])
        spread = np.array([mode.covariance_m2[:2, :2] for mode in near])
        errors = [mode.by_errors_m for mode in near]
        if any(e is None or len(e) != n_errors for e in errors):
            raise ParameterError(f"echoes.modes.by_errors_m of {source}: expected {n_errors} errors in each mode")
        share = weight / weight.sum()
        mean = share @ place
        off = place - mean
        covariance = np.einsum("m,mij->ij", share, spread + off[:, :, None] * off[:, None])
        found.append(EchoMode(mean, covariance, float(weight.sum()), np.einsum("m,mei->ei", share, np.array(errors))))
    found.sort(key=lambda mode: -mode.probability)
    return [mode for mode in found if mode.probability >= _LEAST_WEIGHT]


def _of_one_place(first: EchoMode, mode: EchoMode) -> bool:
    off = (mode.position_m - first.position_m)[:2]
    return bool(off @ np.linalg.solve((first.covariance_m2 + mode.covariance_m2)[:2, :2], off) < _ONE_PLACE)
