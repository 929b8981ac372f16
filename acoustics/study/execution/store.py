"""A folder that keeps the finished chunks of a study, so that one that was stopped can go on."""

from __future__ import annotations

import hashlib
import json
import struct
import zipfile
import zlib
from dataclasses import asdict, is_dataclass
from importlib.metadata import version
from pathlib import Path
from tokenize import TokenError

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel

from acoustics.base.errors import OutputError
from acoustics.base.files import whole_file, write_file
from acoustics.base.record import record

# A chunk's result: named arrays of numbers or text, which a file can hold without pickling.
Arrays = dict[str, NDArray[np.generic]]

_NOTE = "study.json"
_HALF_WRITTEN = (".study.*.json", ".chunk-*.npz")  # the names that `whole_file` gives them until they are whole
_LARGEST_NOTE_BYTES = 10_000
# What numpy and zipfile raise over bytes that are not what they were.
_DAMAGED = (
    OSError, ValueError, EOFError, LookupError, NotImplementedError, RuntimeError, SyntaxError, TypeError, MemoryError,
    OverflowError, struct.error, zlib.error, zipfile.BadZipFile, TokenError,
)  # fmt: skip
_STUDY = "of_study"  # the name under which each chunk says to which study it belongs


def fingerprint(*inputs: object) -> str:
    """Hash of everything that decides a study's numbers: equal inputs, equal text.

    Parameters
    ----------
    *inputs : object
        Whatever JSON can hold, and models and dataclasses of such. The version of pingfix is always part of it.
    """
    text = json.dumps([version("pingfix"), np.__version__, *inputs], sort_keys=True, default=_plain)
    return hashlib.sha256(text.encode()).hexdigest()


def _plain(value: object) -> object:
    """What JSON can hold of a scene, or a part of one, and of a dataclass."""
    if isinstance(value, BaseModel):
        return value.model_dump(mode="json", by_alias=True)
    if is_dataclass(value) and not isinstance(value, type):
        return asdict(value)
    raise TypeError(f"{type(value).__name__} cannot be part of a fingerprint")


@record
class ChunkStore:
    """Finished chunks in `folder`: one NPZ file each, and a note of the study that they belong to."""

    folder: Path
    study: str
    n_tasks: int

    @classmethod
    def opened(cls, folder: Path, study: str, n_tasks: int) -> ChunkStore:
        """Make the folder if there is none, and mark it with the study's fingerprint.

        Raises
        ------
        OutputError
            If it cannot be made or written to, holds other files, or the chunks of another study.
        """
        store = cls(folder, study, n_tasks)
        try:
            folder.mkdir(parents=True, exist_ok=True)
            note = folder / _NOTE
            if note.exists():
                store._check_note(note)
            for pattern in _HALF_WRITTEN:  # by one that was killed
                for left in folder.glob(pattern):
                    left.unlink(missing_ok=True)
            if note.exists():
                return store
            if any(folder.iterdir()):
                raise OutputError(f"{folder}: holds other files; choose an empty folder or a new one")
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            raise OutputError(f"{folder}: finished chunks cannot be kept there: {reason}") from None
        write_file(note, json.dumps(store._note(), indent=2).encode())
        return store

    def _note(self) -> dict[str, object]:
        return {"study": self.study, "chunks": self.n_tasks}

    def _check_note(self, note: Path) -> None:
        with note.open("rb") as file:
            content = file.read(_LARGEST_NOTE_BYTES)
        try:
            found = json.loads(content)
        except (ValueError, RecursionError):
            found = None
        if found != self._note():
            raise OutputError(
                f"{self.folder}: holds the chunks of another study (another scenario, seed, option or version); "
                "choose another folder"
            )

    def _path(self, index: int) -> Path:
        return self.folder / f"chunk-{index:06d}.npz"

    def _mark(self, result: Arrays) -> str:
        """The study and the names of the arrays: no checksum of the file covers these."""
        return " ".join([self.study, *sorted(result)])

    def keep(self, index: int, result: Arrays) -> None:
        """Write one chunk whole.

        Raises
        ------
        OutputError
            If it cannot be written.
        """
        with whole_file(self._path(index), force=True) as path, path.open("wb") as file:
            np.savez(file, allow_pickle=False, **{_STUDY: np.array(self._mark(result))}, **result)

    def finished(self) -> dict[int, Arrays]:
        """The chunks that are there, by their index. One that cannot be read counts as not finished."""
        chunks = ((index, self._read(self._path(index))) for index in range(self.n_tasks))
        return {index: chunk for index, chunk in chunks if chunk is not None}

    def _read(self, path: Path) -> Arrays | None:
        try:
            with np.load(path, allow_pickle=False) as file:
                chunk: Arrays = dict(file)
        except _DAMAGED:
            return None
        mark = chunk.pop(_STUDY, None)
        return chunk if mark == self._mark(chunk) else None
