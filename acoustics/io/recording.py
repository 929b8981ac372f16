"""Recordings: the samples of every channel, and their files read and written without holding them in memory."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from tokenize import TokenError
from typing import Any, Literal

import numpy as np
from numpy.typing import DTypeLike, NDArray

from acoustics.base.errors import InputError, ParameterError
from acoustics.io.sidecar import Sidecar, read_sidecar
from acoustics.io.wav import read_wav_header, wav_header

Encoding = Literal["wav16", "wav24", "wav32f", "npy"]
LARGEST_SAMPLE = 1e10  # counts of 32 bits stored as floats stay below
_CHECKED_AT_ONCE = 1 << 18


@dataclass(frozen=True)
class Recording:
    """Samples on disk and how to turn them into volts.

    Attributes
    ----------
    stored : ndarray, shape (n_samples, n_channels), or (n_samples, n_channels, 3) of bytes for 24-bit samples
        As stored, mapped from the file and not held in memory.
    sample_rate_hz : float
        Nominal [Hz].
    volts_per_count : float
        Volts for 1 in `stored`; without a sidecar such that the full scale is 1.
    sidecar : Sidecar or None
        What the crew noted, if a sidecar stands beside the file.
    source : str
        Name of the file.
    full_scale : float
        Value in `stored` at the end of its range.
    """

    stored: NDArray[Any]
    sample_rate_hz: float
    volts_per_count: float
    sidecar: Sidecar | None
    source: str
    full_scale: float

    @property
    def n_samples(self) -> int:
        """Samples of each channel."""
        return int(self.stored.shape[0])

    @property
    def n_channels(self) -> int:
        """Channels."""
        return int(self.stored.shape[1])

    @property
    def full_scale_v(self) -> float:
        """Voltage at the end of the stored range [V]."""
        return self.full_scale * self.volts_per_count

    def volts(self, start: int = 0, stop: int | None = None, *, dtype: DTypeLike = np.float64) -> NDArray[Any]:
        """Samples from `start` to before `stop`, shape (n, n_channels), of a float type [V at the converter]."""
        return self._in_volts(np.asarray(self.stored[start:stop]), dtype)

    def blocks(self, n: int, *, dtype: DTypeLike = np.float64) -> Iterator[NDArray[Any]]:
        """All samples in order, `n` of each channel at a time, shape (n, n_channels) [V at the converter]."""
        for part in _parts(self.stored, n):
            yield self._in_volts(part, dtype)

    def _in_volts(self, part: NDArray[Any], dtype: DTypeLike) -> NDArray[Any]:
        if part.ndim == 3:
            # Three bytes into the upper three of a 32-bit integer: the sign comes along.
            wide = np.zeros((*part.shape[:2], 4), dtype=np.uint8)
            wide[..., 1:] = part
            part = wide.view("<i4")[..., 0] >> 8
        return np.multiply(part, self.volts_per_count, dtype=dtype, casting="unsafe")


def load_recording(path: str | Path, *, sidecar: str | Path | Sidecar | None = None) -> Recording:
    """Open a WAV or NPY recording without reading it into memory.

    Parameters
    ----------
    path : str or Path
        WAV with 16-, 24- or 32-bit integers or 32-bit floats, or NPY of shape (n_samples, n_channels) with 16- or
        32-bit integers or floats.
    sidecar : str, Path or Sidecar, optional
        What the crew noted; default: the file of the same name that ends in .json, if there is one. NPY needs it.

    Raises
    ------
    InputError
        If a file cannot be read, is cut short, contradicts itself or its sidecar, holds no samples or samples that
        are not finite; names the file and what was expected.
    """
    path = Path(path)
    noted, beside = _noted(path, sidecar)
    if path.suffix.lower() == ".npy":
        stored, rate, full_scale = _map_npy(path), None, 1.0
        if np.issubdtype(stored.dtype, np.integer):
            full_scale = float(np.iinfo(stored.dtype).max) + 1
    elif path.suffix.lower() == ".wav":
        stored, rate, full_scale = _map_wav(path)
    else:
        raise InputError(str(path), "", "a recording's name must end in .wav or .npy")
    if noted is None:
        if rate is None:
            raise InputError(str(path), "", f"has no sample rate of its own and {beside} is not beside it")
        noted_rate, volts_per_count = float(rate), 1.0 / full_scale
    else:
        if len(noted.channels) != stored.shape[1]:
            raise InputError(
                str(path), "", f"has {stored.shape[1]} channels where {beside} names {len(noted.channels)}"
            )
        if rate is not None and abs(rate - noted.sample_rate_hz) > 0.5:
            raise InputError(str(path), "", f"has a rate of {rate} Hz where {beside} says {noted.sample_rate_hz:g} Hz")
        noted_rate, volts_per_count = noted.sample_rate_hz, noted.volts_per_count or 1.0 / full_scale
    _check_finite(stored, str(path))
    return Recording(stored, noted_rate, volts_per_count, noted, str(path), full_scale)


def _noted(path: Path, sidecar: str | Path | Sidecar | None) -> tuple[Sidecar | None, str]:
    """The sidecar, if there is one, and how to name it."""
    if isinstance(sidecar, Sidecar):
        return sidecar, "the sidecar"
    beside = path.with_suffix(".json") if sidecar is None else Path(sidecar)
    return (read_sidecar(beside) if sidecar is not None or beside.exists() else None), beside.name


def choose_encoding(path: Path, recorder_bits: int, chosen: Encoding | None = None) -> Encoding:
    """The encoding for a file's name: the chosen one, or the narrowest that holds the recorder's words.

    Raises
    ------
    ParameterError
        If name and encoding disagree, or the words do not fit.
    """
    suffix = path.suffix.lower()
    if suffix not in (".wav", ".npy"):
        raise ParameterError(f"{path}: a recording's name must end in .wav or .npy")
    if chosen is not None and (chosen == "npy") != (suffix == ".npy"):
        raise ParameterError(f"{path}: the name of a file in format {chosen} must end in .{chosen[:3]}")
    widths: tuple[tuple[int, Encoding], ...] = ((16, "wav16"), (24, "wav24"), (32, "wav32f"))
    narrowest = next(name for bits, name in widths if recorder_bits <= bits)
    encoding = chosen or ("npy" if suffix == ".npy" else narrowest)
    container_bits(encoding, recorder_bits)
    return encoding


def container_bits(encoding: Encoding, recorder_bits: int) -> int:
    """Bits of a stored sample.

    Raises
    ------
    ParameterError
        If the recorder's words do not fit into the integers of the encoding.
    """
    bits = {"wav16": 16, "wav24": 24, "wav32f": 32, "npy": 16 if recorder_bits <= 16 else 32}[encoding]
    if encoding in ("wav16", "wav24") and recorder_bits > bits:
        raise ParameterError(f"recorder.bits = {recorder_bits} do not fit into {encoding}; choose a wider format")
    return bits


def volts_per_stored(encoding: Encoding, recorder_bits: int, full_scale_v: float) -> float:
    """Volts for 1 in the file: integers fill their container from the top, floats are shares of the full scale."""
    return full_scale_v if encoding == "wav32f" else full_scale_v / 2.0 ** (container_bits(encoding, recorder_bits) - 1)


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

    Raises
    ------
    ParameterError, OutputError
        Words or a rate that the encoding cannot hold, or too long a file.
    OSError
        If the disk refuses; `whole_file` turns it into OutputError.
    """
    bits = container_bits(encoding, recorder_bits)
    is_float = encoding == "wav32f"
    kind = np.dtype("<f4" if is_float else "<i2" if bits == 16 else "<i4")
    with open(path, "wb") as handle:
        if encoding == "npy":
            shape = {"descr": kind.str, "fortran_order": False, "shape": (n_samples, n_channels)}
            np.lib.format.write_array_header_1_0(handle, shape)
        else:
            handle.write(
                wav_header(
                    n_samples=n_samples,
                    n_channels=n_channels,
                    sample_rate_hz=sample_rate_hz,
                    bits=bits,
                    is_float=is_float,
                )
            )
        for counts in blocks:
            if is_float:
                stored = (counts / 2.0 ** (recorder_bits - 1)).astype(kind)
            else:
                stored = (counts << (bits - recorder_bits)).astype(kind)
            if bits == 24:
                stored = np.ascontiguousarray(stored).view(np.uint8).reshape(*stored.shape, 4)[..., :3]
            handle.write(stored.tobytes())
        if encoding != "npy" and n_samples * n_channels * bits // 8 % 2:
            handle.write(b"\0")


