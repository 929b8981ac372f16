"""What every run of the tests has in common: threads, byte code, order, and two profiles of hypothesis.

The same examples in every run, and no deadline on a busy machine.
"""

from __future__ import annotations

import os
import signal
import sys

# Before numpy is loaded, here and in the processes that run the tests: one for each core is enough, and threads of
# linear algebra beside them take half as much processor time again.
for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
# Kept, also where the environment says not to: every process that a test starts would compile the package anew, and
# every process that runs tests would rewrite the assertions of all of them.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False
# What tests start and interrupt would ignore it where these themselves run in the background of a shell.
signal.signal(signal.SIGINT, signal.default_int_handler)

import pytest  # noqa: E402
import quick  # noqa: E402
from hypothesis import HealthCheck, Phase, settings  # noqa: E402

settings.register_profile(
    "repeatable",
    derandomize=True,
    database=None,
    deadline=None,
    max_examples=25,
    # Without shrinking: it multiplies the time of a failure, and a repeatable example serves as well.
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
settings.register_profile("quick", settings.get_profile("repeatable"), max_examples=8)


def pytest_configure(config):
    """Fewer examples where the slow tests are left out."""
    settings.load_profile("quick" if config.option.markexpr == "not slow" else "repeatable")


def pytest_collection_modifyitems(config, items):
    """Files with slow tests first, so that no process is left with one of them while the others have ended.

    Each process begins with an even share of the list and takes from the end of the others' when its own is done
    (`--dist worksteal`): so files are dealt out like cards. They stay whole, for what their tests share.
    """
    files = {}
    for item in items:
        files.setdefault(item.path, []).append(item)
    slow = {path: sum("slow" in item.keywords for item in tests) for path, tests in files.items()}
    ordered = sorted(files, key=slow.get, reverse=True)
    hands = max(getattr(config, "workerinput", {}).get("workercount", 1), 1)
    items[:] = [item for hand in range(hands) for path in ordered[hand::hands] for item in files[path]]


@pytest.fixture(scope="module")
def few():
    """What a study measures and draws inside is little (`quick.FEW`): for modules of tests that do not ask how good it is."""
    with quick.few():
        yield
