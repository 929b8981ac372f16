"""Forty mistakes that people make in a scenario, each as a change of a good one: what a test and the guide's page share.

Run as a program, it writes the guide's page again, for a change of wording that is wanted.
"""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

from quick import run

PAGE = Path(__file__).parent.parent / "examples" / "guide" / "mistakes.md"

GOOD = """\
title = "pool"
[water]
temperature_degc = 26.0
[pool]
outline_m = [[0.0, 0.0], [25.0, 0.0], [25.0, 12.5], [0.0, 12.5]]
depth_m = 3.0
walls = "concrete"
[[pinger]]
name = "amber"
position_m = [20.0, 8.0, 2.4]
frequency_hz = 30000.0
length_s = 0.004
pri_s = 2.0
[[pinger]]
name = "teal"
position_m = [15.0, 3.0, 2.4]
frequency_hz = 35000.0
[array]
use = "square-half-wave"
mount_m = [0.2, 0.0, 0.2]
[recorder]
sample_rate_hz = 250000.0
[noise]
self_noise_density_db = 76.0
[vehicle]
position_m = [6.0, 5.0, 0.8]
hull_m = [0.9, 0.5, 0.3]
[[station]]
name = "amber"
position_m = [20.0, 8.5, 2.4]
[[station]]
name = "teal"
position_m = [20.0, 3.5, 2.4]
[study]
trials = 1000
"""
_ARRAY = 'use = "square-half-wave"\nmount_m = [0.2, 0.0, 0.2]'
_OUTLINE = "[[0.0, 0.0], [25.0, 0.0], [25.0, 12.5], [0.0, 12.5]]"


def _hydrophones(*places: str) -> str:
    return "\n".join(f'[[array.hydrophone]]\nname = "h{k}"\nposition_m = {place}' for k, place in enumerate(places, 1))


# What was done, and the text of GOOD with what stands in its place.
MISTAKES: dict[str, tuple[str, str]] = {
    "the vehicle's depth with the sign of a height": ("[6.0, 5.0, 0.8]", "[6.0, 5.0, -1.0]"),
    "the vehicle outside the pool": ("[6.0, 5.0, 0.8]", "[26.0, 5.0, 0.8]"),
    "a pinger under the floor": ("[20.0, 8.0, 2.4]", "[20.0, 8.0, 3.4]"),
    "a station on the deck": ("[20.0, 8.5, 2.4]", "[20.0, 13.5, 2.4]"),
    "the vehicle so high that its array is in the air": ("[0.2, 0.0, 0.2]", "[0.2, 0.0, -1.0]"),
    "the vehicle on top of the pinger": ("[6.0, 5.0, 0.8]", "[20.0, 8.0, 2.4]"),
    "no frequency": ("frequency_hz = 30000.0\n", ""),
    "a frequency in kilohertz": ("frequency_hz = 30000.0", "frequency_hz = 30.0"),
    "a digit of the frequency lost": ("frequency_hz = 30000.0", "frequency_hz = 2500.0"),
    "two pingers of one frequency": ("frequency_hz = 35000.0", "frequency_hz = 30000.0"),
    "a burst in milliseconds": ("length_s = 0.004", "length_s = 4.0"),
    "an interval shorter than the burst": ("pri_s = 2.0", "pri_s = 0.002"),
    "two pingers of one name": ('name = "teal"\nposition_m = [15.0', 'name = "amber"\nposition_m = [15.0'),
    "two stations of one name": ('name = "teal"\nposition_m = [20.0, 3.5', 'name = "amber"\nposition_m = [20.0, 3.5'),
    "a source level as pressure": ("frequency_hz = 30000.0", "frequency_hz = 30000.0\nsource_level_db = 1e6"),
    "a recorder too slow": ("sample_rate_hz = 250000.0", "sample_rate_hz = 48000.0"),
    "a sample rate in kilohertz": ("sample_rate_hz = 250000.0", "sample_rate_hz = 250.0"),
    "a pass band turned round": (
        "sample_rate_hz = 250000.0",
        "sample_rate_hz = 250000.0\npassband_hz = [90e3, 1e3]",
    ),
    "a pass band above the pinger": (
        "sample_rate_hz = 250000.0",
        "sample_rate_hz = 250000.0\npassband_hz = [130e3, 200e3]",
    ),
    "a bit depth that no converter has": ("sample_rate_hz = 250000.0", "sample_rate_hz = 250000.0\nbits = 160"),
    "hydrophones in millimetres": (_ARRAY, _hydrophones("[0.0, 0.0, 0.0]", "[25.0, 0.0, 0.0]", "[0.0, 25.0, 0.0]")),
    "small hydrophones in millimetres": (_ARRAY, _hydrophones("[0.0, 0.0, 0.0]", "[8.0, 0.0, 0.0]", "[0.0, 8.0, 0.0]")),
    "two hydrophones in one place": (_ARRAY, _hydrophones("[0.0, 0.0, 0.0]", "[0.0, 0.0, 0.0]")),
    "one hydrophone": (_ARRAY, _hydrophones("[0.0, 0.0, 0.0]")),
    "a hydrophone without its third coordinate": (_ARRAY, _hydrophones("[0.0, 0.0]", "[0.02, 0.0, 0.0]")),
    "an array of an unknown name": ('"square-half-wave"', '"square-halfwave"'),
    "an array file that is not there": ('use = "square-half-wave"', 'file = "ours.toml"'),
    "an outline that repeats its first corner": (_OUTLINE, _OUTLINE[:-1] + ", [0.0, 0.0]]"),
    "an outline that crosses itself": (_OUTLINE, "[[0.0, 0.0], [25.0, 12.5], [25.0, 0.0], [0.0, 12.5]]"),
    "an outline of two corners": (_OUTLINE, "[[0.0, 0.0], [25.0, 12.5]]"),
    "a pool without a depth": ("depth_m = 3.0\n", ""),
    "a depth below zero": ("depth_m = 3.0", "depth_m = -3.0"),
    "walls of an unknown material": ('"concrete"', '"conrete"'),
    "a key with a slip of the pen": ("temperature_degc", "temprature_degc"),
    "a key without its unit": ("temperature_degc", "temperature"),
    "water in degrees Fahrenheit": ("temperature_degc = 26.0", "temperature_degc = 79.0"),
    "a number in quotes": ("temperature_degc = 26.0", 'temperature_degc = "26"'),
    "two ways to say the noise": (
        "self_noise_density_db = 76.0",
        "ambient_density_db = 50.0\nwind_speed_m_s = 5.0",
    ),
    "a lasting heading error above the whole": ("hull_m =", "heading_bias_sd_deg = 5.0\nhull_m ="),
    "the vehicle inside a keep-out": (
        "[study]",
        '[[keep_out]]\nname = "lane"\noutline_m = [[5.0, 4.0], [7.0, 4.0], [7.0, 6.0], [5.0, 6.0]]\n[study]',
    ),
    "a map over dry land": ("trials = 1000", "trials = 1000\nmap_extent_m = [100.0, 100.0, 110.0, 110.0]"),
    "a map deeper than the floor": ("trials = 1000", "trials = 1000\nmap_depth_m = 5.0"),
    "a map of millions of cells": ("trials = 1000", "trials = 1000\nmap_step_m = 0.001"),
    "a table opened twice": ("[study]", "[vehicle]\nname = 'again'\n[study]"),
}


