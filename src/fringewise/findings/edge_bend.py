"""Edge bend: how far an edge was bent from where it ran, and over what length."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.core.measured import Measured
from fringewise.findings.bitten import DEFINITION_PX, TODAYS_EDGE, edge_between, photo_pixels
from fringewise.findings.blocks import Block, Wanted
from fringewise.findings.combine import Touch, bound_of
from fringewise.findings.edge_damage import (
    ERODED_PX,
    EdgeDamage,
    edge_damage,
    metal_beside,
    pixel_mm,
    restored_curve,
    stations_of,
    thinned_points,
)
from fringewise.findings.edge_sizes import Drawn, EdgeModel, block_of, line_touch
from fringewise.findings.finding import Drawing, Finding, FindingResult
from fringewise.findings.kind import Kind, Look, QuantityMeaning
from fringewise.findings.propagate import propagate
from fringewise.sound.edge import Curve
from fringewise.sound.points import ray_points
from fringewise.sound.shape import normals_on
from fringewise.sound.sheet import Sheet, restore_sheet
from fringewise.sound.spline import Axis

_RING_SHARE: Final = 1.6
_RING_PX: Final = (70.0, 260.0)
_LEFT_OUT: Final = 0.7
_MOST_POINTS: Final = 9_000
_SHEET_DEGREE: Final = 4
_STRIP_FROM_PX: Final = 1.5
_STRIP_SHARE: Final = 0.2
_STRIP_WIDE_PX: Final = (20.0, 45.0)
_MOST_STRIP_POINTS: Final = 9_000
_SPANS: Final = 14
_ACROSS: Final = 3
_RIDGE: Final = 1e-9
_SHARE: Final = 0.1
_LEAST_STRIP: Final = 200


@dataclass(frozen=True, slots=True)
class _Bend:
    """A bent edge: outline in space against the restored edge.

    Attributes
    ----------
    model : EdgeModel
    lift : (n, n) array
        Covariance of the stations' inverse depth over the sheet, from frame noise.
    """

    model: EdgeModel
    lift: Array

    def blocks(self) -> tuple[Block, ...]:
        base = self.model.blocks(definition_px=DEFINITION_PX)
        return (*base, block_of("frame noise", self.lift))

    def drawn(self, values: tuple[Array, ...]) -> Drawn:
        terms, curve_noise, curve_model, ground, ground_model, shift, lift = values
        offsets = self.model.shifted(terms, shift)
        return self.model.between(offsets, curve_noise + curve_model, ground + ground_model, lift)


def measure_edge_bend(look: Look, finding: Finding) -> FindingResult:
    """Measure a bent edge between two marks on the sound edge (format 3, ``edge_bend``).

    Raises
    ------
    NotMeasurable
        The edge can't be found or carried across, in words for the technician.
    """
    damage = edge_damage(look, finding.marks["edge_px"], finding.placing_px)
    bend = _bend(look, damage)
    made, said = _quantities(look, bend, pixel_mm(look, damage, bend.model))
    quantities = tuple(one.with_bound(bound_of(finding)) for one in made)
    found = bend.drawn(tuple(block.values[None] for block in bend.blocks()))
    lines = (damage.outline.line_px, photo_pixels(look, found.edge[0]))
    warnings = (TODAYS_EDGE.replace("depth is", "displacement is"), *said)
    return FindingResult(finding, quantities, "", warnings, Drawing(damage.drawn, lines))


def _bend(look: Look, damage: EdgeDamage) -> _Bend:
    sheet = _sheet_round(look, damage)
    stations = stations_of(look, damage.outline)
    curve = restored_curve(look, damage)
    above, covariance = _above(look, damage, sheet, curve, stations.xy)
    return _Bend(EdgeModel.of(sheet, curve, replace(stations, above=above)), covariance)


def _sheet_round(look: Look, damage: EdgeDamage) -> Sheet:
    """The sheet through sound metal round the bent part, which reaches as far in as it is long at most."""
    reach = float(np.clip(_RING_SHARE * damage.gap_px, *_RING_PX))
    line = damage.outline.line_px[damage.before[0] : damage.after[-1] + 1]
    near = metal_beside(damage.rim, line, ERODED_PX, reach)
    middle = damage.marks_px.mean(axis=0) - damage.rim.corner
    bent = np.zeros(near.shape, dtype=np.uint8)
    cv2.circle(bent, tuple(np.rint(middle).astype(int).tolist()), round(_LEFT_OUT * damage.gap_px), 1, -1)
    points = thinned_points(look, near & (bent == 0), damage.rim.corner, _MOST_POINTS)
    patch = float(np.clip(0.7 * damage.gap_px, 15.0, 90.0))
    return restore_sheet(points, patch_px=patch, highest_degree=_SHEET_DEGREE)


def _above(look: Look, damage: EdgeDamage, sheet: Sheet, curve: Curve, at: Array) -> tuple[Array, Array]:
    """Inverse depth of the metal over the sheet at directions of the outline (n, 2), and its covariance.

    Fitted to the strip of metal along the bent edge: splines along it, a cubic across, so that the last
    pixels before the outline carry on as the strip runs. A surface with a penalty on its bending would
    flatten towards its border, where a bent edge is bent most.
    """
    line = damage.outline.line_px[damage.outline.damage]
    wide = float(np.clip(_STRIP_SHARE * damage.gap_px, *_STRIP_WIDE_PX))
    near = metal_beside(damage.rim, line, _STRIP_FROM_PX, wide)
    points = ray_points(look.surface, near, top_left=damage.rim.corner)
    points = points.where(np.arange(0, len(points), max(1, -(-len(points) // _MOST_STRIP_POINTS))))
    if len(points) < _LEAST_STRIP:
        raise NotMeasurable(
            "too little metal was seen along the bent edge: move nearer, or look square to it"
        )
    t, n = curve.coordinates(np.column_stack([points.x, points.y]))
    along, across = curve.coordinates(at)
    low, high = min(t.min(), along.min()), max(t.max(), along.max())
    axis = Axis(float(low), float(high - low) / _SPANS, _SPANS)
    scale = float(np.abs(n - np.interp(t, along, across)).max()) if along[-1] > along[0] else float(np.ptp(n))

    def rows(t: Array, n: Array) -> Array:
        part = axis.dense(t)
        return np.hstack([part * (n / scale)[:, None] ** k for k in range(_ACROSS + 1)])

    order = np.argsort(along)
    edge_at = np.interp(t, along[order], across[order])
    design = rows(t, n - edge_at)
    over = points.inverse_depth - sheet.inverse_depth(points.x, points.y)
    weighted = design / points.sigma[:, None] ** 2
    normal = weighted.T @ design
    normal[np.diag_indices(len(normal))] += _RIDGE * np.trace(normal) / len(normal)
    covariance = np.linalg.inv(normal)
    terms = covariance @ (weighted.T @ over)
    off = (over - design @ terms) / points.sigma
    misfit = max(1.0, float(np.sum(off**2)) / max(len(off) - len(terms), 1))
    there = rows(along, np.zeros_like(along))
    return there @ terms, misfit * there @ covariance @ there.T


def _quantities(look: Look, bend: _Bend, a_pixel_mm: float) -> tuple[tuple[Measured, ...], list[str]]:
    blocks = bend.blocks()
    found = bend.drawn(tuple(block.values[None] for block in blocks))
    size = np.abs(found.apart[0])
    top = int(np.argmax(size))
    if size[top] < 3 * bend.model.stations.scatter_px * a_pixel_mm:
        raise NotMeasurable("no bend stands out of the edge's own scatter between the marks: move nearer")
    normal = normals_on(bend.model.sheet, *bend.model.stations.xy[top : top + 1].T)[0]

    def sizes(values: tuple[Array, ...]) -> Array:
        drawn = bend.drawn(values)
        apart = np.abs(drawn.apart)
        most, across = _top(apart), _across(drawn, top, normal)
        return np.column_stack([most, across, _length(drawn, apart, most, top)])

    point, foot = found.outline[0, top], found.feet[0, top]
    way = (point - foot) / size[top]
    up = normal * (1 if (point - foot) @ normal >= 0 else -1)
    both = np.vstack([point, foot])
    first, last = _ends(found, np.abs(found.apart), _top(np.abs(found.apart)), top)
    wanted = (
        Wanted("displacement", "mm", Touch.at(both, np.vstack([way, -way]), decoded=False), 0.0),
        Wanted("out_of_plane", "mm", Touch.at(both, np.vstack([up, -up]), decoded=False), 0.0),
        Wanted("length", "mm", line_touch(edge_between(found, (first, last))), 0.0),
    )
    made = propagate(
        sizes, blocks, wanted, rng=look.rng, surface=look.surface, many=True,
        luck=("taken off", "kept", "kept"),
    )  # fmt: skip
    names = {one.name for one in made}
    said = [] if "length" in names else ["length is left out: where the bend ends can't be told from scatter"]
    return made, said


def _top(apart: Array) -> Array:
    """Greatest of each draw (c,)."""
    return np.asarray(apart.max(axis=1))


def _across(drawn: Drawn, top: int, normal: Array) -> Array:
    return np.abs((drawn.outline[:, top] - drawn.feet[:, top]) @ normal)


def _length(drawn: Drawn, apart: Array, most: Array, top: int) -> Array:
    first, last = _ends(drawn, apart, most, top)
    return np.abs(last - first)


def _ends(drawn: Drawn, apart: Array, most: Array, top: int) -> tuple[Array, Array]:
    """Arcs (c,) at which the distance falls to a tenth of the greatest, on either side of the top."""
    level = _SHARE * most[:, None]
    count = apart.shape[1]
    rows = np.arange(len(apart))
    below = apart < level
    later = below[:, top:]
    after = np.where(later.any(axis=1), top + later.argmax(axis=1), count - 1)
    earlier = below[:, top::-1]
    before = np.where(earlier.any(axis=1), top - earlier.argmax(axis=1), 0)
    found = []
    for at, inner in ((before, np.minimum(before + 1, top)), (after, np.maximum(after - 1, top))):
        low, high = apart[rows, at], apart[rows, inner]
        step = np.where(high > low, high - low, 1.0)
        share = np.clip((level[:, 0] - low) / step, 0.0, 1.0)
        found.append(drawn.arcs[rows, at] + share * (drawn.arcs[rows, inner] - drawn.arcs[rows, at]))
    return found[0], found[1]


KIND: Final = Kind(
    "edge_bend",
    (
        QuantityMeaning("displacement", "mm", "greatest distance between the actual and the restored edge"),
        QuantityMeaning("out_of_plane", "mm", "its part across the restored surface"),
        QuantityMeaning(
            "length", "mm", "arc of the restored edge where the distance exceeds a tenth of the greatest"
        ),
    ),
    measure_edge_bend,
)
