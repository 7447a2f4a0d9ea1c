"""Corner loss: what is missing of a corner, against two edges carried on to meet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.core.errors import MarksAtFault, NotMeasurable
from fringewise.core.measured import Measured
from fringewise.findings.bitten import DEFINITION_PX, TODAYS_EDGE, photo_pixels
from fringewise.findings.blocks import Block, Wanted
from fringewise.findings.combine import Touch, bound_of
from fringewise.findings.edge_damage import (
    ERODED_PX,
    Numbers,
    direction_a_pixel,
    directions_of,
    drawn_to,
    metal_beside,
    stations_of,
    straight_run,
    thinned_points,
)
from fringewise.findings.edge_sizes import Drawn, EdgeModel, Flank, block_of, ends_on
from fringewise.findings.finding import Drawing, DrawnMark, Finding, FindingResult
from fringewise.findings.kind import Kind, Look, QuantityMeaning
from fringewise.findings.propagate import propagate
from fringewise.sound.corner import corner_of
from fringewise.sound.edge import Curve, restore_edge
from fringewise.sound.metal import Rim, rim_between
from fringewise.sound.outline import Outline, trace_outline
from fringewise.sound.points import RayPoints
from fringewise.sound.shape import normals_on
from fringewise.sound.sheet import Sheet, restore_sheet

_BEYOND_PX: Final = 170.0
_LEAST_RUN: Final = 12
_RING_PX: Final = (45.0, 150.0)
_MOST_POINTS: Final = 9_000
_SHEET_DEGREE: Final = 4
_EDGE_DEGREE: Final = 3
_AFTER_MARK_PX: Final = 1
_EDGE_POINTS: Final = 24


@dataclass(frozen=True, slots=True)
class _Corner:
    """A lost corner: the outline from one edge to the other, against both edges carried on."""

    rim: Rim
    outline: Outline
    drawn: tuple[DrawnMark, ...]
    sheet: Sheet
    models: tuple[EdgeModel, EdgeModel]
    pixel_mm: float

    @property
    def curves(self) -> tuple[Curve, Curve]:
        return self.models[0].curve, self.models[1].curve

    def blocks(self) -> tuple[Block, ...]:
        stations, (one, other) = self.models[0].stations, self.curves
        zeros = np.zeros(stations.terms.shape[1])
        ground = np.zeros(len(self.sheet.coefficients))
        hats = np.zeros(self.models[0].definition_terms)
        return (
            Block.of_covariance("frame noise", zeros, stations.covariance),
            block_of("frame noise", one.noise_covariance),
            block_of("restored metal", one.model_covariance),
            block_of("frame noise", other.noise_covariance),
            block_of("restored metal", other.model_covariance),
            Block.of_covariance("frame noise", ground, self.sheet.noise_covariance),
            block_of("restored metal", self.sheet.model_covariance),
            Block.independent("definition", hats, DEFINITION_PX),
        )


@dataclass(frozen=True, slots=True)
class _Seen:
    """Draws of a lost corner: the outline against either edge, the corner (c, 3), and the arcs to it (c,)."""

    sides: tuple[Drawn, Drawn]
    corner: Array
    corner_arcs: tuple[Array, Array]


def measure_corner_loss(look: Look, finding: Finding) -> FindingResult:
    """Measure a lost corner between marks on the sound part of two edges (format 3, ``corner_loss``).

    Raises
    ------
    NotMeasurable
        An edge can't be found or carried on, in words for the technician.
    """
    corner = _found(look, finding)
    quantities = tuple(one.with_bound(bound_of(finding)) for one in _quantities(look, corner))
    lines = (corner.outline.line_px, _restored_px(look, corner))
    return FindingResult(
        finding, quantities, "", (TODAYS_EDGE.replace("depth is", "sizes are"),), Drawing(corner.drawn, lines)
    )


def _found(look: Look, finding: Finding) -> _Corner:
    first, second = _inner_first(finding.marks["first_edge_px"], finding.marks["second_edge_px"])
    inner = np.array([first[0], second[0]])
    rim = rim_between(look.surface, inner, _BEYOND_PX, others_px=np.vstack([first, second]))
    if rim.leaves_photo:
        raise NotMeasurable(
            "the lost corner's outline leaves the photo: look again with the whole of it in view"
        )
    outline = trace_outline(look.surface, rim)
    margin = round(_AFTER_MARK_PX + finding.placing_px)
    runs = (
        straight_run(outline, outline.first - margin, -1),
        straight_run(outline, outline.last + margin, 1),
    )
    for run, name in zip(runs, ("first", "second"), strict=True):
        if len(run) < _LEAST_RUN:
            raise NotMeasurable(f"too little of the {name} edge was seen: look again with more of it in view")
    drawn = tuple(_mark_drawn(mark, outline) for mark in np.vstack([first, second]))
    sheet, _ = _sheet(look, rim, outline, runs)
    stations = stations_of(look, outline)
    lost = float(np.linalg.norm(outline.line_px[outline.first] - outline.line_px[outline.last]))
    models = tuple(EdgeModel.of(sheet, _curve(look, outline, run, lost), stations) for run in runs)
    depth = 1 / float(np.mean(sheet.inverse_depth(*stations.xy.T)))
    pixel = direction_a_pixel(look, inner) * depth
    return _Corner(rim, outline, drawn, sheet, (models[0], models[1]), pixel)


def _inner_first(first: Array, second: Array) -> tuple[Array, Array]:
    """Both pairs of marks, the one nearer to the other edge first."""
    apart = np.linalg.norm(first[:, None] - second[None], axis=2)
    near, other = np.unravel_index(int(np.argmin(apart)), apart.shape)
    if apart.min() < 1.0:
        raise MarksAtFault("marks of both edges lie on the same place: mark each edge on its own sound part")
    return first[[int(near), 1 - int(near)]], second[[int(other), 1 - int(other)]]


def _mark_drawn(mark: Array, outline: Outline) -> DrawnMark:
    return drawn_to(mark, outline, int(np.argmin(np.linalg.norm(outline.line_px - mark, axis=1))))


def _sheet(look: Look, rim: Rim, outline: Outline, runs: tuple[Numbers, Numbers]) -> tuple[Sheet, RayPoints]:
    used = outline.line_px[runs[0][0] : runs[1][-1] + 1]
    gap = float(np.linalg.norm(outline.line_px[outline.first] - outline.line_px[outline.last]))
    near = metal_beside(rim, used, ERODED_PX, float(np.clip(1.2 * gap, *_RING_PX)))
    points = thinned_points(look, near, rim.corner, _MOST_POINTS)
    return restore_sheet(
        points, patch_px=float(np.clip(0.5 * gap, 12, 60)), highest_degree=_SHEET_DEGREE
    ), points


def _curve(look: Look, outline: Outline, run: Numbers, lost_px: float) -> Curve:
    """One edge through its sound part, made to be carried on over the lost corner."""
    xy = directions_of(look, outline.raw_points_px[run])
    ends = xy[[0, -1]]
    scale = direction_a_pixel(look, outline.line_px[run])
    return restore_edge(
        xy, ends, outline.sigma_px[run] * scale, gap=lost_px * scale, highest_degree=_EDGE_DEGREE
    )


def _seen(corner: _Corner, values: tuple[Array, ...]) -> _Seen:
    terms, one_noise, one_model, other_noise, other_model, ground, ground_model, shift = values
    changes, sheet = (one_noise + one_model, other_noise + other_model), ground + ground_model
    offsets = corner.models[0].shifted(terms, shift)
    sides = tuple(
        model.between(offsets, change, sheet) for model, change in zip(corner.models, changes, strict=True)
    )
    xy = corner_of(*corner.curves, changes)
    nominal = corner_of(*corner.curves)
    points = corner.models[0].lifted(nominal, (xy - nominal)[:, None], sheet)[:, 0]
    arcs = tuple(_arc_at(side.edge, points) for side in sides)
    return _Seen((sides[0], sides[1]), points, (arcs[0], arcs[1]))


def _arc_at(edge: Array, points: Array) -> Array:
    """Arc (c,) along lines (c, m, 3) at which points (c, 3) lie, ends carried on."""
    steps = np.diff(edge, axis=1)
    lengths = np.sqrt(np.einsum("cmi,cmi->cm", steps, steps))
    arc = np.concatenate([np.zeros((len(edge), 1)), np.cumsum(lengths, axis=1)], axis=1)
    at = int(np.clip(np.argmin(np.linalg.norm(edge[0] - points[0], axis=1)), 0, edge.shape[1] - 2))
    way = steps[:, at] / lengths[:, at, None]
    return np.asarray(arc[:, at] + np.einsum("ci,ci->c", points - edge[:, at], way))


def _quantities(look: Look, corner: _Corner) -> tuple[Measured, ...]:
    blocks = corner.blocks()
    found = _seen(corner, tuple(block.values[None] for block in blocks))
    flanks = _flanks(corner, found)
    normal = normals_on(corner.sheet, *corner.models[0].stations.xy.T).mean(axis=0)
    normal /= np.linalg.norm(normal)

    def sizes(values: tuple[Array, ...]) -> Array:
        seen = _seen(corner, values)
        return np.column_stack([_area(seen, normal), *_losses(seen, flanks)])

    wanted = (
        Wanted("lost_area", "mm²", _area_touch(found, normal), 0.0),
        *(
            Wanted(f"loss_{name}_edge", "mm", _loss_touch(found, flank, n), 0.0)
            for n, (name, flank) in enumerate(zip(("first", "second"), flanks, strict=True))
        ),
    )
    doubt = np.array([0.0, *(flank.doubt(side) for flank, side in zip(flanks, found.sides, strict=True))])
    return propagate(
        sizes, blocks, wanted, rng=look.rng, surface=look.surface, many=True, more={"definition": doubt}
    )


def _flanks(corner: _Corner, found: _Seen) -> tuple[Flank, Flank]:
    sigma = corner.models[0].stations.scatter_px * corner.pixel_mm
    one = ends_on(found.sides[0], -1, sigma, corner.pixel_mm, corner=1.0)
    other = ends_on(found.sides[1], 1, sigma, corner.pixel_mm, corner=1.0)
    return one, other


def _losses(seen: _Seen, flanks: tuple[Flank, Flank]) -> list[Array]:
    return [
        np.abs(arc - flank.at(side))
        for arc, flank, side in zip(seen.corner_arcs, flanks, seen.sides, strict=True)
    ]


def _border(seen: _Seen) -> Array:
    """The lost area's border (c, n, 3): the corner, first edge, outline, second edge and back."""
    one, other = seen.sides
    start = _along(one, seen.corner_arcs[0], one.arcs[:, 0])
    back = _along(other, other.arcs[:, -1], seen.corner_arcs[1])
    return np.concatenate([seen.corner[:, None], start, one.outline, back], axis=1)


