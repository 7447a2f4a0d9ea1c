"""The picture of a blend plan: the removal on the photo, from the side, and what the book asks of it."""

from __future__ import annotations

from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fringewise.core.checks import Array
from fringewise.core.units import LengthUnit
from fringewise.render.dimension import Pen, draw_dimension, lay_dimension
from fringewise.render.marks import line_on_photo
from fringewise.render.page import (
    FOOT_LINE_IN,
    HEAD_IN,
    MARGIN_IN,
    WIDTH_IN,
    Box,
    Page,
    new_page,
    wrapped,
    write_foot,
    write_head,
)
from fringewise.render.panels import heading
from fringewise.render.photo import crop_round, enlarged, photo_axes, shown_photo
from fringewise.render.places import Cut, points_near
from fringewise.render.section import Stage, draw_rulers, section_stage
from fringewise.render.theme import LINE_PT, SMALL_PT, TEXT_PT, Theme, ThemeName, theme_named
from fringewise.render.words import length_words
from fringewise.sound.points import pixel_rays
from fringewise.surface.surface import Surface
from fringewise.verdict.blend_plan import CAUTION, BlendPlan, drawn_shape

_WIDE_IN: Final = WIDTH_IN - 2 * MARGIN_IN
_PHOTO_IN: Final = 4.0
_SECTION_IN: Final = 2.9
_HEADING_IN: Final = 0.36
_LINE_IN: Final = 0.24
_AFTER_IN: Final = 0.3
_ROOM_ROUND: Final = 0.4
_SEARCH_PX: Final = 60
_LEAST_POINTS: Final = 20


def blend_plan_picture(
    plan: BlendPlan,
    *,
    surface: Surface | None = None,
    edge_px: Array | None = None,
    unit: LengthUnit = "mm",
    theme: ThemeName | Theme = "light",
) -> Figure:
    """Draw a blend plan, or say why there is none.

    Parameters
    ----------
    plan : BlendPlan
    surface : Surface, optional
        What the damage was measured on; with `edge_px` the removal is drawn on its photo.
    edge_px : (2, 2) array, optional
        The finding's marks on the sound edge, one each side; the damage lies in their middle.
    unit : {"mm", "in"}
    theme : {"light", "dark"} or Theme

    Returns
    -------
    matplotlib Figure
        With a canvas of its own.
    """
    line = plan_on_photo(plan, surface, edge_px) if surface is not None and edge_px is not None else None
    words = [piece for one in _sentences(plan) for piece in wrapped(one, TEXT_PT, _WIDE_IN)]
    photo = _PHOTO_IN + _HEADING_IN + _AFTER_IN if line is not None else 0.0
    side = _SECTION_IN + _HEADING_IN + _AFTER_IN if plan.removal is not None else 0.0
    below = HEAD_IN + photo + side
    caution = wrapped(CAUTION, SMALL_PT, _WIDE_IN)
    page = new_page(below + _LINE_IN * len(words) + FOOT_LINE_IN * (len(caution) + 2), theme_named(theme))
    _write_head(page, plan, unit)
    if line is not None and surface is not None and edge_px is not None:
        _draw_photo(page, surface, line, edge_px)
    if plan.removal is not None:
        _draw_side(page, plan, HEAD_IN + photo + _HEADING_IN, unit)
    for n, one in enumerate(words):
        page.text(MARGIN_IN, below + n * _LINE_IN, one, size=TEXT_PT)
    write_foot(page, below + _LINE_IN * len(words), caution)
    return page.figure


def plan_on_photo(plan: BlendPlan, surface: Surface, edge_px: Array) -> Array | None:
    """Give the planned outline on the photo (N, 2), laid into the mean plane of the metal at the edge.

    None where there is no plan, or too little metal near the marks.
    """
    if plan.removal is None:
        return None
    ends = points_near(surface, np.asarray(edge_px, dtype=np.float64))
    metal = _metal_near(surface, np.asarray(edge_px, dtype=np.float64))
    if not np.isfinite(ends).all() or len(metal) < _LEAST_POINTS:
        return None
    middle = ends.mean(axis=0)
    along_way = (ends[1] - ends[0]) / max(float(np.linalg.norm(ends[1] - ends[0])), 1e-9)
    normal = np.linalg.svd(metal - metal.mean(axis=0), full_matrices=False)[2][2]
    inwards = np.cross(normal, along_way)
    inwards /= max(float(np.linalg.norm(inwards)), 1e-9)
    if (metal.mean(axis=0) - middle) @ inwards < 0:
        inwards = -inwards
    along, depth = drawn_shape(plan)
    points = middle + along[:, None] * along_way + depth[:, None] * inwards
    u, v = pixel_rays(surface).pixel(points[:, 0] / points[:, 2], points[:, 1] / points[:, 2])
    return np.column_stack([u, v])


