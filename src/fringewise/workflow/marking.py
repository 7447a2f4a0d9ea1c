"""Marks on a rendered scene as a person would place them: the true ones, scattered by the placing."""

from __future__ import annotations

import numpy as np

from fringewise.capture.head import Head
from fringewise.findings.finding import DEFAULT_PLACING_PX, Finding
from fringewise.virtual import Scene, patch_pixels
from fringewise.virtual.truth import Truth, truths_of


def marked_findings(
    scene: Scene, head: Head, rng: np.random.Generator, placing_px: float = DEFAULT_PLACING_PX
) -> tuple[Finding, ...]:
    """Mark every damage of a scene, each mark off by a normal draw in u and in v."""
    return tuple(_marked(scene, head, truth, rng, placing_px) for truth in truths_of(scene).values())


def _marked(scene: Scene, head: Head, truth: Truth, rng: np.random.Generator, placing_px: float) -> Finding:
    marks = {}
    for one in truth.marks:
        pixels = patch_pixels(scene, head, one.patch, one.st[:, 0].copy(), one.st[:, 1].copy())
        marks[f"{one.name}_px"] = pixels + rng.normal(0.0, placing_px, pixels.shape)
    return Finding(truth.id, truth.kind, marks, placing_px)
