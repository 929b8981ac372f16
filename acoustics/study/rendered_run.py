"""One run past a pinger, rendered sample by sample and located with a site sketch, as a crew would have it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from acoustics.accuracy.error_sizes import error_sizes_of
from acoustics.base.frames import Floats, wrap_angle
from acoustics.io.ping import Ping
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene
from acoustics.study.draws import SimulatedVehicle
from acoustics.study.locate import heard_ping
from acoustics.study.simulate import drawn_sketch

_LARGEST_SEED = 2**63


def rendered_run(scene: Scene, pinger: Pinger, path_m: Floats, rng: np.random.Generator) -> list[Ping]:
    """The pings of a run, each with its place by echoes where one was sought; those not heard are left out.

    Parameters
    ----------
    scene : Scene
        The water as it is, and all that the vehicle knows with the errors of the scenario's standard deviations: array,
        instruments, navigation and site sketch, drawn once for the run.
    pinger : Pinger
        Where it truly is.
    path_m : ndarray, shape (n_pings, 3)
        Where the vehicle is sent for each ping, from its place in the scene [m]; it heads as there.
    rng : Generator
        Source of randomness.

    Notes
    -----
    As `simulate` makes recordings: Q and carrier are those of the data sheet, and nothing but the faces of the pool
    reflects.
    """
    vehicle = SimulatedVehicle(scene, error_sizes_of(scene, pinger), rng)
    sketch, array_seed, held = drawn_sketch(scene, rng), int(rng.integers(_LARGEST_SEED)), scene.vehicle.pose
    pings = []
    for k, place in enumerate(path_m):
        vehicle.go(place, np.inf)
        vehicle.heading = float(np.asarray(held.heading))
        pose, noise_seed = vehicle.true_pose(), np.random.SeedSequence(int(rng.integers(_LARGEST_SEED)))
        if not scene.pool.contains(pose.to_site(scene.array.positions_m)).all():
            continue
        there = _noted(pose.position_m, pose.roll, pose.pitch, pose.heading)
        here = scene.model_copy(update={"pingers": (pinger,), "vehicle": scene.vehicle.model_copy(update=there)})
        ping = heard_ping(
            here,
            _noted(vehicle.believed_m, held.roll, held.pitch, held.heading),
            array_seed=array_seed,
            noise_seed=noise_seed,
            at_s=k * pinger.pri_s,
            site=sketch,
        )
        pings += [] if ping is None else [replace(ping, ping=k + 1)]
    return pings


def _noted(place_m: ArrayLike, roll: ArrayLike, pitch: ArrayLike, heading: ArrayLike) -> dict[str, Any]:
    """A pose by the keys of a scene's vehicle, and of the notes."""
    angles = zip(("roll", "pitch", "heading"), (roll, pitch, heading), strict=True)
    turned = {f"{name}_deg": float(np.rad2deg(wrap_angle(angle))) for name, angle in angles}
    return {"position_m": tuple(np.asarray(place_m).tolist()), **turned}
