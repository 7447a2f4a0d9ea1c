"""Full refits against the linearised evaluation, on the same draws of the pixels' noise.

Thirty refits alone tell a standard deviation to 13 % only. So each draw of the noise goes both ways: through
everything anew (rejection, smoothness, extremum, contour), and through the first fit's choices with the sizes
evaluated on the drawn terms. What both give is compared draw by draw and in its spread.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from analytic_looks import DentedBall, pixels_of, small_head, surface_of

from fringewise.core.checks import Array
from fringewise.findings.area import _sizes, _smooth_inside
from fringewise.findings.dent import bowl_of, fit_dent
from fringewise.findings.finding import Finding
from fringewise.findings.kind import Look, look_at
from fringewise.findings.marks import place
from fringewise.findings.registry import measure_finding
from fringewise.findings.relief import raw_heights
from fringewise.findings.relief_draws import CoarseGrid
from fringewise.sound.points import RayPoints, ray_points
from fringewise.sound.polygon import window_round
from fringewise.sound.sheet import pixel_numbers, restore_again
from fringewise.sound.smooth import fit_again, fit_smooth

SEED = 20261205
DRAWS = 30
NOISE_MM = 0.008
PART = DentedBall()


@functools.cache
def looks() -> tuple[Look, list[Look]]:
    """A first look, and thirty more of the same part with fresh noise."""
    head = small_head()
    made = [
        look_at(surface_of(PART, head, NOISE_MM, np.random.default_rng([SEED, n]))) for n in range(DRAWS + 1)
    ]
    return made[0], made[1:]


def ring_of_marks(arc_mm: float, count: int = 16) -> Array:
    turns = 2 * np.pi * np.arange(count) / count
    return pixels_of(small_head(), np.array([PART.on_part(arc_mm, float(turn)) for turn in turns]))


def same_pixels(look: Look, points: RayPoints) -> RayPoints:
    """The points of another look at the same pixels."""
    chosen = np.zeros(look.surface.shape, dtype=bool)
    chosen[points.v.astype(int), points.u.astype(int)] = True
    return ray_points(look.surface, chosen)


def stated(look: Look, kind: str, **marks_px: Array) -> dict[str, float]:
    """Standard uncertainty of each size of a finding, with its whole budget."""
    result = measure_finding(look, Finding("F1", kind, marks_px))
    return {one.name: one.standard_uncertainty for one in result.quantities}


def agree(full: Array, evaluated: Array, u: dict[str, float], names: tuple[str, ...]) -> None:
    """Whether both spreads agree within 5 % of u, and the refits scatter no more than u says."""
    for n, name in enumerate(names):
        spread, other = (float(np.std(one[:, n], ddof=1)) for one in (full, evaluated))
        off = (spread - other) / u[name]
        print(f"{name}: refits {spread:.3g}, evaluated {other:.3g}, u {u[name]:.3g}, apart {100 * off:.1f} %")
        assert abs(off) <= 0.05, name
        assert spread <= most_spread(u[name]), name


def most_spread(u: float) -> float:
    """The standard deviation of thirty values is known to 13 %; two of those are allowed."""
    return u * (1 + 2 / float(np.sqrt(2 * (DRAWS - 1))))


@pytest.mark.heavy
@pytest.mark.skip(reason="not yet run to its end: run and judge it first")
def test_dents_refitted_agree_with_their_linearised_evaluation() -> None:
    first, others = looks()
    outline = ring_of_marks(1.25)
    bowl = fit_dent(first, outline)
    relief, coarse = bowl.relief, CoarseGrid.of(bowl.grid)
    rejected = pixel_numbers(relief.ring_points.where(~relief.sheet.kept))
    full, everything, evaluated = [], [], []
    for look in others:
        everything.append(fit_dent(look, outline).sizes)
        points = same_pixels(look, relief.points)
        sheet = restore_again(same_pixels(look, relief.ring_points), relief.sheet, rejected)
        feet, heights, sigma = raw_heights(sheet, points)
        anew = fit_smooth(feet[:, 0], feet[:, 1], heights, sigma, knots=relief.smooth.along_x.spans, rounds=2)
        full.append(bowl_of(look, replace(relief, sheet=sheet, smooth=anew, points=points)).sizes)
        feet, heights, sigma = raw_heights(relief.sheet, points)
        smooth = fit_again(relief.smooth, feet[:, 0], feet[:, 1], heights, sigma)
        off = sheet.coefficients - relief.sheet.coefficients
        drawn = coarse.heights(smooth.coefficients[None], off[None])
        evaluated.append(coarse.sizes(drawn, bowl.share)[0])
    u = stated(first, "dent", outline_px=outline)
    names = ("depth", "length", "width", "area", "volume")
    agree(np.array(full), np.array(evaluated), u, names)
    # with the degrees chosen anew as well, which is a line of the budget of its own ("restored metal")
    for n, name in enumerate(names):
        assert np.std(np.array(everything)[:, n], ddof=1) <= u[name] * (1 + 2 / np.sqrt(2 * (DRAWS - 1))), (
            name
        )


@pytest.mark.heavy
@pytest.mark.skip(reason="not yet run to its end: run and judge it first")
def test_areas_refitted_agree_with_their_linearised_evaluation() -> None:
    first, others = looks()
    outline = ring_of_marks(2.0)
    smooth, _ = _smooth_inside(first, outline)
    border = np.vstack([outline, outline[:1]])
    window = window_round(border, 7.0, first.surface.shape)
    full, evaluated = [], []
    for look in others:
        full.append(_sizes(look.rays, _smooth_inside(look, outline)[0], outline).as_array())
        points = ray_points(
            look.surface, window.distance_px <= 6.0, top_left=(window.first_u, window.first_v)
        )
        again = fit_again(smooth, points.x, points.y, points.inverse_depth, points.sigma)
        evaluated.append(_sizes(look.rays, again, outline).as_array())
    u = stated(first, "area", outline_px=outline)
    agree(np.array(full), np.array(evaluated), u, ("area", "perimeter", "length", "width"))


def straight(points: list[Array]) -> float:
    return float(np.linalg.norm(points[1] - points[0]))


def aside(points: list[Array]) -> float:
    line = points[1] - points[0]
    return float(np.linalg.norm(np.cross(line, points[2] - points[0])) / np.linalg.norm(line))


@pytest.mark.heavy
@pytest.mark.skip(reason="not yet run to its end: run and judge it first")
@pytest.mark.parametrize(("kind", "size"), [("distance", straight), ("offset", aside)])
def test_places_refitted_agree_with_their_linearised_evaluation(
    kind: str, size: Callable[[list[Array]], float]
) -> None:
    first, others = looks()
    marks = ring_of_marks(2.0, 3)
    by_kind = {"distance": {"ends_px": marks[:2]}, "offset": {"line_px": marks[:2], "point_px": marks[2:]}}
    u = stated(first, kind, **by_kind[kind])
    base = [place(first, mark, 0.0) for mark in marks]
    full, evaluated = [], []
    for look in others:
        full.append([size([place(look, mark, 0.0).point_mm for mark in marks])])
        moved = []
        for one, mark in zip(base, marks, strict=True):
            points = near(look, mark, one.radius_px)
            basis = one.sheet.basis(points.x, points.y) / points.sigma[:, None]
            terms: Array = np.asarray(np.linalg.lstsq(basis, points.inverse_depth / points.sigma)[0], float)
            sheet = replace(one.sheet, coefficients=terms)
            x, y = look.rays.direction(mark[:1], mark[1:])
            moved.append(one.point_mm / one.point_mm[2] / sheet.inverse_depth(x, y)[0])
        evaluated.append([size(moved)])
    agree(np.array(full), np.array(evaluated), u, ({"distance": "straight"}.get(kind, kind),))


def near(look: Look, mark: Array, radius_px: float) -> RayPoints:
    rows, columns = np.indices(look.surface.shape)
    return ray_points(look.surface, np.hypot(columns - mark[0], rows - mark[1]) <= radius_px)
