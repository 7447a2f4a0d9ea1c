"""From frames to the pattern column that each pixel looks at, with its variance and its risks."""

from fringewise.phase.decode import decode
from fringewise.phase.phase_map import Motion, PhaseMap

__all__ = ["Motion", "PhaseMap", "decode"]
