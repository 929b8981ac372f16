"""Writing results: whole or not at all, and never over somebody's file unasked."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from acoustics.base.errors import OutputError


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


@contextmanager
def whole_file(path: Path, *, force: bool = False) -> Iterator[Path]:
    """A temporary name beside `path` to write to; moved there on leaving, removed if anything goes wrong.

    Raises
    ------
    OutputError
        If the file exists and `force` is off, or it cannot be written; an older file is then left as it was.
    """
    check_free(path, force=force)
    temporary = None
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.stem}.", suffix=path.suffix)
        os.close(handle)
        temporary = Path(name)
        yield temporary
        mask = os.umask(0)
        os.umask(mask)
        temporary.chmod(0o666 & ~mask)
        os.replace(temporary, path)
    except BrokenPipeError:
        raise  # of standard output, of which the file's writer knows nothing
    except OSError as error:
        raise OutputError(f"{path}: cannot be written: {(error.strerror or str(error)).lower()}") from None
    finally:
        if temporary is not None:
            with suppress(OSError):
                temporary.unlink(missing_ok=True)


def write_file(path: Path, content: bytes, *, force: bool = False) -> None:
    """Write a file whole.

    Raises
    ------
    OutputError
        As `whole_file`.
    """
    with whole_file(path, force=force) as temporary:
        temporary.write_bytes(content)
