"""The questions in the water: a recording written, calibrated pings, several pings fused to one position."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from acoustics.api.choices import chosen_seed
from acoustics.base.errors import ParameterError
from acoustics.estimate.fuse import navigated_track, track_of_pings
from acoustics.io.navigation import read_navigation
from acoustics.io.ping import Ping
from acoustics.scene.scene import Scene
from acoustics.study.calibrate import CalibratedArray, SourcePlace, calibrate_from_pings, calibration_input
from acoustics.study.fuse import FusedRun, RunErrors, errors_of_run, fuse_run
from acoustics.study.simulate import SimulatedRecording, simulate_recording


def simulate(
    scene: Scene,
    path: str | Path,
    *,
    pings: int | None = None,
    seconds: float | None = None,
    echoes: bool = True,
    seed: int | None = None,
    force: bool = False,
) -> SimulatedRecording:
    """Record the scene's pingers on its array into `path` (.wav, .npy), with notes and truth in files beside it.

    The recording lasts `pings` intervals of the first pinger (3 by default) or `seconds`.
    """
    return simulate_recording(
        scene,
        Path(path),
        seed=chosen_seed(scene, seed),
        pings=3 if pings is None and seconds is None else pings,
        seconds=seconds,
        echoes=echoes,
        force=force,
    )


def fuse(
    pings: Iterable[Ping],
    *,
    scene: Scene | None = None,
    pinger: str | None = None,
    navigation: str | Path | None = None,
    heading_bias_sd_deg: float | None = None,
    drift_sd_m_per_root_m: float | None = None,
    log_scale_sd: float | None = None,
    sound_speed_sd_m_s: float | None = None,
    dead_reckoned: bool | None = None,
    by_echoes: bool = False,
) -> FusedRun:
    """One position from several pings, and the station that it belongs to.

    Parameters
    ----------
    pings : iterable of Ping
        In the order of listening, such as what `locate` or `read_pings` gives, or several of them joined.
    scene : Scene, optional
        For the water's outline, the stations and the vehicle's dead reckoning.
    pinger : str, optional
        Which one; needed where the pings are of several.
    navigation : str or Path, optional
        CSV of poses over the pings' time; by default the poses that stand in the pings.
    heading_bias_sd_deg : float, optional
        Part of the heading's deviation that lasts; by default the scene's, else all of it.
    drift_sd_m_per_root_m, log_scale_sd : float, optional
        Of dead reckoning: after 1 m, growing with the root, and relative of the log; by default the scene's, else 0.02
        and 0.01.
    sound_speed_sd_m_s : float, optional
        In the place of the pings' own [m/s].
    dead_reckoned : bool, optional
        Whether compass and velocity log made the places one from the other, so that the heading's error turned the way
        between them, or each was measured by itself; by default with `navigation`, or where an error of dead reckoning
        is given.
    by_echoes : bool
        Whether places by echoes count, which `locate` finds with a site sketch (experimental); they rest on the poses
        in the pings, so `navigation` must be None.

    Raises
    ------
    ParameterError
        If there is no ping, they are of several pingers or arrays, or none is of the one named.
    """
    run = _of_one_pinger(list(pings), pinger)
    if by_echoes and navigation is not None:
        raise ParameterError("by_echoes: places by echoes rest on the poses in the pings; leave out navigation")
    if navigation is None:
        track = track_of_pings(run)
    else:
        run = sorted(run, key=lambda ping: ping.time_s)
        track = navigated_track(read_navigation(navigation), [ping.time_s for ping in run])
    given = RunErrors(heading_bias_sd_deg, drift_sd_m_per_root_m, log_scale_sd, sound_speed_sd_m_s, dead_reckoned)
    errors = errors_of_run(run, scene, given, navigated=navigation is not None)
    return fuse_run(run, track, errors, scene, by_echoes=by_echoes).drawn_over(scene)


def _of_one_pinger(pings: list[Ping], name: str | None) -> list[Ping]:
    names = sorted({ping.pinger for ping in pings})
    if not pings:
        raise ParameterError("pings: there is none to fuse")
    if name is None and len(names) > 1:
        raise ParameterError(f"pinger: the pings are of several, {', '.join(names)}; name one")
    if name is not None and name not in names:
        raise ParameterError(f"pinger: no ping of {name!r}; known: {', '.join(names)}")
    return [ping for ping in pings if name is None or ping.pinger == name]


def calibrate(
    scene: Scene,
    pings: Sequence[Ping],
    source_m: tuple[float, float, float] | Mapping[int, SourcePlace],
    *,
    pinger: str | None = None,
    source_sd_m: float = 0.05,
    wobble_sd_deg: float = 0.5,
) -> CalibratedArray:
    """Where the hydrophones are and how late each channel is, from pings of a source whose place is known.

    Parameters
    ----------
    scene : Scene
        What is known of the array beforehand.
    pings : sequence of Ping
        Heard under several headings.
    source_m : (x, y, z) or mapping of ping number to SourcePlace
        Where the source was, site frame [m].
    source_sd_m, wobble_sd_deg : float
        Of the source's place [m], and of the vehicle's attitude from pose to pose.
    """
    places = dict(source_m) if isinstance(source_m, Mapping) else SourcePlace("source", source_m)
    given = calibration_input(
        list(pings),
        scene,
        places,
        origin="pings",
        pinger=pinger,
        source_sd_m=source_sd_m,
        wobble_sd=math.radians(wobble_sd_deg),
    )
    return calibrate_from_pings(scene, given)