def _along(side: Drawn, start: Array, stop: Array) -> Array:
    """Points (c, _EDGE_POINTS, 3) of an edge between two arcs, without its ends."""
    share = np.linspace(0.0, 1.0, _EDGE_POINTS + 2)[1:-1]
    edge = side.edge
    lengths = np.linalg.norm(np.diff(edge[0], axis=0), axis=1)
    arc = np.concatenate([[0.0], np.cumsum(lengths)])
    at = start[:, None] + share * (stop - start)[:, None]
    # arcs along a draw's edge differ from the first's by next to nothing over a side's length
    number = np.clip(np.searchsorted(arc, at[0]) - 1, 0, len(arc) - 2)
    part = (at - arc[number]) / lengths[number]
    return np.asarray(edge[:, number] + part[..., None] * (edge[:, number + 1] - edge[:, number]))


def _area(seen: _Seen, normal: Array) -> Array:
    border = _border(seen) - seen.corner[:, None]
    crossed = np.cross(border[:, :-1], border[:, 1:])
    return np.asarray(0.5 * np.abs(np.einsum("cni,i->c", crossed, normal)))


def _area_touch(seen: _Seen, normal: Array) -> Touch:
    border = _border(seen)[0]
    gradient = 0.5 * np.cross(np.roll(border, -1, axis=0) - np.roll(border, 1, axis=0), normal)
    signed = float(
        np.einsum("ni,i->", np.cross(border - border[0], np.roll(border, -1, axis=0) - border[0]), normal)
    )
    return Touch.at(border, gradient * (1 if signed >= 0 else -1), decoded=False)


