"""A virtual head and virtual parts: captures with known truth, by a route that shares nothing with decoding."""

from fringewise.virtual.patch import Mesh, Patch, Scene, grid_mesh

__all__ = ["Mesh", "Patch", "Scene", "grid_mesh"]
