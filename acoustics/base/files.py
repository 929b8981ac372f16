"""Writing results: whole or not at all, and never over somebody's file unasked."""

from __future__ import annotations

import os
import shutil
import stat
import tempfile
from collections.abc import Callable, Iterator
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
    if not path.name:
        raise OutputError("no name is given for a file to write")
    if path.is_dir():
        raise OutputError(f"{path}: is a folder; give a file name")
    if os.path.lexists(path) and not force:  # a link that leads nowhere is somebody's as well
        raise _exists(path)
    target = _target(path)
    if not target.parent.is_dir():
        raise OutputError(f"{path}: cannot be written: there is no folder {target.parent}")


def check_different(*paths: Path | None) -> None:
    """Refuse two results in one file.

    Raises
    ------
    OutputError
        If two of the paths lead to the same place.
    """
    targets = [_target(path).absolute() for path in paths if path is not None]
    for k, target in enumerate(targets):
        if target in targets[:k]:
            raise OutputError(f"{target}: is given for two results; choose another name for one of them")


@contextmanager
def whole_file(path: Path, *, force: bool = False) -> Iterator[Path]:
    """A temporary name beside `path` to write to; moved there on leaving, removed if anything goes wrong.

    With `force` the permissions of an older file stay, a link stays and what it leads to is written, and a device or
    a pipe is written into. Without it, of two that write to one path at the same time the later one is refused.

    Raises
    ------
    OutputError
        If the file exists and `force` is off, or it cannot be written; an older file is then left as it was.
    """
    check_free(path, force=force)
    target = _target(path)
    temporary = None
    try:
        mode = _mode(target)
        special = mode is not None and not stat.S_ISREG(mode)
        folder = None if special else target.parent
        handle, name = tempfile.mkstemp(dir=folder, prefix=f".{target.stem}.", suffix=target.suffix)
        os.close(handle)
        temporary = Path(name)
        yield temporary
        if special:
            with open(temporary, "rb") as written, open(target, "wb") as into:
                shutil.copyfileobj(written, into)
            return
        temporary.chmod(stat.S_IMODE(mode) if mode is not None else 0o666 & ~_umask())
        _put(temporary, target, force=force)
    except BrokenPipeError:
        raise  # of standard output, of which the file's writer knows nothing
    except OSError as error:
        raise _unwritable(path, error) from None
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


@contextmanager
def growing_file(path: Path, *, force: bool = False) -> Iterator[Callable[[bytes], None]]:
    """What adds a line to `path`: for a result that comes in the course of hours, and whose first part counts.

    Each line is in the file when the call returns, and stays if the work ends early. Until the first line an older
    file stays as it was; if there is none to the end, the file becomes empty.

    Raises
    ------
    OutputError
        If the file exists and `force` is off, or a line cannot be written; the lines before it then stay.
    """
    check_free(path, force=force)
    handle = None

    def add(line: bytes) -> None:
        nonlocal handle
        if handle is None:
            mode = _mode(path)
            if mode is None or stat.S_ISREG(mode):
                write_file(path, line, force=force)
                handle = open(path, "ab", buffering=0)  # noqa: SIM115 - closed on leaving
                return
            handle = open(path, "wb", buffering=0)  # noqa: SIM115
        try:
            start = handle.tell() if handle.seekable() else None
            written = handle.write(line)
            if written < len(line):
                handle.write(line[written:])  # says what is the matter
        except OSError as error:
            with suppress(OSError):
                if start is not None:
                    handle.truncate(start)
            raise _unwritable(path, error) from None

    try:
        yield add
        if handle is None:
            write_file(path, b"", force=force)
    finally:
        if handle is not None:
            handle.close()


def _put(temporary: Path, target: Path, *, force: bool) -> None:
    if force:
        os.replace(temporary, target)
        return
    try:
        os.link(temporary, target)  # fails where another has written in the meantime
    except FileExistsError:
        raise _exists(target) from None
    except OSError:  # a file system without links
        try:
            os.close(os.open(target, os.O_CREAT | os.O_EXCL))
        except FileExistsError:
            raise _exists(target) from None
        os.replace(temporary, target)


def _target(path: Path) -> Path:
    """Where a link leads; any other path itself."""
    try:
        return path.resolve() if path.is_symlink() else path
    except (OSError, RuntimeError) as error:  # a link to itself
        raise OutputError(f"{path}: cannot be written: {error}") from None


def _mode(path: Path) -> int | None:
    """Kind and permissions of what stands there; None for nothing."""
    try:
        return path.stat().st_mode
    except FileNotFoundError:
        return None


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _exists(path: Path) -> OutputError:
    return OutputError(f"{path}: exists already; choose another name or add --force")


def _unwritable(path: Path, error: OSError) -> OutputError:
    return OutputError(f"{path}: cannot be written: {(error.strerror or str(error)).lower()}")
