"""The Cramer-Rao bound of a position from one ping whose echoes count as measurements."""

from acoustics.accuracy.echo_bound.bound import EchoBound, EchoKnowledge, echo_bound
from acoustics.accuracy.echo_bound.place_errors import EchoPlaceErrors, echo_place_errors

__all__ = ["EchoBound", "EchoKnowledge", "EchoPlaceErrors", "echo_bound", "echo_place_errors"]
