"""The pings of a whole recording at once, from its file or from samples in memory."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import overload

import numpy as np
from numpy.typing import ArrayLike

from acoustics.base.checks import checked
from acoustics.base.errors import InputError, ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.base.result import Result
from acoustics.base.toml_tables import validated
from acoustics.estimate.locate import LocateOptions, PingerTally, Tally, UnknownSound, first_pings
from acoustics.estimate.locate import locate as locate_stream
from acoustics.io.ping import Ping
from acoustics.io.sidecar import Sidecar, notes_beside, read_sidecar
from acoustics.io.site_sketch import SiteSketch, read_sketch
from acoustics.io.streams import SampleStream, stream_recording
from acoustics.propagate.render import DrawnRecording, draw_recording, render
from acoustics.scene.array import Array
from acoustics.scene.scene import Scene
from acoustics.study.simulate import sidecar_of, sidecar_of_scene, with_array

# Fresh water at 0 degC to sea water at 30 degC, 1403 to 1546 m/s (see `physics.sound_speed`), at two deviations.
UNKNOWN_SPEED_M_S, UNKNOWN_SPEED_SD_M_S = 1475.0, 36.0
_LENGTH_SHARE = 0.1  # of the strongest power: the burst is what stands above it
_CYCLES_SMOOTHED = 8
_BEFORE_S, _AFTER_S = 0.12, 0.08  # samples rendered about a ping: noise to judge it by, and its echoes


@record
class LocatedPings(Result, Sequence[Ping]):
    """The pings of a recording in the order of time, to be indexed and looped over, and what else was counted.

    `wiring_untold` has the other wirings of the channels that the pings do not exclude: by one name, that channel is
    inverted; by two, they are swapped. `clipped_share` is the largest of a channel's samples at the ends of its range.
    """

    source: str
    seconds: float
    pings: tuple[Ping, ...]
    pingers: tuple[PingerTally, ...]
    flags: tuple[str, ...]
    unknown: tuple[UnknownSound, ...] = ()
    wiring_untold: tuple[tuple[str, ...], ...] = ()
    clipped_share: float = 0.0

    @overload
    def __getitem__(self, index: int) -> Ping: ...

    @overload
    def __getitem__(self, index: slice) -> tuple[Ping, ...]: ...

    def __getitem__(self, index: int | slice) -> Ping | tuple[Ping, ...]:
        return self.pings[index]

    def __len__(self) -> int:
        return len(self.pings)


def locate(
    recording: str | Path,
    notes: str | Path | Sidecar | Scene | None = None,
    *,
    array: Array | None = None,
    method: str = "phase",
    pingers: Sequence[str] = (),
    sound_speed_m_s: float | None = None,
    false_alarms_per_hour: float = 1.0,
    site: str | Path | SiteSketch | None = None,
) -> LocatedPings:
    """Find the pings in a recording: time differences, bearing, position.

    Parameters
    ----------
    recording : str or Path
        A file that `stream_recording` reads.
    notes : str, Path, Sidecar or Scene, optional
        What the crew knows of it; by default the file beside it, of the same name with .json.
    array : Array, optional
        A calibrated array in place of the notes'.
    method : {"phase", "correlation", "phat", "onset"}
        How the time differences are found.
    pingers : sequence of str
        Only these; none: all in the notes.
    sound_speed_m_s : float, optional
        Instead of the one in the notes.
    false_alarms_per_hour : float
        At most, in each pinger's band, in noise alone.
    site : str, Path or SiteSketch, optional
        What the crew knows of the pool: each ping then has a place by its echoes too (experimental).

    Raises
    ------
    InputError
        If recording or notes cannot be read or do not fit each other.
    ParameterError
        For a pinger that the notes do not name, or a channel that the array does not have.
    """
    path = Path(recording)
    known = _notes(path, notes)
    if sound_speed_m_s is not None:
        known = known.model_copy(update={"sound_speed_m_s": float(sound_speed_m_s)})
    if array is not None:
        known = with_array(known, array)
    sketch = site if site is None or isinstance(site, SiteSketch) else read_sketch(site)
    options = LocateOptions(method, tuple(pingers), false_alarms_per_hour, sketch)
    return _all(stream_recording(path, known), known, options)


def bearings(
    samples: ArrayLike,
    *,
    sample_rate_hz: float,
    frequency_hz: float,
    positions_m: ArrayLike,
    sound_speed_m_s: float | None = None,
    length_s: float | None = None,
    pri_s: float | None = None,
    method: str = "phase",
) -> LocatedPings:
    """Bearings of the pings in an array of samples.

    Parameters
    ----------
    samples : array_like, shape (n_channels, n_samples)
        In one unit common to the channels, their gains equalised; some noise before the ping.
    sample_rate_hz : float
        Of each channel [Hz].
    frequency_hz : float
        Of the pinger [Hz].
    positions_m : array_like, shape (n_channels, 3)
        Hydrophones, forward, starboard, down [m].
    sound_speed_m_s : float, optional
        None: anywhere from cold fresh to warm salt water, 1475 m/s +- 36, which the stated deviations then hold.
    length_s : float, optional
        Of the burst [s]; None: measured, as long as its power stays above a tenth of its largest.
    pri_s : float, optional
        Interval from ping to ping [s]; None: the samples hold one ping, and what follows it counts as its echoes.
    method : {"phase", "correlation", "phat", "onset"}
        How the time differences are found.

    Raises
    ------
    ParameterError
        If a shape or a value is wrong, or the samples are too short to hold a ping.
    """
    volts = checked("samples", samples)
    places = checked("positions_m", positions_m)
    rate = float(checked("sample_rate_hz", sample_rate_hz, above=0.0))
    carrier = float(checked("frequency_hz", frequency_hz, above=0.0))
    if volts.ndim != 2 or places.shape != (len(volts), 3):
        raise ParameterError(
            f"samples {volts.shape} and positions_m {places.shape}: expected (n_channels, n_samples) and "
            "(n_channels, 3)"
        )
    table = {
        "sample_rate_hz": rate,
        "channels": [{"name": f"h{k}", "position_m": place} for k, place in enumerate(places.tolist(), 1)],
        "pingers": [
            {
                "name": "pinger",
                "frequency_hz": carrier,
                "length_s": _burst_length_s(volts, rate, carrier) if length_s is None else float(length_s),
                "pri_s": volts.shape[1] / rate if pri_s is None else float(pri_s),
            }
        ],
        "sound_speed_m_s": UNKNOWN_SPEED_M_S if sound_speed_m_s is None else float(sound_speed_m_s),
        "sound_speed_sd_m_s": UNKNOWN_SPEED_SD_M_S if sound_speed_m_s is None else 0.0,
    }
    blocks: Iterator[np.ndarray] = iter([volts.astype(np.float32)])
    stream = SampleStream(blocks, len(volts), rate, None, "samples", volts.shape[1])
    try:
        return _all(stream, validated(Sidecar, table, "bearings"), LocateOptions(method))
    except InputError as error:
        raise ParameterError(str(error)) from None


def first_ping(drawn: DrawnRecording, notes: Sidecar, site: SiteSketch | None = None) -> Ping | None:
    """The whole path of `pingfix locate` over a recording, rendered as it is heard; of several pings the first."""
    return first_pings([(stream_of(drawn), notes)], LocateOptions(site=site))[0]


def stream_of(drawn: DrawnRecording) -> SampleStream:
    """The samples of a recording, rendered as they are asked for [V]."""
    recorder = drawn.scene.recorder
    volts_per_count = recorder.full_scale_v / 2.0 ** (recorder.bits - 1)
    blocks = ((counts.T * volts_per_count).astype(np.float32, order="C") for counts in render(drawn))
    return SampleStream(
        blocks, len(drawn.skew_s), recorder.sample_rate_hz, recorder.full_scale_v, drawn.scene.title, drawn.n_samples
    )


def heard_ping(
    scene: Scene,
    believed: dict[str, object],
    *,
    array_seed: int,
    noise_seed: np.random.SeedSequence,
    at_s: float,
    site: SiteSketch | None = None,
) -> Ping | None:
    """What `locate` makes of the samples about a ping sent at a time; None where it hears none.

    The scene's vehicle is where it truly is, `believed` is its pose as the notes have it. Array and instruments are
    those of `array_seed`, what is new at each ping is of `noise_seed`. With a site sketch it has a place by its echoes.
    """
    ambient, own, jitter = noise_seed.spawn(3)
    drawn = draw_recording(scene, seconds=_BEFORE_S + _AFTER_S, seed=array_seed)
    (series,) = drawn.series
    start = _BEFORE_S - float(series.direct_delay_s.min())
    drawn = replace(
        drawn,
        series=(replace(series, start_s=np.array([start])),),
        ambient_seed=ambient,
        self_noise_seed=own,
        jitter_seed=jitter,
    )
    notes = sidecar_of(drawn, "wav16" if scene.recorder.bits <= 16 else "wav32")
    notes = notes.model_copy(update={"pose": notes.pose.model_copy(update=believed)})
    found = first_ping(drawn, notes, site)
    return None if found is None else replace(found, time_s=found.time_s + at_s - start)


def _all(stream: SampleStream, notes: Sidecar, options: LocateOptions) -> LocatedPings:
    tally = Tally()
    pings = tuple(locate_stream(stream, notes, options, tally=tally))
    return LocatedPings(
        stream.source,
        tally.seconds,
        pings,
        tally.pingers,
        tuple(tally.flags),
        tally.unknown,
        tally.wiring_untold,
        tally.clipped_share,
    )


def _notes(recording: Path, notes: str | Path | Sidecar | Scene | None) -> Sidecar:
    if isinstance(notes, Sidecar):
        return notes
    if isinstance(notes, Scene):
        return sidecar_of_scene(notes)
    beside = notes_beside(recording) if notes is None else Path(notes)
    if notes is None and not beside.exists():
        raise InputError(str(recording), "", f"has no notes: {beside} is not there, and none are given")
    return read_sidecar(beside)


def _burst_length_s(samples: Floats, rate: float, frequency_hz: float) -> float:
    """How long the power at the carrier stays above a tenth of its largest, round that [s]."""
    width = max(int(_CYCLES_SMOOTHED * rate / frequency_hz), 1)
    if samples.shape[1] <= 2 * width:
        raise ParameterError(f"samples: {samples.shape[1]} a channel are too short to hold a ping")
    turned = samples * np.exp(-2j * np.pi * frequency_hz / rate * np.arange(samples.shape[1]))
    sums = np.cumsum(turned, axis=-1)
    power = np.sum(np.abs(sums[:, width:] - sums[:, :-width]) ** 2, axis=0)
    peak = int(np.argmax(power))
    low = np.flatnonzero(power < _LENGTH_SHARE * power[peak])
    begin = low[low < peak].max(initial=0)
    end = low[low > peak].min(initial=len(power))
    return float(max(end - begin, width)) / rate
