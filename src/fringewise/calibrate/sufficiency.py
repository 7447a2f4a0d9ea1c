"""Whether captures of a target are enough to calibrate by, and if not, which to add."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from fringewise.calibrate.views import TargetView
from fringewise.capture.head import Head
from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.surface.jacobian import points_and_jacobian

LEAST_VIEWS: Final = 3
USUAL_TILT_DEG: Final = 15.0
USUAL_DEPTH_SPAN: Final = 0.15
USUAL_COVERAGE: Final = 0.6
MOST_SCALE_UNCERTAINTY: Final = 0.005

_CELLS: Final = 6


def refuse_too_few(views: Sequence[TargetView]) -> tuple[TargetView, ...]:
    """Give the views back if there are enough of them.

    Raises
    ------
    NotMeasurable
        There are fewer than three.
    """
    if len(views) < LEAST_VIEWS:
        raise NotMeasurable(
            f"{len(views)} captures of the target are too few to calibrate by: take {LEAST_VIEWS}"
            " at the least, better 8 to 12, tilted by 20 to 40 degrees about both axes, near and far,"
            " all over the picture"
        )
    return tuple(views)


def refuse_weak(head: Head, views: Sequence[TargetView], points_mm: Sequence[Array]) -> tuple[str, ...]:
    """Refuse a set of views that leaves sizes too uncertain; otherwise say what would make it better.

    The covariance decides, not the look of the set: it knows what was seen how sharply.

    Parameters
    ----------
    head : Head
        As calibrated, with its covariance.
    views : sequence of TargetView
    points_mm : sequence of (n, 3) arrays
        The points of each view in the camera frame.

    Raises
    ------
    NotMeasurable
        Sizes would stay open by more than `MOST_SCALE_UNCERTAINTY`; with what to add.
    """
    advice = what_to_add(head, views, points_mm)
    scale = max(scale_uncertainty(head, view, points) for view, points in zip(views, points_mm, strict=True))
    if scale > MOST_SCALE_UNCERTAINTY:
        raise NotMeasurable(
            f"these captures leave sizes uncertain by {100 * scale:.2g} % (standard uncertainty; "
            f"{100 * MOST_SCALE_UNCERTAINTY:g} % at most): "
            + ("; ".join(advice) or "add captures with other tilts and distances, 8 to 12 in all")
        )
    return tuple(advice)


def what_to_add(head: Head, views: Sequence[TargetView], points_mm: Sequence[Array]) -> list[str]:
    """Say in words which captures would tell more; empty where none is missing."""
    said = []
    first, second = tilt_span_deg(points_mm)
    if first < USUAL_TILT_DEG:
        said.append(f"the target's tilts differ by {first:.0f}° only: add captures tilted by 20 to 40°")
    elif second < USUAL_TILT_DEG:
        said.append(
            f"the target's tilts differ by {second:.0f}° only about the second axis:"
            " add captures tilted by 20 to 40° about it"
        )
    near, far = depth_span_mm(points_mm)
    if far - near < USUAL_DEPTH_SPAN * (near + far) / 2:
        said.append(f"all points lie {near:.3g} to {far:.3g} mm away: add captures nearer and farther")
    covered = coverage(views, head.camera.width, head.camera.height)
    if covered < USUAL_COVERAGE:
        said.append(
            f"the target covers {100 * covered:.0f} % of the picture only: add captures with it in the"
            f" {_barest(views, head.camera.width, head.camera.height)} and towards the other rims"
        )
    return said


def tilt_span_deg(points_mm: Sequence[Array]) -> tuple[float, float]:
    """Spread of the target's normals, first the way they differ most, then square to it."""
    normals = np.array([_normal(points) for points in points_mm])
    off = normals[:, :2] - normals[:, :2].mean(axis=0)
    _, _, axes = np.linalg.svd(off, full_matrices=False)
    spans = np.ptp(off @ axes.T, axis=0)
    degrees = np.degrees(2 * np.arcsin(np.clip(spans / 2, 0, 1)))
    return float(degrees[0]), float(degrees[1]) if len(degrees) > 1 else 0.0


def depth_span_mm(points_mm: Sequence[Array]) -> tuple[float, float]:
    """Nearest and farthest z of all points."""
    z = np.concatenate([points[:, 2] for points in points_mm])
    return float(z.min()), float(z.max())


def coverage(views: Sequence[TargetView], width: int, height: int) -> float:
    """Share of the picture's 6 × 6 fields that hold a point of some view."""
    return float(np.mean(_counts(views, width, height) > 0))


def scale_uncertainty(head: Head, view: TargetView, points_mm: Array) -> float:
    """Standard uncertainty, from the calibration, of the scale of sizes where a view lies (a share)."""
    if head.covariance is None:
        return 0.0
    column, _ = head.projector.column_row(points_mm)
    points, _, by_parameter = points_and_jacobian(head, view.pixels, column)
    good = np.all(np.isfinite(points), axis=1)
    off = points[good] - points[good].mean(axis=0)
    gradient = np.einsum("ni,nip->p", off, by_parameter[good]) / float(np.sum(off**2))
    return float(np.sqrt(max(gradient @ head.covariance.matrix @ gradient, 0.0)))


def _normal(points: Array) -> Array:
    normal: Array = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2][2]
    return normal if normal[2] > 0 else -normal


def _counts(views: Sequence[TargetView], width: int, height: int) -> Array:
    seen = np.concatenate([view.pixels for view in views])
    made, _, _ = np.histogram2d(seen[:, 1], seen[:, 0], bins=_CELLS, range=((0, height), (0, width)))
    return np.asarray(made)


def _barest(views: Sequence[TargetView], width: int, height: int) -> str:
    counts = _counts(views, width, height)
    half = _CELLS // 2
    quarters = {
        "upper left": counts[:half, :half],
        "upper right": counts[:half, half:],
        "lower left": counts[half:, :half],
        "lower right": counts[half:, half:],
    }
    return min(quarters, key=lambda name: int(np.sum(quarters[name] > 0)))
