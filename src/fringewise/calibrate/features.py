"""Marks drawn to the thing itself: the sub-pixel centre of a round dot or of a checkerboard corner.

A dot is found by fitting a blurred ellipse to the grey levels, a corner by fitting two blurred crossing
lines; both allow for light that changes across the photo. What is no such thing (plain metal, an edge, a
line, a spot of gloss without a rim) gives None: a mark then stays where it was placed.

How far off a mark may lie: within `reach_px` of the centre or, for a larger dot, in the inner half of it. A
mark near a large dot's rim may mean the rim, so it is left alone.

Tried on rendered dots of 5 to 30 px (noise 1.5 grey levels, contrast 120, blur 0.5 and 1.2 px, light
sloping by 0 and 1 % a pixel), RMS in u and v: this fit 0.003-0.013 px, an area-weighted centroid
0.006-0.035, an ellipse through the edges' half-height points 0.008-0.09, the last two with a bias of up to
0.015 and 0.05 px along the light's slope.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import cv2
import numpy as np
import numpy.typing as npt

from fringewise.calibrate.level_fit import LevelFit, Window, disc, fit_levels, saddle
from fringewise.capture.lens import Lens
from fringewise.core.checks import Array

Photo = npt.NDArray[Any]
FeatureKind = Literal["dot", "corner"]

REACH_PX: Final = 6.0
"""How far off a feature's centre a mark may lie; a person's placing is some 0.7 px, a careless one 3 px."""

SIGMA_FLOOR_PX: Final = 0.01
"""What the model leaves out (pixel response, ragged print); no centre is stated better than this."""

LARGEST_RADIUS_PX: Final = 40.0
"""The largest dot that is looked for."""

_LUMINANCE: Final = (0.299, 0.587, 0.114)  # of red, green, blue (ITU-R BT.601)
_RADII_PX: Final = tuple(2.2 * 1.32**n for n in range(11))
_LEAST_SEMI_AXIS_PX: Final = 2.0
_MOST_ASPECT: Final = 3.5
_FREE_LIGHT: Final = 6.0  # a dot this many blurs in its least half-width can have a contrast slope of its own
_DOT_TRIES: Final = 4
_CORNER_TRIES: Final = 3
_CORNER_SCALES_PX: Final = (1.0, 1.8, 3.0)
_CORNER_WINDOWS_PX: Final = (4.0, 5.5, 7.5, 10.0, 14.0)
_CENTRINGS: Final = 3
_CENTRED_PX: Final = 0.5
_LEAST_CROSSING_RAD: Final = 0.45
_MOST_CORNER_BLUR: Final = 0.3  # of the window's radius
_MORE_SCATTER: Final = 2.0  # in variance, when a larger window takes in something else
_LEAST_CONTRAST: Final = 0.06  # of the brighter side
_LEAST_TO_SCATTER: Final = 5.0
_MOST_MISFIT: Final = 0.13
_SECTOR_RANGE: Final = (0.55, 1.45)


@dataclass(frozen=True, slots=True)
class Feature:
    """A thing on the photo that a mark can be drawn to.

    Attributes
    ----------
    kind : {"dot", "corner"}
    u, v : float
        Its centre, px.
    sigma_px : float
        Standard uncertainty of the centre in u and in v, from the residuals; never below `SIGMA_FLOOR_PX`.
    outline : (m, q, s), optional
        A dot's outline is (u, v) + [[m + q, s], [s, m − q]] (cos t, sin t), px.
    """

    kind: FeatureKind
    u: float
    v: float
    sigma_px: float
    outline: tuple[float, float, float] | None = None

    @property
    def semi_axes_px(self) -> tuple[float, float]:
        """A dot's half-widths, greater first; zeros for a corner."""
        if self.outline is None:
            return 0.0, 0.0
        lean = float(np.hypot(self.outline[1], self.outline[2]))
        return self.outline[0] + lean, self.outline[0] - lean


def draw_to_feature(photo: Photo, mark_px: npt.ArrayLike, reach_px: float = REACH_PX) -> Feature | None:
    """Find the corner or dot that a mark (u, v) was meant for; None where there is none within reach.

    Examples
    --------
    >>> v, u = np.mgrid[:60, :60]
    >>> board = (120 + 80 * np.tanh(u - 29.5) * np.tanh(v - 29.5)).astype(np.uint8)
    >>> corner = draw_to_feature(board, (31.5, 28))
    >>> corner.kind, round(corner.u, 1), round(corner.v, 1)
    ('corner', 29.5, 29.5)
    >>> draw_to_feature(np.full((60, 60), 90, np.uint8), (31.5, 28)) is None
    True
    """
    u, v = (float(x) for x in np.asarray(mark_px, dtype=np.float64))
    return find_corner(photo, u, v, reach_px) or find_dot(photo, u, v, reach_px)


