"""Area of what was outlined, on the surface: its area, perimeter, length and width."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.core.measured import Measured, Source
from fringewise.findings.blocks import Block, Wanted
from fringewise.findings.combine import Touch, bound_of
from fringewise.findings.contour import extents
from fringewise.findings.finding import Drawing, Finding, FindingResult
from fringewise.findings.kind import Kind, Look, QuantityMeaning
from fringewise.findings.marks import outline_of, straight_line
from fringewise.findings.outline_draws import PlacedOutline
from fringewise.findings.propagate import Luck, propagate
from fringewise.findings.relief_draws import term_draws
from fringewise.findings.sheet_area import area_inside, area_touch
from fringewise.sound.points import PixelRays, ray_points
from fringewise.sound.polygon import inside_nodes, window_round
from fringewise.sound.shape import area_element, normals_on, points_on, polyline_length
from fringewise.sound.smooth import Smooth, fit_smooth

_SIDE_POINTS: Final = 16
_LINE_POINTS: Final = 640
_MARGIN_PX: Final = 6.0
_STRIPS: Final = 6
_KNOT_PX: Final = 12.0
_KNOTS: Final = (4, 14)
_LEAST_SEEN: Final = 0.6
_LEAST_POINTS: Final = 100
_MOST_POINTS: Final = 30_000
_MARK_DRAWS: Final = 16
_MANY_MARKS: Final = 200
_EXCESS_DOUBT: Final = 0.5


@dataclass(frozen=True, slots=True)
class _OutlineSizes:
    """Sizes of an outline on the surface."""

    area: float
    perimeter: float
    length: float
    width: float

    def as_array(self) -> Array:
        return np.array([self.area, self.perimeter, self.length, self.width])


def measure_area(look: Look, finding: Finding) -> FindingResult:
    """Measure the outlined area on the smooth surface (format 3, ``area``)."""
    outline = outline_of(look, finding)
    smooth, seen = _smooth_inside(look, outline)
    quantities = [one.with_bound(bound_of(finding)) for one in _quantities(look, finding, smooth, outline)]
    warnings = []
    if seen < 0.9:
        warnings.append(f"{100 * (1 - seen):.0f} % of the inside has no surface that can be trusted")
    line = straight_line(look.rays, outline, closed=True)
    lines = (np.column_stack(look.rays.pixel(line[:, 0], line[:, 1])),)
    return FindingResult(finding, tuple(quantities), "", tuple(warnings), Drawing((), lines))


def _quantities(look: Look, finding: Finding, smooth: Smooth, outline_px: Array) -> tuple[Measured, ...]:
    """Each size with its budget; outlines of very many marks by the linear route and a few placings."""
    touches, rows = _touches(look.rays, smooth, outline_px)
    wanted = [Wanted(name, unit, touch, 0.0) for (name, unit), touch in zip(_SIZES, touches, strict=True)]
    gradient = np.array(rows)
    noise = Block(
        "frame noise",
        np.zeros(smooth.coefficients.size),
        draw=lambda rng, count: term_draws(smooth, count, rng),
        variance=smooth.variance,
        draw_is_normal=True,
    )
    found = _sizes(look.rays, smooth, outline_px).as_array()
    if len(outline_px) > _MANY_MARKS:
        values, marks = _placed(look, smooth, outline_px, finding.placing_px)

        def straight(inputs: tuple[Array, ...]) -> Array:
            return np.asarray(values + inputs[0] @ gradient.T)

        more: dict[Source, Array] = {"marks": marks}
        slopes: list[Array | None] = [gradient]
        return propagate(
            straight, [noise], wanted, rng=look.rng, surface=look.surface, gradient=slopes, more=more,
            many=True, draws=0,
        )  # fmt: skip
    placed = PlacedOutline.on(smooth, look.rays, outline_px)
    still = np.zeros((1, outline_px.size))
    finer = found - placed.sizes(still)[0]

    def sizes(inputs: tuple[Array, ...]) -> Array:
        return np.asarray(placed.sizes(inputs[1]) + finer + inputs[0] @ gradient.T.astype(inputs[0].dtype))

    blocks = [noise, Block.independent("marks", still[0], finding.placing_px)]
    return propagate(
        sizes, blocks, wanted, rng=look.rng, surface=look.surface, gradient=[gradient, None], many=True,
        draws=look.draws, luck=_LUCKS,
    )  # fmt: skip


_SIZES: Final = (("area", "mm²"), ("perimeter", "mm"), ("length", "mm"), ("width", "mm"))
# marks too far out and too far in cancel in the area, but any of them makes the outline longer
_LUCKS: Final[tuple[Luck, ...]] = ("centred", "taken off", "taken off", "taken off")


def _smooth_inside(look: Look, outline_px: Array) -> tuple[Smooth, float]:
    line = straight_line(look.rays, outline_px, closed=True)
    border = np.column_stack(look.rays.pixel(line[:, 0], line[:, 1]))
    window = window_round(border, _MARGIN_PX + 1, look.surface.shape)
    corner = (window.first_u, window.first_v)
    seen = len(ray_points(look.surface, window.inside, top_left=corner)) / int(window.inside.sum())
    points = ray_points(look.surface, window.distance_px <= _MARGIN_PX, top_left=corner)
    if len(points) < _LEAST_POINTS or seen < _LEAST_SEEN:
        raise NotMeasurable(
            f"only {100 * seen:.0f} % of the inside ({len(points)} points) has a surface to trust: "
            "look from another side, or nearer"
        )
    step = max(1, len(points) // _MOST_POINTS)
    points = points.where(np.arange(0, len(points), step))
    knots = int(np.clip(np.ptp(border, axis=0).max() / _KNOT_PX, *_KNOTS))
    return fit_smooth(points.x, points.y, points.inverse_depth, points.sigma, knots=knots), seen


def _sizes(rays: PixelRays, smooth: Smooth, outline_px: Array) -> _OutlineSizes:
    line, (x, y, weights) = _line_and_nodes(rays, outline_px)
    border = points_on(smooth, line[:, 0], line[:, 1])
    normal = normals_on(smooth, x, y).mean(axis=0)
    length, width, *_ = extents(border, normal / np.linalg.norm(normal))
    perimeter = polyline_length(np.vstack([border, border[:1]]))
    return _OutlineSizes(area_inside(smooth, x, y, weights), perimeter, length, width)


def _line_and_nodes(rays: PixelRays, outline_px: Array) -> tuple[Array, tuple[Array, Array, Array]]:
    """Points along the outline, and the nodes and weights of its inside (directions)."""
    side_points = int(np.clip(_LINE_POINTS // len(outline_px), 1, _SIDE_POINTS))
    line = straight_line(rays, outline_px, closed=True, side_points=side_points)
    return line, inside_nodes(line[::side_points], float(np.ptp(line, axis=0).max()) / _STRIPS)


def _placed(look: Look, smooth: Smooth, outline_px: Array, placing_px: float) -> tuple[Array, Array]:
    """Sizes (4,) without what the marks' scatter adds to them, and their variances from it.

    A ragged outline is longer all round than a smooth one, and its greatest distance lies between two marks
    that happen to be far out: what placing it again and again adds on average, the person's own placing has
    added once. The longest line may turn from draw to draw.
    """
    sizes = _sizes(look.rays, smooth, outline_px).as_array()
    offsets = look.rng.normal(0.0, placing_px, (_MARK_DRAWS, *outline_px.shape))
    drawn = np.array([_sizes(look.rays, smooth, outline_px + offset).as_array() for offset in offsets])
    excess = drawn.mean(axis=0) - sizes
    excess[0] = 0.0  # the area: marks that are too far out and too far in cancel
    return sizes - excess, np.var(drawn, axis=0, ddof=1) + (_EXCESS_DOUBT * excess) ** 2


def _touches(rays: PixelRays, smooth: Smooth, outline_px: Array) -> tuple[list[Touch], list[Array]]:
    """Where area, perimeter, length and width are taken, and how each follows the surface's terms."""
    line, (x, y, weights) = _line_and_nodes(rays, outline_px)
    border = points_on(smooth, line[:, 0], line[:, 1])
    normal = normals_on(smooth, x, y).mean(axis=0)
    _, _, long_ends, wide_ends, along, across = extents(border, normal / np.linalg.norm(normal))
    after = np.roll(border, -1, axis=0) - border
    after /= np.linalg.norm(after, axis=1, keepdims=True)
    pairs = ((long_ends, along), (wide_ends, across))
    touches = [
        area_touch(smooth, x, y, weights),
        Touch.at(border, np.roll(after, 1, axis=0) - after, decoded=False),
        *(Touch.at(border[list(e)], np.vstack([-d, d]), decoded=False) for e, d in pairs),
    ]
    rows = [_area_row(smooth, x, y, weights)]
    rows += [_line_row(smooth, touch) for touch in touches[1:]]
    return touches, rows


