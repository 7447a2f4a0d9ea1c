"""The picture of a calibration: what is left over at each point, how the target is bent, pose by pose."""

from __future__ import annotations

from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fringewise.calibrate.calibration import Calibration
from fringewise.calibrate.sufficiency import depth_span_mm, scale_uncertainty, tilt_span_deg
from fringewise.core.checks import Array
from fringewise.render.page import MARGIN_IN, WIDTH_IN, Box, Page, new_page, write_foot, write_head
from fringewise.render.theme import (
    HAIR_PT,
    LINE_PT,
    ONE_WAY_MAP,
    SMALL_PT,
    TEXT_PT,
    Theme,
    ThemeName,
    theme_named,
)

_HALF_IN: Final = (WIDTH_IN - 3 * MARGIN_IN) / 2
_FIELD_IN: Final = 3.3
_SHAPE_IN: Final = 2.3
_ROW_IN: Final = 0.24
_LONGEST: Final = 0.06  # of the picture's width, for the greater residuals
_MOST_ROWS: Final = 30


def calibration_picture(made: Calibration, *, theme: ThemeName | Theme = "light") -> Figure:
    """Draw what a calibration left over.

    Arrows show what is left of each point's place on the photo, exaggerated as written; squares the column's
    rest; the map the target's own shape as it was found; the table each pose's RMS.

    Returns
    -------
    matplotlib Figure
    """
    shown = theme_named(theme)
    rows = min(len(made.views), _MOST_ROWS)
    page = new_page(3.3 + _FIELD_IN + _SHAPE_IN + _ROW_IN * rows, shown)
    points = made.points_in_camera()
    scale = max(scale_uncertainty(made.head, v, p) for v, p in zip(made.views, points, strict=True))
    tilts, (near, far) = tilt_span_deg(points), depth_span_mm(points)
    under = (
        f"head {made.head.serial}, target {made.target.identity}, {len(made.views)} captures,"
        f" {near:.3g} to {far:.3g} mm away, tilts {tilts[0]:.0f}° and {tilts[1]:.0f}° apart"
    )
    top = write_head(
        page, "Calibration", under, f"{100 * scale:.2g} %", "standard uncertainty of sizes at worst"
    )
    _draw_camera(page, made, Box(MARGIN_IN, top + 0.3, _HALF_IN, _FIELD_IN - 0.3), top + 0.1)
    right = 2 * MARGIN_IN + _HALF_IN
    _draw_columns(page, made, Box(right, top + 0.3, _HALF_IN, _FIELD_IN - 0.3), top + 0.1)
    top += _FIELD_IN + 0.55
    _draw_shape(page, made, Box(MARGIN_IN, top + 0.2, WIDTH_IN - 2 * MARGIN_IN, _SHAPE_IN - 0.2), top)
    top += _SHAPE_IN + 0.4
    _write_table(page, made, top)
    return page.figure


def _draw_camera(page: Page, made: Calibration, box: Box, title_at: float) -> None:
    camera, residual = made.head.camera, made.adjusted.residual
    places, left = [], []
    for n, view in enumerate(made.views):
        at = (residual.view == n) & (residual.group == 0)
        places.append(view.pixels)
        left.append((residual.values * residual.sigma)[at].reshape(-1, 2))
    where, off = np.concatenate(places), np.concatenate(left)
    greatest = float(np.percentile(np.hypot(*off.T), 99)) or 1.0
    times = _rounded_down(_LONGEST * camera.width / greatest)
    rms = float(np.sqrt(np.mean(off**2)))
    words = f"Left over on the photo: {rms:.2g} px RMS each way; × {times:g}"
    page.text(box.left, title_at, words, size=TEXT_PT)
    axes = _photo_field(page, made, box)
    tip = where + times * off
    axes.plot(
        np.stack([where[:, 0], tip[:, 0]]), np.stack([where[:, 1], tip[:, 1]]),
        color=page.theme.accent, linewidth=LINE_PT,
    )  # fmt: skip
    axes.plot(*where.T, ".", color=page.theme.ink, markersize=1.5)


def _draw_columns(page: Page, made: Calibration, box: Box, title_at: float) -> None:
    residual = made.adjusted.residual
    width = made.head.projector.width
    places, left = [], []
    for n, view in enumerate(made.views):
        at = (residual.view == n) & (residual.group == 1)
        order = {int(point): k for k, point in enumerate(view.points)}
        places.append(view.pixels[[order[int(p)] for p in residual.point[at]]])
        left.append((residual.values * residual.sigma)[at])
    where, off = np.concatenate(places), np.concatenate(left) * width
    rms, most = float(np.sqrt(np.mean(off**2))), float(np.percentile(np.abs(off), 98)) or 1.0
    unit = "projector pixels" if width > 2 else "of the pattern's width"
    page.text(box.left, title_at, f"Left over of the columns: {rms:.2g} {unit} RMS", size=TEXT_PT)
    axes = _photo_field(page, made, box)
    size = 2.0 + 22.0 * np.minimum(np.abs(off) / most, 1.5)
    up = off > 0
    u, v = where.T
    axes.scatter(u[up], v[up], s=size[up], color=page.theme.accent, linewidths=0)
    axes.scatter(
        u[~up], v[~up], s=size[~up], facecolors="none", edgecolors=page.theme.ink, linewidths=HAIR_PT
    )
    page.text(
        box.left, box.bottom + 0.2, f"filled: above, hollow: below; largest {most:.2g}", size=SMALL_PT,
        color=page.theme.quiet,
    )  # fmt: skip


