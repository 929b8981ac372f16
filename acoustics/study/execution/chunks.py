"""Spreads the chunks of a study over this process, a pool of processes or a Dask cluster, with the same numbers."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    CancelledError,
    Executor,
    Future,
    wait,
)
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

from acoustics.base.errors import ParameterError, PingfixError
from acoustics.base.processes import cores, module_of, processes
from acoustics.base.record import record
from acoustics.study.execution.store import Arrays, ChunkStore

Task = TypeVar("Task")

_MOST_DEATHS = 3  # a chunk at work in so many deaths of workers is taken for their cause
_CONNECT_S = 20.0


class WorkersLostError(PingfixError):
    """The workers of a study keep dying, or the cluster cannot be reached."""


@record
class Workers:
    """Who does the work: this process (`jobs` of 1), a pool of processes, or a Dask cluster by its address.

    Raises
    ------
    ParameterError
        For fewer than one job, or both a pool and a cluster.
    """

    jobs: int = 1
    cluster: str | None = None

    def __post_init__(self) -> None:
        if self.jobs < 1:
            raise ParameterError(f"jobs = {self.jobs}: expected 1 or more")
        if self.jobs > 1 and self.cluster is not None:
            raise ParameterError("--jobs and --cluster exclude each other; give one of them")


HERE = Workers()


@record
class Running:
    """How a long study is run: by whom, and where its finished chunks are kept."""

    workers: Workers = HERE
    folder: Path | None = None


ALONE = Running()


def run_chunks(
    work: Callable[[Task], Arrays],
    tasks: Sequence[Task],
    *,
    running: Running = ALONE,
    fingerprint: str = "",
    cost: Callable[[Task], int] = lambda task: 1,
    progress: Callable[[int, int], None] = lambda done, total: None,
    meanwhile: Callable[[], object] = lambda: None,
) -> list[Arrays]:
    """Do every task once and give the results in the order of the tasks.

    Parameters
    ----------
    work : callable
        A function of a module (or a `functools.partial` of one), so that other processes find it. Its result
        must depend on the task alone: a task that needs random numbers carries its own child of a seed.
    tasks : sequence
        What other processes can be sent, and small: some kilobytes each.
    running : Running
        Who does the work, and where finished chunks are kept as they come; those found there are not worked again.
        The numbers are the same to the last bit.
    fingerprint : str
        Of all inputs of the study, by `chunk_store.fingerprint`; a folder with another one is refused.
    cost : callable
        About how long a task takes beside the others, in any unit, for `progress`.
    progress : callable
        Told how much of the cost of all tasks is behind, before the first and after each.
    meanwhile : callable
        What this process has to do besides, within a second or two: called once, as soon as fewer tasks are at work
        than there are workers for, who would else be idle until the last task is done.

    Returns
    -------
    list of dict
        Results, named arrays, one for each task.

    Raises
    ------
    WorkersLostError
        If a chunk was at work in three deaths of workers, two of them alone, or the cluster is not there.
    OutputError
        If the folder belongs to something else or cannot be written to.
    Exception
        What `work` raises; other chunks are then given up.

    Notes
    -----
    A worker that dies takes at most the chunks at work with it, which are worked again, one at a time: a chunk is
    counted when its result is in, once. There are at most as many processes as cores, each with one thread of linear
    algebra. On a cluster that is the cluster's own affair; Dask's workers take one thread each unless told otherwise.
    """
    workers, folder = running.workers, running.folder
    store = None if folder is None else ChunkStore.opened(folder, fingerprint, len(tasks))
    results = {} if store is None else store.finished()
    deaths: Counter[int] = Counter()
    costs = [cost(task) for task in tasks]

    def tell() -> None:
        progress(sum(costs[index] for index in results), sum(costs))

    def finish(index: int, result: Arrays) -> None:
        if store is not None:
            store.keep(index, result)
        results[index] = result
        tell()

    tell()
    besides = iter([meanwhile])
    while waiting := [index for index in range(len(tasks)) if index not in results]:
        # What was at work when a worker died comes last, one at a time, so that the next death has one cause.
        fewest = min(deaths[index] for index in waiting)
        # The longest first, or the last to be worked on may leave the other workers idle.
        chosen = sorted((index for index in waiting if deaths[index] == fewest), key=lambda index: -costs[index])
        with _team(workers, len(chosen), module_of(work), suspected=fewest > 0, here_too=not deaths) as team:
            lost = _one_round(team, work, tasks, chosen, finish, besides)
        deaths.update(lost)
        if lost and max(deaths.values()) >= _MOST_DEATHS:
            number = deaths.most_common(1)[0][0] + 1
            raise WorkersLostError(
                f"a worker died {_MOST_DEATHS} times over chunk {number} of {len(tasks)}, perhaps for want of "
                "memory; take fewer --jobs" + ("" if folder is None else f", and go on with --resume {folder}")
            )
    for do in besides:  # nothing was left for others to work on
        do()
    return [results[index] for index in range(len(tasks))]


@record
class _Team:
    """An executor, how many workers it has, how many chunks it is given at a time, and what it raises for a chunk whose
    worker died."""

    executor: Executor
    workers: int
    room: int
    losses: tuple[type[BaseException], ...]


def _one_round(
    team: _Team,
    work: Callable[[Task], Arrays],
    tasks: Sequence[Task],
    waiting: Sequence[int],
    finish: Callable[[int, Arrays], None],
    besides: Iterator[Callable[[], object]],
) -> list[int]:
    """Work through the waiting tasks until they are done or the executor is broken; the tasks lost on the way.

    `besides`: what is still to be done here as soon as a worker has nothing to do.
    """
    at_work: dict[Future[Arrays], int] = {}
    lost: list[int] = []
    queue = iter(waiting)
    broken = False
    while True:
        while not broken and len(at_work) < team.room and (index := next(queue, None)) is not None:
            try:
                at_work[team.executor.submit(work, tasks[index])] = index
            except team.losses:
                broken = True
        if not at_work:
            return lost
        if len(at_work) < team.workers:
            for do in besides:
                do()
        for future in wait(at_work, return_when=FIRST_COMPLETED).done:
            index = at_work.pop(future)
            try:
                finish(index, future.result())
            except team.losses as loss:
                lost.append(index)
                broken |= isinstance(loss, BrokenExecutor)


@contextmanager
def _team(workers: Workers, n_tasks: int, module: str, *, suspected: bool, here_too: bool) -> Iterator[_Team]:
    """The executor for as long as it is needed. Left by an error or Ctrl-C it drops what has not been done.

    `module`: where the work is defined. `suspected`: a worker died over one of the tasks, which are done one at a time.
    `here_too`: whether a single task may be done in this process; after the death of a worker it had better not be.
    """
    if workers.cluster is not None:
        with _cluster(workers.cluster) as team:
            yield team
        return
    jobs = 1 if suspected else min(workers.jobs, n_tasks, cores())
    if jobs == 1 and here_too:
        yield _Team(_InThisProcess(), 1, 1, ())
        return
    with processes(jobs, module) as pool:
        yield _Team(pool, jobs, 1 if suspected else 2 * jobs, (BrokenExecutor,))


class _InThisProcess(Executor):
    """An executor that has done the work when `submit` returns."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:
            future.set_exception(error)
        return future


@contextmanager
def _cluster(address: str) -> Iterator[_Team]:
    try:
        from distributed import Client
        from distributed.comm.addressing import parse_address, parse_host_port
        from distributed.scheduler import KilledWorker
    except ImportError:
        raise ParameterError("--cluster needs Dask: pip install 'pingfix[cluster]'") from None
    try:
        parse_host_port(parse_address(address)[1])  # a client that cannot read it takes most of a minute to give up
        client = Client(address, timeout=_CONNECT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        problem = (str(error).strip().splitlines() or [type(error).__name__])[0]
        raise WorkersLostError(f"--cluster {address}: no Dask scheduler there: {problem}") from None
    with client:
        try:
            client.wait_for_workers(1, timeout=_CONNECT_S)
        except TimeoutError:
            raise WorkersLostError(f"--cluster {address}: the scheduler has no workers") from None
        threads = sum(client.nthreads().values())
        executor = client.get_executor(pure=False)
        try:
            yield _Team(executor, threads, 2 * threads + 2, (KilledWorker, CancelledError))
        finally:
            executor.shutdown(wait=False)  # by now all is done, or to be given up
