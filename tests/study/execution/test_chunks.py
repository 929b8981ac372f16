"""Chunks in this process and in a pool: the same bits, whoever works them, killed and resumed."""

from __future__ import annotations

import json
import multiprocessing
import os
import signal
import subprocess
import sys
import textwrap
import threading
import time
from functools import partial
from pathlib import Path

import numpy as np
import pytest

import acoustics
from acoustics.base.errors import OutputError, ParameterError
from acoustics.study.execution.chunks import Running, Workers, WorkersLostError, run_chunks
from acoustics.study.execution.store import ChunkStore, fingerprint

PACKAGE = str(Path(acoustics.__file__).parents[1])  # the same one in processes that are started
MOST_S = 300.0  # so that a test ends where a process hangs; no claim about time

# Work that other processes can import. Dies once (or always) over chunk 3 where it is not the parent itself.
WORK = """
import multiprocessing, os, signal, time
from pathlib import Path
import numpy as np

def draw(task, scale=1.0):
    return {"x": scale * np.random.default_rng(task[1]).normal(size=500), "index": np.array(task[0])}

def draw_and_die(task, marker, always=False):
    marker = Path(marker)
    if task[0] == 3 and (always or not marker.exists()):
        marker.write_text("died")
        os.kill(os.getpid(), signal.SIGKILL)
    return draw(task)

def without_end(task, folder):
    # Four chunks once two processes are at work, then no more: whoever looks on may take all the time it needs.
    (Path(folder) / f"{os.getpid()}.pid").write_text("")
    while task[0] >= 4 or len(list(Path(folder).glob("*.pid"))) < 2:
        time.sleep(0.02)
    return draw(task)

def threads(task):
    return {"threads": np.array(os.environ.get("OMP_NUM_THREADS", ""))}

def wrong(task):
    raise ValueError("chunk is wrong")
"""


@pytest.fixture
def work(tmp_path, monkeypatch):
    folder = tmp_path / "code"
    folder.mkdir()
    (folder / "chunk_work.py").write_text(WORK)
    monkeypatch.syspath_prepend(folder)
    import chunk_work

    yield chunk_work
    del sys.modules["chunk_work"]


def tasks(n=8, seed=1):
    return list(enumerate(np.random.SeedSequence(seed).spawn(n)))


def equal(one, other):
    return len(one) == len(other) and all(
        a.keys() == b.keys() and all(np.array_equal(a[k], b[k]) for k in a) for a, b in zip(one, other, strict=True)
    )


several_cores = pytest.mark.skipif(len(os.sched_getaffinity(0)) < 2, reason="a pool needs a second core")


@pytest.mark.slow
@several_cores
def test_a_pool_gives_the_same_bits_in_order_and_shares_the_cores(work):
    told = []
    here = run_chunks(work.draw, tasks())
    pool = run_chunks(
        work.draw, tasks(), running=Running(Workers(2)), progress=lambda done, total: told.append((done, total))
    )
    assert equal(here, pool)
    assert [int(r["index"]) for r in pool] == list(range(8))
    assert told == [(k, 8) for k in range(9)]
    before = os.environ.get("OMP_NUM_THREADS")
    shares = {int(r["threads"].item()) for r in run_chunks(work.threads, tasks(2), running=Running(Workers(2)))}
    assert shares == {1}
    assert os.environ.get("OMP_NUM_THREADS") == before


@several_cores
@pytest.mark.slow
def test_a_worker_that_dies_costs_nothing(work, tmp_path):
    dying, besides = partial(work.draw_and_die, marker=str(tmp_path / "marker")), []
    found = run_chunks(dying, tasks(), running=Running(Workers(2)), meanwhile=lambda: besides.append(1))
    assert equal(found, run_chunks(work.draw, tasks()))
    assert (tmp_path / "marker").exists() and besides == [1]


@several_cores
@pytest.mark.slow
def test_a_chunk_that_always_kills_is_named_and_the_others_are_kept(work, tmp_path):
    dying = partial(work.draw_and_die, marker=str(tmp_path / "marker"), always=True)
    with pytest.raises(WorkersLostError, match=r"died 3 times over chunk 4 of 8.*--resume"):
        run_chunks(dying, tasks(), running=Running(Workers(2), tmp_path / "kept"), fingerprint="f")
    kept = ChunkStore.opened(tmp_path / "kept", "f", 8).finished()
    assert sorted(set(range(8)) - {3}) == sorted(kept)


