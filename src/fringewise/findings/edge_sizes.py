"""Sizes of damage at an edge over many draws at once: of the outline, the restored edge and the sheet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.core.measured import Source
from fringewise.findings.blocks import Block
from fringewise.findings.combine import Touch
from fringewise.sound.edge import Curve
from fringewise.sound.points import on_rays
from fringewise.sound.shape import Shape, normals_on
from fringewise.sound.sheet import Sheet

Numbers = npt.NDArray[np.intp]

EDGE_POINTS: Final = 160
"""Points along the restored edge."""

_BEYOND: Final = 0.12
_END_SHARES: Final = (0.04, 0.3)
_END_SIGMAS: Final = 3.0
_END_PX: Final = 1.5
_END_DOUBT_PX: Final = 0.5
_END_CORRELATED: Final = 3.0
_LEAST_END: Final = 4
_DEFINITION_KNOT: Final = 15


@dataclass(frozen=True, slots=True)
class Drawn:
    """What a draw of the inputs makes of outline and edge, c draws at once (mm).

    Attributes
    ----------
    outline : (c, n, 3) array
        The damage's outline in space.
    edge : (c, m, 3) array
        The restored edge.
    feet : (c, n, 3) array
        Nearest point of the restored edge for each station.
    arcs : (c, n) array
        Arc along the restored edge to each foot.
    apart : (c, n) array
        Distance from station to foot; negative outside the restored edge.
    """

    outline: Array
    edge: Array
    feet: Array
    arcs: Array
    apart: Array


@dataclass(frozen=True, slots=True)
class Stations:
    """The damage's outline: n stations in order along it.

    Attributes
    ----------
    xy, by_offset : (n, 2) arrays
        Their directions, and the derivative by an offset of a pixel away from the metal.
    terms : (n, K) array
        How the offsets follow the smooth line's terms.
    covariance : (K, K) array
        Of these terms, px².
    above : (n,) array, optional
        Inverse depth of the outline less that of the sheet: 0 for metal in the sheet.
    """

    xy: Array
    by_offset: Array
    terms: Array
    covariance: Array
    above: Array | None = None

    @property
    def scatter_px(self) -> float:
        """Typical standard uncertainty of a station across the outline."""
        variance = np.einsum("nk,kl,nl->n", self.terms, self.covariance, self.terms, optimize=True)
        return float(np.sqrt(np.median(variance)))


@dataclass(frozen=True, slots=True)
class EdgeModel:
    """Outline, restored edge and sheet as functions of what scatters.

    Made once at the fitted values; directions move by so little between draws that the sheet's inverse depth
    is carried along them by its slopes.

    Attributes
    ----------
    sheet : Sheet
    curve : Curve
    stations : Stations
    rolled_px : float
        How far metal that rolls away towards the edge may put its limb beside the edge; 0 for a sharp edge.
    """

    sheet: Sheet
    curve: Curve
    stations: Stations
    rolled_px: float
    _grid: Array
    _foot: Array
    _inside: float

    @classmethod
    def of(cls, sheet: Sheet, curve: Curve, stations: Stations, rolled_px: float = 0.0) -> EdgeModel:
        """Prepare at the fitted values."""
        t, n = curve.coordinates(stations.xy)
        room = _BEYOND * float(np.ptp(t))
        grid = np.linspace(t.min() - room, t.max() + room, EDGE_POINTS)
        model = cls(sheet, curve, stations, rolled_px, grid, np.zeros(len(t), dtype=int), 1.0)
        outline, edge = model._in_space(*model._nominal())
        away = np.linalg.norm(outline[0][:, None] - edge[0][None], axis=2)
        foot = np.clip(np.argmin(away, axis=1), 1, EDGE_POINTS - 2)
        deepest = int(np.argmax(np.min(away, axis=1)))
        inside = float(np.sign(n[deepest] - curve.aside_at(t[deepest : deepest + 1])[0])) or 1.0
        return cls(sheet, curve, stations, rolled_px, grid, foot, inside)

    def blocks(self, *, definition_px: float) -> tuple[Block, ...]:
        """What scatters: outline, edge (noise, model), sheet (noise, model), where an edge lies at all."""
        curve, sheet, stations = self.curve, self.sheet, self.stations
        terms, edge, ground = (
            np.zeros(n) for n in (stations.terms.shape[1], len(curve.coefficients), len(sheet.coefficients))
        )
        return (
            Block.of_covariance("frame noise", terms, stations.covariance),
            Block.of_covariance("frame noise", edge, curve.noise_covariance),
            block_of("restored metal", curve.model_covariance),
            Block.of_covariance("frame noise", ground, sheet.noise_covariance),
            block_of("restored metal", sheet.model_covariance),
            Block.independent(
                "definition", np.zeros(self._hats.shape[1]), np.hypot(definition_px, self.rolled_px)
            ),
        )

    @property
    def _hats(self) -> Array:
        """How a doubt of where the edge lies runs along the stations: linear between knots (n, k)."""
        count = len(self.stations.xy)
        knots = np.linspace(0, count - 1, max(count // _DEFINITION_KNOT, 1) + 1)
        return np.stack([np.interp(np.arange(count), knots, one) for one in np.eye(len(knots))], axis=1)

    def shifted(self, terms: Array, shift: Array) -> Array:
        """Offsets (c, n) of the stations from the smooth line's terms (c, K) and the definition's (c, k)."""
        return np.asarray(terms @ self.stations.terms.T + shift @ self._hats.T)

    def between(self, offsets: Array, curve: Array, sheet: Array, above: Array | float = 0.0) -> Drawn:
        """Outline and edge from changes of what they hang on.

        Parameters
        ----------
        offsets : (c, n) array
            Of the stations, pixels away from the metal.
        curve, sheet : (c, K) and (c, L) arrays
            Of the coefficients.
        above : (c, n) array
            Of the outline's inverse depth over the sheet.
        """
        return self._between(*self._in_space(offsets, curve, sheet, above))

    def lifted(self, xy: Array, moved: Array, sheet: Array) -> Array:
        """Points (c, n, 3) of the sheet at xy (n, 2) + moved (c, n, 2), its terms changed by (c, L)."""
        return _lifted(self.sheet, xy, moved, sheet, np.zeros(len(xy)))

    @property
    def definition_terms(self) -> int:
        """How many terms the definition's doubt has along the outline."""
        return int(self._hats.shape[1])

    def drawn(self, values: tuple[Array, ...]) -> Drawn:
        """Outline, edge and what lies between them from the blocks' values, (c, …) each."""
        terms, curve_noise, curve_model, sheet_noise, sheet_model, shift = values
        return self.between(self.shifted(terms, shift), curve_noise + curve_model, sheet_noise + sheet_model)

    def _nominal(self) -> tuple[Array, Array, Array]:
        return (
            np.zeros((1, len(self.stations.xy))),
            np.zeros((1, len(self.curve.coefficients))),
            np.zeros((1, len(self.sheet.coefficients))),
        )

    def _in_space(
        self, offsets: Array, curve: Array, sheet: Array, lift: Array | float = 0.0
    ) -> tuple[Array, Array]:
        """Outline (c, n, 3) and edge (c, m, 3) from offsets in pixels and changes of the coefficients."""
        stations = self.stations
        moved = offsets[..., None] * stations.by_offset
        above = np.zeros(len(stations.xy)) if stations.above is None else stations.above
        above = above + lift
        outline = _lifted(self.sheet, stations.xy, moved, sheet, above)
        base = self.curve.directions(self._grid)
        aside = (curve @ self.curve.basis(self._grid).T)[..., None] * self.curve.aside
        return outline, _lifted(self.sheet, base, aside, sheet, np.zeros(len(base)))

    def _between(self, outline: Array, edge: Array) -> Drawn:
        chord = edge[:, self._foot + 1] - edge[:, self._foot - 1]
        chord /= _length(chord)[..., None]
        offset = outline - edge[:, self._foot]
        share = np.einsum("cni,cni->cn", offset, chord)
        square = np.einsum("cni,cni->cn", offset, offset) - share**2
        # noise may put a station outside the restored edge: then its distance counts as negative
        outside = np.einsum("cni,ni->cn", offset, self._inward(chord[0])) < 0
        apart = np.sqrt(np.maximum(square, 0.0))
        apart[outside] *= -1
        feet = edge[:, self._foot] + share[..., None] * chord
        arc = np.concatenate(
            [np.zeros((len(edge), 1)), np.cumsum(_length(np.diff(edge, axis=1)), axis=1)], axis=1
        )
        return Drawn(outline, edge, feet, arc[:, self._foot] + share, apart)

    def _inward(self, along: Array) -> Array:
        """Unit vectors (n, 3) in the sheet, square to the edge, towards the metal's inside."""
        x, y = self.stations.xy.T
        way = np.cross(normals_on(self.sheet, x, y), along)
        # (dx, dy) of a step along `way` is (way_x − x way_z, way_y − y way_z)/z
        seen = (way[:, :2] - self.stations.xy * way[:, 2:]) @ self.curve.aside
        return np.asarray(way * np.where(seen * self._inside >= 0, 1.0, -1.0)[:, None])


