"""The command line as the tests run it: in this process, and each command at one quick size.

`QUICK` is the one table of these sizes, and `FEW` that of the sizes inside, for which there is no option. Every study
runs once on every shipped scenario, in cli/test_json_schema.py; the commands of the documentation run once, in
test_readme.py. Tests that ask how good a prediction is call the studies themselves, at full size.
"""

from __future__ import annotations

import contextlib
import io
import signal
import warnings
from dataclasses import dataclass
from unittest.mock import patch

from acoustics.cli.main import main
from acoustics.scene.scenario import shipped

QUICK = {
    "spacing": ["--trials", "100"],
    "place": ["--hydrophones", "3", "--starts", "1"],
    "map": ["--trials", "5", "--step-m", "2.5", "--echo-cells", "1", "--echo-pings", "2"],
    "stations": ["--trials", "8"],
    "waypoints": ["--trials", "20", "--step-m", "8"],
    "rehearse": ["--runs", "1"],
    "validate": ["--trials", "12"],
    "calibrate": ["--runs", "5"],
    "report": ["--trials", "200"],
    "selfcheck": ["--trials", "400"],
}
FEW = {
    "acoustics.study.ping_prediction._PLACES": 4,
    "acoustics.study.map.own_estimator.MEASURED_CELLS": 4,
    "acoustics.study.map.ambiguity.SAMPLED_CELLS": 40,
    "acoustics.study.map.station_prediction.PREDICTED_CELLS": 40,
    "acoustics.study.map.KNOWN_POOL_CELLS": 40,
    "acoustics.api.planning.KNOWN_POOL_CELLS": 40,
    "acoustics.study.report.contents._ECHO_CELLS": 1,
    "acoustics.study.spacing.sweep._BEARINGS": 12,
    "acoustics.study.stations.study._FURTHER_PINGS": (1,),
    "acoustics.study.stations.study._TRIALS_FOR_ACCURACY": 1000,
    "acoustics.study.waypoints.candidates._PLACES_MEASURED": 2,
    "acoustics.study.waypoints.candidates._WAYPOINTS_MEASURED": 3,
}
# Commands that ask one question of a scenario.
STUDIES = (
    "check",
    "sound-speed",
    "spacing",
    "place",
    "map",
    "budget",
    "stations",
    "waypoints",
    "rehearse",
    "validate",
    "calibrate",
)
POOL = str(shipped("examples")["mallard-basin"])


@contextlib.contextmanager
def few():
    """With the sizes of `FEW`."""
    with contextlib.ExitStack() as stack:
        for name, size in FEW.items():
            stack.enter_context(patch(name, size))
        yield


@dataclass(frozen=True)
class Done:
    returncode: int
    stdout: str
    stderr: str


def run(*arguments, cwd=None):
    """The command line in this process: what the user types, what comes out, and the exit code."""
    out, err = io.StringIO(), io.StringIO()
    code = 0
    handlers = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT)}
    with (
        few(),
        patch("sys.argv", ["pingfix", *arguments]),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
        contextlib.chdir(cwd or "."),
        warnings.catch_warnings(),
    ):
        try:
            main()
        except SystemExit as leave:
            code = leave.code or 0
        finally:  # left behind, they would turn a request to end the tests into a failure of the test at work
            for number, handler in handlers.items():
                signal.signal(number, handler)
    return Done(code, out.getvalue(), err.getvalue())


def good(*arguments, cwd=None):
    """What a command that must work prints."""
    done = run(*arguments, cwd=cwd)
    assert done.returncode == 0, done.stderr
    return done.stdout


def refused(*arguments, cwd=None):
    """The lines in which a command that must be refused says why."""
    done = run(*arguments, cwd=cwd)
    assert done.returncode == 2
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    return done.stderr.strip().splitlines()
