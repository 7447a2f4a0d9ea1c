"""Sizes of places on the metal by both routes: marks, the smooth surface under them, and their noise drawn.

A place moves with its mark along the smooth surface round it, and along its ray with that surface's noise.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from fringewise.core.checks import Array
from fringewise.core.measured import Measured, Source
from fringewise.findings.blocks import Block, Wanted
from fringewise.findings.kind import Look
from fringewise.findings.marks import Place
from fringewise.findings.propagate import propagate
from fringewise.sound.points import on_rays

OfPoints = Callable[[Array], Array]
"""A size (count,) from the places' points (count, K, 3)."""


@dataclass(frozen=True, slots=True)
class Added:
    """What else is added to a size of places, from inputs of its own.

    Attributes
    ----------
    block : Block
    adds : callable
        What it adds (count,) for values (count, n).
    gradient : (n,) array
    """

    block: Block
    adds: Callable[[Array], Array]
    gradient: Array


def size_of_places(
    look: Look,
    places: Sequence[Place],
    size: OfPoints,
    wanted: Wanted,
    *,
    gradients: Array,
    added: Added | None = None,
) -> Measured:
    """Give one size that hangs on places.

    Parameters
    ----------
    look : Look
    places : sequence of K Place
    size : callable
    wanted : Wanted
    gradients : (K, 3) array
        Derivative of the size by each point, which says how places that share pixels hang together.
    added : Added, optional
    """
    blocks = [_marks(places), *_surfaces(places, gradients)]

    slopes: list[Array | None] = [None] * len(blocks)
    if added is not None:
        blocks.append(added.block)
        slopes.append(added.gradient[None])

    def sizes(inputs: tuple[Array, ...]) -> Array:
        found = size(_points(look, places, *inputs[:3]))
        return np.asarray((found if added is None else found + added.adds(inputs[3]))[:, None])

    found = propagate(
        sizes,
        blocks,
        [wanted],
        rng=look.rng,
        surface=look.surface,
        gradient=slopes,
        many=True,
        draws=look.draws,
    )
    return found[0]


def overlapping(places: Sequence[Place]) -> bool:
    """Whether two of the places were fitted to some of the same pixels."""
    return any(
        np.hypot(*(a.uv_px - b.uv_px)) < a.radius_px + b.radius_px
        for n, a in enumerate(places)
        for b in places[n + 1 :]
    )


def _marks(places: Sequence[Place]) -> Block:
    sigma = np.repeat([place.sigma_px for place in places], 2)
    return Block.independent("marks", np.zeros(2 * len(places)), sigma)


def _surfaces(places: Sequence[Place], gradients: Array) -> list[Block]:
    """The places' inverse depths: noise and misfit.

    Places that share pixels share noise: their parts then add in full, not as squares.
    """
    slopes = np.array([g @ place.by_depth for place, g in zip(places, gradients, strict=True)])
    sources: tuple[tuple[Source, Array], ...] = (
        ("frame noise", np.array([place.noise for place in places])),
        ("restored metal", np.array([place.model for place in places])),
    )
    blocks = []
    for source, variances in sources:
        sigma = np.sqrt(variances)
        factor = (np.where(slopes < 0, -1, 1) * sigma)[:, None] if overlapping(places) else np.diag(sigma)
        blocks.append(Block(source, np.zeros(len(places)), factor))
    return blocks


def _points(look: Look, places: Sequence[Place], marks: Array, noise: Array, model: Array) -> Array:
    """Points (count, K, 3) of places whose marks (count, 2 K) and inverse depths (count, K) are off."""
    points = np.empty((len(marks), len(places), 3))
    for n, place in enumerate(places):
        u, v = place.uv_px[0] + marks[:, 2 * n], place.uv_px[1] + marks[:, 2 * n + 1]
        x, y = look.rays.direction(u, v)
        w = place.sheet.inverse_depth(x, y) + noise[:, n] + model[:, n]
        points[:, n] = on_rays(x, y, w)
    return points
