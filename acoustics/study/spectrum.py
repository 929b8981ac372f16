"""What a recording holds, before anything is taken for granted: noise, tones, and the pingers that are heard."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np

from acoustics.base.checks import checked
from acoustics.base.errors import InputError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.base.result import Result
from acoustics.estimate.detect import samples_at_the_ends
from acoustics.estimate.spectrum import (
    MeasuredBurst,
    NoiseSpectrum,
    band_densities,
    find_bursts,
    measure_bursts,
    noise_spectrum,
    steady_tones,
)
from acoustics.io.recording import load_recording
from acoustics.io.sidecar import Sidecar, notes_beside, read_sidecar
from acoustics.io.streams import SampleStream, stream_recording
from acoustics.physics.levels import power_ratio_db, spherical_spreading_loss_db
from acoustics.scene.scene import Scene
from acoustics.study.simulate import sidecar_of_scene

_MOST_SAMPLES = 100_000_000  # of all channels, 400 MB
_SAME_PINGER_HZ = 500.0  # transducers hold their frequency to some ten hertz; a neighbour is a kilohertz off
# Behind of the last when samples are read; noise, bursts found and measured, spectrogram done: to a factor of two.
_BEHIND = (0, 6, 9, 11, 14)
_MOST_HEARD = 12
_BLOCK = 1 << 18
_COLUMNS, _ROWS = 900, 256  # of the spectrogram's picture


@record
class MeasuredTone:
    """A steady tone, such as a motor controller's; `level_db` is rms, the channels' median."""

    frequency_hz: float
    level_db: float


@record
class MeasuredPinger:
    """Bursts of one frequency, measured; NaN for what they do not tell.

    `name` is the pinger's of that frequency in the notes, empty if there is none. `level_db`, shape (n_channels,), is
    rms over the burst's length, echoes in it included, `direct_level_db` that of the direct sound once built up;
    `source_level_db` follows from that and a stated range by spherical spreading.
    `length_s` is that of the burst without its echoes, `q_sd` the standard deviation of `q`, `pri_sd_s` how far pings
    stray from a steady clock; `noise_density_db` is the channels' median at its frequency. `early_echo`: an echo came
    while the burst built up; one is allowed for in `q` and `direct_level_db`, and more may bend them.
    """

    name: str
    frequency_hz: float
    n_pings: int
    level_db: Floats
    direct_level_db: Floats
    over_noise_db: float
    noise_density_db: float
    length_s: float
    q: float
    q_sd: float
    pri_s: float
    pri_sd_s: float
    source_level_db: float
    early_echo: bool


@record
class Spectrum(Result):
    """What was measured in a recording; all figures are measurements, none is a bound or a prediction.

    `reference` is what levels are relative to: 1 uPa by the notes' sensitivity and gain, or the recorder's full scale.
    `band_hz` are third-octave bands, `noise_density_db`, shape (n_channels, n_bands), their density without tones and
    bursts, and `converter_density_db`, shape (n_channels,), that of the converters, below which a recording shows none;
    `peak_share`, shape (n_channels,), is the largest sample over full scale, NaN where that is not known, and
    `clipped_share`, of the same shape, of the samples at the ends of the range.
    """

    source: str
    from_s: float
    seconds: float
    sample_rate_hz: float
    channels: tuple[str, ...]
    reference: str
    peak_share: Floats
    clipped_share: Floats
    band_hz: Floats
    noise_density_db: Floats
    converter_density_db: Floats
    tones: tuple[MeasuredTone, ...]
    pingers: tuple[MeasuredPinger, ...]


@record
class Spectrogram:
    """For the picture: the channels' mean density, `level_db` of shape (n_frequencies, n_times)."""

    time_s: Floats
    frequency_hz: Floats
    level_db: Floats


