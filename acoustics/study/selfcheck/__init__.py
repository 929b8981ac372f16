"""Does the package, on this machine, give the published values, and do its estimators reach their bounds?"""

from acoustics.study.selfcheck.study import Check, SelfCheck, self_check

__all__ = ["Check", "SelfCheck", "self_check"]
