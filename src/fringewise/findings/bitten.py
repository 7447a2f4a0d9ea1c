"""What is bitten out of an edge: its depth, length and area against the restored edge, and their doubt."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.core.measured import Measured
from fringewise.findings.blocks import Wanted
from fringewise.findings.combine import Touch, bound_of
from fringewise.findings.edge_damage import EdgeDamage, pixel_mm
from fringewise.findings.edge_sizes import (
    Drawn,
    EdgeModel,
    Ends,
    area_touch,
    depth_touch,
    ends_of,
    greatest,
    line_touch,
    lost_area,
)
from fringewise.findings.finding import Drawing, Finding
from fringewise.findings.kind import Look
from fringewise.findings.propagate import DRAWS, Luck, propagate

DEFINITION_PX: Final = 0.15
"""How far an edge may lie beside where its pixels' levels put it, standard.

How a pixel gathers light over its area, and how sharp the edge itself is, no picture settles. It changes
every 15 pixels along the outline.
"""

TODAYS_EDGE: Final = "depth is against today's edge beside it: earlier wear and blends don't show in it"
NO_ENDS: Final = "length is left out: where the damage begins and ends can't be told from scatter"

_TAKEN_OFF: Final[tuple[Luck, ...]] = ("taken off",) * 4


def bitten_quantities(
    look: Look,
    finding: Finding,
    damage: EdgeDamage,
    model: EdgeModel,
    *,
    more: tuple[tuple[str, str], ...] = (),
    further: Callable[[Drawn, Ends | None], Array] | None = None,
    runs_out: bool = False,
    definition_px: float = DEFINITION_PX,
    draws: int = DRAWS,
) -> tuple[tuple[Measured, ...], list[str]]:
    """Depth, length and lost area of what is bitten out of an edge, and what is to be said of them.

    Parameters
    ----------
    look, finding, damage, model
    more : pairs of (name, unit)
        Further quantities, worked out by `further` from draws and ends as (count, k).
    runs_out : bool
        Whether the damage is known to run out into the edge on either side, as a blend does.
    definition_px : float
        How far the edge may lie beside where its levels put it.
    draws : int
        0 for the linear route alone.
    """
    blocks = model.blocks(definition_px=definition_px)
    found = model.drawn(tuple(block.values[None] for block in blocks))
    a_pixel = pixel_mm(look, damage, model)
    if float(found.apart.max()) < 3 * model.stations.scatter_px * a_pixel:
        raise NotMeasurable("no damage stands out of the edge's own scatter between the marks: move nearer")
    try:
        ends = ends_of(found, model.stations.scatter_px * a_pixel, a_pixel, runs_out=runs_out)
    except NotMeasurable:
        ends = None

    def sizes(values: tuple[Array, ...]) -> Array:
        drawn = model.drawn(values)
        length = np.full(len(drawn.apart), np.nan)
        if ends is not None:
            first, last = ends.at(drawn)
            length = np.abs(last - first)
        own = np.column_stack([greatest(drawn), length, lost_area(model, drawn)])
        return own if further is None else np.hstack([own, further(drawn, ends)])

    touches: list[Touch | None] = [depth_touch(found), None, area_touch(model, found)]
    if ends is not None:
        touches[1] = line_touch(edge_between(found, ends.at(found)))
    names = (("depth", "mm"), ("length", "mm"), ("lost_area", "mm²"), *more)
    touches += [touches[0]] * len(more)
    wanted = tuple(Wanted(*name, touch, 0.0) for name, touch in zip(names, touches, strict=True))
    luck: list[Luck] = ["taken off", "kept", "kept", *_TAKEN_OFF[: len(more)]]
    doubt = np.zeros(len(names))
    doubt[1] = ends.doubt(found) if ends is not None else 0.0
    made = propagate(
        sizes, blocks, wanted, rng=look.rng, surface=look.surface, many=True, draws=draws,
        more={"definition": doubt}, luck=luck,
    )  # fmt: skip
    said = [] if ends is not None else [NO_ENDS]
    return tuple(one.with_bound(bound_of(finding)) for one in made), said


def edge_between(drawn: Drawn, ends: tuple[Array, Array]) -> Array:
    """Points (n, 3) of the restored edge between two arcs."""
    edge = drawn.edge[0]
    arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(edge, axis=0), axis=1))])
    low, high = sorted((float(ends[0][0]), float(ends[1][0])))
    at = np.linspace(low, high, 24)
    return np.stack([np.interp(at, arc, edge[:, k]) for k in range(3)], axis=1)


def edge_drawing(look: Look, damage: EdgeDamage, model: EdgeModel) -> Drawing:
    """Lines of a finding at an edge: the outline as found, and the restored edge across."""
    found = model.drawn(tuple(block.values[None] for block in model.blocks(definition_px=DEFINITION_PX)))
    at = int(np.argmax(found.apart[0]))
    deepest = photo_pixels(look, found.outline[0, at : at + 1])[0]
    outline = damage.outline.line_px[damage.before[0] : damage.after[-1] + 1]
    lines = (outline, photo_pixels(look, found.edge[0]))
    return Drawing(damage.drawn, lines, deepest_px=(float(deepest[0]), float(deepest[1])))


def photo_pixels(look: Look, points_mm: Array) -> Array:
    """Pixels (N, 2) at which points (N, 3) of the camera's frame are seen."""
    u, v = look.rays.pixel(points_mm[:, 0] / points_mm[:, 2], points_mm[:, 1] / points_mm[:, 2])
    return np.column_stack([u, v])
