"""What is drawn once for a recording: when pingers sound, where hydrophones truly are, what its instruments show."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.propagate.arrivals import Arrivals, arrivals
from acoustics.propagate.hull_shadow import Hull
from acoustics.propagate.readings import InstrumentReadings, draw_readings
from acoustics.propagate.render.bursts import SampleTimes, burst_span_s
from acoustics.scene.pinger import Pinger
from acoustics.scene.scene import Scene

DEFAULT_REVERBERATION_S = 20e-3
_ECHOES_OFF_S = 1e-9
_PHASE = (0.1, 0.6)  # first ping of the recording, in repetition intervals: all of the last one is then heard
_LONGEST_S = 86_400.0
_MOST_PINGS = 1_000_000


@record
class PingSeries:
    """One pinger's pings that are heard in the recording.

    Attributes
    ----------
    pinger : Pinger
        What is sent.
    start_s : ndarray, shape (n_pings,)
        When each is sent, on a true clock that is zero at the first sample [s].
    paths : Arrivals
        From the pinger to the true places of the hydrophones, shape (n_channels, n_paths).
    """

    pinger: Pinger
    start_s: Floats
    paths: Arrivals

    @property
    def direct_delay_s(self) -> Floats:
        """Travel time of the direct sound to each channel, shape (n_channels,) [s]."""
        return self.paths.delay_s[:, 0]

    @property
    def first_echo_delay_s(self) -> Floats:
        """Travel time of the first echo to each channel, shape (n_channels,) [s]; infinite where there is none."""
        late = np.where(self.paths.valid[:, 1:], self.paths.delay_s[:, 1:], np.inf)
        return late.min(axis=-1, initial=np.inf)


@record
class ChannelFaults:
    """Channels, by name of hydrophone, that are failed, of the wrong polarity, or exchanged in pairs; and dropouts.

    At a dropout the recorder loses a stretch of all channels, of `dropout_s`, and fills it with zeros; they come at
    random, `dropouts_per_s` of them in a second on average.
    """

    failed: tuple[str, ...] = ()
    inverted: tuple[str, ...] = ()
    swapped: tuple[tuple[str, str], ...] = ()
    dropouts_per_s: float = 0.0
    dropout_s: float = 5e-3

    def wiring(self, names: Sequence[str]) -> tuple[NDArray[np.intp], Floats]:
        """For each channel the hydrophone on its cable, and the factor 1, -1 or 0 of its voltage.

        Raises
        ------
        ParameterError
            A name that no hydrophone has.
        """
        for name in (*self.failed, *self.inverted, *(name for pair in self.swapped for name in pair)):
            if name not in names:
                raise ParameterError(f"no hydrophone {name!r} in the array; known: {', '.join(names)}")
        hydrophone = np.arange(len(names))
        for first, second in self.swapped:
            pair = [names.index(first), names.index(second)]
            hydrophone[pair] = hydrophone[pair[::-1]]
        factor = [0.0 if name in self.failed else -1.0 if name in self.inverted else 1.0 for name in names]
        return hydrophone, np.array(factor)


@record
class DrawnRecording:
    """A recording before it is rendered: everything that is drawn once, and seeds for what is drawn as it goes.

    Attributes
    ----------
    scene : Scene
        The truth but for what follows.
    n_samples : int
        Of each channel.
    hydrophones_m : ndarray, shape (n_channels, 3)
        True places in the body frame of the hydrophones that the channels hear [m].
    hydrophone : ndarray of int, shape (n_channels,)
        Which hydrophone each channel hears: its own unless cables are swapped.
    polarity : ndarray, shape (n_channels,)
        1, -1 where inverted, 0 where failed.
    gain : ndarray, shape (n_channels,)
        Of the channel over its nominal one.
    channel_phase : ndarray, shape (n_channels,)
        By which the channel delays the carrier [rad].
    tone_phase : ndarray, shape (n_tones, n_channels)
        Of the tones in the scene's noise [rad].
    dropouts : tuple of (int, int)
        First sample and the one after the last of each stretch that the recorder loses.
    skew_s : ndarray, shape (n_channels,)
        What each channel adds to the time of all it records [s].
    sampling_offset_s : ndarray, shape (n_channels,)
        How much later than the first a multiplexed channel is sampled [s].
    series : tuple of PingSeries
        One for each pinger.
    readings : InstrumentReadings
        What the crew knows.
    ambient_seed, self_noise_seed, jitter_seed : SeedSequence
        For what is drawn for every sample.
    """

    scene: Scene
    n_samples: int
    hydrophones_m: Floats
    hydrophone: NDArray[np.intp]
    polarity: Floats
    gain: Floats
    channel_phase: Floats
    tone_phase: Floats
    dropouts: tuple[tuple[int, int], ...]
    skew_s: Floats
    sampling_offset_s: Floats
    series: tuple[PingSeries, ...]
    readings: InstrumentReadings
    ambient_seed: np.random.SeedSequence
    self_noise_seed: np.random.SeedSequence
    jitter_seed: np.random.SeedSequence

    @property
    def channel_gain(self) -> Floats:
        """Factor of each channel's voltage, its sign included, shape (n_channels,)."""
        return self.polarity * self.gain

    @property
    def times(self) -> SampleTimes:
        """When the channels are sampled, on the true clock; a clock that is fast samples too often."""
        recorder = self.scene.recorder
        true_rate_hz = recorder.sample_rate_hz * (1 + 1e-6 * recorder.clock_error_ppm)
        return SampleTimes(1 / true_rate_hz, self.sampling_offset_s - self.skew_s)

    def without_echoes(self) -> DrawnRecording:
        """The same pings by the direct path alone."""
        return replace(self, series=tuple(replace(one, paths=_direct_only(one.paths)) for one in self.series))


