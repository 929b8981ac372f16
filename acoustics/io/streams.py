"""Samples of a recording in blocks as they come: from files, or raw integers from a pipe."""

from __future__ import annotations

import os
import warnings
from collections.abc import Iterator
from io import BufferedIOBase
from pathlib import Path
from typing import Any, BinaryIO, Literal

import numpy as np
from numpy.typing import NDArray

from acoustics.base.errors import InputError
from acoustics.base.record import record
from acoustics.io.recording import load_recording
from acoustics.io.sample_files import LARGEST_SAMPLE
from acoustics.io.sidecar import Sidecar

Singles = NDArray[np.float32]
RawKind = Literal["int16", "int32", "uint16", "uint32"]
_BLOCK = 1 << 16
_JUDGED = 1 << 12  # samples by which the order of bytes is judged
_CSV_BYTES = 1 << 20
_LARGEST_VOLTS = 1e8  # counts of 24 bits that somebody left without their unit stay below
_LONGEST_CSV_LINE = 10_000
# Samples of the wrong byte order spread over the whole range: so much wider than the same bytes turned round.
_ORDER_SUSPECT = 8.0


@record
class SampleStream:
    """Samples in volts of the converter, block by block; read once.

    Attributes
    ----------
    blocks : iterator of float32 arrays, shape (n_channels, n)
        Of any length n.
    n_channels : int
        Channels.
    sample_rate_hz : float
        Nominal [Hz].
    full_scale_v : float or None
        Voltage at the ends of the stored range; None if the file does not tell.
    source : str
        What to name in a refusal.
    n_samples : int or None
        Of each channel; None if it is not known beforehand.
    """

    blocks: Iterator[Singles]
    n_channels: int
    sample_rate_hz: float
    full_scale_v: float | None
    source: str
    n_samples: int | None = None


@record
class RawFormat:
    """Raw interleaved integers: kind, byte order, channels and rate. Unsigned ones stand about half their range."""

    kind: RawKind
    big_endian: bool
    n_channels: int
    sample_rate_hz: float

    @property
    def stored(self) -> np.dtype[Any]:
        """As numpy names it."""
        return np.dtype(self.kind).newbyteorder(">" if self.big_endian else "<")


def stream_recording(path: Path, sidecar: Sidecar) -> SampleStream:
    """Blocks of a WAV, RF64, W64, FLAC, NPY or CSV file.

    Parameters
    ----------
    path : Path
        Ends in .wav, .rf64, .w64, .flac, .npy or .csv. The first line of a CSV names the channels, every other one
        holds a sample of each, in the unit of `volts_per_count` or else in volts.
    sidecar : Sidecar
        What the crew noted: channels, and for NPY and CSV the rate.

    Raises
    ------
    InputError
        If the file is not what it says or does not fit the sidecar; for CSV, also while it is read.
    """
    if path.suffix.lower() == ".csv":
        return _stream_csv(path, sidecar)
    recording = load_recording(path, sidecar=sidecar)

    def blocks() -> Iterator[Singles]:
        for volts in recording.blocks(_BLOCK, dtype=np.float32):
            yield np.ascontiguousarray(volts.T)

    return SampleStream(
        blocks=blocks(),
        n_channels=recording.n_channels,
        sample_rate_hz=recording.sample_rate_hz,
        full_scale_v=recording.full_scale_v,
        source=str(path),
        n_samples=recording.n_samples,
    )


