"""`pingfix fuse -`: ping lines and a navigation as they come, and after each ping a line with the running solution."""

from __future__ import annotations

import gc
import json
import os
import queue
import sys
import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

import click

from acoustics.base.record import record
from acoustics.cli.numbers import FloatRange
from acoustics.cli.options import Command, commit_options

if TYPE_CHECKING:
    from concurrent.futures import Future

    from acoustics.io.navigation_stream import Row
    from acoustics.io.ping import Ping
    from acoustics.study.live import LiveAnswer, LiveRun

_MOST_WAITING = 10_000  # lines; the writers of more wait
_TICK_S = 0.25


@record
class LiveOptions:
    """What only a live run takes."""

    state: Path | None
    page: Path | None
    window: int
    commit_probability: float
    wrong_station_cost_s: float | None
    wait_s: float
    stall_s: float

    @property
    def given(self) -> list[str]:
        """The options that ask for what a run from files does not have."""
        names = ("state", "page", "wrong_station_cost_s")
        return [f"--{name.replace('_', '-')}" for name in names if getattr(self, name) is not None]


def live_options(command: Command) -> Command:
    """The options of a live run; the command is given them as `live`."""

    @wraps(command)
    def run(*args: Any, **kwargs: Any) -> None:
        live = LiveOptions(**{name: kwargs.pop(name) for name in LiveOptions.__annotations__})
        command(*args, live=live, **kwargs)

    decorated: Command = run
    path = click.Path(path_type=Path, dir_okay=False)
    for option in (
        click.option(
            "--stall-s",
            type=FloatRange(0.1, 3600),
            default=10.0,
            show_default=True,
            help="Live: so long without a ping or a pose is said in a line.",
        ),
        click.option(
            "--wait-s",
            type=FloatRange(0, 60),
            default=1.0,
            show_default=True,
            help="Live: how long a ping's line waits for its pose.",
        ),
        commit_options("Live: "),
        click.option(
            "--window",
            type=click.IntRange(3, 200),
            default=24,
            show_default=True,
            metavar="PINGS",
            help="Live: the latest pings that are fused.",
        ),
        click.option("--page", type=path, metavar="FILE", help="Live: a page to watch, written at each ping."),
        click.option("--state", type=path, metavar="FILE", help="Live: keep the run in FILE; started again, go on."),
    ):
        decorated = option(decorated)
    return decorated


class _Inbox:
    """What the reading threads have brought: poses apart, since a ping must not be answered before those that came."""

    def __init__(self) -> None:
        self.poses: queue.Queue[Row] = queue.Queue(_MOST_WAITING)
        self.pings: queue.Queue[Ping | None] = queue.Queue(_MOST_WAITING)
        self._news = threading.Event()

    def put_pose(self, row: Row) -> None:
        """From the thread that reads the navigation."""
        self.poses.put(row)
        self._news.set()

    def put_ping(self, ping: Ping | None) -> None:
        """From the thread that reads the pings; None: there are no more."""
        self.pings.put(ping)
        self._news.set()

    def wait(self, seconds: float) -> None:
        """Until something comes, but no longer than that."""
        if self.poses.empty() and self.pings.empty():
            self._news.wait(seconds)
        self._news.clear()


@dataclass
class _Follower:
    """Lines in, lines out; everything but reading happens in one thread."""

    run: LiveRun
    pinger: str | None
    options: LiveOptions
    show: Callable[[LiveAnswer], None]
    keep: Callable[[], None]
    waiting: deque[tuple[Ping, tuple[str, ...], float]] = field(default_factory=deque)
    others: set[str] = field(default_factory=set)
    ended: bool = False
    last_ping: float = field(default_factory=time.monotonic)
    last_pose: float = field(default_factory=time.monotonic)
    silent: bool = False

    def follow(self, inbox: _Inbox) -> LiveAnswer:
        """Work until the pings have ended and each has its line; returns the last answer."""
        while not self.ended or self.waiting:
            inbox.wait(self._patience())
            poses = [inbox.poses.get() for _ in range(inbox.poses.qsize())]
            if poses:
                self.run.steer(poses)
                self.last_pose = time.monotonic()
            with suppress(queue.Empty):
                self._ping(inbox.pings.get_nowait())
            self._answers()
            if inbox.pings.empty():  # the time that an answer took is no silence of who sends pings
                self._silence()
        final = self.run.answer("end")
        self.show(final)
        return final

    def _patience(self) -> float:
        if not self.waiting:
            return _TICK_S
        return min(_TICK_S, max(self.waiting[0][2] - time.monotonic(), 0.0) + 1e-3)

    def _ping(self, ping: Ping | None) -> None:
        if ping is None:
            self.ended = True
            return
        self.last_ping, self.silent = time.monotonic(), False
        if self.pinger is None:
            self.pinger = ping.pinger
        if ping.pinger != self.pinger:
            if ping.pinger not in self.others:
                _say(f"pings of {ping.pinger!r} are passed over: --pinger names which to fuse")
                self.others.add(ping.pinger)
            return
        if self.run.knows(ping):
            return
        flags = self.run.take(ping)
        self.keep()
        self.waiting.append((ping, flags, time.monotonic() + self.options.wait_s))

    def _answers(self) -> None:
        """The lines of pings whose pose is known, or that have waited long enough for it."""
        while self.waiting and (not self.run.waits(self.waiting[0][0]) or time.monotonic() >= self.waiting[0][2]):
            ping, flags, _ = self.waiting.popleft()
            self.show(self.run.answer("ping", ping, flags + self._no_poses()))

    def _silence(self) -> None:
        quiet = time.monotonic() - self.last_ping
        if not self.silent and not self.ended and quiet >= self.options.stall_s:
            self.silent = True
            said = f"no ping for {quiet:.0f} s: the pinger, the recorder or what reads it has stopped"
            self.show(self.run.answer("silence", None, (said, *self._no_poses())))

    def _no_poses(self) -> tuple[str, ...]:
        quiet = time.monotonic() - self.last_pose
        if self.run.navigation is None or quiet < self.options.stall_s:
            return ()
        return (f"no pose for {quiet:.0f} s: the navigation has stopped",)


