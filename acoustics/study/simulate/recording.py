"""A synthetic recording of a scene on disk, with what the crew would know of it and with the truth, apart."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acoustics.base.errors import ParameterError
from acoustics.base.files import whole_file
from acoustics.base.frames import Floats
from acoustics.base.record import record
from acoustics.base.result import Result
from acoustics.io.recording import Encoding, choose_encoding, write_samples
from acoustics.io.sidecar import sidecar_table
from acoustics.io.site_sketch import sketch_text
from acoustics.propagate.render import (
    DEFAULT_BLOCK_SAMPLES,
    DEFAULT_REVERBERATION_S,
    ChannelFaults,
    DrawnRecording,
    draw_recording,
    render,
)
from acoustics.scene.scene import Scene
from acoustics.study.simulate.notes import HeardPinger, heard, sidecar_of, truth_table
from acoustics.study.simulate.scene_sketch import drawn_sketch

Progress = Callable[[int, int], None]

_SKETCH_CHILD = 1000  # of the seed: far from those that a take uses, so that its draws stay what they are


@record
class SimulatedRecording(Result):
    """What was written and how it came out; `clipped_samples` and `peak` (share of full scale) are by channel."""

    title: str
    file: str
    sidecar: str
    site: str
    truth: str
    encoding: Encoding
    seconds: float
    n_samples: int
    sample_rate_hz: float
    channels: tuple[str, ...]
    echoes: bool
    seed: int
    clipped_samples: NDArray[np.int64]
    peak: Floats
    pingers: tuple[HeardPinger, ...]


def simulate_recording(
    scene: Scene,
    path: Path,
    *,
    seed: int,
    pings: int | None = None,
    seconds: float | None = None,
    echoes: bool = True,
    reverberation_s: float = DEFAULT_REVERBERATION_S,
    faults: ChannelFaults | None = None,
    encoding: Encoding | None = None,
    force: bool = False,
    progress: Progress | None = None,
    block_samples: int = DEFAULT_BLOCK_SAMPLES,
) -> SimulatedRecording:
    """Render a scene and write `path`, beside it sidecar (.json), site sketch (.site.toml) and truth (.truth.json).

    Parameters
    ----------
    scene : Scene
        The truth but for what is drawn: see `draw_recording`.
    path : Path
        Ends in .wav, .w64, .flac or .npy.
    seed : int
        Of everything random; the files depend on nothing else.
    pings : int, optional
        Length of the recording in repetition intervals of the first pinger.
    seconds : float, optional
        Length of the recording instead [s].
    echoes, reverberation_s, faults
        As in `draw_recording`.
    encoding : str, optional
        Default: the narrowest for the recorder's words.
    force : bool
        Whether files that exist may be replaced.
    progress : callable, optional
        Called after each block with the samples done and their total.
    block_samples : int
        Samples of each channel that are held in memory at once.

    Returns
    -------
    SimulatedRecording

    Raises
    ------
    ParameterError
        Not exactly one of `pings` and `seconds`, or a value out of range.
    OutputError
        A file exists, cannot be written, or cannot hold so much. Nothing is left behind then.
    """
    if (pings is None) == (seconds is None):
        raise ParameterError(f"pings={pings!r}, seconds={seconds!r}: exactly one must be given")
    if seconds is None:
        seconds = (pings or 0) * scene.pingers[0].pri_s
    bits = scene.recorder.bits
    encoding = choose_encoding(path, bits, encoding)
    beside, site, truth = (path.with_suffix(ending) for ending in (".json", ".site.toml", ".truth.json"))
    sketch = drawn_sketch(scene, np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(_SKETCH_CHILD,))))
    with ExitStack() as files:
        to_sidecar, to_site, to_truth, to_samples = (
            files.enter_context(whole_file(name, force=force)) for name in (beside, site, truth, path)
        )
        drawn = draw_recording(
            scene, seconds=seconds, seed=seed, echoes=echoes, reverberation_s=reverberation_s, faults=faults
        )
        count = _Count(drawn, progress)
        write_samples(
            to_samples,
            count.watch(render(drawn, block_samples=block_samples)),
            n_samples=drawn.n_samples,
            n_channels=len(drawn.skew_s),
            sample_rate_hz=scene.recorder.sample_rate_hz,
            recorder_bits=bits,
            encoding=encoding,
        )
        _write_json(to_sidecar, sidecar_table(sidecar_of(drawn, encoding)))
        to_site.write_text(sketch_text(sketch), encoding="utf-8")
        _write_json(to_truth, truth_table(drawn, seed))
    return SimulatedRecording(
        title=scene.title,
        file=str(path),
        sidecar=str(beside),
        site=str(site),
        truth=str(truth),
        encoding=encoding,
        seconds=drawn.n_samples / scene.recorder.sample_rate_hz,
        n_samples=drawn.n_samples,
        sample_rate_hz=scene.recorder.sample_rate_hz,
        channels=tuple(h.name for h in scene.array.hydrophones),
        echoes=echoes,
        seed=seed,
        clipped_samples=count.clipped,
        peak=count.largest / 2.0 ** (bits - 1),
        pingers=tuple(heard(scene, one) for one in drawn.series),
    )


class _Count:
    """Looks at the blocks that pass: samples at the ends of the converter's range, the largest, and progress."""

    def __init__(self, drawn: DrawnRecording, progress: Progress | None) -> None:
        self._total, self._progress = drawn.n_samples, progress
        self._ends = -(2 ** (drawn.scene.recorder.bits - 1)), 2 ** (drawn.scene.recorder.bits - 1) - 1
        self.clipped = np.zeros(len(drawn.skew_s), dtype=np.int64)
        self.largest = np.zeros(len(drawn.skew_s))

    def watch(self, blocks: Iterator[NDArray[np.int32]]) -> Iterator[NDArray[np.int32]]:
        """Pass blocks (n_samples, n_channels) on, counted."""
        done = 0
        if self._progress is not None:
            self._progress(done, self._total)
        for block in blocks:
            by_channel = np.ascontiguousarray(block.T)  # long rows: four times as fast to search as short columns
            low, high = by_channel.min(axis=1), by_channel.max(axis=1)
            self.largest = np.maximum(self.largest, np.maximum(high, -low.astype(float)))
            if low.min() <= self._ends[0] or high.max() >= self._ends[1]:
                self.clipped += np.sum((by_channel <= self._ends[0]) | (by_channel >= self._ends[1]), axis=1)
            yield block
            done += len(block)
            if self._progress is not None:
                self._progress(done, self._total)


def _write_json(path: Path, table: dict[str, Any]) -> None:
    path.write_text(json.dumps(table, indent=2, allow_nan=False) + "\n", encoding="utf-8")