def stream_raw_file(path: Path, raw: RawFormat, sidecar: Sidecar) -> SampleStream:
    """Blocks of a file of raw interleaved integers.

    Raises
    ------
    InputError
        If it cannot be read, is empty, holds no whole number of samples, or does not fit the sidecar.
    """
    source = str(path)
    _check_format(raw, sidecar, source)
    try:
        size = os.path.getsize(path)
        handle = open(path, "rb")  # noqa: SIM115 - the blocks close it
    except OSError as error:
        raise InputError(source, "", f"cannot be read: {(error.strerror or str(error)).lower()}") from None
    frame = raw.n_channels * raw.stored.itemsize
    if size == 0:
        raise InputError(source, "", "holds no samples")
    if size % frame:
        raise InputError(
            source,
            "",
            f"{size:,} bytes are no whole number of samples of {raw.n_channels} channels, {frame} bytes each: it is "
            "cut short, or the channels or the kind are others",
        )
    return stream_raw(handle, raw, sidecar, source=source, n_samples=size // frame)


def stream_raw(
    handle: BinaryIO, raw: RawFormat, sidecar: Sidecar, *, source: str, n_samples: int | None = None
) -> SampleStream:
    """Blocks of raw interleaved integers from an open file or a pipe, as they arrive.

    Raises
    ------
    InputError
        If format and sidecar contradict each other; while reading, if the stream holds nothing, or its samples look
        like those of the other byte order.
    """
    _check_format(raw, sidecar, source)
    half = 2.0 ** (8 * raw.stored.itemsize - 1)
    scale = np.float32(sidecar.volts_per_count or 1.0 / half)
    middle = np.float32(half if raw.stored.kind == "u" else 0.0)

    def blocks() -> Iterator[Singles]:
        frame = raw.n_channels * raw.stored.itemsize
        with handle:
            data = handle.read(_JUDGED * frame)
            none = len(data) < frame
            _check_order(_samples(data[: len(data) // frame * frame], raw), source)
            while whole := len(data) // frame * frame:
                stored, begun = _samples(data[:whole], raw), data[whole:]
                yield np.ascontiguousarray((stored.astype(np.float32) - middle).T) * scale
                data = begun + _what_is_there(handle, _BLOCK * frame, least=frame - len(begun))
            if data:  # the recorder died; what it heard counts
                warnings.warn(f"{source}: ends within a sample; its last {len(data)} bytes are left out", stacklevel=2)
            if none:
                raise InputError(source, "", "holds no samples")

    return SampleStream(blocks(), raw.n_channels, raw.sample_rate_hz, half * float(scale), source, n_samples)


def _samples(data: bytes, raw: RawFormat) -> NDArray[Any]:
    """Whole samples of all channels, shape (n_samples, n_channels)."""
    return np.frombuffer(data, raw.stored).reshape(-1, raw.n_channels)


def _what_is_there(handle: BinaryIO, most: int, *, least: int) -> bytes:
    """Up to `most` bytes of a pipe, as soon as it has `least`; fewer at its end."""
    if not isinstance(handle, BufferedIOBase):
        return handle.read(most)
    data = handle.read1(most)
    return data if not 0 < len(data) < least else data + handle.read(least - len(data))


def _check_format(raw: RawFormat, sidecar: Sidecar, source: str) -> None:
    """Refuse what the sidecar contradicts."""
    if raw.n_channels != len(sidecar.channels):
        raise InputError(
            source, "", f"{raw.n_channels} channels are given where the sidecar names {len(sidecar.channels)}"
        )
    if abs(raw.sample_rate_hz - sidecar.sample_rate_hz) > 0.5:
        raise InputError(
            source,
            "",
            f"a rate of {raw.sample_rate_hz:g} Hz is given where the sidecar says {sidecar.sample_rate_hz:g} Hz",
        )


def _check_order(stored: NDArray[Any], source: str) -> None:
    """Refuse samples that would be far quieter with their bytes turned round."""
    if len(stored) < 3:
        return
    as_given, turned = (np.diff(values.astype(float), axis=0).std() for values in (stored, stored.byteswap()))
    if as_given > _ORDER_SUSPECT * turned > 0:
        raise InputError(
            source, "", "its samples look like noise over the whole range, and quiet with the other byte order: say so"
        )


def _stream_csv(path: Path, sidecar: Sidecar) -> SampleStream:
    source = str(path)
    try:
        handle = open(path, "rb")  # noqa: SIM115 - the blocks close it
        header = handle.readline(_LONGEST_CSV_LINE).decode("utf-8-sig")
    except OSError as error:
        raise InputError(source, "", f"cannot be read: {(error.strerror or str(error)).lower()}") from None
    except UnicodeDecodeError:
        raise InputError(source, "", "is not a CSV file: its first line is no text") from None
    names = [name.strip().strip('"') for name in header.split(",")]
    expected = [channel.name for channel in sidecar.channels]
    if names != expected:
        handle.close()
        raise InputError(
            source, "", f"its first line names {', '.join(names)[:200]} where the sidecar names {', '.join(expected)}"
        )
    scale = np.float32(sidecar.volts_per_count or 1.0)
    largest = _LARGEST_VOLTS if sidecar.volts_per_count is None else LARGEST_SAMPLE

    def blocks() -> Iterator[Singles]:
        line = 2
        with handle:
            for lines in _csv_lines(handle, source):
                yield np.ascontiguousarray(_csv_values(lines, len(names), source, line, largest).T) * scale
                line += len(lines)
        if line == 2:
            raise InputError(source, "", "holds no samples")

    return SampleStream(blocks(), len(names), sidecar.sample_rate_hz, None, source)


def _csv_lines(handle: BinaryIO, source: str) -> Iterator[list[bytes]]:
    """Lines, about a megabyte at a time; one that never ends is not waited for."""
    rest = b""
    while data := handle.read(_CSV_BYTES):
        *lines, rest = (rest + data).split(b"\n")
        if len(rest) > _LONGEST_CSV_LINE:
            raise InputError(source, "", f"holds a line of over {_LONGEST_CSV_LINE:,} characters")
        if lines:
            yield lines
    if rest:
        yield [rest]


def _csv_values(lines: list[bytes], n_channels: int, source: str, first_line: int, largest: float) -> Singles:
    """Numbers of some lines, shape (n_lines, n_channels); names the first line that is wrong."""
    try:
        values = np.loadtxt(lines, dtype=np.float32, delimiter=",", comments=None, ndmin=2)
    except ValueError:
        values = np.empty(0, dtype=np.float32)
    if values.shape == (len(lines), n_channels) and np.all(np.abs(values) <= largest):
        return values
    for k, line in enumerate(lines):
        cells = line.strip().split(b",")
        if len(cells) != n_channels:
            raise InputError(
                source, "", f"line {first_line + k} holds {len(cells)} values where the first names {n_channels}"
            )
        for cell in cells:
            try:
                good = np.isfinite(float(cell))
            except ValueError:
                good = False
            if not good:
                shown = cell[:40].decode("utf-8", "replace").strip()
                raise InputError(source, "", f"line {first_line + k}: {shown!r} is not a finite number")
    first = 0 if values.size == 0 else int(np.argmax(np.any(np.abs(values) > largest, axis=1)))
    raise InputError(source, "", f"line {first_line + first} holds a number over {largest:g}")
