"""Recordings: the samples of every channel, and their files read and written without holding them in memory."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, Literal

import numpy as np
import soundfile
from numpy.typing import DTypeLike, NDArray

from acoustics.base.errors import InputError, OutputError, ParameterError
from acoustics.base.record import record
from acoustics.io.sample_files import NpySamples, SampleFile, SoundSamples, check_finite
from acoustics.io.sidecar import Sidecar, notes_beside, read_sidecar

Encoding = Literal["wav16", "wav24", "wav32", "flac16", "flac24", "npy"]
# By the name's ending: the container, as the library calls it, and the encodings that it may hold.
_CONTAINERS: dict[str, tuple[str, tuple[Encoding, ...]]] = {
    ".wav": ("WAV", ("wav16", "wav24", "wav32")),
    ".w64": ("W64", ("wav16", "wav24", "wav32")),
    ".flac": ("FLAC", ("flac16", "flac24")),
    ".npy": ("NPY", ("npy",)),
}
ENDINGS = ", ".join(_CONTAINERS)
_LARGEST_RIFF_BYTES = 0xFFFFFFFF - 1000  # its sizes are 32-bit words; the header takes some bytes of them
_SYSTEM_ERROR = 2  # of the library: the system refused, it does not say why
_RECORDER_BITS = {"wav16": 16, "wav24": 24, "wav32": 32, "flac16": 16, "flac24": 24}


@record
class Recording:
    """Samples on disk and how to turn them into volts; nothing is held in memory.

    Attributes
    ----------
    sample_rate_hz : float
        Nominal [Hz].
    full_scale_v : float
        Voltage at the end of the stored range [V]; without a sidecar 1.
    sidecar : Sidecar or None
        What the crew noted, if a sidecar stands beside the file.
    source : str
        Name of the file.
    n_samples, n_channels : int
        Samples of each channel, and channels.
    """

    sample_rate_hz: float
    full_scale_v: float
    sidecar: Sidecar | None
    source: str
    n_samples: int
    n_channels: int
    _file: SampleFile

    def volts(self, start: int = 0, stop: int | None = None, *, dtype: DTypeLike = np.float64) -> NDArray[Any]:
        """Samples from `start` to before `stop`, shape (n, n_channels), of a float type [V at the converter]."""
        first, end, _ = slice(start, stop).indices(self.n_samples)
        parts = [self._in_volts(part, dtype) for part in self._file.parts(first, end, max(end - first, 1), dtype)]
        return parts[0] if parts else np.empty((0, self.n_channels), dtype)

    def blocks(self, n: int, *, dtype: DTypeLike = np.float64) -> Iterator[NDArray[Any]]:
        """All samples in order, `n` of each channel at a time, shape (n, n_channels) [V at the converter]."""
        for part in self._file.parts(0, self.n_samples, n, dtype):
            yield self._in_volts(part, dtype)

    def _in_volts(self, part: NDArray[Any], dtype: DTypeLike) -> NDArray[Any]:
        return np.multiply(part, self.full_scale_v / self._file.full_scale, dtype=dtype, casting="unsafe")


def load_recording(path: str | Path, *, sidecar: str | Path | Sidecar | None = None) -> Recording:
    """Open a recording without reading it into memory.

    Parameters
    ----------
    path : str or Path
        WAV, RF64 (its name ends in .wav or .rf64), W64 or FLAC with integers of 16, 24 or 32 bits or floats; or NPY
        of shape (n_samples, n_channels) with 16- or 32-bit integers or floats.
    sidecar : str, Path or Sidecar, optional
        What the crew noted; default: the file of the same name that ends in .json, if there is one. NPY needs it.

    Raises
    ------
    InputError
        If a file cannot be read, is cut short, contradicts itself or its sidecar, holds no samples or samples that
        are not finite; names the file and what was expected.
    """
    path = Path(path)
    suffix = path.suffix.lower()
    if suffix not in (*_CONTAINERS, ".rf64"):
        raise InputError(str(path), "", f"a recording's name must end in {ENDINGS} or .rf64")
    noted, beside = _noted(path, sidecar)
    file: SampleFile = NpySamples.opened(path) if suffix == ".npy" else SoundSamples.opened(path)
    rate = file.sample_rate_hz
    if noted is None:
        if rate is None:
            raise InputError(str(path), "", f"has no sample rate of its own and {beside} is not beside it")
        noted_rate, volts_per_count = float(rate), None
    else:
        if len(noted.channels) != file.n_channels:
            raise InputError(
                str(path), "", f"has {file.n_channels} channels where {beside} names {len(noted.channels)}"
            )
        if rate is not None and abs(rate - noted.sample_rate_hz) > 0.5:
            raise InputError(str(path), "", f"has a rate of {rate} Hz where {beside} says {noted.sample_rate_hz:g} Hz")
        noted_rate, volts_per_count = noted.sample_rate_hz, noted.volts_per_count
    if file.is_float:
        check_finite(file)
    full_scale_v = 1.0 if volts_per_count is None else volts_per_count * file.full_scale_counts
    return Recording(noted_rate, full_scale_v, noted, str(path), file.n_samples, file.n_channels, file)


def _noted(path: Path, sidecar: str | Path | Sidecar | None) -> tuple[Sidecar | None, str]:
    """The sidecar, if there is one, and how to name it."""
    if isinstance(sidecar, Sidecar):
        return sidecar, "the sidecar"
    beside = notes_beside(path) if sidecar is None else Path(sidecar)
    return (read_sidecar(beside) if sidecar is not None or beside.exists() else None), beside.name


def choose_encoding(path: Path, recorder_bits: int, chosen: Encoding | None = None) -> Encoding:
    """The encoding for a file's name: the chosen one, or the narrowest that holds the recorder's words.

    Raises
    ------
    OutputError
        If name and encoding disagree.
    ParameterError
        If the words do not fit.
    """
    if path.suffix.lower() not in _CONTAINERS:
        raise OutputError(f"{path}: a recording's name must end in {ENDINGS}")
    _, possible = _CONTAINERS[path.suffix.lower()]
    if chosen is not None and chosen not in possible:
        raise OutputError(
            f"{path}: format {chosen} does not belong to a name that ends in {path.suffix}; "
            f"choose {', '.join(possible)}"
        )
    wide_enough = [e for e in possible if recorder_bits <= _RECORDER_BITS.get(e, 32)]
    encoding = chosen or (wide_enough or possible)[0]
    container_bits(encoding, recorder_bits)
    return encoding


def container_bits(encoding: Encoding, recorder_bits: int) -> int:
    """Bits of a stored sample.

    Raises
    ------
    ParameterError
        If the recorder's words do not fit into the integers of the encoding.
    """
    bits = _RECORDER_BITS.get(encoding, 16 if recorder_bits <= 16 else 32)
    if recorder_bits > bits:
        raise ParameterError(f"recorder.bits = {recorder_bits} do not fit into {encoding}; choose a wider format")
    return bits


def volts_per_stored(encoding: Encoding, recorder_bits: int, full_scale_v: float) -> float:
    """Volts for 1 in the file: integers fill their container from the top."""
    return float(full_scale_v / 2.0 ** (container_bits(encoding, recorder_bits) - 1))


def write_samples(
    path: Path,
    blocks: Iterable[NDArray[np.int32]],
    *,
    n_samples: int,
    n_channels: int,
    sample_rate_hz: float,
    recorder_bits: int,
    encoding: Encoding,
) -> None:
    """Write blocks of converter counts, each of shape (n, n_channels), as they come; memory holds one block.

    The ending of `path` tells the container. A WAV whose samples go beyond the 4 GiB that RIFF can count becomes RF64
    (EBU Tech 3306), under the same name.

    Raises
    ------
    ParameterError, OutputError
        Words or a rate that the encoding cannot hold.
    OSError
        If the disk refuses; `whole_file` turns it into OutputError.
    """
    bits = container_bits(encoding, recorder_bits)
    shifted = (counts << (bits - recorder_bits) for counts in blocks)
    if encoding == "npy":
        kind = np.dtype(f"<i{bits // 8}")
        with open(path, "wb") as handle:
            shape = {"descr": kind.str, "fortran_order": False, "shape": (n_samples, n_channels)}
            np.lib.format.write_array_header_1_0(handle, shape)
            for counts in shifted:
                handle.write(counts.astype(kind).tobytes())
        return
    if sample_rate_hz != int(sample_rate_hz):
        raise OutputError(
            f"sample_rate_hz={sample_rate_hz!r}: {encoding} holds whole numbers only; choose NPY or another rate"
        )
    container, _ = _CONTAINERS[path.suffix.lower()]
    if container == "WAV" and n_samples * n_channels * bits // 8 > _LARGEST_RIFF_BYTES:
        container = "RF64"
    # The library takes words from the top of 16 or 32 bits.
    kind, up = (np.dtype(np.int16), 0) if bits == 16 else (np.dtype(np.int32), 32 - bits)
    try:
        with soundfile.SoundFile(path, "w", int(sample_rate_hz), n_channels, f"PCM_{bits}", format=container) as file:
            for counts in shifted:
                file.write((counts << up).astype(kind))
    except soundfile.LibsndfileError as error:
        if error.code == _SYSTEM_ERROR:
            with open(path, "ab", buffering=0) as handle:
                handle.write(bytes(1 << 16))  # the same refusal, with its reason
            raise OSError(0, "the system refused") from None
        raise OutputError(
            f"{encoding} cannot hold {n_channels} channels at {sample_rate_hz:g} Hz: {error.error_string.rstrip('.')}"
        ) from None
