"""A ping taken out of a recording, and what is known of the burst that made it."""

from __future__ import annotations

from dataclasses import replace
from typing import Self

import numpy as np
from numpy.typing import NDArray

from acoustics.base.checks import checked
from acoustics.base.errors import ParameterError
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.physics.burst import Burst

# Kept for the delays: all up to twice the carrier and more, far above what the build-up holds;
# flat: halved or doubled, accuracy moves under 5 % (benchmarks/constants.py)
_SAMPLES_IN_A_CYCLE = 6.0


def thinning_factor(sample_rate_hz: float, burst: Burst) -> int:
    """One of how many samples is enough for the delays of a burst; at least 1."""
    return max(int(sample_rate_hz / (_SAMPLES_IN_A_CYCLE * (burst.frequency_hz + abs(burst.sweep_hz) / 2.0))), 1)


@record
class Segment:
    """Samples of all channels around one ping, or around each of many.

    Parameters
    ----------
    pressure : ndarray, shape (..., n_channels, n_samples)
        Samples, in one unit common to the channels, their gains equalised.
    sample_rate_hz : float
        Of each channel [Hz].
    sampling_offset_s : ndarray, shape (n_channels,), or None
        How much later than the first a multiplexed channel is sampled [s]; None: all at once.
    start_s : ndarray, shape (...), or float
        Time of sample 0 on the recording's clock [s].

    Raises
    ------
    ParameterError
        If the shapes do not fit each other.
    """

    pressure: Floats
    sample_rate_hz: float
    sampling_offset_s: Floats | None = None
    start_s: Floats | float = 0.0

    def __post_init__(self) -> None:
        pressure = np.asarray(self.pressure, dtype=float)
        if pressure.ndim < 2 or pressure.shape[-2] < 2 or pressure.shape[-1] < 1:
            raise ParameterError(
                f"pressure has shape {pressure.shape}: expected (..., n_channels, n_samples), at least 2 channels"
            )
        offset = np.zeros(pressure.shape[-2]) if self.sampling_offset_s is None else self.sampling_offset_s
        offset = checked("sampling_offset_s", offset)
        if offset.shape != pressure.shape[-2:-1]:
            raise ParameterError(f"sampling_offset_s has shape {offset.shape}: expected {pressure.shape[-2:-1]}")
        start = checked("start_s", self.start_s)
        if start.ndim and start.shape != pressure.shape[:-2]:
            raise ParameterError(f"start_s has shape {start.shape}: expected () or {pressure.shape[:-2]}")
        object.__setattr__(self, "pressure", pressure)
        object.__setattr__(self, "sampling_offset_s", offset)
        object.__setattr__(self, "start_s", start)
        object.__setattr__(self, "sample_rate_hz", float(checked("sample_rate_hz", self.sample_rate_hz, above=0.0)))

    @property
    def n_channels(self) -> int:
        """Channels."""
        return int(self.pressure.shape[-2])


@record
class AlignedSegments:
    """A flat batch of m pings, each channel about its own arrival; times count from the ping's `onset_s`.

    Parameters
    ----------
    samples : ndarray, shape (m, n_channels, n)
        In units of the noise's standard deviation, so that the noise has variance 1; 0 outside the segment.
    time_s : ndarray, shape (m, n_channels, n)
        When each sample was taken, less the first guess of the ping's arrival [s].
    held : ndarray of bool, shape (m, n_channels, n)
        Whether the segment holds the sample.
    """

    samples: Floats
    time_s: Floats
    held: NDArray[np.bool_]

    def before(self, end_s: Floats) -> Floats:
        """Weights, 1 for samples before times of shape (m, n_channels) and 0 for others, shape of `samples`."""
        return (self.held & (self.time_s < end_s[..., None])).astype(float)

    def some(self, rows: NDArray[np.intp] | slice, n_samples: int | None = None) -> Self:
        """Some of the pings, and of each channel the first samples."""
        part = rows, ..., slice(n_samples)
        arrays = {name: value[part] for name, value in vars(self).items() if isinstance(value, np.ndarray)}
        return replace(self, **arrays)


def align_segments(
    pressure: Floats,
    sample_rate_hz: float,
    offset_s: Floats,
    *,
    noise_density: Floats,
    onset_s: Floats,
    from_s: Floats,
    length_s: float,
) -> AlignedSegments:
    """Segments of each channel from a time of its own on.

    Parameters
    ----------
    pressure : ndarray, shape (m, n_channels, n_samples)
        Samples.
    sample_rate_hz, offset_s, noise_density, onset_s
        Rate, offsets (n_channels,), one-sided noise densities (m, n_channels), first guesses (m,).
    from_s : ndarray, shape (m, n_channels)
        Where to begin, less the first guess [s].
    length_s : float
        How much to keep [s].
    """
    wanted = onset_s[:, None] + from_s - offset_s
    first = np.ceil(wanted * sample_rate_hz - 1e-9).astype(np.int64)
    index = first[..., None] + np.arange(max(int(np.ceil(length_s * sample_rate_hz)), 1))
    held = (index >= 0) & (index < pressure.shape[-1])
    values = np.take_along_axis(pressure, np.clip(index, 0, pressure.shape[-1] - 1), axis=-1)
    sd = np.sqrt(noise_density * sample_rate_hz / 2.0)[..., None]
    time = index / sample_rate_hz + offset_s[:, None] - onset_s[:, None, None]
    return AlignedSegments(np.where(held, values, 0.0) / sd, time, held)
