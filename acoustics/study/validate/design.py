"""The pings that an estimator is tried on: bearing sectors, ranges, SNRs, and echoes on and off, drawn by seed."""

from __future__ import annotations

import re
import secrets
from collections.abc import Sequence
from itertools import product
from math import gcd

import numpy as np

from acoustics.accuracy.link_budget import link_budget
from acoustics.base.errors import ParameterError, SceneError
from acoustics.base.frames import Floats, Pose, bearing_and_depression, wrap_angle
from acoustics.base.record import record
from acoustics.physics.levels import power_ratio_db
from acoustics.propagate.sight import in_sight
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene

SECTORS = ("ahead", "starboard", "astern", "port")  # each of 90 degrees, about the bow, the beams and the stern
MOST_TRIALS = 1_000_000
_OWN_RANGE_SHARES = (0.25, 0.5, 1.0)
_OWN_SNR_STEPS_DB = (-10.0, 0.0, 10.0)
_STEEPEST = 1.02  # a range this much longer than the drop to the pinger still has a horizontal part
_STRONGEST_DB = 300.0  # or weakest, far beyond what any water holds
_GOLDEN = 0.618
_PLACES_TRIED = 256
_NEGLIGIBLE = 1e-9  # of a bearing [rad]; without roll and pitch at once
_HEADING_STEPS = 4  # each shrinks what roll and pitch add to the bearing by the sine of their angle


@record
class Design:
    """Which pings are sounded; every combination of the levels is one cell, and trials go round the cells.

    Attributes
    ----------
    range_m : tuple of float
        From the pinger to the centre of the array [m].
    energy_ratio_db : tuple of float
        ``2 E / N0`` of the whole direct burst at one hydrophone [dB]; the source level is set for it.
    echoes : tuple of bool
        Whether the pool's faces reflect.
    trials : int
        Pings in all.
    seed : int
        Of everything drawn; trial k has a child of it to itself.
    secret : str
        Hexadecimal digits drawn with the seed, or nothing. Whoever knows scenario, seed and secret can work out the
        truth, so a program that is scored must be able to read no more than two of them.
    """

    range_m: tuple[float, ...]
    energy_ratio_db: tuple[float, ...]
    echoes: tuple[bool, ...]
    trials: int
    seed: int
    secret: str = ""

    @property
    def entropy(self) -> list[int]:
        """What everything is drawn from."""
        return [self.seed, int(self.secret, 16)] if self.secret else [self.seed]

    @property
    def cells(self) -> list[tuple[str, float, float, bool]]:
        """Sector, range, SNR and echoes of every cell, in the order in which trials go round them.

        In strides of about the golden ratio, so that trials too few for all cells still spread over each of the four.
        With a secret that order is drawn from it: a program that counts its pings is not to know the sector.
        """
        cells = list(product(SECTORS, self.range_m, self.energy_ratio_db, self.echoes))
        if not self.secret:
            stride = max(1, round(_GOLDEN * len(cells)))
            while gcd(stride, len(cells)) > 1:
                stride += 1
            return [cells[k * stride % len(cells)] for k in range(len(cells))]
        rng = np.random.default_rng(np.random.SeedSequence(self.entropy, spawn_key=(0, 0)))
        return [cells[k] for k in rng.permutation(len(cells))]


@record
class Trial:
    """One ping of the design; `number` counts from 1. Bearing and depression [rad] are the truth, from the array's
    centre in the body frame; `recording_seed` is of everything else that is drawn for it."""

    number: int
    sector: str
    range_m: float
    energy_ratio_db: float
    echoes: bool
    source_level_db: float
    position_m: tuple[float, float, float]
    heading: float
    bearing: float
    depression: float
    recording_seed: int


def chosen_secret(given: str | None, *, of_program: bool) -> str:
    """The secret given; else 128 bits that nobody knows for a program, which could read the seed, or nothing."""
    if given is not None:
        return given
    return secrets.token_hex(16) if of_program else ""


