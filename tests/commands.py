"""Command lines as a hurried, a careless and a hostile user might type them, made from what the commands accept.

Options, arguments and their kinds come from the commands themselves, so that a new one is tried without a word here.
"""

from __future__ import annotations

import io
import json
import math
import os
import random
import re
import tempfile
from functools import cache
from pathlib import Path
from unittest.mock import patch

import click
import damage
import numpy as np
import soundfile
from quick import POOL, QUICK, good, run
from readers import FILES

from acoustics.cli.main import pingfix
from acoustics.scene.scenario import shipped

_LONGEST_S = 60.0  # of a recording that is asked for
_MOST = 4  # of whatever is counted, where the value is to be a good one: a study of so much ends soon
_ODD_NUMBERS = (
    "0",
    "-1",
    "-0.0",
    "1e-308",
    "1e308",
    "-1e308",
    "nan",
    "inf",
    "x",
    "",
    "1,5",
    "0x10",
    "٣",
    "1" + "0" * 400,
)
_ODD_TEXTS = ("", "x", "no\nsuch", "\x1b[31m", "amber pinger", "a" * 5000, "-", "--", "é", "json:loads", "none", "ff")
_GOOD_NUMBERS = ("0.01", "0.5", "1", "3", "10", "30", "200", "1500", "9600")
# Commands that take a second or more where they answer: how often each is tried, beside the others, and in what share
# of that with as few odd values as the others have.
_HEAVY = {
    "report": 0.01, "selfcheck": 0.1, "map": 0.2, "place": 0.3, "rehearse": 0.03, "stations": 0.2, "spacing": 0.2,
    "checklist": 0.1, "waypoints": 0.3, "budget": 0.4, "validate": 0.5, "spectrum": 0.2, "simulate": 0.7,
    "calibrate": 0.5,
}  # fmt: skip
_PLAIN = 0.2
_GOOD_TEXTS = {
    "pinger_name": ("amber pinger",), "pinger_names": ("amber pinger",), "estimator": ("phase", "onset"),
    "example": ("quay-nine", "mallard-basin"), "explain": ("source_level_db", "pool"), "secret": ("none", "ff"),
    "program": ("true", "false", "cat"), "failed": ("a",), "inverted": ("b",), "swapped": ("a", "b"),
}  # fmt: skip
_SEVERAL = {"files": [1, 2, 2, 3]}  # of what may be repeated so many are given
_SIZES = QUICK | {
    "calibrate": ["--runs", "2", "--headings", "3", "--pings-each", "1"],
    "stations": ["--trials", "8", "--pings", "1"],
    "waypoints": ["--trials", "20", "--step-m", "20", "--waypoints", "1"],
    "map": ["--trials", "2", "--step-m", "6", "--echo-cells", "0"],
    "validate": ["--trials", "4"],
    "rehearse": ["--runs", "1"],
}
_NO_NUMBER = re.compile(r"(?<![\w.])[-+]?(nan|inf)(?![\w.])", re.IGNORECASE)
# A recording that breaks off leaves the pings heard by then; a study, the chunks that are done; a run, its state.
_KEEPS_WHAT_IS_DONE = {"locate", "--resume", "--state"}
_ODD_SHARES = (0.0, 0.1, 0.1, 0.1, 0.3, 0.3, 0.3, 0.3, 0.5, 0.5)  # of the values; those without any take the time
_HEARD = {"heard": ".wav", "notes": ".json", "found": ".jsonl"}
_KINDS = {
    "scenario": ("mallard-basin", "fennel-reservoir", "quay-nine"),
    "recording": ("heard", "heard", "npy", "raw", "float wav", "samples in csv", "flac"),
    "pings": ("found", "pings"),
    "sidecar": ("notes", "sidecar"),
    "array": tuple(shipped("arrays")),
    "navigation": ("navigation",),
    "sources": ("source places",),
    "results": ("results",),
    "compared": ("mallard-basin", "quay-nine", *shipped("arrays")),
    "state": ("state of a live run",),
    "sketch": ("site sketch",),
}
# Options that name a file to read, by what is in it; any other path is one to write.
_READ = {
    "scenario": "scenario", "recording": "recording", "pings": "pings", "pings_files": "pings", "ping_files": "pings",
    "files": "compared",
    "state": "state",
    "site_file": "sketch",
    "sidecar_file": "sidecar", "array": "array", "navigation": "navigation", "sources": "sources", "results": "results",
}  # fmt: skip


