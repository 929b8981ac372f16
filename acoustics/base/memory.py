"""How the C library deals with memory that a process has freed."""

from __future__ import annotations

_LARGE_BYTES = 31 << 20  # just under the largest that changes this


def keep_freed_memory() -> None:
    """Let the C library keep freed memory, up to twice this size, instead of asking the system for the pages again.

    Once a large block has come and gone it does so for all of that size; before, every array of some hundred kilobytes
    is new memory, and to have it cleared took up to a fifth of a study's time. Other C libraries are not told anything.
    """
    bytes(_LARGE_BYTES)
