"""How far the study of spacing has come."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

# What takes as long as so many simulated pings; measured, to a factor of two.
A_MEASURED_PING, A_SWEEP, A_SEARCH, AN_OUTCOME = 300, 8_000, 20_000, 10_000


@dataclass
class Work:
    """Told in simulated pings that take as long; `planned` grows where more turns out to be needed."""

    progress: Callable[[int, int], None]
    planned: int
    done: int = 0

    def did(self, pings: int) -> None:
        """Tell that work of so many simulated pings is behind."""
        self.done += pings
        self.progress(self.done, max(self.planned, self.done))