def spectrum(
    recording: str | Path,
    notes: str | Path | Sidecar | Scene | None = None,
    *,
    from_s: float = 0.0,
    seconds: float = 30.0,
    range_m: float | None = None,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> Spectrum:
    """Noise, tones and pingers of a recording.

    Parameters
    ----------
    recording : str or Path
        A file that `load_recording` reads; CSV and NPY need notes.
    notes : str, Path, Sidecar or Scene, optional
        Sensitivity, gain and names; by default the file beside it, of the same name with .json, if there is one.
    from_s, seconds : float
        Where to begin, and how much to look at [s].
    range_m : float, optional
        From the pinger to the array [m]: gives its source level.
    progress : callable
        Told how much of how much is behind.

    Raises
    ------
    InputError
        If recording or notes cannot be read or do not fit each other, or hold too little.
    """
    path = Path(recording)
    known = _known(path, notes)
    checked("from_s", from_s, minimum=0.0)
    checked("seconds", seconds, above=0.0)
    spreading_db = np.nan if range_m is None else float(spherical_spreading_loss_db(range_m))
    stream = _stream(path, known)
    rate = stream.sample_rate_hz
    samples = _samples(stream, from_s, seconds)
    progress(_BEHIND[0], _BEHIND[-1])
    noise = noise_spectrum(samples, rate)
    progress(_BEHIND[1], _BEHIND[-1])
    to_db = _references_db(known, stream)
    band_hz, density = band_densities(noise)
    trains = find_bursts(samples, rate)[:_MOST_HEARD]
    progress(_BEHIND[2], _BEHIND[-1])
    full_scale = np.nan if stream.full_scale_v is None else stream.full_scale_v
    result = Spectrum(
        source=stream.source,
        from_s=float(from_s),
        seconds=samples.shape[-1] / rate,
        sample_rate_hz=rate,
        channels=_names(known, len(samples)),
        reference="full scale" if known is None else "1 uPa",
        peak_share=np.abs(samples).max(axis=-1) / full_scale,
        clipped_share=samples_at_the_ends(samples, stream.full_scale_v) / samples.shape[-1],
        band_hz=band_hz,
        noise_density_db=power_ratio_db(density) + to_db[:, None],
        converter_density_db=power_ratio_db(max(noise.converter_density, 1e-300)) + to_db,
        tones=tuple(
            MeasuredTone(tone.frequency_hz, float(np.median(power_ratio_db(tone.mean_square) + to_db)))
            for tone in steady_tones(noise)
        ),
        pingers=tuple(
            _heard(measure_bursts(samples, rate, train), train.over_noise_db, noise, known, to_db, spreading_db)
            for train in trains
        ),
    )
    progress(_BEHIND[3], _BEHIND[-1])
    drawn = result.drawn_over(_spectrogram(samples, rate, float(from_s), float(to_db.mean())))
    progress(_BEHIND[-1], _BEHIND[-1])
    return drawn


def _heard(
    burst: MeasuredBurst,
    over_noise_db: float,
    noise: NoiseSpectrum,
    known: Sidecar | None,
    to_db: Floats,
    spreading_db: float,
) -> MeasuredPinger:
    near = np.abs(noise.frequency_hz - burst.frequency_hz) < 0.05 * burst.frequency_hz
    direct_level_db = power_ratio_db(burst.direct_mean_square) + to_db
    names = () if known is None else known.pingers
    named = [p for p in names if abs(p.frequency_hz - burst.frequency_hz) < _SAME_PINGER_HZ + abs(p.sweep_hz) / 2]
    named.sort(key=lambda p: abs(p.frequency_hz - burst.frequency_hz))
    return MeasuredPinger(
        name=named[0].name if named else "",
        frequency_hz=burst.frequency_hz,
        n_pings=burst.n_pings,
        level_db=power_ratio_db(burst.mean_square) + to_db,
        direct_level_db=direct_level_db,
        over_noise_db=over_noise_db,
        noise_density_db=float(np.median(power_ratio_db(np.median(noise.density[:, near], axis=-1)) + to_db)),
        length_s=burst.length_s,
        q=burst.q,
        q_sd=burst.q_sd,
        pri_s=burst.pri_s,
        pri_sd_s=burst.pri_sd_s,
        source_level_db=float(np.median(direct_level_db)) + spreading_db,
        early_echo=burst.early_echo,
    )


def _known(path: Path, notes: str | Path | Sidecar | Scene | None) -> Sidecar | None:
    if isinstance(notes, Scene):
        return sidecar_of_scene(notes)
    if notes is None:
        beside = notes_beside(path)
        return read_sidecar(beside) if beside.exists() else None
    return notes if isinstance(notes, Sidecar) else read_sidecar(notes)


def _names(known: Sidecar | None, n_channels: int) -> tuple[str, ...]:
    return tuple(c.name for c in known.channels) if known else tuple(f"{k}" for k in range(1, n_channels + 1))


def _references_db(known: Sidecar | None, stream: SampleStream) -> Floats:
    """What to add to 20 log10 of a channel's volts, shape (n_channels,)."""
    if known is None:
        return np.full(stream.n_channels, -20.0 * np.log10(stream.full_scale_v or 1.0))
    return -np.array([c.sensitivity_db_re_v_per_upa for c in known.channels]) - known.gain_db


def _stream(path: Path, known: Sidecar | None) -> SampleStream:
    if known is not None:
        return stream_recording(path, known)
    if path.suffix.lower() == ".csv":
        raise InputError(str(path), "", "has no sample rate of its own and no notes beside it: give a sidecar")
    opened = load_recording(path)

    def blocks() -> Iterator[np.ndarray]:
        for volts in opened.blocks(_BLOCK, dtype=np.float32):
            yield volts.T

    return SampleStream(
        blocks(), opened.n_channels, opened.sample_rate_hz, opened.full_scale_v, opened.source, opened.n_samples
    )


def _samples(stream: SampleStream, from_s: float, seconds: float) -> Floats:
    """The part to look at, shape (n_channels, n) of single precision [V]."""
    first = round(from_s * stream.sample_rate_hz)
    wanted = min(round(seconds * stream.sample_rate_hz), _MOST_SAMPLES // stream.n_channels)
    parts, at = [], 0
    for block in stream.blocks:
        parts.append(block[:, max(first - at, 0) : first + wanted - at])
        at += block.shape[-1]
        if at >= first + wanted:
            break
    samples = np.concatenate([np.empty((stream.n_channels, 0), np.float32), *parts], axis=-1)
    if samples.shape[-1] < 0.05 * stream.sample_rate_hz:
        raise InputError(
            stream.source,
            "",
            f"holds {samples.shape[-1] / stream.sample_rate_hz:.3g} s from {from_s:g} s on; a spectrum takes 0.05 s "
            "at least",
        )
    if not np.any(np.ptp(samples, axis=-1)):
        raise InputError(stream.source, "", "every channel holds one value throughout: nothing was recorded")
    return samples


def _spectrogram(samples: Floats, rate: float, from_s: float, to_db: float) -> Spectrogram:
    """The loudest of each stretch of time and band that the picture's cells hold, so that no ping is lost."""
    from scipy import signal  # here, for it takes as long to load as the rest of a short command

    segment = 2 * _ROWS
    density = np.zeros(())
    for channel in samples:
        frequency, time, power = signal.spectrogram(
            channel, rate, "hann", nperseg=segment, noverlap=segment // 2, detrend=False
        )
        density = density + power / len(samples)
    edges = np.unique(np.linspace(0, len(time), _COLUMNS + 1).astype(int))
    pooled = np.array([density[:, a:b].max(axis=-1) for a, b in pairwise(edges)]).T
    floor = float(pooled.max()) * 1e-15
    return Spectrogram(from_s + time[edges[:-1]], frequency, power_ratio_db(np.maximum(pooled, floor)) + to_db)