@several_cores
@pytest.mark.slow
def test_the_last_chunk_that_kills_does_not_take_the_study_along(work, tmp_path):
    kept = Running(Workers(2), tmp_path / "kept")
    run_chunks(work.draw, tasks(), running=kept, fingerprint="f")
    for lost in ("chunk-000003.npz", "chunk-000004.npz"):
        (tmp_path / "kept" / lost).unlink()
    # Both may be at work in the first death. After it 3 is worked alone, and never in this process.
    dying = partial(work.draw_and_die, marker=str(tmp_path / "marker"), always=True)
    with pytest.raises(WorkersLostError, match="died 3 times over chunk 4 of 8"):
        run_chunks(dying, tasks(), running=kept, fingerprint="f")


def test_a_study_goes_on_from_its_folder_without_working_a_chunk_twice(work, tmp_path):
    calls = []

    def counted(task):
        calls.append(task[0])
        if len(calls) == 4:
            raise KeyboardInterrupt
        return work.draw(task)

    folder = tmp_path / "new" / "study"
    with pytest.raises(KeyboardInterrupt):
        run_chunks(counted, tasks(), running=Running(folder=folder), fingerprint="f")
    resumed = run_chunks(counted, tasks(), running=Running(folder=folder), fingerprint="f")
    assert calls == [0, 1, 2, 3, 3, 4, 5, 6, 7]
    assert equal(resumed, run_chunks(work.draw, tasks()))
    assert run_chunks(counted, tasks(), running=Running(folder=folder), fingerprint="f")
    assert len(calls) == 9


def test_what_is_to_be_done_besides_is_done_once_in_this_process_and_while_others_work(work, tmp_path):
    done, kept = [], Running(folder=tmp_path / "s")
    for _ in range(2):  # the second time no chunk is left
        run_chunks(work.draw, tasks(), running=kept, fingerprint="f", meanwhile=lambda: done.append(os.getpid()))
    assert done == [os.getpid()] * 2


@several_cores
@pytest.mark.slow
def test_what_is_to_be_done_besides_waits_until_a_worker_has_nothing_to_do(work):
    done, when = [], []
    run_chunks(
        work.draw,
        tasks(3),
        running=Running(Workers(2)),
        progress=lambda number, _: done.append(number),
        meanwhile=lambda: when.append(done[-1]),
    )
    assert len(when) == 1 and when[0] >= 2


def test_a_spoilt_chunk_is_worked_again(work, tmp_path):
    first = run_chunks(work.draw, tasks(), running=Running(folder=tmp_path / "s"), fingerprint="f")
    (tmp_path / "s" / "chunk-000002.npz").write_bytes(b"PK\x03\x04 outlier")
    (tmp_path / "s" / "chunk-000004.npz").write_bytes(b"")
    # A chunk of another study, and one that would need unpickling, are not believed either.
    np.savez(tmp_path / "s" / "chunk-000005.npz", of_study=np.array("other"), x=np.zeros(3))
    np.savez(tmp_path / "s" / "chunk-000006.npz", of_study=np.array("f"), x=np.array([{}], dtype=object))
    assert equal(run_chunks(work.draw, tasks(), running=Running(folder=tmp_path / "s"), fingerprint="f"), first)


def test_a_chunk_with_any_byte_changed_is_whole_or_not_finished(tmp_path):
    store = ChunkStore.opened(tmp_path / "s", "f", 1)
    store.keep(0, {"x": np.arange(30.0), "name": np.array(["a", "b"])})
    path = tmp_path / "s" / "chunk-000000.npz"
    content, rng = path.read_bytes(), np.random.default_rng(1)
    for at in rng.integers(len(content), size=600):
        changed = bytearray(content)
        changed[at] = rng.integers(256)
        path.write_bytes(changed)
        for chunk in store.finished().values():
            np.testing.assert_array_equal(chunk["x"], np.arange(30.0))