def _loss_touch(seen: _Seen, flank: Flank, number: int) -> Touch:
    side, corner = seen.sides[number], seen.corner[0]
    leaves = _along(side, flank.at(side), flank.at(side) + 1e-6)[0, 0]
    way = (corner - leaves) / max(float(np.linalg.norm(corner - leaves)), 1e-9)
    return Touch.at(np.vstack([leaves, corner]), np.vstack([-way, way]), decoded=False)


def _restored_px(look: Look, corner: _Corner) -> Array:
    seen = _seen(corner, tuple(block.values[None] for block in corner.blocks()))
    one, other = seen.sides
    line = np.concatenate(
        [
            _along(one, one.arcs[:, 0], seen.corner_arcs[0])[0],
            seen.corner,
            _along(other, seen.corner_arcs[1], other.arcs[:, -1])[0],
        ]
    )
    return photo_pixels(look, line)


KIND: Final = Kind(
    "corner_loss",
    (
        QuantityMeaning(
            "lost_area", "mm²", "area of the restored sheet between the outline and both edges carried on"
        ),
        QuantityMeaning(
            "loss_first_edge", "mm", "arc of the first edge from the corner to where the outline leaves it"
        ),
        QuantityMeaning("loss_second_edge", "mm", "the same along the second edge"),
    ),
    measure_corner_loss,
)