def _map_wav(path: Path) -> tuple[NDArray[Any], int, float]:
    """Samples, rate and the value of full scale."""
    header = read_wav_header(path)
    n_samples = header.data_bytes * 8 // (header.bits * header.n_channels)
    if header.bits == 24:
        shape: tuple[int, ...] = (n_samples, header.n_channels, 3)
        stored = np.memmap(path, np.uint8, "r", header.data_offset, shape)
    else:
        kind = "<f4" if header.is_float else f"<i{header.bits // 8}"
        stored = np.memmap(path, kind, "r", header.data_offset, (n_samples, header.n_channels))
    return stored, header.sample_rate_hz, 1.0 if header.is_float else 2.0 ** (header.bits - 1)


def _map_npy(path: Path) -> NDArray[Any]:
    source = str(path)
    try:
        stored = np.load(path, mmap_mode="r", allow_pickle=False)
    except OSError as error:
        raise InputError(source, "", f"cannot be read: {(error.strerror or str(error)).lower()}") from None
    except (ValueError, EOFError, SyntaxError, OverflowError, TokenError) as error:
        text = str(error).splitlines()[0] if str(error) else "its header is wrong"
        cut = "mmap length" in text or "EOF" in text
        raise InputError(source, "", "is cut short" if cut else f"is not a usable NPY file: {text}") from None
    if stored.ndim != 2:
        raise InputError(source, "", f"has shape {stored.shape}; expected (n_samples, n_channels)")
    if stored.size == 0:
        raise InputError(source, "", "holds no samples")
    if stored.dtype.newbyteorder("=") not in (np.int16, np.int32, np.float32, np.float64):
        raise InputError(source, "", f"holds {stored.dtype} samples; expected int16, int32, float32 or float64")
    return stored


