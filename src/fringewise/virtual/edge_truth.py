"""The truth of damage at edges: nicks, bends, blends, lost corners, lost tips."""

from __future__ import annotations

from typing import Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.virtual.cuts import CornerCut, TipCut
from fringewise.virtual.edges import Edge, EdgeCut, Scallop
from fringewise.virtual.grooves import EdgeBend
from fringewise.virtual.part import Part
from fringewise.virtual.sheets import Sheet, unit_normals
from fringewise.virtual.sizes import enclosed_area, frame_on, path_length, points_on
from fringewise.virtual.truth import Marks, Truth

_RIM_POINTS: Final = 2001
_LEAST_RAISED_MM: Final = 1e-6


def nick_truth(part: Part, cut: EdgeCut, name: str, edge_marks: Array, family: str) -> Truth:
    """Truth of a nick: depth, length, lost area, and raised metal where a relief throws some up.

    The outline is taken on the part as it is; the restored edge is the undamaged sheet's.
    """
    quantities = _bitten(part, cut)
    raised = _raised(part, cut)
    if raised > _LEAST_RAISED_MM:
        quantities["raised"] = raised
    return Truth(name, "edge_nick", family, quantities, (Marks("edge", part.name, edge_marks),))


def blend_truth(part: Part, cut: EdgeCut, scallop: Scallop, name: str, edge_marks: Array) -> Truth:
    """Truth of a finished blend; the least radius is that of its outline within the sheet (geodesic)."""
    quantities = _bitten(part, cut)
    quantities["radius_least"] = _least_radius(part.sheet, cut, scallop)
    quantities["length_to_depth"] = quantities["length"] / quantities["depth"]
    marks = (Marks("edge", part.name, edge_marks),)
    return Truth(name, "blend", "blend Scallop", quantities, marks)


def bend_truth(part: Part, bend: EdgeBend, pulled_in: EdgeCut | None, name: str, edge_marks: Array) -> Truth:
    """Truth of a bent edge: displacement, its part across the restored surface, length above a tenth of it.

    Parameters
    ----------
    pulled_in : EdgeCut, optional
        How far the bent edge has also drawn back within the sheet.
    """
    low, high = bend.center_mm - bend.half_length_mm, bend.center_mm + bend.half_length_mm
    a = np.linspace(max(low, bend.edge.ends[0]), min(high, bend.edge.ends[1]), _RIM_POINTS)
    b = np.zeros_like(a)
    if pulled_in is not None:
        b = pulled_in.depth_mm * pulled_in.bite.shape((a - bend.center_mm) / bend.half_length_mm)
    st = bend.edge.to_st(a, b)
    actual = part.point(st[:, 0].copy(), st[:, 1].copy())
    feet = feet_on_edge(part.sheet, bend.edge, actual, a)
    restored, normals = frame_on(part.sheet, bend.edge.to_st(feet, np.zeros_like(feet)))
    gap = actual - restored.x
    size = np.linalg.norm(gap, axis=1)
    most = int(np.argmax(size))
    over = feet[size > 0.1 * size[most]]
    quantities = {
        "displacement": float(size[most]),
        "out_of_plane": float(abs(gap[most] @ normals[most])),
        "length": edge_arc(part.sheet, bend.edge, float(over.min()), float(over.max())),
    }
    return Truth(name, "edge_bend", "edge_bend", quantities, (Marks("edge", part.name, edge_marks),))


def corner_truth(part: Part, cut: CornerCut, name: str, first_marks: Array, second_marks: Array) -> Truth:
    """Truth of a lost corner between the leading edge (first) and the tip (second)."""
    corner = np.array([[part.outline.s_low, part.outline.t_high]])
    rim = cut.rim_st(_RIM_POINTS)
    quantities = {
        "lost_area": enclosed_area(part.sheet, np.concatenate([rim, _between(rim[-1], corner[0], rim[0])])),
        "loss_first_edge": path_length(part.sheet, np.concatenate([corner, rim[:1]]), 256),
        "loss_second_edge": path_length(part.sheet, np.concatenate([corner, rim[-1:]]), 256),
    }
    marks = (Marks("first_edge", part.name, first_marks), Marks("second_edge", part.name, second_marks))
    return Truth(name, "corner_loss", "corner_loss", quantities, marks)


def tip_truth(part: Part, cut: TipCut, name: str, marks: tuple[Marks, ...]) -> Truth:
    """Truth of a lost tip: lost area, and the greatest distance from its outline to the restored tip."""
    edge = Edge("tip", part.outline)
    rim = cut.rim_st(_RIM_POINTS)
    points = points_on(part.sheet, rim)
    feet = feet_on_edge(part.sheet, edge, points, rim[:, 0])
    tip = points_on(part.sheet, edge.to_st(feet, np.zeros_like(feet)))
    box = part.outline
    back = np.linspace(box.s_high, box.s_low, _RIM_POINTS)
    boundary = np.concatenate([rim, edge.to_st(back, np.zeros_like(back))])
    quantities = {
        "lost_area": enclosed_area(part.sheet, boundary),
        "loss_greatest": float(np.linalg.norm(points - tip, axis=1).max()),
    }
    return Truth(name, "tip_loss", "tip_loss", quantities, marks)


