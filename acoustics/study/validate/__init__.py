"""How good is an estimator, on pings whose truth is known?"""

from acoustics.study.validate.adapters import choose_estimator
from acoustics.study.validate.answer import Answer, answer_of_ping
from acoustics.study.validate.design import SECTORS, Trial, choose_design, chosen_secret
from acoustics.study.validate.exchange import export_design, read_results
from acoustics.study.validate.recording import trial_recordings
from acoustics.study.validate.score import NO_LIMITS, Limits, Score
from acoustics.study.validate.study import Cell, EachPing, Validation, validate_answers, validate_estimator
from acoustics.study.validate.trials import ANSWERED, compare

__all__ = [
    "ANSWERED",
    "NO_LIMITS",
    "SECTORS",
    "Answer",
    "Cell",
    "EachPing",
    "Limits",
    "Score",
    "Trial",
    "Validation",
    "answer_of_ping",
    "choose_design",
    "chosen_secret",
    "choose_estimator",
    "compare",
    "export_design",
    "read_results",
    "trial_recordings",
    "validate_answers",
    "validate_estimator",
]
