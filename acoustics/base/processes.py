"""Worker processes of this machine: quick to start, alone with their core, and gone when their parent is."""

from __future__ import annotations

import multiprocessing
import multiprocessing.forkserver
import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from functools import partial
from multiprocessing.connection import wait as wait_for_end
from typing import Any

from acoustics.base.memory import keep_freed_memory

# Every library that numpy's linear algebra may be built on reads one of these when it is loaded.
_THREAD_VARIABLES = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
_FORKED = "forkserver" in multiprocessing.get_all_start_methods()


def cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def module_of(work: Callable[..., Any]) -> str:
    """Module that defines a function, or the function behind a `functools.partial`."""
    while isinstance(work, partial):
        work = work.func
    return work.__module__


def prepare_processes(*modules: str) -> None:
    """Begin to load modules for workers to come, in a process of its own, while this one goes on.

    Workers are forked from that process, which does nothing else and so has no threads that a fork could leave
    undone; loading numpy, scipy and a study takes half a second that each of them would spend anew. Once it runs, later
    calls change nothing. Where processes cannot be forked, workers load for themselves.
    """
    if not _FORKED:
        return
    multiprocessing.set_forkserver_preload(list(modules))
    with _one_thread():
        multiprocessing.forkserver.ensure_running()


@contextmanager
def processes(jobs: int, module: str) -> Iterator[ProcessPoolExecutor]:
    """A pool for work that this module defines. Left by an error or Ctrl-C it drops what has not been done."""
    prepare_processes(module)
    others = set(multiprocessing.active_children())
    context = multiprocessing.get_context("forkserver" if _FORKED else "spawn")
    pool = ProcessPoolExecutor(jobs, context, initializer=_become_worker)
    try:
        with _one_thread():
            yield pool
    finally:
        # All of them, as nothing is left for them to do: one that starts in the moment in which another dies is not
        # among those that the pool itself ends, and it would wait for its end without end.
        for process in set(multiprocessing.active_children()) - others:
            process.terminate()
        # Its thread ends here, not with Python, which would wake it while it closes what it is woken by.
        pool.shutdown(cancel_futures=True)


def _become_worker() -> None:
    """Leave Ctrl-C to the parent, and never outlive it, even if it is killed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    keep_freed_memory()
    threading.Thread(target=_leave_with_parent, daemon=True).start()


def _leave_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait_for_end([parent.sentinel])
        os._exit(1)


@contextmanager
def _one_thread() -> Iterator[None]:
    """Tell processes started meanwhile to take one thread: libraries read the environment before anything else.

    Workers share the cores among themselves, and their matrices are too small for threads to pay.
    """
    before = {name: os.environ.get(name) for name in _THREAD_VARIABLES}
    try:
        os.environ.update(dict.fromkeys(_THREAD_VARIABLES, "1"))
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
