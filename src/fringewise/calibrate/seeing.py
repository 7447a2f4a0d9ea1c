"""From a capture of the target to its view: the grid on the photo and the pattern on the grid."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from fringewise.calibrate.features import Feature, on_plane
from fringewise.calibrate.grid import find_grid
from fringewise.calibrate.reading import pattern_maps, read_coordinate
from fringewise.calibrate.start import TargetPose
from fringewise.calibrate.target import Target
from fringewise.calibrate.views import Coordinate, TargetView
from fringewise.capture.capture import Capture
from fringewise.capture.head import Head
from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable

READING_REACH: Final = 0.45
"""Surroundings that a pattern coordinate is read from, as a share of the grid's step."""

_LEAST_READ: Final = 8


def view_target(capture: Capture, target: Target, name: str, *, rows: bool = True) -> TargetView:
    """Find the target in a capture and read the pattern at its points.

    Parameters
    ----------
    capture : Capture
        With a photo (or, without one, the mean of its finest frames) and sets across the columns.
    target : Target
    name : str
        What the capture is called in messages.
    rows : bool
        Whether to use sets across the rows where there are any.

    Raises
    ------
    NotMeasurable
        The target, or the fringes on it, can't be seen well enough; the message says what to do.
    """
    columns, down = pattern_maps(capture)
    grid = find_grid(capture.photo if capture.photo is not None else columns.mean, target, name)
    reach = READING_REACH * grid.reach_px
    column = read_coordinate(columns, grid.pixels, reach)
    if np.isfinite(column.values).sum() < _LEAST_READ:
        raise NotMeasurable(
            f"{name}: the fringes can be read at hardly any point of the target: light it so that neither its"
            " dark nor its bright parts are at the camera's limit"
        )
    outlines = [one.outline for one in grid.features if one.outline is not None]
    return TargetView(
        name,
        grid.points,
        grid.pixels,
        grid.sigma_px,
        column,
        read_coordinate(down, grid.pixels, reach) if down is not None and rows else None,
        np.array(outlines) if len(outlines) == len(grid.features) else None,
        sure_of_ends=grid.sure_of_ends,
    )


def with_own_centres(view: TargetView, head: Head, pose: TargetPose) -> TargetView:
    """Move dots from the middles of their ellipses to where their own centres are seen; corners stay.

    The outlines of the view are dropped, so that it is done once only.
    """
    if view.outlines is None:
        return view
    normal = pose.rotation[:, 2]
    moved = np.empty_like(view.pixels)
    for n, ((u, v), (m, q, s)) in enumerate(zip(view.pixels, view.outlines, strict=True)):
        own = on_plane(Feature("dot", u, v, 1.0, (m, q, s)), head.camera.lens, normal)
        moved[n] = own.u, own.v
    by = moved - view.pixels
    row = None if view.row is None else _shifted(view.row, by)
    return replace(view, pixels=moved, column=_shifted(view.column, by), row=row, outlines=None)


def _shifted(read: Coordinate, by_px: Array) -> Coordinate:
    values = read.values + np.einsum("nm,nm->n", read.slope, by_px)
    return Coordinate(values, read.sigma, read.slope)