def find_dot(photo: Photo, u: float, v: float, reach_px: float = REACH_PX) -> Feature | None:
    """Find the centre of the round dot at a mark: dark on light or light on dark, some 4 to 80 px wide.

    The centre is that of the ellipse in the photo; seen aslant from near, the dot's own centre lies a little
    beside it (`on_plane`).

    Parameters
    ----------
    photo : (H, W) or (H, W, 3) array
        Grey or red-green-blue, any depth.
    u, v : float
        The mark, px.
    """
    patch = _patch(photo, u, v, reach_px + 2 * LARGEST_RADIUS_PX)
    if patch is None:
        return None
    found = (_dot_at(patch, start, reach_px) for start in _dot_starts(patch, reach_px))
    return next((dot for dot in found if dot is not None), None)


def find_corner(photo: Photo, u: float, v: float, reach_px: float = REACH_PX) -> Feature | None:
    """Find the corner where four checkerboard squares meet at a mark; parameters as for `find_dot`."""
    patch = _patch(photo, u, v, reach_px + 2 * _CORNER_WINDOWS_PX[-1])
    if patch is None:
        return None
    for start in _corner_starts(patch, reach_px):
        corner = _corner_at(patch, start, reach_px)
        if corner is not None:
            return corner
    return None


def fit_corner(
    photo: Photo, place: tuple[float, float], lines_rad: tuple[float, float], radius_px: float
) -> Feature | None:
    """Fit a checkerboard corner where one is known to be, with the directions of its lines roughly known.

    One window in place of the search of `find_corner`; the corners of one grid are so found alike.

    Parameters
    ----------
    place : (float, float)
        Where it is expected (u, v), to some pixels.
    lines_rad : (float, float)
        Directions of the lines between squares, from +u towards +v, to some 20°.
    radius_px : float
        Of the window: nothing but the corner's own four squares may lie in it.
    """
    patch = _patch(photo, *place, 2 * radius_px + 2)
    if patch is None:
        return None
    u, v, form = place[0] - patch.u0, place[1] - patch.v0, np.array([*lines_rad, 1.0])
    fit, window = None, None
    for _ in range(_CENTRINGS):
        fit, window = _fit_saddle(patch, u, v, form, radius_px)
        if fit is None or window is None or not _is_corner(fit.parameters, radius_px):
            return None
        moved = fit.parameters[:2]
        u, v, form = u + float(moved[0]), v + float(moved[1]), fit.parameters[2:5]
        if float(np.hypot(*moved)) < _CENTRED_PX:
            break
    if fit is None or window is None or not fit.settled or not _explains(fit, window, saddle, 8):
        return None
    return Feature("corner", u + patch.u0, v + patch.v0, _sigma(fit))


def on_plane(dot: Feature, lens: Lens, normal: npt.ArrayLike) -> Feature:
    """Move a dot's centre from the middle of its ellipse to where the round dot's own centre is seen.

    A round dot of radius R at distance Z, tilted by τ, is seen as an ellipse whose middle lies
    f R² sin τ cos τ / Z² px beside the image of its centre: 0.19 px (2.7 µm) for 0.5 mm dots at 10 mm and 30°
    with f = 700 px. With the outline as conic C (x y 1) C (x y 1)ᵀ = 0 of directions, the centre is C⁻¹ n,
    the pole of the vanishing line of the dot's plane. A corner needs no such step.

    Parameters
    ----------
    dot : Feature
    lens : Lens
        The camera's.
    normal : (3,) array
        Of the surface at the dot, camera frame, either way round and of any length.
    """
    if dot.outline is None:
        return dot
    m, q, s = dot.outline
    turn = np.arange(24) * (2 * np.pi / 24)
    rim = np.array([[m + q, s], [s, m - q]]) @ np.array([np.cos(turn), np.sin(turn)])
    x, y = lens.direction(dot.u + rim[0], dot.v + rim[1])
    middle_x, middle_y = float(np.mean(x)), float(np.mean(y))
    scale = float(np.hypot(x - middle_x, y - middle_y).max())
    conic = _conic((x - middle_x) / scale, (y - middle_y) / scale)
    back = np.array([[scale, 0, middle_x], [0, scale, middle_y], [0, 0, 1.0]])
    pole = back @ np.linalg.solve(conic, back.T @ np.asarray(normal, dtype=np.float64))
    u, v = lens.pixel(pole[0] / pole[2], pole[1] / pole[2])
    moved = float(np.hypot(u - dot.u, v - dot.v))
    if not moved < dot.semi_axes_px[1]:  # a normal square to the view, or no number: say what was seen
        return dot
    return replace(dot, u=float(u), v=float(v))


