"""Writing results: whole or not at all, and never over somebody's file unasked."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from acoustics.errors import OutputError


def write_file(path: Path, content: bytes, *, force: bool = False) -> None:
    """Write a file under a temporary name beside its place, then move it there.

    Raises
    ------
    OutputError
        If the file exists and `force` is off, or it cannot be written; an older file is then left as it was.
    """
    check_free(path, force=force)
    temporary = None
    try:
        with tempfile.NamedTemporaryFile(dir=path.parent, prefix=f".{path.name}.", delete=False) as handle:
            temporary = handle.name
            handle.write(content)
        os.chmod(temporary, 0o666 & ~_umask())
        os.replace(temporary, path)
    except OSError as error:
        if temporary is not None:
            Path(temporary).unlink(missing_ok=True)
        raise OutputError(f"{path}: cannot be written: {(error.strerror or str(error)).lower()}") from None


def check_free(path: Path, *, force: bool = False) -> None:
    """Refuse early, before long work, to write where a file stands already.

    Raises
    ------
    OutputError
        If the file exists and `force` is off, or its folder is missing.
    """
    if not path.parent.is_dir():
        raise OutputError(f"{path}: cannot be written: there is no folder {path.parent}")
    if path.is_dir():
        raise OutputError(f"{path}: is a folder; give a file name")
    if path.exists() and not force:
        raise OutputError(f"{path}: exists already; choose another name or add --force")


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