def _line_row(smooth: Smooth, touch: Touch) -> Array:
    points = touch.points_mm
    x, y = points[:, 0] / points[:, 2], points[:, 1] / points[:, 2]
    by_depth = np.einsum("ni,ni->n", touch.gradient, -points * points[:, 2:])
    return np.asarray(by_depth @ smooth.basis(x, y))


def _area_row(smooth: Smooth, x: Array, y: Array, weights: Array) -> Array:
    """Derivative of the area by the surface's terms: of |∇F| w⁻³ with ∇F = (w_x, w_y, w - x w_x - y w_y)."""
    w, (wx, wy) = smooth.inverse_depth(x, y), smooth.slopes(x, y)
    third = w - x * wx - y * wy
    size = area_element(smooth, x, y) * w**3
    by_w = third / size / w**3 - 3 * size / w**4
    by_wx = (wx - x * third) / size / w**3
    by_wy = (wy - y * third) / size / w**3
    return np.asarray(
        (weights * by_w) @ smooth.basis(x, y)
        + (weights * by_wx) @ smooth.basis(x, y, (1, 0))
        + (weights * by_wy) @ smooth.basis(x, y, (0, 1))
    )


KIND: Final = Kind(
    "area",
    (
        QuantityMeaning("area", "mm²", "area inside the outline, on the smooth surface"),
        QuantityMeaning("perimeter", "mm", "length of the outline on the smooth surface"),
        QuantityMeaning("length", "mm", "greatest straight distance between two points of the outline"),
        QuantityMeaning("width", "mm", "extent of the outline square to its length"),
    ),
    measure_area,
)