def draw_recording(
    scene: Scene,
    *,
    seconds: float,
    seed: int,
    echoes: bool = True,
    reverberation_s: float = DEFAULT_REVERBERATION_S,
    faults: ChannelFaults | None = None,
) -> DrawnRecording:
    """Draw everything that a recording of a scene needs once.

    Parameters
    ----------
    scene : Scene
        The truth, and the tolerances of what is drawn.
    seconds : float
        Length of the recording [s].
    seed : int
        Of everything random. A longer recording of the same seed begins as the shorter one does.
    echoes : bool
        Whether the faces of the pool reflect.
    reverberation_s : float
        Latest echo after the direct sound [s].
    faults : ChannelFaults, optional
        What is wrong with the cables; default: nothing.

    Returns
    -------
    DrawnRecording

    Raises
    ------
    ParameterError
        A length under one sample or over a day, over a million pings, hydrophones that their tolerance puts
        outside the water, or a fault of an unknown hydrophone.
    """
    return draw_recordings(
        scene, seconds=seconds, seeds=[seed], echoes=echoes, reverberation_s=reverberation_s, faults=faults
    )[0]


def draw_recordings(
    scene: Scene,
    *,
    seconds: float,
    seeds: Sequence[int],
    echoes: bool = True,
    reverberation_s: float = DEFAULT_REVERBERATION_S,
    faults: ChannelFaults | None = None,
) -> list[DrawnRecording]:
    """As `draw_recording` for each of some seeds: the echoes of all of them are found together."""
    n_samples = _n_samples(scene, seconds)
    n, recorder = len(scene.array.hydrophones), scene.recorder
    faults = faults or ChannelFaults()
    hydrophone, polarity = faults.wiring([h.name for h in scene.array.hydrophones])
    hull = Hull.of(scene, scene.vehicle.pose, scene.array.positions_m[hydrophone])
    turns = np.arange(n) / (n * recorder.sample_rate_hz) if recorder.multiplexed else np.zeros(n)
    children = [np.random.SeedSequence(seed).spawn(6) for seed in seeds]
    once = [np.random.default_rng(child[0]) for child in children]
    moved = [rng.standard_normal((n, 3)) * scene.array.tolerances_m[:, None] for rng in once]
    places = (scene.array.positions_m + np.array(moved))[:, hydrophone]
    paths = [_paths(scene, pinger, places, hull, reverberation_s if echoes else None) for pinger in scene.pingers]
    drawn = []
    for k, ((_, pings, ambient, self_noise, jitter, electronics), rng) in enumerate(zip(children, once, strict=True)):
        skew = rng.standard_normal(n) * recorder.skew_sd_s + [h.delay_s for h in scene.array.hydrophones]
        readings, channels = draw_readings(scene, rng), np.random.default_rng(electronics)
        drawn.append(
            DrawnRecording(
                scene=scene,
                n_samples=n_samples,
                hydrophones_m=places[k],
                hydrophone=hydrophone,
                polarity=polarity,
                gain=10 ** (channels.standard_normal(n) * recorder.gain_sd_db / 20),
                channel_phase=np.deg2rad(channels.standard_normal(n) * recorder.phase_sd_deg),
                tone_phase=channels.uniform(0, 2 * np.pi, (len(scene.noise.tones), n)),
                dropouts=_draw_dropouts(faults, seconds, recorder.sample_rate_hz, channels),
                skew_s=skew,
                sampling_offset_s=turns,
                series=tuple(
                    PingSeries(pinger, np.array(_starts(pinger, of[k], seconds, child)), of[k])
                    for pinger, of, child in zip(scene.pingers, paths, pings.spawn(len(scene.pingers)), strict=True)
                ),
                readings=readings,
                ambient_seed=ambient,
                self_noise_seed=self_noise,
                jitter_seed=jitter,
            )
        )
    return drawn


