"""Files of samples, read in parts: sound files through libsndfile, and NPY mapped from the disk."""

from __future__ import annotations

import os
import re
import stat
from abc import ABC, abstractmethod
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from tokenize import TokenError
from typing import Any

import numpy as np
import soundfile
from numpy.typing import DTypeLike, NDArray

from acoustics.base.errors import InputError
from acoustics.base.record import record

LARGEST_SAMPLE = 1e10  # counts of 32 bits stored as floats stay below
# What numpy raises over a header of NPY, which is the text of a dictionary of Python, of whatever keys and depth.
_WRONG_HEADER = (ValueError, EOFError, SyntaxError, OverflowError, TokenError, TypeError, RecursionError, MemoryError)
_CHECKED_AT_ONCE = 1 << 18
_FORMATS = ("WAV", "WAVEX", "RF64", "W64", "FLAC")
_COUNTS = {"PCM_16": 2.0**15, "PCM_24": 2.0**23, "PCM_32": 2.0**31, "FLOAT": 1.0, "DOUBLE": 1.0}
# The library reads on where a header promises more bytes than follow; its log tells.
_CUT_SHORT = re.compile(r"^ *data *: (\d+) \(should be (\d+)\)", re.MULTILINE)


@record
class SampleFile(ABC):
    """Samples of a file, and what the file itself tells of them.

    `full_scale` is the value at the end of the range as `parts` gives it, `full_scale_counts` that of the stored
    integers (1 for floats); `sample_rate_hz` is None where the file does not tell.
    """

    source: str
    n_samples: int
    n_channels: int
    sample_rate_hz: int | None
    full_scale: float
    full_scale_counts: float
    is_float: bool

    @abstractmethod
    def parts(self, start: int, stop: int, n: int, dtype: DTypeLike) -> Iterator[NDArray[Any]]:
        """Samples from `start` to before `stop`, `n` of each channel at a time, shape (n, n_channels)."""


@record
class SoundSamples(SampleFile):
    """A WAV, RF64, W64 or FLAC file; samples of 16 bits come as stored, others as shares of the full scale."""

    @classmethod
    def opened(cls, path: Path) -> SoundSamples:
        """Read the header.

        Raises
        ------
        InputError
            If the file cannot be read, is no sound file of these kinds, is cut short or holds nothing.
        """
        source = str(path)
        check_regular(path, "samples of a pipe can be read as raw integers (--raw)")
        try:
            with soundfile.SoundFile(path) as file:
                log = file.extra_info
                kind, subtype = file.format, file.subtype
                read = cls(
                    source, file.frames, file.channels, file.samplerate, 1.0, 1.0, subtype in ("FLOAT", "DOUBLE")
                )
        except (soundfile.LibsndfileError, UnicodeEncodeError) as error:
            raise InputError(source, "", f"is no usable WAV, RF64, W64 or FLAC file: {_said(error)}") from None
        if kind not in _FORMATS:
            raise InputError(source, "", f"is a file of format {kind}; expected WAV, RF64, W64 or FLAC")
        if subtype not in _COUNTS:
            raise InputError(
                source, "", f"holds samples of kind {subtype}; expected integers of 16, 24 or 32 bits or floats"
            )
        if cut := _CUT_SHORT.search(log):
            promised, follow = (int(number) for number in cut.groups())
            raise InputError(
                source, "", f"is cut short: its header promises {promised:,} bytes of samples, {follow:,} follow"
            )
        if read.n_samples <= 0:
            raise InputError(source, "", "holds no samples")
        counts = _COUNTS[subtype]
        return replace(read, full_scale=counts if subtype == "PCM_16" else 1.0, full_scale_counts=counts)

    def parts(self, start: int, stop: int, n: int, dtype: DTypeLike) -> Iterator[NDArray[Any]]:
        """Samples from `start` to before `stop`, `n` of each channel at a time, shape (n, n_channels).

        Raises
        ------
        InputError
            If the file ends before its header says so, or a part of it cannot be decoded.
        """
        # The library takes several times as long to make floats of 16 bits as to copy them.
        stored = "int16" if self.full_scale > 1.0 else np.dtype(dtype).name
        try:
            with soundfile.SoundFile(self.source) as file:
                if start:
                    file.seek(start)
                while start < stop:
                    part = file.read(min(n, stop - start), dtype=stored, always_2d=True)
                    if len(part) == 0:
                        raise InputError(
                            self.source,
                            "",
                            f"is cut short: its header promises {self.n_samples:,} samples, {start:,} follow",
                        )
                    yield part
                    start += len(part)
        except soundfile.LibsndfileError as error:
            raise InputError(self.source, "", f"cannot be read beyond sample {start}: {_said(error)}") from None


