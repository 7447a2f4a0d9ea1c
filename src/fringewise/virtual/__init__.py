"""A virtual head and virtual parts: captures with known truth, sharing nothing with decoding."""

from fringewise.virtual.exposing import Exposed, expose
from fringewise.virtual.exposure import Exposure
from fringewise.virtual.hits import Hits, cast
from fringewise.virtual.optics import pattern_place, project
from fringewise.virtual.patch import Mesh, Patch, Scene, grid_mesh
from fringewise.virtual.pixel_truth import PixelTruth
from fringewise.virtual.rendering import Rendered, patch_pixels, render, render_hits
from fringewise.virtual.shake import Pose, drift
from fringewise.virtual.standard import standard_head, standard_plan

__all__ = [
    "Exposed",
    "Exposure",
    "Hits",
    "Mesh",
    "Patch",
    "PixelTruth",
    "Pose",
    "Rendered",
    "Scene",
    "cast",
    "drift",
    "expose",
    "grid_mesh",
    "patch_pixels",
    "pattern_place",
    "project",
    "render",
    "render_hits",
    "standard_head",
    "standard_plan",
]