def _n_samples(scene: Scene, seconds: float) -> int:
    """Of each channel; refuses lengths that hold none or too much."""
    if not 0 < seconds <= _LONGEST_S:
        raise ParameterError(f"seconds={seconds!r} must be above 0 and at most {_LONGEST_S:g}, a day")
    for pinger in scene.pingers:
        if seconds / pinger.pri_s > _MOST_PINGS:
            raise ParameterError(
                f"seconds={seconds!r} holds over {_MOST_PINGS:,} pings of {pinger.name!r}; choose a shorter recording"
            )
    n_samples = round(seconds * scene.recorder.sample_rate_hz)
    if n_samples < 1:
        raise ParameterError(f"seconds={seconds!r} must hold at least one sample")
    return n_samples


def _paths(
    scene: Scene, pinger: Pinger, hydrophones_m: Floats, hull: Hull | None, reverberation_s: float | None
) -> list[Arrivals]:
    """From a pinger to hydrophones (k, n_channels, 3) of the body frame, one each; without a reverberation no face
    reflects."""
    paths = arrivals(
        scene,
        scene.vehicle.pose.to_site(hydrophones_m if len(hydrophones_m) > 1 else hydrophones_m[0]),
        pinger.position_m,
        frequency_hz=pinger.frequency_hz,
        horizon_s=_ECHOES_OFF_S if reverberation_s is None else reverberation_s,
        hull=hull,
    )
    each = [_one_of(paths, k) for k in range(len(hydrophones_m))] if len(hydrophones_m) > 1 else [paths]
    return [_direct_only(one) for one in each] if reverberation_s is None else each


def _one_of(paths: Arrivals, k: int) -> Arrivals:
    """One element of a batch (n,)."""
    count = int(np.count_nonzero(paths.order[k] >= 0))
    return replace(
        paths,
        delay_s=paths.delay_s[k, :, :count],
        amplitude=paths.amplitude[k, :, :count],
        order=paths.order[k, :count],
        valid=paths.valid[k, :, :count],
        find_faces=lambda: paths.faces[k, :count],
    )


def _draw_dropouts(
    faults: ChannelFaults, seconds: float, sample_rate_hz: float, rng: np.random.Generator
) -> tuple[tuple[int, int], ...]:
    """Stretches that the recorder loses, in samples: a Poisson process in time."""
    for name in ("dropouts_per_s", "dropout_s"):
        if not 0 <= getattr(faults, name) < np.inf:
            raise ParameterError(f"{name}={getattr(faults, name)!r} must be 0 or more")
    if faults.dropouts_per_s * seconds > _MOST_PINGS:
        raise ParameterError(f"dropouts_per_s={faults.dropouts_per_s:g} gives over {_MOST_PINGS:,} dropouts")
    if faults.dropouts_per_s == 0:
        return ()
    times = np.sort(rng.uniform(0, seconds, rng.poisson(faults.dropouts_per_s * seconds)))
    edges = np.rint(np.stack([times, times + faults.dropout_s], axis=-1) * sample_rate_hz).astype(np.int64)
    return tuple((int(first), int(last)) for first, last in edges)


def _starts(pinger: Pinger, paths: Arrivals, seconds: float, seed: np.random.SeedSequence) -> list[float]:
    """Times of the pings any part of which is heard [s]. Those sent before the recording began may still be."""
    steady = pinger.start_jitter_s == 0
    heard = paths.delay_s if paths.valid.all() else paths.delay_s[paths.valid]
    heard_first = float(paths.delay_s[:, 0].min())
    heard_last = float(heard.max(initial=heard_first)) + burst_span_s(pinger)
    # Each way from the first ping its own numbers: longer echoes or recordings leave the others as they were.
    forward, *backward = (np.random.default_rng(child) for child in seed.spawn(1 if steady else 2))
    first = forward.uniform(*_PHASE) * pinger.pri_s
    slack = 6 * pinger.start_jitter_s
    after = max(math.ceil((seconds - heard_first + slack - first) / pinger.pri_s), 1)
    before = math.ceil((first + heard_last + slack) / pinger.pri_s)
    start = first + np.arange(-before, after) * pinger.pri_s
    if not steady:
        jitter = np.append(backward[0].standard_normal(before)[::-1], forward.standard_normal(after))
        start += pinger.start_jitter_s * jitter
    return start[(start + heard_last > 0) & (start + heard_first < seconds)].tolist()


def _direct_only(paths: Arrivals) -> Arrivals:
    """The first path alone."""
    return Arrivals(
        delay_s=paths.delay_s[:, :1],
        amplitude=paths.amplitude[:, :1],
        order=paths.order[:1],
        valid=paths.valid[:, :1],
        face_names=paths.face_names,
        horizon_s=paths.horizon_s,
        floor_db=paths.floor_db,
        find_faces=lambda: paths.faces[:1],
    )