# Read as they stand, since such pingers exist; what is said of them.
REMARKED = {
    "a digit of the frequency lost": ("2.5 kHz", "if a digit slipped"),
    "two pingers of one frequency": ("cannot be told apart", "Set them at least 250 Hz apart"),
}


def said(folder: Path, what: str) -> tuple[int, list[str]]:
    """Exit code of `check`, the scenario being pool.toml, and its lines of refusal, or its first note."""
    old, new = MISTAKES[what]
    assert GOOD.count(old) == 1, what
    (folder / "pool.toml").write_text(GOOD.replace(old, new), encoding="utf-8")
    done = run("check", "pool.toml", cwd=folder)
    note = done.stdout.partition("Note: ")[2].partition("\nNote: ")[0]
    return done.returncode, done.stderr.strip().splitlines() or ["Note: " + " ".join(note.split())]


def page(folder: Path) -> str:
    """The guide's page, from what the tool says today."""
    rows = []
    for what in MISTAKES:
        code, lines = said(folder, what)
        words = "<br>".join(f"`{line.removeprefix('pingfix: pool.toml: ')}`" for line in lines)
        rows.append(f"| {what} | {words}{'' if code else ' (and goes on)'} |")
    return (
        "# What pingfix says to mistakes\n\n"
        f"{len(MISTAKES)} mistakes that people make in a scenario, each made in a good file, and what `pingfix check` says. "
        "Every line begins with the file's name, left out here, and the exit code is 2. All that is wrong with a file is "
        "said at once; what any other command would refuse, `check` refuses too. This page is made by "
        "`tests/mistakes.py`, and a test holds it true.\n\n"
        "| what was done | what is said |\n| --- | --- |\n" + "\n".join(rows) + "\n"
    )


if __name__ == "__main__":
    with TemporaryDirectory() as folder:
        PAGE.write_text(page(Path(folder)), encoding="utf-8")
