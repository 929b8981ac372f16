"""What every run of the tests has in common: threads, byte code, order, and two profiles of hypothesis.

The same examples in every run, and no deadline on a busy machine.
"""

from __future__ import annotations

import os
import sys

# Before numpy is loaded, here and in the processes that run the tests: one for each core is enough, and threads of
# linear algebra beside them take half as much processor time again.
for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
# Kept, also where the environment says not to: every process that a test starts would compile the package anew, and
# every process that runs tests would rewrite the assertions of all of them.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

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