def choose_design(
    scene: Scene,
    pinger: Pinger,
    *,
    trials: int,
    seed: int,
    range_m: Sequence[float] = (),
    energy_ratio_db: Sequence[float] = (),
    echoes: Sequence[bool] = (False, True),
    secret: str = "",
) -> Design:
    """A design with what is not given taken from the scene.

    Parameters
    ----------
    scene, pinger
        Ranges by default: the vehicle's own distance from the pinger, its half and its quarter. SNRs by default: what
        the vehicle's own place has, in whole decibels, and 10 dB less and more.
    trials : int
        Pings in all, from 1 to a million.
    seed : int
        Of everything drawn.
    range_m, energy_ratio_db, echoes : sequence
        Levels, as in `Design`.
    secret : str
        As in `Design`.

    Raises
    ------
    ParameterError
        For a secret that is not up to 64 hexadecimal digits, a number of trials out of range, a level given twice, an
        energy ratio beyond 300 dB, or a range no longer than the drop to the pinger.
    """
    if not re.fullmatch(r"[0-9a-fA-F]{0,64}", secret):
        raise ParameterError(f"secret={secret!r}: expected up to 64 hexadecimal digits")
    if not 1 <= trials <= MOST_TRIALS:
        raise ParameterError(f"trials={trials} must be from 1 to {MOST_TRIALS:,}")
    centre = scene.vehicle.pose.to_site(scene.array.positions_m).mean(axis=0)
    own_m = float(np.linalg.norm(centre - pinger.position_m))
    drop_m = abs(float(centre[2]) - pinger.position_m[2])
    if not range_m:
        range_m = [r for share in _OWN_RANGE_SHARES if (r := round(share * own_m, 1)) > _STEEPEST * drop_m]
    if not energy_ratio_db:
        own_db = round(float(power_ratio_db(link_budget(scene, pinger, own_m).energy_ratio_2e_n0)))
        energy_ratio_db = [own_db + step for step in _OWN_SNR_STEPS_DB]
    for name, levels in (("range_m", range_m), ("energy_ratio_db", energy_ratio_db), ("echoes", echoes)):
        if not levels or len(set(levels)) < len(levels):
            raise ParameterError(f"{name}={tuple(levels)} must be one or more levels, each once")
    for ratio in energy_ratio_db:
        if not abs(ratio) <= _STRONGEST_DB:
            raise ParameterError(f"energy ratio {ratio:g} dB: must be from {-_STRONGEST_DB:g} to {_STRONGEST_DB:g} dB")
    for level in range_m:
        if not _STEEPEST * drop_m < level < np.inf:
            raise ParameterError(
                f"range {level:g} m: must be over the {drop_m:.2f} m from the array's depth to the pinger's"
            )
    return Design(tuple(map(float, range_m)), tuple(map(float, energy_ratio_db)), tuple(echoes), trials, seed, secret)


def draw_trial(scene: Scene, pinger: Pinger, design: Design, number: int) -> Trial:
    """Trial `number`, from 1, of a design; it needs no other to be drawn before it.

    The vehicle stands at its own depth in a direction from the pinger drawn at random among those where the whole
    array is wet and in the pinger's sight, and turned so that the pinger appears at a bearing drawn within the sector.
    Roll and pitch are the scene's.

    Raises
    ------
    ParameterError
        If no place at that range is in the water.
    """
    sector, range_m, energy_ratio_db, echoes = design.cells[(number - 1) % len(design.cells)]
    place, drawn = np.random.SeedSequence(design.entropy, spawn_key=(number,)).spawn(2)
    rng = np.random.default_rng(place)
    wanted = np.pi / 2 * (SECTORS.index(sector) + rng.uniform(-0.5, 0.5))
    waypoints, heading = _turned_places(scene, pinger, range_m, float(wanted), rng)
    hydrophones = scene.vehicle.pose_at(waypoints, heading).to_site(scene.array.positions_m)
    wet = np.all(scene.pool.contains(hydrophones), axis=-1) & scene.pool.contains(waypoints)
    wet[wet] = in_sight(scene, hydrophones[wet], pinger.position_m).all(axis=-1)
    if not wet.any():
        raise SceneError(
            f"range {range_m:g} m: no place around {pinger.name!r} has the whole array in the water and in its sight"
        )
    first = int(np.argmax(wet))
    pose = scene.vehicle.pose_at(waypoints[first], heading[first])
    bearing, depression = bearing_and_depression(
        pose.to_body([pinger.position_m])[0] - scene.array.positions_m.mean(axis=0)
    )
    louder_db = energy_ratio_db - power_ratio_db(link_budget(scene, pinger, range_m).energy_ratio_2e_n0)
    x, y, z = waypoints[first].tolist()
    return Trial(
        number=number,
        sector=sector,
        range_m=range_m,
        energy_ratio_db=energy_ratio_db,
        echoes=echoes,
        source_level_db=float(pinger.source_level_db + louder_db),
        position_m=(x, y, z),
        heading=float(heading[first]),
        bearing=float(bearing),
        depression=float(depression),
        recording_seed=int.from_bytes(drawn.generate_state(4).tobytes(), "little"),
    )


def trial_pose(scene: Scene, trial: Trial) -> Pose:
    """The vehicle's true pose in a trial."""
    return scene.vehicle.pose_at(np.array(trial.position_m), trial.heading)


def _turned_places(
    scene: Scene, pinger: Pinger, range_m: float, bearing: float, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Vehicle positions (n, 3) [m] and headings (n,) [rad] from which the pinger has a range and a bearing."""
    middle = scene.array.positions_m.mean(axis=0)
    depth = scene.vehicle.position_m[2]
    around = rng.uniform(-np.pi, np.pi, _PLACES_TRIED)
    heading = around + np.pi - bearing
    source = np.array(pinger.position_m)
    for _ in range(_HEADING_STEPS):
        # The array's centre, from the vehicle's origin, at this heading; then the origin that puts it at the range.
        offset = scene.vehicle.pose_at(np.zeros(3), heading).to_site(middle[None])[:, 0]
        drop = source[2] - depth - offset[:, 2]
        reach = np.sqrt(np.maximum(range_m**2 - drop**2, 0.0))
        level = source[:2] + reach[:, None] * np.column_stack([np.cos(around), np.sin(around)]) - offset[:, :2]
        waypoints = np.column_stack([level, np.full(_PLACES_TRIED, depth)])
        sight = scene.vehicle.pose_at(waypoints, heading).to_body(source[None])[:, 0] - middle
        excess = wrap_angle(bearing_and_depression(sight)[0] - bearing)
        if np.abs(excess).max() < _NEGLIGIBLE:
            break
        heading = heading + excess
    return waypoints, heading
