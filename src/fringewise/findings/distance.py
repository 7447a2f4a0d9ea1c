"""Distance between two places on the metal: straight through space, and along the surface."""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.optimize import minimize

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.core.measured import Measured
from fringewise.findings.blocks import Block, Wanted
from fringewise.findings.combine import Touch, bound_of
from fringewise.findings.finding import Drawing, Finding, FindingResult
from fringewise.findings.kind import Kind, Look, QuantityMeaning
from fringewise.findings.marks import Place, drawn_places, marks_on_metal
from fringewise.findings.placed_sizes import Added, overlapping, size_of_places
from fringewise.findings.relief_draws import term_draws
from fringewise.sound.points import on_rays, ray_points
from fringewise.sound.shape import points_on, polyline_length
from fringewise.sound.smooth import Smooth, fit_smooth

_STRIP_PX: Final = 10.0
_STRIP_KNOTS: Final = 10
_NODES: Final = 65
_BENDS: Final = 4
_SMALL_STEP: Final = 1e-6
_TINY_MM: Final = 1e-12
_LEAST_SEEN: Final = 0.6
_MOST_MISFIT: Final = 3.0
_MOST_STRIP_POINTS: Final = 20_000
_MOST_ALONG_TO_STRAIGHT: Final = 1.5


def measure_distance(look: Look, finding: Finding) -> FindingResult:
    """Measure a distance between two marks (format 3, ``distance``).

    Each end is drawn to a dot or a corner where there is one within reach.
    """
    marks = finding.marks["ends_px"]
    marks_on_metal(look.surface, marks)
    places, drawn = drawn_places(look, marks, finding.placing_px, draws=finding.draws_marks)
    quantities = [straight_between(look, places, "straight").with_bound(bound_of(finding))]
    warnings = list(close_ends_warning(places))
    try:
        quantities.append(_along_surface(look, places, quantities[0]).with_bound(bound_of(finding)))
    except NotMeasurable as reason:
        warnings.append(f"the length along the surface is left out: {reason}")
    line = np.array([one.uv_px for one in places])
    return FindingResult(finding, tuple(quantities), "", tuple(warnings), Drawing(tuple(drawn), (line,)))


def straight_between(look: Look, places: list[Place], name: str) -> Measured:
    """Measure the straight distance between two places."""
    first, second = places
    apart = second.point_mm - first.point_mm
    length = float(np.linalg.norm(apart))
    if length == 0:
        raise NotMeasurable("both ends lie on the same place")
    direction = apart / length
    gradient = np.vstack([-direction, direction])
    touch = Touch(np.array([p.point_mm for p in places]), gradient, np.ones(2, dtype=bool))
    wanted = Wanted(name, "mm", touch, least=0.0)
    return size_of_places(look, places, _lengths, wanted, gradients=gradient)


def _lengths(points_mm: Array) -> Array:
    return np.asarray(np.linalg.norm(points_mm[:, 1] - points_mm[:, 0], axis=1))


def close_ends_warning(places: list[Place]) -> tuple[str, ...]:
    """Say so where the marks lie closer together than the smooth surface under them reaches."""
    if overlapping(places):
        return ("the marks lie so close that the surface under them is shared: move nearer",)
    return ()


def _along_surface(look: Look, places: list[Place], straight: Measured) -> Measured:
    ends = np.array([p.uv_px for p in places])
    smooth = _strip(look, ends)
    x, y = look.rays.direction(ends[:, 0], ends[:, 1])
    path = _shortest_path(smooth, np.column_stack([x, y]))
    points = points_on(smooth, path[:, 0], path[:, 1])
    chord = points[-1] - points[0]
    longer = polyline_length(points) - float(np.linalg.norm(chord))
    length = straight.value + longer
    if length > _MOST_ALONG_TO_STRAIGHT * straight.value:
        raise NotMeasurable("the surface between the ends is not smooth")
    steps = np.diff(points, axis=0)
    steps /= np.linalg.norm(steps, axis=1, keepdims=True)
    gradient = np.vstack([-steps[:1], steps[:-1] - steps[1:], steps[-1:]])
    arc = Added(
        Block(
            "frame noise",
            np.zeros(smooth.coefficients.size),
            draw=lambda rng, count: term_draws(smooth, count, rng),
            variance=smooth.variance,
            draw_is_normal=True,
        ),
        lambda terms: _longer(smooth, path, terms),
        _longer_row(smooth, path, points, gradient, chord),
    )
    wanted = Wanted("along_surface", "mm", Touch.at(points, gradient, decoded=False), least=0.0)
    ends_gradient = np.vstack([gradient[0], gradient[-1]])
    return size_of_places(look, places, _lengths, wanted, gradients=ends_gradient, added=arc)