@cache
def heard() -> dict[str, tuple[str, bytes]]:
    """A recording with pings in it, its sidecar, and the pings found: endings and contents by kind."""
    with tempfile.TemporaryDirectory() as folder:
        good("simulate", POOL, "a.wav", "--pings", "2", cwd=folder)
        good("locate", "a.wav", "--out", "a.jsonl", cwd=folder)
        recording, rate = soundfile.read(Path(folder, "a.wav"), dtype="int16")
        npy = io.BytesIO()
        np.save(npy, recording)
        read = {kind: (ending, Path(folder, f"a{ending}").read_bytes()) for kind, ending in _HEARD.items()}
        return read | {"raw": (".raw", recording.tobytes()), "npy": (".npy", npy.getvalue())}


class CommandLine:
    """One command line in a folder of its own, with the files that it names."""

    def __init__(self, rng: random.Random, folder: Path) -> None:
        self.rng, self.folder = rng, folder
        (folder / "folder").mkdir()
        (folder / "taken.json").write_text("{}")
        (folder / "nowhere").symlink_to("no/such/file")
        name = rng.choice([n for n in pingfix.list_commands(None) if rng.random() < _HEAVY.get(n, 1.0)] or ["check"])
        self.command = pingfix.get_command(None, name)
        # A line with something wrong in each part is refused at the first; most are wrong in one or two places.
        self.odd = rng.choice(_ODD_SHARES if name not in _HEAVY or rng.random() < _PLAIN else _ODD_SHARES[-2:])
        self.arguments_of = name
        self.arguments = [name, *self._made(name)]

    def _made(self, name: str) -> list[str]:
        rng = self.rng
        words: list[str] = []
        given = set()
        often = rng.choice([0.05, 0.15, 0.3])  # many options at once mostly exclude each other
        for parameter in self.command.params:
            if isinstance(parameter, click.Argument):
                if rng.random() > self.odd / 3 and (
                    parameter.required or rng.random() < 0.8 - 0.7 * (parameter.nargs < 0)
                ):
                    count = rng.choice(_SEVERAL.get(parameter.name, [1, 1, 1, 2])) if parameter.nargs < 0 else 1
                    words += [self._value(parameter) for _ in range(count)]
            elif parameter.name != "help" and (rng.random() < often or parameter.required):
                given.add(parameter.opts[0])
                words += self._option(parameter)
        sizes = _SIZES.get(name, [])
        for option, value in zip(sizes[::2], sizes[1::2], strict=True):
            if option not in given:
                words = [option, value, *words]
        if rng.random() < self.odd:
            at = rng.randrange(len(words) + 1)
            words.insert(at, rng.choice([*_ODD_TEXTS, "--no-such-option", "--json", "--force", "--"]))
        return words

    def _option(self, parameter: click.Parameter) -> list[str]:
        option = self.rng.choice([*parameter.opts, *parameter.secondary_opts])
        if parameter.is_flag:
            return [option]
        if parameter.name == "cluster":  # where nobody is
            return [option, self.rng.choice(["", "x", "tcp://127.0.0.1:x"])]
        if parameter.name == "jobs":
            return [option, self.rng.choice(["1", *_ODD_NUMBERS])]
        return [option, *(self._value(parameter) for _ in range(max(parameter.nargs, 1)))]

    def _value(self, parameter: click.Parameter) -> str:
        kind, rng = parameter.type, self.rng
        odd = rng.random() < self.odd
        if isinstance(kind, click.types.Tuple):
            kind = kind.types[0]
        if isinstance(kind, click.Choice):
            return rng.choice(_ODD_TEXTS if odd else list(kind.choices))
        if isinstance(kind, click.types.IntParamType):
            least = getattr(kind, "min", None) or 0
            most = getattr(kind, "max", None)
            beyond = [str(most + 1)] if most is not None else []
            return rng.choice([*_ODD_NUMBERS, *beyond]) if odd else str(least + rng.randrange(_MOST))
        if isinstance(kind, click.types.FloatParamType):
            longest = _LONGEST_S if parameter.name == "seconds" else math.inf
            return rng.choice(_ODD_NUMBERS) if odd else self._number_within(kind, longest)
        if parameter.name in _READ:
            return self._read(_READ[parameter.name])
        if isinstance(kind, click.Path):
            return self._written(parameter.name, odd)
        good = _GOOD_TEXTS.get(parameter.name, ())
        return rng.choice(_ODD_TEXTS if odd or not good else good)

    def _number_within(self, kind: click.types.FloatParamType, longest: float) -> str:
        least, most = getattr(kind, "min", None), getattr(kind, "max", None)
        least, most = -math.inf if least is None else least, math.inf if most is None else most
        inside = [number for number in _GOOD_NUMBERS if least < float(number) < min(most, longest)]
        return self.rng.choice(inside or [str(least if math.isfinite(least) else most)])

    def _read(self, what: str) -> str:
        """A file that is right, damaged, of another kind, or none."""
        rng = self.rng
        if rng.random() < self.odd / 2:
            return rng.choice(
                ["-", "-", "", ".", "folder", "no-such-file", "nowhere", "/dev/null", "no\nsuch", "-", "/proc/self/mem"]
            )
        kind = rng.choice(list(_KINDS)) if rng.random() < self.odd / 2 else what
        name = rng.choice(_KINDS[kind])
        ending, content = heard()[name] if name in heard() else FILES[name][1:]
        if rng.random() < self.odd:
            content = rng.choice(damage.CHANGES)(content, rng)
        path = self.folder / f"a{ending}"
        if path.exists():  # beside another of its kind, with which it is compared or fused
            path = path.with_stem("b")
        path.write_bytes(content)
        if kind == "recording":
            (self.folder / "a.json").write_bytes(heard()["notes"][1])
        return path.name

    def _written(self, name: str, odd: bool) -> str:
        if odd:
            return self.rng.choice(
                ["", ".", "folder", "taken.json", "nowhere", "no/such/out.png", "/dev/full", "out\n.png", "x" * 300]
            )
        if self.arguments_of == "simulate":
            return self.rng.choice(["out.wav", "out.w64", "out.flac", "out.npy"])
        return {"plot": self.rng.choice(["out.png", "out.svg"]), "pings_csv": "pings.csv"}.get(name, "out")


