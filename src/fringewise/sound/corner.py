"""A corner that is no longer there: two restored edges carried on to meet."""

from __future__ import annotations

from typing import Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.sound.edge import Curve

_STEPS: Final = 12
_MOST_BEYOND: Final = 3.0
_LEAST_TURN: Final = 0.2


def corner_of(first: Curve, second: Curve, changes: tuple[Array, Array] | None = None) -> Array:
    """Directions (c, 2) at which two restored edges meet.

    Parameters
    ----------
    first, second : Curve
    changes : pair of (c, K) arrays, optional
        Changes of both curves' coefficients, c draws at once; none for the curves as fitted (c = 1).

    Raises
    ------
    NotMeasurable
        The edges run nearly alike, or meet too far from where they were seen.
    """
    turn = first.along[0] * second.along[1] - first.along[1] * second.along[0]
    if abs(turn) < _LEAST_TURN:
        raise NotMeasurable("the two edges run nearly alike: mark the two edges that met at the lost corner")
    one, other = changes or (np.zeros((1, len(first.coefficients))), np.zeros((1, len(second.coefficients))))
    # the straight lines' meeting first, then Newton's steps on both curves
    gap = second.origin - first.origin
    t = np.full(len(one), (gap[0] * second.along[1] - gap[1] * second.along[0]) / turn)
    s = np.full(len(one), (gap[0] * first.along[1] - gap[1] * first.along[0]) / turn)
    for _ in range(_STEPS):
        here, way = _at(first, one, t)
        there, other_way = _at(second, other, s)
        off = there - here
        cross = way[:, 0] * other_way[:, 1] - way[:, 1] * other_way[:, 0]
        t = t + (off[:, 0] * other_way[:, 1] - off[:, 1] * other_way[:, 0]) / cross
        s = s + (off[:, 0] * way[:, 1] - off[:, 1] * way[:, 0]) / cross
    if not np.all(np.abs(t) < _MOST_BEYOND * first.half) or not np.all(
        np.abs(s) < _MOST_BEYOND * second.half
    ):
        raise NotMeasurable("the edges meet too far from where they were seen: look again with more of both")
    return _at(first, one, t)[0]


def _at(curve: Curve, change: Array, t: Array) -> tuple[Array, Array]:
    """Directions (c, 2) of a curve's draws at places t (c,), and their derivative by t."""
    a, degree = t / curve.half, len(curve.coefficients) - 1
    terms = curve.coefficients + change
    values = np.einsum("ck,ck->c", np.polynomial.legendre.legvander(a, degree), terms)
    turned = np.stack(
        [np.polynomial.legendre.legval(a, np.polynomial.legendre.legder(one)) for one in np.eye(degree + 1)],
        axis=-1,
    )
    slopes = np.einsum("ck,ck->c", turned, terms) / curve.half
    place = curve.origin + t[:, None] * curve.along + values[:, None] * curve.aside
    return place, curve.along + slopes[:, None] * curve.aside