@dataclass(frozen=True, slots=True)
class _Patch:
    """Grey levels round a mark; `u0`, `v0` is the place of its first pixel, `mark` that of the mark."""

    levels: npt.NDArray[np.float32]
    u0: int
    v0: int
    mark: tuple[float, float]

    def window(self, near: npt.NDArray[np.bool_], u: float, v: float) -> Window:
        rows, columns = np.nonzero(near)
        levels = self.levels[rows, columns].astype(np.float64)
        x, y = columns.astype(np.float64) - u, rows.astype(np.float64) - v
        return Window(x, y, levels, rows - rows.min(), columns - columns.min())

    def offsets(self, u: float, v: float) -> tuple[Array, Array]:
        places: Array = np.indices(self.levels.shape, dtype=np.float64)
        return np.asarray(places[1] - u), np.asarray(places[0] - v)

    def within(self, u: float, v: float, reach_px: float) -> bool:
        return float(np.hypot(u + self.u0 - self.mark[0], v + self.v0 - self.mark[1])) <= reach_px


def _patch(photo: Photo, u: float, v: float, half: float) -> _Patch | None:
    height, width = photo.shape[:2]
    if not (-0.5 <= u <= width - 0.5 and -0.5 <= v <= height - 0.5):
        return None
    u0, v0 = max(int(u - half), 0), max(int(v - half), 0)
    cut = photo[v0 : int(v + half) + 2, u0 : int(u + half) + 2].astype(np.float32)
    grey = cut @ np.array(_LUMINANCE, dtype=np.float32) if cut.ndim == 3 else cut
    return _Patch(grey, u0, v0, (u, v))


def _likely(apart: Array, reach_px: float) -> Array:
    """How likely a mark is that far off: where two things are in reach, the nearer one was meant."""
    return np.asarray(np.exp(-2 * (apart / reach_px) ** 2))


def _dot_starts(patch: _Patch, reach_px: float) -> Iterator[tuple[float, float, float]]:
    """Places and radii (u, v, r) in the patch where the Laplacian of the blurred photo peaks in its scale."""
    peaks: list[tuple[float, float, float, float]] = []
    x, y = patch.offsets(patch.mark[0] - patch.u0, patch.mark[1] - patch.v0)
    apart = np.hypot(x, y)
    for radius in _RADII_PX:
        blurred = cv2.GaussianBlur(patch.levels, (0, 0), radius / np.sqrt(2), borderType=cv2.BORDER_REPLICATE)
        response = cv2.Laplacian(blurred, cv2.CV_32F, ksize=1, borderType=cv2.BORDER_REPLICATE) * radius**2
        likely = np.where(apart <= max(reach_px, radius / 2) + 1, _likely(apart, reach_px + radius / 2), 0.0)
        for sign in (1.0, -1.0):
            row, column = np.unravel_index(int(np.argmax(sign * response * likely)), likely.shape)
            peaks.append(
                (float(sign * response[row, column] * likely[row, column]), float(column), float(row), radius)
            )
    taken: list[tuple[float, float, float]] = []
    for strength, u, v, radius in sorted(peaks, reverse=True):
        alike = any(np.hypot(u - a, v - b) < 0.4 * r and 0.6 < radius / r < 1.7 for a, b, r in taken)
        if strength > 0 and not alike and len(taken) < _DOT_TRIES:
            taken.append((u, v, radius))
            yield u, v, radius


def _dot_at(patch: _Patch, start: tuple[float, float, float], reach_px: float) -> Feature | None:
    u, v, radius = start
    form = np.array([0.0, 0.0, radius, 0.0, 0.0, 1.0])
    kappa = _first_contrast(patch, u, v, radius)
    if kappa is None:
        return None
    fit, window = _fit_disc(patch, u, v, np.append(form, kappa), tied=True)
    if fit is None or not _is_dot(fit.parameters):
        return None
    u, v = u + float(fit.parameters[0]), v + float(fit.parameters[1])  # again, with pixels chosen round it
    form = np.concatenate([[0.0, 0.0], fit.parameters[2:]])
    roomy = min(_semi_axes(form)) >= _FREE_LIGHT * abs(form[5])
    fit, window = _fit_disc(patch, u, v, form[:-1] if roomy else form, tied=not roomy)
    if fit is None or window is None or not fit.settled or not _is_dot(fit.parameters):
        return None
    p = fit.parameters
    u, v = u + float(p[0]), v + float(p[1])
    if not patch.within(u, v, max(reach_px, min(_semi_axes(p)) / 2)) or not _explains(fit, window, disc, 6):
        return None
    return Feature("dot", u + patch.u0, v + patch.v0, _sigma(fit), (float(p[2]), float(p[3]), float(p[4])))