def answers_or_says_why(line: CommandLine) -> str:
    """Run a command line; it answers or is refused in words. What is wrong with that raises AssertionError."""
    before = set(os.listdir(line.folder))
    (line.folder / "typed").write_bytes(heard()["found"][1] if line.rng.random() < 0.9 else b"")
    with open(line.folder / "typed") as typed, patch("sys.stdin", typed):
        done = run(*line.arguments, cwd=line.folder)
    said = [text for text in done.stderr.splitlines() if text]
    assert done.returncode in (0, 1, 2), f"exit code {done.returncode}: {said}"
    assert "Traceback" not in done.stderr, done.stderr
    assert all(text.isprintable() for text in said), said
    assert not any("Warning" in text for text in said), said
    left = set(os.listdir(line.folder)) - before
    hidden = {name for name in left if name.startswith(".")}
    assert not hidden, f"left behind: {hidden}"
    assert not _NO_NUMBER.search(done.stdout), done.stdout[:2000]
    if done.returncode == 2:
        if not _KEEPS_WHAT_IS_DONE & set(line.arguments):
            assert left <= {"typed"}, f"refused, and wrote {left}"
        assert any(text.startswith("pingfix: ") for text in said), said
        assert len(said) <= 60, f"{len(said)} lines"
        return "refused"
    if "--json" in line.arguments and "--help" not in line.arguments and done.stdout:
        # Pings and the answers of a live run are a line each.
        by_line = "locate" in line.arguments or line.arguments[:1] == ["fuse"] and "-" in line.arguments
        for text in done.stdout.splitlines() if by_line else [done.stdout]:
            json.loads(text, parse_constant=_no_number)
    return "answered"


def _no_number(text: str) -> None:
    raise AssertionError(f"{text} in JSON")