def _draw_shape(page: Page, made: Calibration, box: Box, title_at: float) -> None:
    """The target's points off their nominal places: height as colour, in the plane as strokes."""
    target, nominal = made.target, made.target.points_mm()
    off = _in_plane(made.points_mm, nominal)
    height, sideways = off[:, 2], off[:, :2]
    words = (
        f"The target as found: {np.ptp(height):.2g} mm from lowest to highest,"
        f" {np.sqrt(np.mean(sideways**2)):.2g} mm RMS each way in its plane"
    )
    page.text(box.left, title_at, words, size=TEXT_PT)
    x, y = (nominal[:, n].reshape(target.rows, -1) for n in range(2))
    wide = min(box.height * float(np.ptp(x) / max(np.ptp(y), 1e-9)), box.width - 1.6)
    axes = page.axes(Box(box.left, box.top, wide, box.height))
    shown = axes.pcolormesh(x, y, height.reshape(target.rows, -1), cmap=ONE_WAY_MAP, shading="nearest")
    axes.invert_yaxis()
    scale = page.axes(Box(box.left + wide + 0.2, box.top, 0.16, box.height))
    scale.set_axis_on()
    bar = page.figure.colorbar(shown, cax=scale)
    bar.ax.tick_params(labelsize=SMALL_PT, colors=page.theme.ink)
    bar.outline.set_edgecolor(page.theme.rule)
    words = "mm, away from the head"
    page.text(box.left + wide + 1.1, box.top + 0.2, words, size=SMALL_PT, color=page.theme.quiet)


def _write_table(page: Page, made: Calibration, top: float) -> None:
    width, height = made.head.projector.width, made.head.projector.height
    columns = (MARGIN_IN, 4.0, 5.6, 7.2, 8.6)
    pattern = "columns" if width <= 2 else "columns, px"
    for left, words in zip(columns, ("capture", "points", "photo, px", pattern, "rows"), strict=True):
        page.text(left, top, words, size=SMALL_PT, color=page.theme.quiet)
    page.rule(MARGIN_IN, top + 0.07, WIDTH_IN - MARGIN_IN, top + 0.07)
    for n, view in enumerate(made.views[:_MOST_ROWS]):
        rms = made.view_rms(n)
        values = (
            view.name,
            str(len(view.points)),
            f"{rms['camera']:.3f}",
            f"{rms['columns'] * width:.3g}",
            f"{rms['rows'] * (height or 1):.3g}" if "rows" in rms else "–",
        )
        for left, words in zip(columns, values, strict=True):
            page.text(left, top + _ROW_IN * (n + 1), words, size=TEXT_PT)
    left_out = len(made.views) - _MOST_ROWS
    foot = [f"and {left_out} more captures"] if left_out > 0 else []
    write_foot(
        page, top + _ROW_IN * (min(len(made.views), _MOST_ROWS) + 0.6), [*foot, "RMS left over at each pose."]
    )


def _photo_field(page: Page, made: Calibration, box: Box) -> Axes:
    axes = page.axes(box)
    axes.set_axis_on()
    axes.set_xlim(0, made.head.camera.width)
    axes.set_ylim(made.head.camera.height, 0)
    axes.set_aspect("equal", anchor="NW")
    axes.set_facecolor(page.theme.panel)
    axes.set_xticks([])
    axes.set_yticks([])
    for side in axes.spines.values():
        side.set_color(page.theme.rule)
    return axes


def _in_plane(found: Array, nominal: Array) -> Array:
    """What is left of the found places after the best turn and shift onto the nominal ones, same scale."""
    a, b = nominal - nominal.mean(axis=0), found - found.mean(axis=0)
    u, _, vt = np.linalg.svd(b.T @ a)
    turn = u @ np.diag([1, 1, np.sign(np.linalg.det(u @ vt))]) @ vt
    return np.asarray(b @ turn - a)


def _rounded_down(value: float) -> float:
    power = 10.0 ** np.floor(np.log10(max(value, 1e-9)))
    return float(power * max(step for step in (1, 2, 5) if step * power <= value * 1.0001))