def _length(vectors: Array) -> Array:
    return np.asarray(np.sqrt(np.einsum("...i,...i->...", vectors, vectors)))


def block_of(source: Source, covariance: Array) -> Block:
    """A block about zero; without any covariance a block that never moves."""
    if not np.any(covariance):
        return Block(source, np.zeros(len(covariance)), np.zeros((len(covariance), 1)))
    return Block.of_covariance(source, np.zeros(len(covariance)), covariance)


def _lifted(sheet: Sheet, xy: Array, moved: Array, change: Array, above: Array) -> Array:
    """Points (c, n, 3) of the sheet at directions xy + moved, its terms changed by `change` (c, K)."""
    x, y = xy[:, 0], xy[:, 1]
    slope_x, slope_y = sheet.slopes(x, y)
    depth = sheet.inverse_depth(x, y) + above + change @ sheet.basis(x, y).T
    depth = depth + slope_x * moved[..., 0] + slope_y * moved[..., 1]
    return on_rays(x + moved[..., 0], y + moved[..., 1], depth)


def greatest(drawn: Drawn) -> Array:
    """Greatest distance (c,) from the outline to the restored edge: the top of a parabola through it."""
    apart = drawn.apart
    at = np.clip(np.argmax(apart, axis=1), 1, apart.shape[1] - 2)
    rows = np.arange(len(apart))
    left, top, right = apart[rows, at - 1], apart[rows, at], apart[rows, at + 1]
    bend = left - 2 * top + right
    shift = np.where(bend < 0, (left - right) / (2 * np.where(bend < 0, bend, -1.0)), 0.0)
    return np.asarray(top - 0.25 * (left - right) * np.clip(shift, -1, 1))