def _parts(stored: NDArray[Any], n: int) -> Iterator[NDArray[Any]]:
    """Samples as stored, `n` at a time. Read, not mapped: the pages of a map would pile up in memory."""
    if not isinstance(stored, np.memmap) or not stored.flags.c_contiguous or stored.filename is None:
        for start in range(0, len(stored), n):
            yield np.asarray(stored[start : start + n])
        return
    with open(stored.filename, "rb") as handle:
        handle.seek(stored.offset)
        for start in range(0, len(stored), n):
            count = min(n, len(stored) - start) * int(np.prod(stored.shape[1:]))
            yield np.fromfile(handle, stored.dtype, count).reshape(-1, *stored.shape[1:])


def _check_finite(stored: NDArray[Any], source: str) -> None:
    """Refuse floats that are no numbers or whose square single precision cannot hold, a part of the file at a time."""
    if not np.issubdtype(stored.dtype, np.floating):
        return
    start = 0
    for part in _parts(stored, _CHECKED_AT_ONCE):
        wrong = ~(np.abs(part) <= LARGEST_SAMPLE)
        if wrong.any():
            sample, channel = np.argwhere(wrong)[0]
            finite = np.isfinite(part[sample, channel])
            problem = f"is over {LARGEST_SAMPLE:g}" if finite else "is not a finite number"
            raise InputError(source, "", f"sample {start + sample} of channel {channel + 1} {problem}")
        start += len(part)
