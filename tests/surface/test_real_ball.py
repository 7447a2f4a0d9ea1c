"""A real ball, decoded by the people who took it: its form, with a projector whose lens distorts strongly."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from fringewise.core.checks import Array
from fringewise.files import read_head
from fringewise.surface.rays import points_on_rays


def sphere_residuals(points: Array, keep: npt.NDArray[np.bool_], start: Array) -> Array:
    """Radial distances (N,) to the free least-squares sphere through the points kept."""

    def misses(sphere: Array) -> Array:
        return np.asarray(np.linalg.norm(points[keep] - sphere[:3], axis=1) - sphere[3])

    fitted = least_squares(misses, start)
    return np.asarray(np.linalg.norm(points - fitted.x[:3], axis=1) - fitted.x[3])


def test_form_of_the_real_ball(shared_data: Path) -> None:
    folder = shared_data / "real_ball"
    head = read_head(folder / "head.json")
    assert not head.projector.lens.straight
    with np.load(folder / "ball_phase.npz") as held:
        column = held["column"]
    xyz, _, _ = points_on_rays(head, column, np.full_like(column, 1e-5), np.zeros(column.shape, np.uint16))
    points = xyz[np.isfinite(xyz[..., 2])].astype(np.float64)
    keep = np.full(len(points), fill_value=True)
    start = np.append(points.mean(axis=0) + np.array([0, 0, 20]), 25.0)
    while True:
        residuals = sphere_residuals(points, keep, start)
        stays = keep & (np.abs(residuals) < 3 * residuals[keep].std())
        if stays.sum() == keep.sum():
            break
        keep = stays
    # An independent decoding gave 0.037 mm and 97.8 % kept; published by the authors, untrimmed: 0.0585 mm
    # (data README). The radius hangs on the calibration by 1 %, so only the form is judged.
    assert len(points) == np.isfinite(column).sum()
    assert residuals[keep].std() <= 0.038
    assert keep.mean() >= 0.97