def lost_area(model: EdgeModel, drawn: Drawn) -> Array:
    """Area (c,) between outline and restored edge, as four-sided patches on the sheet."""
    middle = _patch_normals(model)
    x, f = drawn.outline, drawn.feet
    one, other = x[:, 1:] - f[:, :-1], f[:, 1:] - x[:, :-1]
    total = sum(
        np.einsum("cn,cn,n->c", one[..., i], other[..., (i + 1) % 3], middle[:, (i + 2) % 3])
        - np.einsum("cn,cn,n->c", one[..., (i + 1) % 3], other[..., i], middle[:, (i + 2) % 3])
        for i in range(3)
    )
    return np.asarray(0.5 * np.abs(total))


def _patch_normals(model: EdgeModel) -> Array:
    normals = normals_on(model.sheet, *model.stations.xy.T)
    middle = normals[1:] + normals[:-1]
    return np.asarray(middle / np.linalg.norm(middle, axis=1, keepdims=True))


@dataclass(frozen=True, slots=True)
class Flank:
    """How to tell where a damage begins or ends: the stations that say so, and two ways of carrying on.

    Near an end the outline's arc s goes with its distance d from the edge like s₀ + a d + b d² at a corner,
    and like s₀ + a √d + b d where it runs out into the edge.

    Attributes
    ----------
    run : int array
        Stations on the flank.
    corner : float
        How much the way of a corner counts, against that of a run-out.
    doubt_mm : float
        How far an end that pixels round off may lie elsewhere, standard.
    """

    run: Numbers
    corner: float
    doubt_mm: float

    def at(self, drawn: Drawn) -> Array:
        """Arcs (c,) of the end."""
        sharp = _carried(drawn, self.run, corner=True) if self.corner > 0 else 0.0
        soft = _carried(drawn, self.run, corner=False) if self.corner < 1 else 0.0
        return np.asarray(self.corner * sharp + (1 - self.corner) * soft)

    def doubt(self, drawn: Drawn) -> float:
        """Variance of the end from not knowing which way is right, mm²."""
        if self.corner in (0.0, 1.0):
            return self.doubt_mm**2
        apart = _carried(drawn, self.run, corner=True) - _carried(drawn, self.run, corner=False)
        return float(self.corner * (1 - self.corner) * apart[0] ** 2) + self.doubt_mm**2