def feet_on_edge(sheet: Sheet, edge: Edge, points: Array, guess_a: Array) -> Array:
    """Places a (n,) on an edge that are nearest to points (n, 3), by Newton steps from a guess."""
    a = guess_a.copy()
    for _ in range(40):
        st = edge.to_st(a, np.zeros_like(a))
        s, t = st[:, 0].copy(), st[:, 1].copy()
        first, second = sheet.first(s, t), sheet.second(s, t)
        along, bend = (first.t, second.tt) if edge.side in ("leading", "trailing") else (first.s, second.ss)
        gap = first.x - points
        slope = np.einsum("ni,ni->n", along, along) + np.einsum("ni,ni->n", gap, bend)
        step = np.clip(np.einsum("ni,ni->n", gap, along) / slope, -0.5, 0.5)
        a -= step
        if np.abs(step).max() < 1e-13:
            break
    return a


def edge_arc(sheet: Sheet, edge: Edge, start_a: float, end_a: float) -> float:
    """Arc length of an edge between two places, mm."""
    return path_length(sheet, edge.to_st(np.array([start_a, end_a]), np.zeros(2)), 512)


def _bitten(part: Part, cut: EdgeCut) -> dict[str, float]:
    rim = cut.rim_st(_RIM_POINTS)
    a, _ = cut.edge.from_st(rim[:, 0], rim[:, 1])
    actual = part.point(rim[:, 0].copy(), rim[:, 1].copy())
    feet = feet_on_edge(part.sheet, cut.edge, actual, a)
    nearest = points_on(part.sheet, cut.edge.to_st(feet, np.zeros_like(feet)))
    back = np.linspace(a[-1], a[0], _RIM_POINTS)
    boundary = np.concatenate([rim, cut.edge.to_st(back, np.zeros_like(back))])
    return {
        "depth": float(np.linalg.norm(actual - nearest, axis=1).max()),
        "length": edge_arc(part.sheet, cut.edge, float(feet.min()), float(feet.max())),
        "lost_area": enclosed_area(part.sheet, boundary),
    }


def _raised(part: Part, cut: EdgeCut) -> float:
    # greatest height of metal that is still there, within one depth and half length of the cut
    if not part.reliefs:
        return 0.0
    low, high = cut.center_mm - 2 * cut.half_length_mm, cut.center_mm + 2 * cut.half_length_mm
    a, b = np.meshgrid(np.linspace(low, high, 601), np.linspace(0.0, 3 * cut.depth_mm, 601))
    st = cut.edge.to_st(a.ravel(), b.ravel())
    s, t = st[:, 0].copy(), st[:, 1].copy()
    return float(np.where(part.metal(s, t), part.height(s, t), 0.0).max())


def _least_radius(sheet: Sheet, cut: EdgeCut, scallop: Scallop) -> float:
    # 1/κ over the bottom arc, with κ = c'' · (N × c') / |c'|³ for the outline c on the sheet
    r, d = scallop.radius_mm, scallop.depth_mm
    most = np.arcsin(scallop.half_length_mm / (2 * r))
    angle = np.linspace(-most, most, 2001)
    zero = np.zeros_like(angle)
    st = cut.edge.to_st(cut.center_mm + r * np.sin(angle), d - r + r * np.cos(angle))
    origin = cut.edge.to_st(zero, zero)
    speed = cut.edge.to_st(r * np.cos(angle), -r * np.sin(angle)) - origin
    turn = cut.edge.to_st(-r * np.sin(angle), -r * np.cos(angle)) - origin
    s, t = st[:, 0].copy(), st[:, 1].copy()
    first, second = sheet.first(s, t), sheet.second(s, t)
    velocity = first.s * speed[:, :1] + first.t * speed[:, 1:]
    bend = first.s * turn[:, :1] + first.t * turn[:, 1:] + second.ss * speed[:, :1] ** 2
    bend += 2 * second.st * speed[:, :1] * speed[:, 1:] + second.tt * speed[:, 1:] ** 2
    across = np.cross(unit_normals(first), velocity)
    curvature = np.einsum("ni,ni->n", bend, across) / np.linalg.norm(velocity, axis=1) ** 3
    return float(1 / np.abs(curvature).max())


def _between(start: Array, corner: Array, end: Array) -> Array:
    share = np.linspace(0.0, 1.0, 513)[1:-1, None]
    return np.concatenate(
        [start + share * (corner - start), corner[None, :], corner + share * (end - corner)]
    )
