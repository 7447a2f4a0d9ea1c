"""A virtual head and virtual parts: captures with known truth, sharing nothing with decoding."""

from fringewise.virtual.patch import Mesh, Patch, Scene, grid_mesh

__all__ = ["Mesh", "Patch", "Scene", "grid_mesh"]
