"""Studies in chunks: spread over processes or a cluster, kept on disk, worked again after a worker failure."""

from acoustics.study.execution.chunks import ALONE, Running, Workers, run_chunks
from acoustics.study.execution.store import Arrays, fingerprint

__all__ = ["ALONE", "Arrays", "Running", "Workers", "fingerprint", "run_chunks"]