@dataclass(frozen=True, slots=True)
class Ends:
    """Both ends of a damage."""

    first: Flank
    second: Flank

    def at(self, drawn: Drawn) -> tuple[Array, Array]:
        """Arcs (c,) of both ends."""
        return self.first.at(drawn), self.second.at(drawn)

    def doubt(self, drawn: Drawn) -> float:
        """Variance of the length from not knowing how its ends go on, mm²."""
        return self.first.doubt(drawn) + self.second.doubt(drawn)


def ends_of(drawn: Drawn, sigma_mm: float, pixel_mm: float, *, runs_out: bool = False) -> Ends:
    """Choose, once, how to tell where the damage begins and ends; stations within the noise say nothing.

    A finished blend runs out into the edge on either side (`runs_out`); any other damage may as well.

    Raises
    ------
    NotMeasurable
        The damage doesn't stand out of the noise.
    """
    return Ends(
        *(ends_on(drawn, way, sigma_mm, pixel_mm, corner=0.0 if runs_out else None) for way in (-1, 1))
    )


def ends_on(
    drawn: Drawn, way: int, sigma_mm: float, pixel_mm: float, *, corner: float | None = None
) -> Flank:
    """Choose how to tell where the outline meets the edge, from its deepest station backwards or onwards.

    Parameters
    ----------
    way : int
        1 where the end lies at later stations, -1 where at earlier ones.
    corner : float, optional
        How much a corner counts; told from the stations where absent.
    """
    apart = drawn.apart[0]
    top = int(np.argmax(apart))
    low = max(_END_SIGMAS * sigma_mm, min(_END_PX * pixel_mm, 0.25 * apart[top]), _END_SHARES[0] * apart[top])
    run = _run(apart, top, way, low, max(_END_SHARES[1] * apart[top], 2.5 * low))
    if len(run) < _LEAST_END:
        raise NotMeasurable("the damage hardly stands out of the edge's own scatter: nearer, or none at all")
    if corner is not None:
        return Flank(run, corner, _END_DOUBT_PX * pixel_mm)
    floor = max(0.5 * pixel_mm, sigma_mm)
    square = floor**2 + np.array([_left_over(drawn, run, corner=is_corner) for is_corner in (True, False)])
    likely = square ** (-len(run) / 2 / _END_CORRELATED)
    return Flank(run, float(likely[0] / likely.sum()), _END_DOUBT_PX * pixel_mm)


def _run(apart: Array, top: int, way: int, low: float, high: float) -> Numbers:
    """Stations from the deepest one outwards whose distance lies between two levels."""
    at = np.arange(top, -1, -1) if way < 0 else np.arange(top, len(apart))
    below = np.flatnonzero(apart[at] < low)
    at = at[: int(below[0])] if len(below) else at
    return np.asarray(at[apart[at] <= high], dtype=np.intp)


