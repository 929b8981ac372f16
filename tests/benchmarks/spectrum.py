"""Errors of `pingfix spectrum` on synthetic recordings with known values, made by numpy alone.

    .venv/bin/python tests/benchmarks/spectrum.py [recordings] [seed] [--early]

Each recording has white noise of known density, one steady tone and one pinger; every other one has eight echoes a
ping, from 0.4 to 15 ms after the direct sound. Prints a table: how many are told, median and largest error.

With --early the recordings have, in turn, no echo, those eight, and besides them one or two within 0.02 to 0.3 ms,
which stay as they are from ping to ping. Prints how often Q is told, how often with the remark that an echo came early,
and how often it is wrong, with it and without: further off than three of its stated deviations.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np

from acoustics.estimate.spectrum import band_densities, find_bursts, measure_bursts, noise_spectrum, steady_tones

RATE_HZ, CHANNELS, SECONDS, DENSITY = 250e3, 4, 6.0, 1e-8
OVER_NOISE_DB = (20.0, 30.0, 40.0, 60.0)


@dataclass(frozen=True)
class Truth:
    frequency_hz: float
    length_s: float
    q: float
    pri_s: float
    amplitude: float
    tone_hz: float
    tone_amplitude: float


def drawn(rng: np.random.Generator, over_noise_db: float) -> Truth:
    """Values of one recording."""
    return Truth(
        frequency_hz=rng.uniform(25e3, 40e3),
        length_s=rng.uniform(1e-3, 8e-3),
        q=rng.uniform(4, 25),
        pri_s=rng.uniform(0.5, 2.0),
        amplitude=float(np.sqrt(2 * DENSITY * 1e3 * 10 ** (over_noise_db / 10))),
        tone_hz=rng.uniform(3e3, 20e3),
        tone_amplitude=float(np.sqrt(2 * DENSITY * 1e3)),
    )


def envelope(t: np.ndarray, truth: Truth) -> np.ndarray:
    """Build-up and decay of a resonator."""
    rate = np.pi * truth.frequency_hz / truth.q
    driven = 1 - np.exp(-rate * np.minimum(t, truth.length_s))
    return np.where(t > 0, driven * np.exp(-rate * np.maximum(t - truth.length_s, 0)), 0.0)


def recorded(rng: np.random.Generator, truth: Truth, echoes: int, early: int = 0) -> np.ndarray:
    """Samples of all channels, shape (n_channels, n)."""
    soon = rng.uniform(0.02e-3, 0.3e-3, early)
    apart = rng.uniform(0.0, 4e-5, (CHANNELS, 1 + early))  # of an array: the same in every ping
    soon_gain = rng.uniform(0.1, 0.8, early) * rng.choice([-1, 1], early)
    n = int(SECONDS * RATE_HZ)
    t = np.arange(n) / RATE_HZ
    samples = rng.normal(scale=np.sqrt(DENSITY * RATE_HZ / 2), size=(CHANNELS, n))
    samples += truth.tone_amplitude * np.cos(2 * np.pi * truth.tone_hz * t + rng.uniform(0, 6))
    first = rng.uniform(0.05, 0.9 * truth.pri_s)
    for start in np.arange(first, SECONDS - 0.1, truth.pri_s):
        late = np.append(0.0, rng.uniform(0.4e-3, 15e-3, echoes))
        gain = np.append(1.0, rng.uniform(0.1, 0.7, echoes) * rng.choice([-1, 1], echoes))
        for channel, own in zip(samples, apart, strict=True):
            own_late = late + rng.uniform(0, 1e-4, len(late))
            if early:
                own_late[0] = own[0]
            delays, gains = np.append(own_late, soon + own[1:]), np.append(gain, soon_gain)
            for delay, strength in zip(delays, gains, strict=True):
                begin = int((start + delay) * RATE_HZ)
                u = t[begin : begin + int(0.02 * RATE_HZ)] - start - delay
                wave = envelope(u, truth) * np.cos(2 * np.pi * truth.frequency_hz * u)
                channel[begin : begin + len(u)] += strength * truth.amplitude * wave
    return samples


def errors(samples: np.ndarray, truth: Truth) -> dict[str, float]:
    """By quantity: measured less true, NaN where it is not told."""
    noise = noise_spectrum(samples, RATE_HZ)
    _, density = band_densities(noise)
    tones = steady_tones(noise)
    trains = find_bursts(samples, RATE_HZ)
    found = {"noise density [dB]": float(10 * np.log10(np.median(density) / DENSITY))}
    of_tone = [tone for tone in tones if abs(tone.frequency_hz - truth.tone_hz) < 20]
    found["tone's frequency [Hz]"] = of_tone[0].frequency_hz - truth.tone_hz if of_tone else np.nan
    level = of_tone[0].mean_square.mean() / (truth.tone_amplitude**2 / 2) if of_tone else np.nan
    found["tone's level [dB]"] = float(10 * np.log10(level))
    if not trains:
        return found | dict.fromkeys(
            ("frequency [Hz]", "length [ms]", "interval [ms]", "Q [%]", "direct level [dB]"), np.nan
        )
    burst = measure_bursts(samples, RATE_HZ, trains[0])
    return found | {
        "frequency [Hz]": burst.frequency_hz - truth.frequency_hz,
        "length [ms]": 1e3 * (burst.length_s - truth.length_s),
        "interval [ms]": 1e3 * (burst.pri_s - truth.pri_s),
        "Q [%]": 100 * (burst.q / truth.q - 1),
        "direct level [dB]": float(10 * np.log10(np.mean(burst.direct_mean_square) / (truth.amplitude**2 / 2))),
    }


def campaign(recordings: int, seed: int) -> dict[float, list[dict[str, float]]]:
    """Errors of so many recordings by level over the noise; every other one has echoes."""
    of_level: dict[float, list[dict[str, float]]] = {}
    for k, child in enumerate(np.random.SeedSequence(seed).spawn(recordings)):
        rng = np.random.default_rng(child)
        over = OVER_NOISE_DB[k // 2 % len(OVER_NOISE_DB)]
        truth = drawn(rng, over)
        of_level.setdefault(over, []).append(errors(recorded(rng, truth, 8 * (k % 2)), truth))
    return of_level


KINDS = {"no echo": (0, 0), "echoes later": (8, 0), "one echo early": (8, 1), "two early": (8, 2)}


def early_campaign(recordings: int, seed: int) -> list[tuple[str, float, float, float, bool]]:
    """Kind, level over noise, how far off log Q is in stated deviations (NaN: not told), the direct level's error, and
    whether an early echo is remarked."""
    found = []
    for k, child in enumerate(np.random.SeedSequence(seed).spawn(recordings)):
        rng = np.random.default_rng(child)
        kind, over = list(KINDS)[k % len(KINDS)], OVER_NOISE_DB[1 + k // len(KINDS) % 3]
        truth = drawn(rng, over)
        samples = recorded(rng, truth, *KINDS[kind])
        burst = measure_bursts(samples, RATE_HZ, find_bursts(samples, RATE_HZ)[0])
        level = 10 * np.log10(np.mean(burst.direct_mean_square) / (truth.amplitude**2 / 2))
        off = np.log(burst.q / truth.q) / (burst.q_sd / burst.q)
        found.append((kind, over, float(off), float(level), burst.early_echo))
    return found


def early_rows(found: list[tuple[str, float, float, float, bool]]) -> list[str]:
    """A row a kind and level: recordings, how many told, remarked and wrong; the largest error of the direct level."""
    rows = [
        "| echoes | over noise | recordings | Q told | with a remark | wrong | wrong without a remark "
        "| direct level without one off, at most [dB] |",
        "|" + 8 * " --- |",
    ]
    for kind in KINDS:
        for over in OVER_NOISE_DB[1:]:
            here = np.array([row[2:] for row in found if row[:2] == (kind, over)]).reshape(-1, 3)
            off, level, remarked = here[np.isfinite(here[:, 0])].T
            wrong, bare = np.abs(off) > 3.0, remarked == 0
            worst = f"{np.abs(level[bare]).max():.1f}" if bare.any() else "-"
            cells = (len(here), len(off), (~bare).sum(), wrong.sum(), (wrong & bare).sum(), worst)
            rows.append(f"| {kind} | {over:.0f} dB | {' | '.join(str(cell) for cell in cells)} |")
    return rows


def cell(values: np.ndarray) -> str:
    """How many are told, the median and the largest error."""
    told = values[np.isfinite(values)]
    share = f"{len(told)} of {len(values)}"
    return f"{share}: {np.median(told):.2g}, {told.max():.2g}" if len(told) else share


def main() -> None:
    numbers = [int(given) for given in sys.argv[1:] if given != "--early"]
    recordings, seed = (*numbers, *(100, 1)[len(numbers) :])
    if "--early" in sys.argv:
        print("\n".join(early_rows(early_campaign(recordings, seed))))
        return
    of_level = campaign(recordings, seed)
    print(f"| told: median error, largest | {' | '.join(f'{over:.0f} dB over noise' for over in of_level)} |")
    print(f"|{' --- |' * (1 + len(of_level))}")
    for name in next(iter(of_level.values()))[0]:
        cells = [cell(np.abs([row[name] for row in rows])) for rows in of_level.values()]
        print(f"| {name} | {' | '.join(cells)} |")


if __name__ == "__main__":
    main()
