"""Labels on a whole photo: beside the damage, never on any, each with a leader to what it names."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from fringewise.core.checks import Array
from fringewise.core.units import LengthUnit
from fringewise.findings.finding import FindingResult
from fringewise.render.dimension import data_points, overlap, page_points, words_size_pt
from fringewise.render.marks import anchor_points, line_on_photo
from fringewise.render.page import lettering
from fringewise.render.theme import LABEL_PT, SMALL_PT, Theme
from fringewise.render.words import kind_words, main_words

_PAD_PT: Final = 5.0
_LINES_APART_PT: Final = 4.0
_AROUND: Final = 24
_AWAY_PT: Final = (14.0, 26.0, 44.0, 70.0, 110.0, 170.0)
_ROUND_MARKS_PT: Final = 6.0
_INSIDE_PT: Final = 12.0
_WORST: Final = 1000.0
_CROSSING: Final = 60.0


@dataclass(frozen=True, slots=True)
class Label:
    """A label as laid out, in points of the page (y up).

    Attributes
    ----------
    result : FindingResult
    what, value : str
        Its two lines.
    low, high : (2,) arrays
        Corners of its plate.
    leader : (2, 2) array
        From the plate to the thing.
    """

    result: FindingResult
    what: str
    value: str
    low: Array
    high: Array
    leader: Array

    @property
    def corners(self) -> Array:
        """The plate's corners (4, 2)."""
        (a, b), (c, d) = self.low, self.high
        return np.array([[a, b], [a, d], [c, d], [c, b]])


def label_words(result: FindingResult, unit: LengthUnit) -> tuple[str, str]:
    """Give a label's two lines: which finding of which kind, and its main value with doubt."""
    of_what, value = main_words(result, unit)
    kind = kind_words(result.finding)
    named = "" if not of_what or of_what.split(" ")[-1] == kind else f", {of_what}"
    return f"{result.finding.identity}  {kind}{named}", value


def lay_labels(axes: Axes, results: list[FindingResult], unit: LengthUnit) -> list[Label]:
    """Place labels one after the other, largest things first, each at the best of many places."""
    shapes = {id(one): page_points(axes, anchor_points(one)) for one in results if len(anchor_points(one))}
    taken = [
        (points.min(axis=0) - _ROUND_MARKS_PT, points.max(axis=0) + _ROUND_MARKS_PT)
        for points in shapes.values()
    ]
    corners = page_points(axes, np.array([axes.get_xlim(), axes.get_ylim()]).T)
    page = (corners.min(axis=0) + _PAD_PT, corners.max(axis=0) - _PAD_PT)
    labels: list[Label] = []
    for one in sorted(
        (r for r in results if id(r) in shapes), key=lambda r: -float(np.ptp(shapes[id(r)], axis=0).sum())
    ):
        choices = _candidates(axes, one, shapes[id(one)], unit)
        labels.append(min(choices, key=lambda c: _cost(c, page, taken, labels)))
    return labels


def draw_label(axes: Axes, label: Label, theme: Theme) -> None:
    """Draw a label's plate, its two lines and its leader."""
    line_on_photo(axes, data_points(axes, label.leader), theme)
    corner, other = data_points(axes, np.array([label.low, label.high]))
    size = other - corner
    axes.add_patch(
        Rectangle(
            (float(corner[0]), float(corner[1])), float(size[0]), float(size[1]), facecolor=theme.paper,
            edgecolor="none", zorder=7,
        )
    )  # fmt: skip
    left = float(label.low[0]) + _PAD_PT
    places = [[left, label.low[1] + _PAD_PT + 1.5], [left, label.high[1] - _PAD_PT - 0.72 * SMALL_PT]]
    (x, value_y), (_, what_y) = data_points(axes, np.array(places))
    axes.text(float(x), float(value_y), label.value, zorder=8, **lettering(theme, size=LABEL_PT))
    axes.text(
        float(x), float(what_y), label.what, zorder=8, **lettering(theme, size=SMALL_PT, color=theme.quiet)
    )


def _candidates(axes: Axes, result: FindingResult, points: Array, unit: LengthUnit) -> list[Label]:
    what, value = label_words(result, unit)
    wide = max(words_size_pt(axes, what, SMALL_PT)[0], words_size_pt(axes, value, LABEL_PT)[0])
    half = np.array([wide + 2 * _PAD_PT, SMALL_PT + LABEL_PT + _LINES_APART_PT + 2 * _PAD_PT]) / 2
    low, high = points.min(axis=0), points.max(axis=0)
    middle, reach = (low + high) / 2, (high - low) / 2
    made = []
    for away, turn in itertools.product(_AWAY_PT, np.arange(_AROUND) * 2 * np.pi / _AROUND):
        out = np.array([np.cos(turn), np.sin(turn)])
        room = reach + half + away
        at = middle + out * min(room[0] / max(abs(out[0]), 1e-9), room[1] / max(abs(out[1]), 1e-9))
        made.append(Label(result, what, value, at - half, at + half, _leader(points, at - half, at + half)))
    return made


def _leader(points: Array, low: Array, high: Array) -> Array:
    """The shortest line from well inside a plate, which covers its start, to one of the thing's points."""
    on_plate = np.clip(points, low + _INSIDE_PT, high - _INSIDE_PT)
    nearest = int(np.argmin(np.linalg.norm(points - on_plate, axis=1)))
    return np.array([on_plate[nearest], points[nearest]])


def _cost(
    label: Label, page: tuple[Array, Array], taken: list[tuple[Array, Array]], labels: list[Label]
) -> float:
    """How bad a place is: off the photo or over things is worst, then crossing lines, then a long leader."""
    low, high = page
    beyond = float(np.maximum(low - label.low, 0).sum() + np.maximum(label.high - high, 0).sum())
    cost = _WORST + beyond if beyond > 0 else 0.0
    plates = [(other.low - _PAD_PT, other.high + _PAD_PT) for other in labels]
    for box_low, box_high in [*taken, *plates]:
        deep = float((np.minimum(label.high, box_high) - np.maximum(label.low, box_low)).min())
        cost += _WORST + deep if deep > 0 else 0.0
    for other in labels:
        crossing = _cross(label.leader, other.leader) or overlap(other.corners, label.leader) > 0
        cost += _CROSSING * float(crossing or overlap(label.corners, other.leader) > 0)
    return cost + float(np.hypot(*(label.leader[1] - label.leader[0])))


def _cross(first: Array, second: Array) -> bool:
    def side(line: Array, point: Array) -> float:
        a, b = line[1] - line[0], point - line[0]
        return float(a[0] * b[1] - a[1] * b[0])

    return (
        side(first, second[0]) * side(first, second[1]) < 0
        and side(second, first[0]) * side(second, first[1]) < 0
    )