def _end_terms(apart: Array, *, corner: bool) -> Array:
    d = np.maximum(apart, 1e-6)
    return np.stack([np.ones_like(d), d, d * d] if corner else [np.ones_like(d), np.sqrt(d), d], axis=-1)


def _carried(drawn: Drawn, run: Numbers, *, corner: bool) -> Array:
    """Arc (c,) at distance 0."""
    _, scale, solved = _end_fit(drawn, run, corner=corner)
    return np.asarray(solved[:, 0] / scale[0])


def _left_over(drawn: Drawn, run: Numbers, *, corner: bool) -> float:
    """Mean square (mm²) of what the first draw's arcs differ from the fitted way by."""
    terms, _, solved = _end_fit(drawn, run, corner=corner)
    return float(np.mean((drawn.arcs[0, run] - terms[0] @ solved[0]) ** 2))


def _end_fit(drawn: Drawn, run: Numbers, *, corner: bool) -> tuple[Array, Array, Array]:
    terms = _end_terms(drawn.apart[:, run], corner=corner)
    scale = np.abs(terms[0]).max(axis=0)
    terms = terms / scale
    normal = np.einsum("cni,cnj->cij", terms, terms)
    normal += 1e-6 * len(run) * np.eye(terms.shape[-1])
    right = np.einsum("cni,cn->ci", terms, drawn.arcs[:, run] - drawn.arcs[:, run].mean(axis=1)[:, None])
    solved = np.linalg.solve(normal, right[..., None])[..., 0]
    solved[:, 0] += drawn.arcs[:, run].mean(axis=1)
    return terms, scale, solved


def depth_touch(drawn: Drawn) -> Touch:
    """Where a greatest distance is taken: the station and its foot."""
    at = int(np.argmax(drawn.apart[0]))
    point, foot = drawn.outline[0, at], drawn.feet[0, at]
    way = (point - foot) / max(float(np.linalg.norm(point - foot)), 1e-9)
    return Touch.at(point, way, decoded=False).and_at(Touch.at(foot, -way, decoded=False))


def line_touch(line: Array) -> Touch:
    """Where a length along a line of points (n, 3) is taken."""
    points = line[:: max(1, len(line) // 12)]
    points = points if np.array_equal(points[-1], line[-1]) else np.vstack([points, line[-1:]])
    step = np.diff(points, axis=0)
    step /= np.linalg.norm(step, axis=1, keepdims=True)
    gradient = np.zeros_like(points)
    gradient[:-1] -= step
    gradient[1:] += step
    return Touch.at(points, gradient, decoded=False)


def area_touch(model: EdgeModel, drawn: Drawn) -> Touch:
    """Where a lost area is taken: every station and foot, by the patches' derivatives."""
    middle = _patch_normals(model)
    x, f = drawn.outline[0], drawn.feet[0]
    one, other = x[1:] - f[:-1], f[1:] - x[:-1]
    signed = float(np.sum(np.cross(one, other) * middle))
    sign = 0.5 if signed >= 0 else -0.5
    by_one, by_other = sign * np.cross(other, middle), sign * np.cross(middle, one)
    gradient_x, gradient_f = np.zeros_like(x), np.zeros_like(f)
    gradient_x[1:] += by_one
    gradient_f[:-1] -= by_one
    gradient_f[1:] += by_other
    gradient_x[:-1] -= by_other
    return Touch.at(np.vstack([x, f]), np.vstack([gradient_x, gradient_f]), decoded=False)


def surface_above(shape: Shape, sheet: Sheet, xy: Array) -> Array:
    """Inverse depth of a smooth surface less the sheet's at directions (n, 2)."""
    x, y = xy[:, 0], xy[:, 1]
    return np.asarray(shape.inverse_depth(x, y) - sheet.inverse_depth(x, y))