def _read_pings(pings: BinaryIO, inbox: _Inbox) -> None:
    """In a thread of its own, until the stream ends; a line that is no ping is passed over with a word."""
    from acoustics.base.errors import InputError
    from acoustics.io.ping_lines import LONGEST_LINE_BYTES, ping_from_line

    number = 0
    try:
        while line := pings.readline(LONGEST_LINE_BYTES + 1):
            number += 1
            try:
                if line.strip():
                    inbox.put_ping(ping_from_line(line, f"standard input: line {number}"))
            except InputError as error:
                _say(str(error))
    except OSError as error:
        _say(f"standard input: cannot be read: {(error.strerror or str(error)).lower()}")
    finally:
        inbox.put_ping(None)


def _read_navigation(where: str, inbox: _Inbox, stopped: Callable[[], bool]) -> None:
    """In a thread of its own, until it is stopped; a line that is no pose is passed over with a word."""
    from acoustics.base.errors import InputError
    from acoustics.io.navigation_stream import RowReader, navigation_lines

    reader = RowReader(where)
    try:
        for line in navigation_lines(where, stopped):
            try:
                row = reader.take(line)
            except InputError as error:
                _say(str(error))
                continue
            if row is not None:
                inbox.put_pose(row)
    except InputError as error:
        _say(str(error))


def follow_live(
    run: LiveRun,
    pings: BinaryIO,
    navigation: str | None,
    pinger: str | None,
    options: LiveOptions,
    draw: Callable[[LiveAnswer], bytes],
) -> LiveAnswer:
    """Print a line for each ping of a stream, and keep state and page up to date, until the stream ends."""
    from concurrent.futures import ThreadPoolExecutor

    from acoustics.base.files import write_file
    from acoustics.present.text.tables import to_dict

    inbox = _Inbox()
    stopped = threading.Event()

    unwritten: list[Future[None]] = []

    def show(answer: LiveAnswer) -> None:
        while unwritten:  # what a line tells is kept by then
            unwritten.pop().result()
        click.echo(json.dumps(to_dict(answer), allow_nan=False))  # which flushes
        if options.page is not None:
            write_file(options.page, draw(answer), force=True)

    def write_state(path: Path, table: dict[str, Any]) -> None:
        write_file(path, json.dumps(table, allow_nan=False).encode(), force=True)

    def keep() -> None:
        if options.state is not None:  # while the answer is worked out: the disk takes longer than that
            unwritten.append(writer.submit(write_state, options.state, run.table()))

    threading.Thread(target=_read_pings, args=(pings, inbox), daemon=True).start()
    if navigation is not None:
        threading.Thread(target=_read_navigation, args=(navigation, inbox, stopped.is_set), daemon=True).start()
    writer = ThreadPoolExecutor(1)
    gc.freeze()  # what is loaded stays: to seek garbage in it takes as long as an answer, for one in ten
    try:
        return _Follower(run, pinger, options, show, keep).follow(inbox)
    except (KeyboardInterrupt, click.Abort):
        raise click.Abort("each ping heard until then has its line") from None
    finally:
        gc.unfreeze()
        stopped.set()
        writer.shutdown()


def _say(line: str) -> None:
    click.echo(f"pingfix: {line}", err=True)


def standard_input() -> BinaryIO:
    """Standard input by a handle of our own: a thread may still wait on it when the command ends."""
    return os.fdopen(os.dup(sys.stdin.fileno()), "rb")