@record
class NpySamples(SampleFile):
    """An NPY file; its samples come as stored."""

    stored: NDArray[Any]

    @classmethod
    def opened(cls, path: Path) -> NpySamples:
        """Map the file.

        Raises
        ------
        InputError
            If it cannot be read, is no NPY of shape (n_samples, n_channels), or holds samples of another kind.
        """
        source = str(path)
        check_regular(path)
        try:
            # Not np.load, which takes an archive of arrays as well, whatever its name.
            stored = np.lib.format.open_memmap(path, mode="r")
        except OSError as error:
            raise InputError(source, "", f"cannot be read: {(error.strerror or str(error)).lower()}") from None
        except _WRONG_HEADER as error:
            text = str(error).splitlines()[0] if str(error) else "its header is wrong"
            cut = "mmap length" in text or "EOF" in text
            raise InputError(source, "", "is cut short" if cut else f"is not a usable NPY file: {text}") from None
        if stored.ndim != 2:
            raise InputError(source, "", f"has shape {stored.shape}; expected (n_samples, n_channels)")
        if stored.size == 0:
            raise InputError(source, "", "holds no samples")
        if stored.dtype.newbyteorder("=") not in (np.int16, np.int32, np.float32, np.float64):
            raise InputError(source, "", f"holds {stored.dtype} samples; expected int16, int32, float32 or float64")
        whole = np.issubdtype(stored.dtype, np.integer)
        full_scale = float(np.iinfo(stored.dtype).max) + 1 if whole else 1.0
        n_samples, n_channels = stored.shape
        return cls(source, n_samples, n_channels, None, full_scale, full_scale, not whole, stored)

    def parts(self, start: int, stop: int, n: int, dtype: DTypeLike) -> Iterator[NDArray[Any]]:
        """As `SampleFile`. Read, not mapped, where the order allows: the pages of a map would pile up in memory."""
        stored = self.stored
        if not isinstance(stored, np.memmap) or not stored.flags.c_contiguous or stored.filename is None:
            for first in range(start, stop, n):
                yield np.asarray(stored[first : min(first + n, stop)])
            return
        with open(stored.filename, "rb") as handle:
            handle.seek(stored.offset + start * stored.itemsize * self.n_channels)
            for first in range(start, stop, n):
                count = min(n, stop - first) * self.n_channels
                yield np.fromfile(handle, stored.dtype, count).reshape(-1, self.n_channels)


def check_regular(path: Path, hint: str = "") -> None:
    """Refuse what has no end that could be known: a device, a pipe, a folder.

    Raises
    ------
    InputError
        If the path is no regular file, or cannot be looked at.
    """
    try:
        mode = os.stat(path).st_mode
        if stat.S_ISDIR(mode):
            raise InputError(str(path), "", "cannot be read: is a directory")
        if stat.S_ISREG(mode):
            os.close(os.open(path, os.O_RDONLY))
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(str(path), "", f"cannot be read: {reason.lower()}") from None
    if not stat.S_ISREG(mode):
        raise InputError(str(path), "", f"is no regular file{'; ' + hint if hint else ''}")


def check_finite(file: SampleFile) -> None:
    """Refuse floats that are no numbers or whose square single precision cannot hold, a part of the file at a time.

    Raises
    ------
    InputError
        With the first such sample.
    """
    start = 0
    for part in file.parts(0, file.n_samples, _CHECKED_AT_ONCE, np.float64):
        wrong = ~(np.abs(part) <= LARGEST_SAMPLE)
        if wrong.any():
            sample, channel = np.argwhere(wrong)[0]
            finite = np.isfinite(part[sample, channel])
            problem = f"is over {LARGEST_SAMPLE:g}" if finite else "is not a finite number"
            raise InputError(file.source, "", f"sample {start + sample} of channel {channel + 1} {problem}")
        start += len(part)


def _said(error: Exception) -> str:
    text = getattr(error, "error_string", None) or str(error)
    return " ".join(text.split()).rstrip(".").lower()
