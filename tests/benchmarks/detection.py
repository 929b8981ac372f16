"""Prints missed and false pings against SNR beside the sonar equation's prediction, and the speed of `locate`.

Run as ``python tests/benchmarks/detection.py``; about a minute on one core. Noise is white, the burst has the shape
that the filter expects, its phase and its place between two outputs of the filter are random.
"""

from __future__ import annotations

import time
from collections.abc import Iterator

import numpy as np

from acoustics.estimate.detect.detector import band_detector, detection_probability
from acoustics.estimate.detect.matched_filter import burst_samples, filter_bank
from acoustics.estimate.locate.pipeline import LocateOptions, Tally, locate
from acoustics.io.sidecar import Channel, KnownPinger, Sidecar
from acoustics.io.streams import SampleStream
from acoustics.physics.burst import Burst

RATE, REPETITION_S, CHANNELS = 96e3, 0.5, 4
BURST = Burst(30e3, 4e-3)
PLACES = ((0.0, 0.0, 0.0), (0.02, 0.0, 0.0), (0.02, 0.02, 0.0), (0.0, 0.02, 0.0))


def sidecar(rate: float, pri_s: float) -> Sidecar:
    """Four channels and one pinger."""
    return Sidecar(
        sample_rate_hz=rate,
        channels=tuple(Channel(name=f"h{k}", position_m=place) for k, place in enumerate(PLACES)),
        pingers=(
            KnownPinger(
                name="amber pinger",
                frequency_hz=BURST.frequency_hz,
                length_s=BURST.length_s,
                pri_s=pri_s,
                q=BURST.q,
            ),
        ),
        sound_speed_m_s=1480.0,
    )


def noisy_train(ratio_db: float, seconds: float, seed: int) -> tuple[SampleStream, np.ndarray]:
    """A stream of noise of unit variance with a train of bursts of that 2E/N0, and when they begin [s]."""
    rng = np.random.default_rng(seed)
    shape = burst_samples(BURST, RATE) * np.sqrt(2 * 10 ** (ratio_db / 10))
    starts = (np.arange(0.2, seconds - 0.2, REPETITION_S) * RATE).astype(int) + rng.integers(0, 64)
    length = int(REPETITION_S * RATE)

    def blocks() -> Iterator[np.ndarray]:
        for start in starts:
            samples = rng.standard_normal((CHANNELS, length), dtype=np.float32)
            turn = np.exp(2j * np.pi * rng.random())
            at = start % length
            samples[:, at : at + len(shape)] += (turn * shape).real.astype(np.float32)
            yield samples * np.float32(1e-3)

    return SampleStream(blocks(), CHANNELS, RATE, None, "simulated"), starts / RATE


def missed_and_false() -> None:
    """The table."""
    step = filter_bank([BURST], RATE).steps[0]
    detector = band_detector(
        step=step, length_s=BURST.length_s, pri_s=REPETITION_S, sample_rate_hz=RATE, false_alarms_per_hour=1.0
    )
    print(f"{CHANNELS} channels, at most 1 false alarm an hour, {detector.false_alarm_probability:.1e} a look")
    print("2E/N0 dB  pings  missed %  +- %  predicted %  false pings")
    for k, ratio_db in enumerate((5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 11.0, 12.0, 14.0)):
        stream, starts = noisy_train(ratio_db, 150.0, k)
        found = [p.time_s for p in locate(stream, sidecar(RATE, REPETITION_S), LocateOptions())]
        near = np.abs(np.subtract.outer(starts, found)) if found else np.full((len(starts), 1), np.inf)
        missed = np.mean(near.min(axis=1) > 2 * BURST.length_s)
        false = int(np.sum(near.min(axis=0) > 2 * BURST.length_s)) if found else 0
        predicted = 1 - detection_probability(10 ** (ratio_db / 10), CHANNELS, detector.false_alarm_probability)
        spread = 1.96 * np.sqrt(max(missed * (1 - missed), 1 / len(starts)) / len(starts))
        print(
            f"{ratio_db:8.0f}  {len(starts):5d}  {100 * missed:8.1f}  {100 * spread:4.1f}  {100 * predicted:11.1f}"
            f"  {false:11d}"
        )
    rng, hours = np.random.default_rng(99), 0.25
    silence = (
        rng.standard_normal((CHANNELS, 1 << 17), dtype=np.float32) for _ in range(int(hours * 3600 * RATE) >> 17)
    )
    stream = SampleStream(silence, CHANNELS, RATE, None, "noise")
    alarms = len(list(locate(stream, sidecar(RATE, REPETITION_S), LocateOptions(false_alarms_per_hour=60.0))))
    print(f"noise alone, {hours:g} h at a limit of 60 false alarms an hour: {alarms} (limit {60 * hours:.0f})")


def speed(pri_s: float = 2.0, rate: float = 500e3, seconds: float = 60.0) -> None:
    """Times of 4 channels at 500 kHz, samples taken from memory; process time, so one core."""
    rng = np.random.default_rng(5)
    block = rng.standard_normal((CHANNELS, int(pri_s * rate)), dtype=np.float32)
    shape = (burst_samples(BURST, rate) * 150).real.astype(np.float32)
    block[:, 100_000 : 100_000 + len(shape)] += shape
    ratios = []
    for _ in range(3):
        stream = SampleStream(iter([block] * int(seconds / pri_s)), CHANNELS, rate, None, "memory")
        tally, start = Tally(), time.process_time()
        pings = list(locate(stream, sidecar(rate, pri_s), LocateOptions(), tally=tally))
        ratios.append(tally.seconds / (time.process_time() - start))
    print(
        f"locate: {np.median(ratios):.0f} times real time ({min(ratios):.0f} to {max(ratios):.0f}), {CHANNELS} channels "
        f"at {rate / 1e3:g} kHz, {len(pings)} pings in {seconds:g} s"
    )


if __name__ == "__main__":
    missed_and_false()
    speed()
