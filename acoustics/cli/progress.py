"""How far long work has come, on standard error."""

from __future__ import annotations

import sys
import time

import click

_QUIET_S = 1.0


class Progress:
    """One line, rewritten as the work goes on, for what takes over a second; silent where nobody watches."""

    def __init__(self, verb: str) -> None:
        self._verb, self._start, self._shown = verb, time.monotonic(), -1

    def __call__(self, done: int, total: int) -> None:
        """Tell that `done` of `total` parts are finished."""
        elapsed = time.monotonic() - self._start
        share = 100 * done // total
        if not sys.stderr.isatty() or share == self._shown or elapsed < _QUIET_S:
            return
        self._shown = share
        left = elapsed * (total - done) / max(done, 1)
        click.echo(f"\r{share:3d} % {self._verb}, {left:.0f} s left ", nl=done == total, err=True)