def _first_contrast(patch: _Patch, u: float, v: float, radius: float) -> float | None:
    """Contrast κ of inside to outside; None where too few directions go from one to the other."""
    turn = np.arange(16) * (2 * np.pi / 16)
    height, width = patch.levels.shape
    rings = []
    for share in (0.4, 1.5):
        columns = np.rint(u + share * radius * np.cos(turn)).astype(int)
        rows = np.rint(v + share * radius * np.sin(turn)).astype(int)
        seen = (columns >= 0) & (rows >= 0) & (columns < width) & (rows < height)
        if not seen.all():
            return None
        rings.append(patch.levels[rows, columns].astype(np.float64))
    steps = rings[0] - rings[1]
    middle = float(np.median(steps))
    if middle == 0 or np.mean(steps / middle > 0.3) < 0.6:
        return None
    return middle / max(float(np.median(rings[1])), 1e-6)


def _fit_disc(
    patch: _Patch, u: float, v: float, start: Array, *, tied: bool
) -> tuple[LevelFit | None, Window | None]:
    m, q, s = start[2:5]
    x, y = patch.offsets(u, v)
    own = np.stack([x, y], axis=-1) @ np.linalg.inv(np.array([[m + q, s], [s, m - q]]))
    least = min(_semi_axes(start))
    near = (np.sqrt(np.sum(own * own, axis=-1)) - 1) * least <= max(3.5, 0.4 * least)
    edge = np.concatenate([near[0], near[-1], near[:, 0], near[:, -1]])
    if edge.any() or near.sum() < 24:  # partly out of the photo, or larger than what is looked for
        return None, None
    window = patch.window(near, u, v)
    return fit_levels(disc, window, start, tied=tied), window


def _semi_axes(p: Array) -> tuple[float, float]:
    lean = float(np.hypot(p[3], p[4]))
    return float(p[2]) + lean, float(p[2]) - lean


def _is_dot(p: Array) -> bool:
    long, short = _semi_axes(p)
    if not np.all(np.isfinite(p)) or short < _LEAST_SEMI_AXIS_PX or long > LARGEST_RADIUS_PX * 1.1:
        return False
    return bool(
        long <= _MOST_ASPECT * short and abs(p[5]) <= 0.9 + 0.2 * short and np.hypot(p[0], p[1]) < long
    )


def _corner_starts(patch: _Patch, reach_px: float) -> Iterator[tuple[float, float, float, float]]:
    """Places and lines' angles (u, v, first, second) where the blurred photo is most like a saddle."""
    x, y = patch.offsets(patch.mark[0] - patch.u0, patch.mark[1] - patch.v0)
    apart = np.hypot(x, y)
    likely = np.where(apart <= reach_px + 1, _likely(apart, reach_px), 0.0)
    peaks: list[tuple[float, float, float, float, float]] = []
    for scale in _CORNER_SCALES_PX:
        blurred = cv2.GaussianBlur(patch.levels, (0, 0), scale, borderType=cv2.BORDER_REPLICATE)
        first = np.gradient(blurred.astype(np.float64))
        (vv, uv), (_, uu) = np.gradient(first[0]), np.gradient(first[1])
        bend = (uv * uv - uu * vv) * scale**4 * likely
        row, column = np.unravel_index(int(np.argmax(bend)), bend.shape)
        a, b, c = uu[row, column], uv[row, column], vv[row, column]
        if bend[row, column] > 0:  # directions t with a cos² t + 2 b cos t sin t + c sin² t = 0
            middle, half = (
                0.5 * np.arctan2(b, (a - c) / 2),
                0.5 * np.arccos(np.clip(-(a + c) / 2 / np.hypot((a - c) / 2, b), -1, 1)),
            )
            peaks.append((float(bend[row, column]), float(column), float(row), middle + half, middle - half))
    for _, *start in sorted(peaks, reverse=True)[:_CORNER_TRIES]:
        yield start[0], start[1], start[2], start[3]


