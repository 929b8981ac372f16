"""The Cramer-Rao bound of a position from one ping whose echoes count as measurements."""

from acoustics.accuracy.echo_bound.bound import EchoBound, EchoKnowledge, echo_bound

__all__ = ["EchoBound", "EchoKnowledge", "echo_bound"]