def _metal_near(surface: Surface, edge_px: Array) -> Array:
    """Usable points (N, 3) round the middle of the marks."""
    height, width = surface.shape
    u, v = edge_px.mean(axis=0)
    reach = max(_SEARCH_PX, float(np.linalg.norm(edge_px[1] - edge_px[0])) / 2)
    rows = slice(max(int(v - reach), 0), min(int(v + reach) + 1, height))
    columns = slice(max(int(u - reach), 0), min(int(u + reach) + 1, width))
    usable = surface.usable[rows, columns]
    return np.asarray(surface.xyz_mm[rows, columns][usable], dtype=np.float64)


def _sentences(plan: BlendPlan) -> list[str]:
    told = [f"No plan: {one}." for one in plan.why_not]
    for check in plan.checks:
        holds = "holds" if check.holds else "DOES NOT HOLD"
        source = f" ({check.source})" if check.source else ""
        told.append(f"{check.name}: asked {check.asked}, planned {check.given}: {holds}{source}")
    if plan.removal is not None and not plan.holds:
        told.append("No blend keeps to all of it: refer.")
    return [*told, *plan.after]


def _write_head(page: Page, plan: BlendPlan, unit: LengthUnit) -> None:
    value = "no plan"
    if plan.removal is not None:
        deep, long = plan.removal.depth_mm, plan.removal.length_mm
        value = f"{length_words(deep, unit, 3 if unit == 'in' else 2)} deep"
        value += f", {length_words(long, unit, 2 if unit == 'in' else 1)} long"
    write_head(page, f"Blend plan for {plan.finding}", f"by rule {plan.rule} of the limits book", value)


def _draw_photo(page: Page, surface: Surface, line: Array, edge_px: Array) -> None:
    box = Box(MARGIN_IN, HEAD_IN + _HEADING_IN, _WIDE_IN, _PHOTO_IN)
    heading(page, box, "On the photo: what would be taken away, laid into the mean plane of the metal there")
    shown = shown_photo(surface)
    around = np.concatenate([line, edge_px])
    crop = crop_round(around, surface.shape, aspect=box.width / box.height, margin=_ROOM_ROUND)
    axes = photo_axes(page, box, crop, enlarged(shown.picture, crop, box))
    line_on_photo(axes, line, page.theme, linewidth=LINE_PT)


def _draw_side(page: Page, plan: BlendPlan, top: float, unit: LengthUnit) -> None:
    """Draw the removal along the edge: restored edge dashed, damage as a block, removal as a filled curve."""
    assert plan.removal is not None
    along, depth = drawn_shape(plan)
    box = Box(MARGIN_IN, top, _WIDE_IN, _SECTION_IN)
    heading(page, box, "Along the edge: depth from the restored edge")
    flat = np.zeros_like(along)
    cut = Cut(along, -depth, flat, along[:0], depth[:0])
    deep = plan.removal.depth_mm
    stage = section_stage(page, box, cut, low_mm=-1.25 * deep, high_mm=0.6 * deep, reach_mm=0.0)
    _draw_removal(stage.axes, along, depth, plan, page.theme)
    draw_rulers(stage, page, unit, "along the restored edge, from the damage's middle")
    _draw_sizes(stage, plan, unit, page.theme)


def _draw_removal(axes: Axes, along: Array, depth: Array, plan: BlendPlan, theme: Theme) -> None:
    start, stop = axes.get_xlim()
    axes.plot([start, stop], [0, 0], color=theme.ink, linewidth=LINE_PT, linestyle=(0, (7, 4)), zorder=4)
    axes.fill_between(along, -depth, 0, color=theme.accent, alpha=0.25, linewidth=0, zorder=2)
    axes.plot(along, -depth, color=theme.accent, linewidth=LINE_PT, zorder=3)
    if plan.damage_mm is not None:
        deep, long = plan.damage_mm
        x, y = [-long / 2, -long / 2, long / 2, long / 2], [0, -deep, -deep, 0]
        axes.plot(x, y, color=theme.ink, linewidth=LINE_PT, zorder=4)


def _draw_sizes(stage: Stage, plan: BlendPlan, unit: LengthUnit, theme: Theme) -> None:
    assert plan.removal is not None
    pen = Pen(theme.ink, on_photo=False, theme=theme)
    half, deep = plan.removal.length_mm / 2, plan.removal.depth_mm
    long_words = length_words(plan.removal.length_mm, unit, 2 if unit == "in" else 1)
    deep_words = length_words(deep, unit, 3 if unit == "in" else 2)
    across = np.array([[-half, 0.0], [half, 0.0]])
    draw_dimension(stage.axes, lay_dimension(stage.axes, across, long_words, aside_pt=22.0), pen)
    down = np.array([[0.0, 0.0], [0.0, -deep]])
    laid = lay_dimension(stage.axes, down, deep_words, aside_pt=0.3 * stage.box.width * 72.0, level=True)
    draw_dimension(stage.axes, laid, pen, extend=(False, True))