def _corner_at(patch: _Patch, start: tuple[float, float, float, float], reach_px: float) -> Feature | None:
    """Fit in a small window, then in larger ones for as long as the squares fill them."""
    u, v, form, best, scatter = start[0], start[1], np.array([*start[2:], 1.0]), None, np.inf
    for radius in _CORNER_WINDOWS_PX:
        fit, window = _fit_saddle(patch, u, v, form, radius)
        if fit is None or window is None or not _is_corner(fit.parameters, radius):
            if best is not None:
                break
            continue
        left = float(np.mean(fit.residuals**2))
        at = u + float(fit.parameters[0]), v + float(fit.parameters[1])
        fits = fit.settled and patch.within(*at, reach_px) and _explains(fit, window, saddle, 8)
        if best is not None and (not fits or left > _MORE_SCATTER * scatter):
            break
        u, v, form = *at, fit.parameters[2:5]
        if fits:
            made = Feature("corner", u + patch.u0, v + patch.v0, _sigma(fit))
            best = made if best is None or made.sigma_px < best.sigma_px else best
            scatter = min(scatter, left)
    return best


def _fit_saddle(
    patch: _Patch, u: float, v: float, form: Array, radius: float
) -> tuple[LevelFit | None, Window | None]:
    x, y = patch.offsets(u, v)
    near = np.hypot(x, y) <= radius
    if np.concatenate([near[0], near[-1], near[:, 0], near[:, -1]]).any():
        return None, None
    window = patch.window(near, u, v)
    tied = radius < _FREE_LIGHT * abs(form[-1])
    p = np.concatenate([[0.0, 0.0], form])
    if tied:
        level = saddle(window.x, window.y, p)
        slope = np.polyfit(level, window.levels, 1)
        p = np.append(p, slope[0] / max(slope[1], 1e-6))
    return fit_levels(saddle, window, p, tied=tied), window


def _is_corner(p: Array, radius: float) -> bool:
    if not np.all(np.isfinite(p)) or np.hypot(p[0], p[1]) > radius / 2:
        return False
    crossing = abs(float(np.sin(p[2] - p[3])))
    return bool(crossing >= np.sin(_LEAST_CROSSING_RAD) and abs(p[4]) <= _MOST_CORNER_BLUR * radius)


def _explains(fit: LevelFit, window: Window, shape: Any, sectors: int) -> bool:
    """Whether the shape is there, stands out, and accounts for the levels in every direction."""
    p = fit.parameters
    level = shape(window.x, window.y, p)
    swing = float(np.ptp(level)) * float(np.mean(np.abs(fit.contrast)))
    scatter = float(np.sqrt(np.mean(fit.residuals**2)))
    brighter = float(np.max(np.abs(window.levels)))
    if np.ptp(np.sign(fit.contrast)) or swing < max(_LEAST_CONTRAST * brighter, _LEAST_TO_SCATTER * scatter):
        return False
    flat = (level < level.min() + 0.05) | (level > level.max() - 0.05)
    noise = float(np.mean(fit.residuals[flat] ** 2)) if flat.sum() > 8 else 0.0
    misfit = float(np.mean(fit.residuals[~flat] ** 2)) - noise if (~flat).sum() > 8 else 0.0
    if misfit > (_MOST_MISFIT * swing) ** 2:
        return False
    return _all_round(fit, window, level, sectors)


def _all_round(fit: LevelFit, window: Window, level: Array, sectors: int) -> bool:
    """Whether the contrast, judged sector by sector, is everywhere about the same.

    A dot's sectors hold inside and outside, so each is judged by the step between them; a corner's may lie in
    one square alone, so each is judged by its level beside the mean of dark and light.
    """
    p, model = fit.parameters, fit.contrast * level
    turn = np.arctan2(window.y - p[1], window.x - p[0])
    sector = np.floor((turn + np.pi) / (2 * np.pi) * sectors).astype(int) % sectors
    signed = level.min() < -0.5
    for n in range(sectors):
        here = sector == n
        if here.sum() < 3:
            return False
        form, left = model[here], fit.residuals[here]
        if not signed:
            form, left = form - form.mean(), left - left.mean()
        power = float(form @ form)
        if power == 0 or not _SECTOR_RANGE[0] <= 1 + float(form @ left) / power <= _SECTOR_RANGE[1]:
            return False
    return True


def _sigma(fit: LevelFit) -> float:
    variance = float(fit.covariance[0, 0] + fit.covariance[1, 1]) / 2
    return float(np.sqrt(variance + SIGMA_FLOOR_PX**2))


def _conic(x: Array, y: Array) -> Array:
    design = np.column_stack([x * x, x * y, y * y, x, y, np.ones_like(x)])
    a, b, c, d, e, f = np.linalg.svd(design, full_matrices=False)[2][-1]
    return np.array([[a, b / 2, d / 2], [b / 2, c, e / 2], [d / 2, e / 2, f]])
