"""How far long work has come, on standard error."""

from __future__ import annotations

import sys
import threading
import time

import click

_EVERY_S = 1.0
_STARTED = time.monotonic()  # this is loaded before anything that takes long


class Progress:
    """One line, rewritten every second from the command's first on, until all is done; silent where nobody watches.

    The time left goes by the parts done since they began: what came before them, and parts that an earlier run had
    finished, say nothing of it. While a part takes longer than those before it, what comes after it is left at least.
    """

    _shown: Progress | None = None  # the one that the line is of

    def __init__(self, verb: str) -> None:
        self._verb, self._created = verb, time.monotonic()
        self._begun: tuple[float, int] | None = None  # when, with how much done
        self._done, self._total, self._told, self._parts = 0, 0, self._created, 0
        self._lock, self._ended, self._written = threading.Lock(), threading.Event(), False
        Progress.end()
        if sys.stderr.isatty():
            Progress._shown = self
            threading.Thread(target=self._every_second, daemon=True).start()

    def __call__(self, done: int, total: int) -> None:
        """Tell that `done` of `total` are behind; once with what is so at the beginning, and after each part."""
        with self._lock:
            self._told = time.monotonic()
            if self._begun is None:
                self._begun = (self._told, done)
            else:
                self._parts += 1
            self._done, self._total = done, total
        if done == total and Progress._shown is self:
            Progress.end()

    @staticmethod
    def end() -> None:
        """Leave the line as it is, if there is one, and write no more into it."""
        shown, Progress._shown = Progress._shown, None
        if shown is not None:
            shown._ended.set()
            if shown._written:
                shown._show(last=True)

    def left_s(self, now: float) -> float | None:
        """Time left [s]; None where nothing is known of it yet."""
        if self._begun is None or self._done <= self._begun[1]:
            return None
        began, before = self._begun
        done, left = self._done - before, self._total - self._done
        by_parts_done = left * (self._told - began) / done - (now - self._told)
        part = min(done / self._parts, left)  # the one at work, if it is as large as the others
        at_least = (left - part) * (now - began) / (done + part)
        return max(by_parts_done, at_least, 0.0)

    def _every_second(self) -> None:
        pause = min(max(_STARTED + _EVERY_S - self._created, 0.0), _EVERY_S)
        while not self._ended.wait(pause):
            self._show()
            pause = _EVERY_S

    def _show(self, *, last: bool = False) -> None:
        with self._lock:
            now, self._written = time.monotonic(), True
            left, share = self.left_s(now), 100 * self._done // max(self._total, 1)
            when = f"{now - self._created:.0f} s so far" if left is None else f"{left:.0f} s left"
            click.echo(f"\r{share:3d} % {self._verb}, {when}    ", nl=last, err=True)
