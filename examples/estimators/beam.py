#!/usr/bin/env python3
"""Bearing of the one ping in a recording by a steered beam: an external estimator in plain Python, with numpy alone.

Usage: beam.py RECORDING.wav SIDECAR.json; prints one line of JSON. The README beside it tells the protocol.
"""

import json
import sys
import wave

import numpy as np

PIECE_CYCLES = 4  # of the carrier; short, since echoes soon follow the direct sound
AFTER_CYCLES = 3  # the piece used ends so much later than the first one that rises out of the noise
RISE = 6.0  # power over that of the noise at which a ping has begun
FIFTH_OF_NOISE = 0.223  # of the mean: a fifth of exponentially distributed powers lies below


def read_wav(path):
    """Samples of shape (n_samples, n_channels) of a 16-bit WAV file."""
    with wave.open(path, "rb") as file:
        if file.getsampwidth() != 2:
            sys.exit(f"{path}: only 16-bit samples can be read")
        counts = np.frombuffer(file.readframes(file.getnframes()), dtype="<i2")
        return counts.reshape(-1, file.getnchannels()).astype(float)


def carrier(samples, frequency, length):
    """Complex amplitude at a frequency [cycles per sample] of every piece of so many samples, (n_pieces, n_channels).

    The piece's ends are weighted down, or the carrier's mirror image at the negative frequency would leak in.
    """
    turned = samples * np.exp(-2j * np.pi * frequency * np.arange(len(samples)))[:, None]
    weight = np.hanning(length + 2)[1:-1]
    return np.column_stack([np.convolve(channel, weight / weight.sum(), "valid") for channel in turned.T])


def toward(bearing, depression):
    """Unit vectors to the pinger: x forward, y starboard, z down; angles in radians."""
    level = np.cos(depression)
    return np.stack([level * np.cos(bearing), level * np.sin(bearing), np.sin(depression)], axis=-1)


def steer(phase, places):
    """Bearing and depression from which a plane wave fits the channels' phases best; places in radians of phase."""
    bearing, depression, step = 0.0, 0.0, np.deg2rad(3.0)
    around, up_and_down = np.arange(-np.pi, np.pi, step), np.arange(-np.pi / 2, np.pi / 2 + step, step)
    for _ in range(4):  # each grid is six times as fine as the one before
        b, d = np.meshgrid(bearing + around, depression + up_and_down, indexing="ij")
        beam = np.abs(np.exp(-1j * toward(b, d) @ places.T) @ phase)
        best = np.unravel_index(np.argmax(beam), beam.shape)
        bearing, depression = b[best], d[best]
        around = up_and_down = np.linspace(-step, step, 13)
        step /= 6
    return bearing, depression


def bearing_sd(bearing, depression, places, variance):
    """Standard deviation of the bearing [rad] for errors of the channels' phases of given variances [rad^2]."""
    small = 1e-4
    by_angle = [
        (toward(bearing + small, depression) - toward(bearing - small, depression)) @ places.T / (2 * small),
        (toward(bearing, depression + small) - toward(bearing, depression - small)) @ places.T / (2 * small),
        np.ones(len(places)),  # the phase that all channels share is not known
    ]
    slope = np.column_stack(by_angle)
    return float(np.sqrt(np.linalg.pinv(slope.T @ (slope / variance[:, None]))[0, 0]))


def answer(samples, notes):
    """The answer about the ping in samples of shape (n_samples, n_channels)."""
    channels, frequency_hz = notes["channels"], notes["pingers"][0]["frequency_hz"]
    per_sample = frequency_hz / notes["sample_rate_hz"]
    length = max(round(PIECE_CYCLES / per_sample), 4)
    amplitude = carrier(samples, per_sample, length)
    power = np.mean(np.abs(amplitude) ** 2, axis=1)
    noise = np.quantile(power, 0.2) / FIFTH_OF_NOISE
    if power.max() < RISE * noise:
        return {"refused": "no ping rises out of the noise"}
    risen = int(np.argmax(power >= RISE * noise))
    used = amplitude[min(risen + round(AFTER_CYCLES / per_sample), len(amplitude) - 1)]
    # A multiplexed channel is sampled later, when the carrier has turned further.
    later_s = np.array([c.get("sampling_offset_s", 0.0) for c in channels])
    used = used * np.exp(-2j * np.pi * frequency_hz * later_s)

    wave_number = 2 * np.pi * frequency_hz / notes["sound_speed_m_s"]
    places = wave_number * np.array([c["position_m"] for c in channels])
    places -= places.mean(axis=0)
    bearing, depression = steer(used / np.abs(used), places)
    mounting = wave_number * np.array([c.get("tolerance_m", 0.0) for c in channels])
    skew = 2 * np.pi * frequency_hz * notes.get("skew_sd_s", 0.0)
    variance = noise / (2 * np.abs(used) ** 2) + mounting**2 + skew**2
    return {
        "bearing_deg": float(np.rad2deg(bearing)),
        "depression_deg": float(np.rad2deg(depression)),
        "bearing_sd_deg": float(np.rad2deg(bearing_sd(bearing, depression, places, variance))),
    }


def estimate(recording, sidecar):
    """The same for `--estimator beam:estimate`: takes what `pingfix` has read instead of files."""
    notes = {
        "sample_rate_hz": sidecar.sample_rate_hz,
        "sound_speed_m_s": sidecar.sound_speed_m_s,
        "skew_sd_s": sidecar.skew_sd_s,
        "channels": [vars(channel) for channel in sidecar.channels],
        "pingers": [vars(pinger) for pinger in sidecar.pingers],
    }
    return answer(recording.volts(), notes)


if __name__ == "__main__":
    with open(sys.argv[-1], encoding="utf-8") as sidecar_file:
        print(json.dumps(answer(read_wav(sys.argv[-2]), json.load(sidecar_file))))
