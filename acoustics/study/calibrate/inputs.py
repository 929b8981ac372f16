"""From the lines of located pings and the places of their source to a calibration run."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from acoustics.base.errors import InputError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.estimate.calibrate import CalibrationPrior, CalibrationRun, whitening
from acoustics.io.csv_table import read_rows
from acoustics.io.ping import Ping
from acoustics.physics.tdoa import difference_matrix
from acoustics.scene.scene import Scene

_MOST_SOURCES = 60  # each brings three more unknowns
_SAME_PLACE_M = 1e-4
_COLUMNS = ("ping", "x_m", "y_m", "z_m")
_BY_PHASE = ("phase", "correlation", "phat")


@record
class SourcePlace:
    """Where the source of a ping was [m]; NaN along one axis where only the line along it is known."""

    name: str
    position_m: tuple[float, float, float]


@record
class CalibrationInput:
    """A run made of pings, with the numbers of those used and the reasons why others are not."""

    run: CalibrationRun
    prior: CalibrationPrior
    pings: tuple[int, ...]
    sources: tuple[SourcePlace, ...]
    passed_over: dict[str, int]


def read_sources(path: str | Path) -> dict[int, SourcePlace]:
    """Places of the source by number of the ping, from CSV with the columns ping, x_m, y_m, z_m and, if wanted, source.

    A blank coordinate is unknown. Pings with the same `source`, or without that column the same coordinates, are
    taken to have one source, which did not move between them.

    Raises
    ------
    InputError
        If the file cannot be read, a column is missing or a value is wrong: names the line.
    """
    places: dict[int, SourcePlace] = {}
    for row in read_rows(path, _COLUMNS, optional=("source",)):
        number = int(row.number("ping", whole=True))
        x, y, z = (row.number(key) if row.cells[key] else np.nan for key in _COLUMNS[1:])
        if np.isnan([x, y, z]).sum() > 1:
            raise row.refusal("at most one of x_m, y_m, z_m may be blank")
        if number in places:
            raise row.refusal(f"{number} is listed twice", "ping")
        name = row.cells.get("source") or ",".join("" if np.isnan(c) else f"{c:g}" for c in (x, y, z))
        places[number] = SourcePlace(name, (x, y, z))
    if not places:
        raise InputError(str(path), "", "holds no row below its header")
    return places


def calibration_input(
    pings: Sequence[Ping],
    scene: Scene,
    places: dict[int, SourcePlace] | SourcePlace,
    *,
    origin: str,
    pinger: str | None = None,
    source_sd_m: float,
    wobble_sd: float,
) -> CalibrationInput:
    """Make a run of pings.

    Parameters
    ----------
    pings : sequence of Ping
        As located. Their poses and the poses' standard deviations count, not the scene's.
    scene : Scene
        For the array's names, places and tolerances, the recorder's skew, the sound speed and the extent of the water.
    places : dict or SourcePlace
        Of the source for each ping, or one for all.
    origin : str
        Of the pings; named in refusals.
    pinger : str, optional
        Only pings of this pinger.
    source_sd_m : float
        Standard deviation of the source's place along each axis [m].
    wobble_sd : float
        Standard deviation of each pose's own attitude, beside its constant error [rad].

    Raises
    ------
    InputError
        If a channel is not in the array or stands elsewhere there, or no ping is left.
    """
    passed: dict[str, int] = {}
    used: list[tuple[Ping, SourcePlace]] = []
    for ping in pings:
        place = places if isinstance(places, SourcePlace) else places.get(ping.ping)
        reason = _why_not(ping, place, pinger)
        if reason:
            passed[reason] = passed.get(reason, 0) + 1
        elif place is not None:
            used.append((ping, place))
    if not used:
        why = "; ".join(f"{count} {reason}" for reason, count in passed.items())
        raise InputError(origin, "", f"no ping can be used{': ' + why if why else ''}")
    sources = tuple(dict.fromkeys(place for _, place in used))
    if len(sources) > _MOST_SOURCES:
        raise InputError(origin, "", f"{len(sources)} places of the source; at most {_MOST_SOURCES} are taken")
    nominal, source_sd = _nominal_sources(sources, scene, source_sd_m)
    index = np.array([sources.index(place) for _, place in used])
    return CalibrationInput(
        run=_session([ping for ping, _ in used], scene, nominal[index], index, origin),
        prior=_prior(scene, [ping for ping, _ in used], source_sd, wobble_sd),
        pings=tuple(ping.ping for ping, _ in used),
        sources=sources,
        passed_over=passed,
    )


def _why_not(ping: Ping, place: SourcePlace | None, pinger: str | None) -> str:
    if pinger is not None and ping.pinger != pinger:
        return "of another pinger"
    if place is None:
        return "without a place of the source"
    return "" if ping.can_calibrate else "without usable delays"


def _nominal_sources(sources: tuple[SourcePlace, ...], scene: Scene, source_sd_m: float) -> tuple[Floats, Floats]:
    """Places (n_sources, 3) and standard deviations: along an unknown axis the middle of the water, and its spread."""
    nominal = np.array([s.position_m for s in sources])
    sd = np.full(nominal.shape, source_sd_m)
    for k, axis in zip(*np.nonzero(np.isnan(nominal)), strict=True):
        if axis == 2:
            low, high = 0.0, float(scene.pool.floor_depth_m(np.nan_to_num(nominal[k])))
        elif scene.pool.outline_m is not None:
            outline = np.array(scene.pool.outline_m)
            low, high = float(outline[:, axis].min()), float(outline[:, axis].max())
        else:
            low, high = -np.inf, np.inf
        if not np.isfinite(high - low):
            raise InputError(sources[k].name, f"{'xyz'[axis]}_m", "may be blank only where the pool limits it")
        nominal[k, axis], sd[k, axis] = 0.5 * (low + high), (high - low) / np.sqrt(12.0)
    return nominal, sd


def _session(
    pings: list[Ping], scene: Scene, source_m: Floats, source_index: np.ndarray, origin: str
) -> CalibrationRun:
    names = [h.name for h in scene.array.hydrophones]
    n = len(names)
    times, used = np.zeros((len(pings), n)), np.zeros((len(pings), n), dtype=bool)
    white, reference = np.zeros((len(pings), n - 1, n)), np.zeros(len(pings), dtype=np.intp)
    for k, ping in enumerate(pings):
        columns = _columns(ping, names, scene.array.positions_m, origin)
        difference = difference_matrix(len(columns), ping.reference)
        white[k, : len(columns) - 1, columns] = whitening(difference, ping.tdoa_covariance_s2).T
        others = np.delete(columns, ping.reference)
        times[k, others], used[k, columns], reference[k] = ping.tdoa_s, True, columns[ping.reference]
    new_pose = [0, *(a.pose != b.pose for a, b in zip(pings[:-1], pings[1:], strict=True))]
    return CalibrationRun(
        times_s=times,
        whitening=white,
        used=used,
        reference=reference,
        cycle_s=np.array([1 / p.frequency_hz if p.method in _BY_PHASE else np.inf for p in pings]),
        turn=np.array([p.pose.pose.rotation for p in pings]),
        place_m=np.array([p.pose.position_m for p in pings]),
        source_m=source_m,
        source_index=source_index,
        pose_index=np.cumsum(new_pose),
    )


def _columns(ping: Ping, names: list[str], positions_m: Floats, origin: str) -> np.ndarray:
    """Index in the array of each channel of a ping."""
    where = f"{origin}: ping {ping.ping}"
    for channel in ping.channels:
        if channel not in names:
            raise InputError(
                where, "channels", f"{channel!r} is not a hydrophone of the array; it has {', '.join(names)}"
            )
    columns = np.array([names.index(channel) for channel in ping.channels])
    if len(set(columns.tolist())) < len(columns):
        raise InputError(where, "channels", "holds a name twice")
    apart = np.linalg.norm(ping.hydrophones_m - positions_m[columns], axis=-1)
    if apart.max() > _SAME_PLACE_M:
        worst = int(np.argmax(apart))
        raise InputError(
            where,
            "hydrophones_m",
            f"{ping.channels[worst]!r} stands {1e3 * apart[worst]:.1f} mm from its place in the scenario's array; give "
            "the scenario that the recording was located with",
        )
    return columns


def _prior(scene: Scene, pings: list[Ping], source_sd: Floats, wobble_sd: float) -> CalibrationPrior:
    """The largest standard deviation of each kind that navigation gives stands for all poses."""
    poses = [ping.pose for ping in pings]
    place = np.array([[p.position_sd_m, p.position_sd_m, p.depth_sd_m] for p in poses]).max(axis=0)
    return CalibrationPrior(
        hydrophones_m=scene.array.positions_m,
        element_sd_m=scene.array.tolerances_m,
        delay_sd_s=max(scene.recorder.timing_sd_s(ping.frequency_hz) for ping in pings),
        sound_speed_m_s=scene.sound_speed_m_s,
        sound_speed_sd_m_s=scene.sound_speed_sd_m_s,
        rotation_sd=np.array([[p.roll_sd, p.pitch_sd, p.heading_sd] for p in poses]).max(axis=0),
        source_sd_m=source_sd,
        place_sd_m=place,
        wobble_sd=np.full(3, wobble_sd),
    )
