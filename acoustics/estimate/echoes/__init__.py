"""Position from one ping by its echoes, given a site sketch. Experimental."""

from acoustics.estimate.echoes.echo_fix import MOST_WRONG_SKETCH, locate_by_echoes
from acoustics.estimate.echoes.fit import VARIANCE_SCALE
from acoustics.estimate.echoes.paths import SiteKnowledge
from acoustics.estimate.echoes.places import WRONG_SKETCH
from acoustics.estimate.echoes.search import DirectBearing, SearchRegion

__all__ = [
    "MOST_WRONG_SKETCH",
    "VARIANCE_SCALE",
    "WRONG_SKETCH",
    "DirectBearing",
    "SearchRegion",
    "SiteKnowledge",
    "locate_by_echoes",
]
