"""Blend: what a finished blend took off an edge, and how gently it runs."""

from __future__ import annotations

from typing import Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.findings.bitten import TODAYS_EDGE, bitten_quantities, edge_drawing
from fringewise.findings.edge_damage import edge_damage, edge_model, edge_warnings
from fringewise.findings.edge_sizes import Drawn, Ends, greatest
from fringewise.findings.finding import Finding, FindingResult
from fringewise.findings.kind import Kind, Look, QuantityMeaning

_WINDOW: Final = 0.4
_WINDOWS: Final = 5
_MIDDLES: Final = (0.4, 0.6)
_LEAST_STATIONS: Final = 8

DEFINITION_PX: Final = 0.12
"""As for other damage, but for a dressed edge, which is clean."""


def measure_blend(look: Look, finding: Finding) -> FindingResult:
    """Measure a finished blend between two marks on the sound edge (format 3, ``blend``).

    Raises
    ------
    NotMeasurable
        The edge can't be found or carried across, in words for the technician.
    """
    damage = edge_damage(look, finding.marks["edge_px"], finding.placing_px)
    model = edge_model(look, damage)
    more = (("radius_least", "mm"), ("length_to_depth", ""))
    quantities, said = bitten_quantities(
        look, finding, damage, model, more=more, further=_shape, runs_out=True, definition_px=DEFINITION_PX
    )
    warnings = (TODAYS_EDGE, *edge_warnings(damage, model), *said)
    return FindingResult(finding, quantities, "", warnings, edge_drawing(look, damage, model))


def _shape(drawn: Drawn, ends: Ends | None) -> Array:
    """Least radius and length to depth (count, 2) of draws."""
    made = np.full((len(drawn.apart), 2), np.nan)
    if ends is None:
        return made
    first, last = ends.at(drawn)
    length = np.abs(last - first)
    made[:, 0] = _least_radius(drawn, float(min(first[0], last[0])), float(length[0]))
    made[:, 1] = length / greatest(drawn)
    return made


def _least_radius(drawn: Drawn, start: float, length: float) -> Array:
    """Least radius (count,) of circles through stretches of the outline of four tenths of the blend's length.

    Taken in the blend's middle part, in arc along the restored edge and distance from it:
    x² + y² = a x + b y + c has the radius √(c + a²/4 + b²/4).
    """
    half = _WINDOW / 2 * length
    found = []
    for middle in start + length * np.linspace(*_MIDDLES, _WINDOWS):
        at = np.flatnonzero(np.abs(drawn.arcs[0] - middle) <= half)
        if len(at) < _LEAST_STATIONS:
            continue
        x, y = drawn.arcs[:, at] - middle, drawn.apart[:, at]
        terms = np.stack([x, y, np.ones_like(x)], axis=-1)
        normal = np.einsum("cni,cnj->cij", terms, terms)
        right = np.einsum("cni,cn->ci", terms, x * x + y * y)
        a, b, c = np.linalg.solve(normal, right[..., None])[..., 0].T
        radius = np.sqrt(np.maximum(c + a * a / 4 + b * b / 4, 0.0))
        found.append(radius)
    least = np.min(found, axis=0) if found else np.full(len(drawn.arcs), np.nan)
    return np.where(np.isfinite(least), least, np.nan)


KIND: Final = Kind(
    "blend",
    (
        QuantityMeaning("depth", "mm", "greatest distance from the blend's outline to the restored edge"),
        QuantityMeaning("length", "mm", "arc of the restored edge between the outline's outermost feet"),
        QuantityMeaning("radius_least", "mm", "least radius of circles through stretches of the outline"),
        QuantityMeaning("length_to_depth", "", "length over depth"),
        QuantityMeaning("lost_area", "mm²", "area of the restored sheet between restored edge and outline"),
    ),
    measure_blend,
)
