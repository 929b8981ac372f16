"""Position from one ping by its echoes, given a site sketch. Experimental."""

from acoustics.estimate.echoes.echo_fix import locate_by_echoes
from acoustics.estimate.echoes.paths import SiteKnowledge
from acoustics.estimate.echoes.search import DirectBearing

__all__ = ["DirectBearing", "SiteKnowledge", "locate_by_echoes"]
