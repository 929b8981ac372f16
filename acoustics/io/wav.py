"""WAV files (RIFF, little-endian): the header read and written, the samples left to the caller.

The format is that of Microsoft and IBM (1991), Multimedia Programming Interface and Data Specifications 1.0, with
the extensible header of 1999. Written here because hydrophone files need what general readers leave out: 24-bit
samples, float samples, files larger than memory, and a clear refusal of a header that does not fit its file.
"""

from __future__ import annotations

import os
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from acoustics.base.errors import InputError, OutputError

_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_LARGEST_BYTES = 0xFFFFFFFF
_KNOWN = {(_PCM, 16), (_PCM, 24), (_PCM, 32), (_FLOAT, 32)}


@dataclass(frozen=True)
class WavHeader:
    """What the header says: channels, rate, bits of a sample, float or integer, and where the samples stand."""

    n_channels: int
    sample_rate_hz: int
    bits: int
    is_float: bool
    data_offset: int
    data_bytes: int


def wav_header(*, n_samples: int, n_channels: int, sample_rate_hz: float, bits: int, is_float: bool) -> bytes:
    """Header of a file with so many samples of each channel; the samples follow it, channel by channel in turn.

    Raises
    ------
    OutputError
        A rate that is not a whole number, or more than the format's 4 GiB.
    """
    if sample_rate_hz != int(sample_rate_hz):
        raise OutputError(
            f"sample_rate_hz={sample_rate_hz!r}: WAV holds whole numbers only; choose NPY or another rate"
        )
    align = n_channels * bits // 8
    data_bytes = n_samples * align
    tag = _FLOAT if is_float else _PCM
    body = struct.pack("<HHIIHH", tag, n_channels, int(sample_rate_hz), int(sample_rate_hz) * align, align, bits)
    # A format other than PCM states the size of its extension, here none, and the number of samples.
    body = (
        _chunk(b"fmt ", body + b"\0\0") + _chunk(b"fact", struct.pack("<I", n_samples))
        if is_float
        else _chunk(b"fmt ", body)
    )
    riff_bytes = 4 + len(body) + 8 + data_bytes + data_bytes % 2
    if riff_bytes > _LARGEST_BYTES:
        raise OutputError(f"{data_bytes:,} bytes of samples are over the 4 GiB that WAV can hold; choose NPY")
    return b"RIFF" + struct.pack("<I", riff_bytes) + b"WAVE" + body + b"data" + struct.pack("<I", data_bytes)


def read_wav_header(path: Path) -> WavHeader:
    """Read and check a header against itself and against the size of its file.

    Raises
    ------
    InputError
        If the file cannot be read, is no WAV, is cut short, holds nothing, or its header contradicts itself.
    """
    try:
        with open(path, "rb") as handle:
            return _read(handle, str(path), os.fstat(handle.fileno()).st_size)
    except OSError as error:
        raise InputError(str(path), "", f"cannot be read: {(error.strerror or str(error)).lower()}") from None


def _read(handle: BinaryIO, source: str, file_bytes: int) -> WavHeader:
    start = handle.read(12)
    if start[:4] != b"RIFF" or start[8:12] != b"WAVE":
        raise InputError(source, "", "is not a WAV file: it does not begin with RIFF and WAVE")
    described = None
    while True:
        head = handle.read(8)
        if len(head) < 8:
            missing = "the samples (data)" if described else "the format (fmt)"
            raise InputError(source, "", f"is cut short: it ends before {missing}")
        name, size = head[:4], struct.unpack("<I", head[4:])[0]
        if name == b"fmt ":
            described = _format(handle.read(size), size, source)
            handle.seek(size % 2, os.SEEK_CUR)
        elif name == b"data":
            if described is None:
                raise InputError(source, "", "its header is wrong: the samples (data) come before the format (fmt)")
            return _placed(described, handle.tell(), size, file_bytes, source)
        else:
            handle.seek(size + size % 2, os.SEEK_CUR)


def _format(body: bytes, size: int, source: str) -> tuple[int, int, int, bool]:
    """Channels, rate, bits and whether float, from a format chunk that agrees with itself."""
    if size < 16 or len(body) < size:
        raise InputError(source, "", f"is cut short: its format (fmt) holds {len(body)} bytes, expected at least 16")
    tag, n_channels, rate, byte_rate, align, bits = struct.unpack("<HHIIHH", body[:16])
    if tag == _EXTENSIBLE and size >= 40:
        tag = struct.unpack("<H", body[24:26])[0]
    if n_channels == 0 or rate == 0:
        raise InputError(source, "", f"its header is wrong: {n_channels} channels at {rate} Hz")
    if (tag, bits) not in _KNOWN:
        kind = {_PCM: "integer", _FLOAT: "float"}.get(tag, f"format {tag}")
        raise InputError(
            source, "", f"holds {bits}-bit {kind} samples; expected integers of 16, 24 or 32 bits or 32-bit floats"
        )
    if align != n_channels * bits // 8:
        raise InputError(
            source, "", f"its header is wrong: {n_channels} channels of {bits} bits in blocks of {align} bytes"
        )
    if byte_rate != rate * align:
        raise InputError(
            source, "", f"its header is wrong: {byte_rate} bytes a second where {rate} Hz makes {rate * align}"
        )
    return n_channels, rate, bits, tag == _FLOAT


def _placed(described: tuple[int, int, int, bool], offset: int, size: int, file_bytes: int, source: str) -> WavHeader:
    n_channels, rate, bits, is_float = described
    align = n_channels * bits // 8
    if size == 0:
        raise InputError(source, "", "holds no samples")
    if size > file_bytes - offset:
        raise InputError(
            source, "", f"is cut short: its header promises {size:,} bytes of samples, {file_bytes - offset:,} follow"
        )
    if size % align:
        raise InputError(source, "", f"its header is wrong: {size} bytes of samples are no whole blocks of {align}")
    return WavHeader(n_channels, rate, bits, is_float, offset, size)


def _chunk(name: bytes, body: bytes) -> bytes:
    return name + struct.pack("<I", len(body)) + body
