"""Print what `locate` does with recordings whose channels are inverted or swapped, and with sound ones.

    python tests/benchmarks/wiring.py [--arrays hull-4 mixed-5] [--scenes 4] [--seed 3] [--sound]

The vehicle stands at random places and headings on the shipped sites in turn; each recording holds seven or eight pings.
A row an array and kind of fault: with --sound the recordings are all as noted. Off: over 1 degree and three stated
deviations. Passed without a word: with a bearing, and neither refused nor the fault among those that are not told.
Some two seconds of processor a recording.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import numpy as np

from acoustics.base.errors import ParameterError
from acoustics.base.frames import bearing_and_depression
from acoustics.estimate.locate import LocateOptions, Tally, locate
from acoustics.io.ping import Ping
from acoustics.io.recording import choose_encoding
from acoustics.io.streams import SampleStream
from acoustics.present.text.tables import table
from acoustics.propagate.render import ChannelFaults, DrawnRecording, draw_recording, render
from acoustics.scene.scenario import load_array, load_scene, shipped
from acoustics.scene.scene import Scene
from acoustics.study.simulate import sidecar_of

PRI_S, PINGS, MOST_FAULTS = 0.25, 8, 15
# Low and high end of x, y and depth of the vehicle [m].
PLACES = {
    "mallard-basin": ((1.5, 1.5, 0.5), (16.0, 11.0, 1.0)),
    "quay-nine": ((5.0, 5.0, 1.0), (60.0, 50.0, 3.0)),
    "fennel-reservoir": ((0.0, -10.0, 1.0), (35.0, 25.0, 4.0)),
}
SOUND, INVERTED, SWAPPED = "as noted", "one inverted", "two swapped"


@dataclass(frozen=True)
class Heard:
    """What came of a recording: `off_deg` and `sd_deg` are of the pings that have a bearing."""

    pings: tuple[Ping, ...]
    off_deg: np.ndarray
    sd_deg: np.ndarray
    named: tuple[str, ...]
    untold: tuple[tuple[str, ...], ...]


def placed(array: str, site: str, rng: np.random.Generator) -> Scene:
    """A shipped site with another array, and the vehicle somewhere in it."""
    base = load_scene(shipped("examples")[site])
    own = load_array(shipped("arrays")[array]).model_copy(update={"mount_m": (0.0, 0.0, 0.2)})
    pinger = base.pingers[0].model_copy(update={"pri_s": PRI_S, "start_jitter_s": 0.0})
    at = tuple(rng.uniform(*PLACES[site]).tolist())
    vehicle = base.vehicle.model_copy(update={"position_m": at, "heading_deg": float(rng.uniform(-180.0, 180.0))})
    return base.model_copy(update={"pingers": (pinger,), "array": own, "vehicle": vehicle, "stations": ()})


def faults_of(names: list[str], rng: np.random.Generator) -> Iterator[tuple[str, tuple[str, ...], ChannelFaults]]:
    """Kind, channels as `locate` names them, and fault: all of a small array, some of a large one."""
    every = [(INVERTED, (a,), ChannelFaults(inverted=(a,))) for a in names]
    every += [(SWAPPED, (a, b), ChannelFaults(swapped=((a, b),))) for a, b in combinations(names, 2)]
    yield from (every[k] for k in rng.permutation(len(every))[:MOST_FAULTS])


def heard(drawn: DrawnRecording) -> Heard:
    """What `locate` tells of a recording."""
    scene, recorder = drawn.scene, drawn.scene.recorder
    volts = recorder.full_scale_v / 2.0 ** (recorder.bits - 1)
    blocks = ((counts.T * volts).astype(np.float32, order="C") for counts in render(drawn))
    stream = SampleStream(
        blocks, len(drawn.skew_s), recorder.sample_rate_hz, recorder.full_scale_v, scene.title, drawn.n_samples
    )
    tally = Tally()
    notes = sidecar_of(drawn, choose_encoding(Path("x.wav"), recorder.bits))
    pings = tuple(locate(stream, notes, LocateOptions(), tally=tally))
    towards = scene.vehicle.pose.to_body(np.array([scene.pingers[0].position_m])) - scene.array.positions_m.mean(axis=0)
    true = float(bearing_and_depression(towards)[0][0])
    errors = np.rad2deg([nearest(ping, true) for ping in pings if ping.ok]).reshape(-1, 2)
    named = tuple(flag for flag in tally.flags if "as noted" in flag)
    return Heard(pings, errors[:, 0], errors[:, 1], named, tally.wiring_untold)


def nearest(ping: Ping, bearing: float) -> tuple[float, float]:
    """Error and stated deviation of the candidate nearest the truth, of those half as likely as the first."""
    likely = [c for c in ping.candidates if c.probability >= 0.5 * ping.candidates[0].probability]
    errors = [abs(float(np.angle(np.exp(1j * (c.bearing - bearing))))) for c in likely]
    k = int(np.argmin(errors))
    return errors[k], likely[k].bearing_sd


def recordings(array: str, scenes: int, seed: int, *, sound: bool) -> Iterator[tuple[str, tuple[str, ...], Heard]]:
    for k in range(scenes):
        rng = np.random.default_rng([seed, k])
        scene = placed(array, list(PLACES)[k % len(PLACES)], rng)
        names = [h.name for h in scene.array.hydrophones]
        faults = [] if sound else faults_of(names, rng)
        for kind, channels, fault in [(SOUND, (), ChannelFaults()), *faults]:
            try:
                drawn = draw_recording(scene, seconds=PRI_S * PINGS, seed=1000 * seed + k, faults=fault)
            except ParameterError:  # a hydrophone out of the water
                continue
            yield kind, channels, heard(drawn)


def wording(channels: tuple[str, ...]) -> str:
    """A fault as the flags have it."""
    if len(channels) == 2:
        return f"channels '{channels[0]}' and '{channels[1]}' are swapped"
    return f"channel '{channels[0]}' is inverted"


def row(array: str, kind: str, found: list[tuple[tuple[str, ...], Heard]]) -> tuple[str, ...]:
    given = sum(len(h.off_deg) for _, h in found)
    off = sum(int(np.sum(h.off_deg > np.maximum(1.0, 3.0 * h.sd_deg))) for _, h in found)
    silent = [h for channels, h in found if len(h.off_deg) and channels not in h.untold and not h.named]
    return (
        array,
        kind,
        str(len(found)),
        str(sum(len(h.pings) for _, h in found)),
        str(given),
        str(off),
        str(len(silent) if kind != SOUND else 0),
        str(sum(bool(h.named) for _, h in found)),
        str(sum(bool(channels) and any(wording(channels) in flag for flag in h.named) for channels, h in found)),
        str(sum(channels in h.untold if channels else bool(h.untold) for channels, h in found)),
    )


HEADER = (
    "array", "channels", "recordings", "pings", "with a bearing", "of them off", "recordings passed without a word",
    "recordings refused", "by the right name", "said not to be told",
)  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--arrays", nargs="+", default=["hull-4", "mixed-5"])
    parser.add_argument("--scenes", type=int, default=4)
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--sound", action="store_true")
    options = parser.parse_args()
    rows = []
    for array in options.arrays:
        found: dict[str, list[tuple[tuple[str, ...], Heard]]] = {}
        for kind, channels, one in recordings(array, options.scenes, options.seed, sound=options.sound):
            found.setdefault(kind, []).append((channels, one))
        rows += [row(array, kind, found[kind]) for kind in (SOUND, INVERTED, SWAPPED) if kind in found]
    print(table(HEADER, rows))


if __name__ == "__main__":
    main()