def _longer(smooth: Smooth, path: Array, terms: Array) -> Array:
    """How much longer (count,) a path on the surface is than its chord, with terms (count, K) off."""
    basis = smooth.basis(path[:, 0], path[:, 1])
    w = (basis @ smooth.coefficients)[None] + terms @ basis.T.astype(terms.dtype)
    points = on_rays(path[None, :, 0], path[None, :, 1], w)
    along = np.linalg.norm(np.diff(points, axis=1), axis=2).sum(axis=1)
    return np.asarray(along - np.linalg.norm(points[:, -1] - points[:, 0], axis=1))


def _longer_row(smooth: Smooth, path: Array, points: Array, gradient: Array, chord: Array) -> Array:
    """How the same follows the surface's terms (K,)."""
    direction = chord / np.linalg.norm(chord)
    more = gradient.copy()
    more[0] += direction
    more[-1] -= direction
    by_depth = np.einsum("ni,ni->n", more, -points * points[:, 2:])
    return np.asarray(by_depth @ smooth.basis(path[:, 0], path[:, 1]))


def _strip(look: Look, ends_px: Array) -> Smooth:
    """Smooth surface through the points of a strip along the line between two pixels."""
    height, width = look.surface.shape
    low = np.maximum(np.floor(ends_px.min(axis=0) - _STRIP_PX).astype(int), 0)
    high = np.minimum(np.ceil(ends_px.max(axis=0) + _STRIP_PX).astype(int), [width - 1, height - 1])
    u, v = np.meshgrid(np.arange(low[0], high[0] + 1), np.arange(low[1], high[1] + 1))
    along = ends_px[1] - ends_px[0]
    length = float(np.linalg.norm(along))
    t = ((u - ends_px[0, 0]) * along[0] + (v - ends_px[0, 1]) * along[1]) / length
    s = ((v - ends_px[0, 1]) * along[0] - (u - ends_px[0, 0]) * along[1]) / length
    chosen = (np.abs(s) <= _STRIP_PX) & (t >= -_STRIP_PX) & (t <= length + _STRIP_PX)
    points = ray_points(look.surface, chosen, top_left=(int(low[0]), int(low[1])))
    at = (points.u - ends_px[0, 0]) * along[0] + (points.v - ends_px[0, 1]) * along[1]
    share = np.bincount(np.clip(10 * at / length**2, 0, 9).astype(int), minlength=10)
    wanted = max(int(chosen.sum()) / 10, 1)
    if (share < _LEAST_SEEN / 2 * wanted).any():
        raise NotMeasurable("part of the surface between the ends was not seen")
    step = max(1, len(points) // _MOST_STRIP_POINTS)
    points = points.where(np.arange(0, len(points), step))
    smooth = fit_smooth(points.x, points.y, points.inverse_depth, points.sigma, knots=_STRIP_KNOTS)
    if smooth.misfit > _MOST_MISFIT:
        raise NotMeasurable("the surface between the ends is not smooth")
    return smooth


def _shortest_path(smooth: Smooth, ends: Array) -> Array:
    """Directions (N, 2) along the shortest line on the surface: the straight one, bent aside a little."""
    share = np.linspace(0.0, 1.0, _NODES)
    straight = ends[0] + share[:, None] * (ends[1] - ends[0])
    aside = np.array([-(ends[1] - ends[0])[1], (ends[1] - ends[0])[0]])
    waves = np.sin(np.pi * share[:, None] * np.arange(1, _BENDS + 1))

    def path(bends: Array) -> Array:
        return np.asarray(straight + (waves @ bends)[:, None] * aside)

    def length(bends: Array) -> tuple[float, Array]:
        line = path(bends)
        both = np.vstack([line, line + _SMALL_STEP * aside])  # the second for the slope, in the same call
        points, moved = np.split(points_on(smooth, both[:, 0], both[:, 1]), 2)
        steps = np.diff(points, axis=0)
        lengths = np.linalg.norm(steps, axis=1)
        ways = steps / np.maximum(lengths, _TINY_MM)[:, None]
        pull = np.vstack([-ways[:1], ways[:-1] - ways[1:], ways[-1:]])
        return float(lengths.sum()), waves.T @ np.sum(pull * (moved - points), axis=1) / _SMALL_STEP

    found = minimize(length, np.zeros(_BENDS), jac=True, method="BFGS", options={"gtol": 1e-7, "maxiter": 30})
    best = np.asarray(found.x) if found.fun < length(np.zeros(_BENDS))[0] else np.zeros(_BENDS)
    return path(best)


KIND: Final = Kind(
    "distance",
    (
        QuantityMeaning("straight", "mm", "straight distance through space between the two ends"),
        QuantityMeaning("along_surface", "mm", "shortest line between them on the smooth surface"),
    ),
    measure_distance,
)
