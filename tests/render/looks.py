"""A small surface with a known dent, and findings on it made by hand: what pictures are tested with."""

from __future__ import annotations

import numpy as np

from fringewise.capture import Camera, Head, Lens, Projector
from fringewise.core.checks import Array
from fringewise.core.flags import Flag
from fringewise.core.measured import Contribution, Measured
from fringewise.findings.finding import Drawing, DrawnMark, Finding, FindingResult, Section
from fringewise.surface.surface import Surface

WIDTH, HEIGHT = 320, 240
FOCAL_PX = 300.0
STANDOFF_MM = 15.0
DEPTH_MM = 0.3
MIDDLE = np.array([160.0, 120.0])
RADIUS_PX = 26.0
EXPANDED_MM = 0.012
WITHOUT = np.s_[150:200, 20:90]
"""Rows and columns where there is no surface."""


def head() -> Head:
    lens = Lens(FOCAL_PX, FOCAL_PX, WIDTH / 2, HEIGHT / 2)
    projector = Projector(Lens(0.72, 1.0, 0.5, 0.0), 1.0, None, np.eye(3), np.array([-2.6, 0.0, 0.0]))
    return Head("HX-07", Camera(WIDTH, HEIGHT, lens), projector)


def height_mm(u: Array, v: Array) -> Array:
    """Height over the sound plane: a bell-shaped dent with a low raised rim round it."""
    r = np.hypot(u - MIDDLE[0], v - MIDDLE[1]) / RADIUS_PX
    rim = 0.03 * np.exp(-(((r - 0.95) / 0.12) ** 2))
    return np.asarray(-DEPTH_MM * np.exp(-4 * r**2) + rim)


def surface(seed: int = 1) -> Surface:
    v, u = np.mgrid[:HEIGHT, :WIDTH].astype(np.float64)
    x, y = (u - WIDTH / 2) / FOCAL_PX, (v - HEIGHT / 2) / FOCAL_PX
    z = STANDOFF_MM - height_mm(u, v) + np.random.default_rng(seed).normal(0, 0.006, u.shape)
    xyz = np.stack([x * z, y * z, z], axis=-1).astype(np.float32)
    sigma = np.full(u.shape, 0.006, dtype=np.float32)
    flags = np.zeros(u.shape, dtype=np.uint16)
    xyz[WITHOUT], sigma[WITHOUT], flags[WITHOUT] = np.nan, np.nan, Flag.NO_SURFACE
    photo = np.clip(90 + 0.4 * u + 200 * height_mm(u, v), 0, 255).astype(np.uint8)
    return Surface(xyz, sigma, flags, photo=photo, head=head())


def measured(name: str, unit: str, value: float, expanded: float, **more: object) -> Measured:
    budget = (Contribution("frame noise", expanded / 2),)
    return Measured(name, unit, value, budget, ("calibration",), **more)  # type: ignore[arg-type]


def circle(radius_px: float, count: int) -> Array:
    turn = np.arange(count) * 2 * np.pi / count
    return np.asarray(MIDDLE + radius_px * np.column_stack([np.cos(turn), np.sin(turn)]))


def dent(identity: str = "F1") -> FindingResult:
    outline, contour = circle(1.3 * RADIUS_PX, 11), circle(0.76 * RADIUS_PX, 60)
    corner = (MIDDLE - 40).astype(int)
    v, u = np.mgrid[:81, :81] + corner[::-1, None, None]
    deviation = height_mm(u.astype(float), v.astype(float))
    deviation[np.hypot(u - MIDDLE[0], v - MIDDLE[1]) > 1.3 * RADIUS_PX] = np.nan
    quantities = (
        measured("depth", "mm", DEPTH_MM, EXPANDED_MM),
        measured("length", "mm", 1.98, 0.03),
        measured("width", "mm", 1.95, 0.03),
        measured("volume", "mm³", 0.41, 0.02),
    )
    closed = np.vstack([contour, contour[:1]])
    drawing = Drawing(
        (),
        (outline, closed),
        deviation,
        EXPANDED_MM,
        (int(corner[0]), int(corner[1])),
        (float(MIDDLE[0]), float(MIDDLE[1])),
        section(),
    )
    return FindingResult(Finding(identity, "dent", {"outline_px": outline}), quantities, drawing=drawing)


def section() -> Section:
    half = 58.0
    u = np.arange(MIDDLE[0] - half + 1, MIDDLE[0] + half, 2.0)
    heights = height_mm(u, np.full_like(u, MIDDLE[1]))
    heights[5:9] = np.nan
    along = (u - u[0]) * STANDOFF_MM / FOCAL_PX
    expanded = np.where(np.isfinite(heights), 0.008, np.nan)
    from_px, to_px = (float(MIDDLE[0] - half), MIDDLE[1]), (float(MIDDLE[0] + half), MIDDLE[1])
    return Section(along, heights, expanded, along[::3], heights[::3], from_px, to_px)


def distance(identity: str = "F2") -> FindingResult:
    ends = np.array([[200.0, 40.0], [285.0, 60.0]])
    length = float(np.hypot(*(ends[1] - ends[0]))) * STANDOFF_MM / FOCAL_PX
    drawn = DrawnMark((200.0, 40.0), (200.6, 40.3), "dot", 0.02)
    return FindingResult(
        Finding(identity, "distance", {"ends_px": ends}),
        (measured("straight", "mm", length, 0.02),),
        drawing=Drawing((drawn,), (np.array([drawn.used_px, ends[1]]),)),
    )


def offset(identity: str = "F3") -> FindingResult:
    marks = {"line_px": np.array([[40.0, 40.0], [120.0, 30.0]]), "point_px": np.array([[70.0, 80.0]])}
    return FindingResult(
        Finding(identity, "offset", marks),
        (measured("offset", "mm", 2.18, 0.02),),
        drawing=Drawing((), (marks["line_px"], marks["point_px"])),
    )


def area(identity: str = "F4") -> FindingResult:
    outline = np.array([[220.0, 150.0], [290.0, 160.0], [280.0, 215.0], [230.0, 205.0]])
    quantities = (
        measured("area", "mm²", 8.4, 0.1),
        measured("length", "mm", 4.2, 0.03),
        measured("width", "mm", 2.9, 0.03, bound="at_least"),
    )
    found = Finding(identity, "area", {"outline_px": outline})
    return FindingResult(found, quantities, drawing=Drawing((), (outline,)))


def not_measured(identity: str = "F5") -> FindingResult:
    marks = {"path_px": np.array([[40.0, 170.0], [70.0, 185.0]])}
    reason = "2 of 2 marks lie on pixels without a surface: mark where the head saw metal"
    return FindingResult(Finding(identity, "crack", marks), reason=reason)


def all_results() -> list[FindingResult]:
    return [dent(), distance(), offset(), area(), not_measured()]
