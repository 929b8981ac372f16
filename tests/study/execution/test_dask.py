"""Chunks on a Dask cluster of two workers on this machine: the same bits, also when one of them is killed."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

import acoustics
from acoustics.study.execution.chunks import Running, Workers, WorkersLostError, run_chunks

pytest.importorskip("distributed")

PACKAGE = str(Path(acoustics.__file__).parents[1])  # the same one in processes that are started
MOST_S = 300.0  # so that the test ends where a process hangs; no claim about time

WORK = """
import os, time
import numpy as np
from pathlib import Path

def draw(task, folder):
    (Path(folder) / f"{os.getpid()}.worker").write_text("")
    while len(list(Path(folder).glob("*.worker"))) < 2:  # until both have begun
        time.sleep(0.02)
    return {"x": np.random.default_rng(task[1]).normal(size=500)}
"""


@pytest.fixture
def cluster(tmp_path, monkeypatch):
    """Address of a scheduler on the loopback interface and its two workers, each a process of its own."""
    (tmp_path / "cluster_work.py").write_text(WORK)
    monkeypatch.syspath_prepend(tmp_path)
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([str(tmp_path), PACKAGE]), "OMP_NUM_THREADS": "1"}
    note = tmp_path / "scheduler.json"
    started = []

    def start(program, *arguments):
        command = [sys.executable, "-m", f"distributed.cli.{program}", "--no-dashboard", *arguments]
        log = (tmp_path / f"log-{len(started)}.txt").open("w")
        started.append(subprocess.Popen(command, env=environment, stdout=log, stderr=log, cwd=tmp_path))
        log.close()
        return started[-1]

    start("dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--scheduler-file", str(note))
    workers = [
        start("dask_worker", "--scheduler-file", str(note), "--nthreads", "1", "--no-nanny", "--name", str(k))
        for k in range(2)
    ]
    end = time.monotonic() + MOST_S
    while not (note.exists() and note.read_text()):
        assert time.monotonic() < end
        time.sleep(0.05)
    yield json.loads(note.read_text())["address"], workers
    for process in reversed(started):
        process.kill()
        process.wait()
    del sys.modules["cluster_work"]


@pytest.mark.slow
@pytest.mark.thorough
def test_one_of_two_workers_killed_during_the_run_changes_nothing(cluster, tmp_path):
    import functools

    import cluster_work
    from distributed import Client

    address, workers = cluster
    with Client(address, set_as_default=False) as client:
        client.wait_for_workers(2, timeout=MOST_S)
    tasks = list(enumerate(np.random.SeedSequence(5).spawn(60)))
    work = functools.partial(cluster_work.draw, folder=str(tmp_path))
    told = []

    def watch(done, total):
        told.append(done)
        if done == 10:
            assert len(list(tmp_path.glob("*.worker"))) == 2  # both have worked
            workers[0].kill()

    spread = run_chunks(work, tasks, running=Running(Workers(cluster=address), tmp_path / "kept"), progress=watch)
    assert workers[0].wait(timeout=MOST_S) < 0
    assert told == list(range(61))
    here = run_chunks(work, tasks)
    assert all(np.array_equal(a["x"], b["x"]) for a, b in zip(spread, here, strict=True))
    assert len(list((tmp_path / "kept").glob("chunk-*.npz"))) == 60


@pytest.mark.parametrize("address", ["", "x", "tcp://127.0.0.1:x", "tcp://"])
def test_what_is_no_address_of_a_cluster_is_refused_before_a_client_is_made(address, monkeypatch):
    monkeypatch.setattr("distributed.Client", None)
    with pytest.raises(WorkersLostError, match="no Dask scheduler there: [^\n]*$"):
        run_chunks(len, [(1,)], running=Running(Workers(cluster=address)))


def test_a_cluster_that_is_not_there_gives_one_line(monkeypatch):
    monkeypatch.setattr("acoustics.study.execution.chunks._CONNECT_S", 0.5)
    with pytest.raises(WorkersLostError, match=r"^--cluster 127.0.0.1:9: no Dask scheduler there: [^\n]*$"):
        run_chunks(len, [(1,)], running=Running(Workers(cluster="127.0.0.1:9")))
