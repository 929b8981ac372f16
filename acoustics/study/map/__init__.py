"""How far off will one ping's fix be, over the pool, and to which station does it send us?"""

from acoustics.study.map.ambiguity import SAMPLED_CELLS
from acoustics.study.map.cells import grid_cells
from acoustics.study.map.echoes import EchoPlace, usual_echo_cells
from acoustics.study.map.known_pool import KNOWN_POOL_CELLS, KnownPool
from acoustics.study.map.listening import ListeningPlace
from acoustics.study.map.result import StationMap
from acoustics.study.map.station_prediction import PREDICTED_CELLS
from acoustics.study.map.study import MapChoices, PoolMap, map_pool

__all__ = [
    "KNOWN_POOL_CELLS",
    "PREDICTED_CELLS",
    "SAMPLED_CELLS",
    "EchoPlace",
    "KnownPool",
    "ListeningPlace",
    "MapChoices",
    "PoolMap",
    "StationMap",
    "grid_cells",
    "map_pool",
    "usual_echo_cells",
]
