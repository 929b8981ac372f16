"""Echoes as images of the source: the closed form of a box, and any room with plane faces."""

from acoustics.propagate.images.lattice import lattice_faces, lattice_images, lattice_paths
from acoustics.propagate.images.polyhedron import polyhedron_images, polyhedron_paths, polyhedron_trace
from acoustics.propagate.images.room import Bools, Complexes, Images, Ints, Pairs, Paths, Reflection, Room, path_gain

__all__ = [
    "Bools",
    "Complexes",
    "Images",
    "Ints",
    "Pairs",
    "Paths",
    "Reflection",
    "Room",
    "lattice_faces",
    "lattice_images",
    "lattice_paths",
    "path_gain",
    "polyhedron_images",
    "polyhedron_paths",
    "polyhedron_trace",
]