def test_folders_of_something_else_are_refused(work, tmp_path):
    run_chunks(work.draw, tasks(), running=Running(folder=tmp_path / "a"), fingerprint="f")
    with pytest.raises(OutputError, match="holds the chunks of another study"):
        run_chunks(work.draw, tasks(), running=Running(folder=tmp_path / "a"), fingerprint="g")
    with pytest.raises(OutputError, match="holds the chunks of another study"):
        run_chunks(work.draw, tasks(4), running=Running(folder=tmp_path / "a"), fingerprint="f")
    (tmp_path / "a" / "study.json").write_text("[" * 100_000)
    with pytest.raises(OutputError, match="holds the chunks of another study"):
        run_chunks(work.draw, tasks(), running=Running(folder=tmp_path / "a"), fingerprint="f")
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / "notes.txt").write_text("mine")
    with pytest.raises(OutputError, match="holds other files"):
        run_chunks(work.draw, tasks(), running=Running(folder=tmp_path / "b"), fingerprint="f")
    with pytest.raises(OutputError, match="cannot be kept there"):
        run_chunks(work.draw, tasks(), running=Running(folder=tmp_path / "b" / "notes.txt"), fingerprint="f")


def test_what_the_work_raises_comes_through(work):
    with pytest.raises(ValueError, match="chunk is wrong"):
        run_chunks(work.wrong, tasks(2))


@several_cores
def test_what_stops_a_study_ends_its_pool(work):
    """Not with Python, which could find the pool's thread at work while it closes what that is woken by."""
    before = set(threading.enumerate())
    with pytest.raises(ValueError, match="chunk is wrong"):
        run_chunks(work.wrong, tasks(8), running=Running(Workers(2)))
    assert set(threading.enumerate()) <= before and not multiprocessing.active_children()


@pytest.mark.parametrize(("given", "expected"), [({"jobs": 0}, "jobs = 0"), ({"jobs": 2, "cluster": "x"}, "exclude")])
def test_workers_that_cannot_be_are_refused(given, expected):
    with pytest.raises(ParameterError, match=expected):
        Workers(**given)


def test_fingerprints_tell_inputs_apart():
    assert fingerprint("map", {"a": 1, "b": 2.0}) == fingerprint("map", {"b": 2.0, "a": 1})
    assert fingerprint("map", {"a": 1}) != fingerprint("map", {"a": 1.0000000001})


MAIN = """
    import sys
    from functools import partial
    from pathlib import Path
    import numpy as np
    import chunk_work
    from acoustics.study.execution.chunks import Running, Workers, run_chunks

    if __name__ == "__main__":
        folder = Path(sys.argv[1])
        tasks = list(enumerate(np.random.SeedSequence(1).spawn(int(sys.argv[2]))))
        work = partial(chunk_work.without_end, folder=str(folder))
        try:
            run_chunks(work, tasks, running=Running(Workers(2), folder / "kept"), fingerprint="f")
        except KeyboardInterrupt:
            sys.exit(130)
"""


@pytest.mark.slow
@several_cores
@pytest.mark.parametrize(("how", "code"), [(signal.SIGINT, 130), (signal.SIGKILL, -signal.SIGKILL)])
def test_stopped_or_killed_it_leaves_no_orphans_and_goes_on(work, tmp_path, how, code):
    (tmp_path / "main.py").write_text(textwrap.dedent(MAIN))
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([str(tmp_path / "code"), PACKAGE])}
    run = subprocess.Popen(
        [sys.executable, tmp_path / "main.py", tmp_path, "60"], env=environment, stderr=subprocess.PIPE, text=True
    )
    kept = tmp_path / "kept"
    until(lambda: len(list(kept.glob("chunk-*.npz"))) >= 2)
    run.send_signal(how)
    assert run.wait(timeout=MOST_S) == code
    assert "Traceback" not in run.stderr.read()
    workers = [int(path.stem) for path in tmp_path.glob("*.pid")]
    assert len(workers) == 2
    until(lambda: not any(alive(pid) for pid in workers))
    assert json.loads((kept / "study.json").read_text())["chunks"] == 60
    done = len(list(kept.glob("chunk-*.npz")))
    assert 2 <= done <= 4
    asked = []

    def rest(task):
        asked.append(task[0])
        return work.draw(task)

    assert equal(
        run_chunks(rest, tasks(60), running=Running(folder=kept), fingerprint="f"), run_chunks(work.draw, tasks(60))
    )
    assert len(asked) == 60 - done


def alive(pid):
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except OSError:
        return False
    return state != "Z"


def until(condition):
    end = time.monotonic() + MOST_S
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.02)
