"""The derivatives of points by column and calibration agree with what moving the head does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fringewise.capture import CalibrationCovariance, Camera, Head, Lens, Projector
from fringewise.capture.head import moved_by, rotation_from_vector
from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.surface.jacobian import columns_of, points_and_jacobian, points_at, sigma_calibration
from fringewise.surface.surface import Surface

CAMERA_NAMES = tuple(f"camera.{n}" for n in ("fx", "fy", "cx", "cy", *(f"distortion.{k}" for k in range(8))))
PROJECTOR_NAMES = tuple(
    f"projector.{n}"
    for n in (
        *("fx", "fy", "cx", "cy"),
        *(f"distortion.{k}" for k in range(8)),
        *(f"translation_mm.{k}" for k in range(3)),
        *(f"rotation_vector.{k}" for k in range(3)),
    )
)


def head_with(names: tuple[str, ...] = (), matrix: Array | None = None) -> Head:
    """A head with every lens term and a turned projector, so that no derivative is 0 by luck."""
    camera = Camera(
        960, 720, Lens(700, 705, 471.3, 365.8, (-0.11, 0.035, 6e-4, -4e-4, 0.01, 0.02, -0.01, 0.004))
    )
    projector = Projector(
        Lens(0.72, 0.9, 0.5, 0.4, (-0.05, 0.3, 9e-4, 1e-3, -0.1, 0.01, 0.02, -0.03)),
        1.0,
        0.8,
        rotation_from_vector([0.02, -0.1, 0.03]),
        np.array([-2.6, 0.1, -0.2]),
    )
    covariance = None
    if names:
        covariance = CalibrationCovariance(names, np.eye(len(names)) * 1e-6 if matrix is None else matrix)
    return Head("H", camera, projector, covariance=covariance)


def some_places(head: Head, count: int = 200, seed: int = 20260311) -> tuple[Array, Array]:
    rng = np.random.default_rng(seed)
    pixels = rng.uniform([0, 0], [959, 719], (count, 2))
    x, y = head.camera.lens.direction(pixels[:, 0], pixels[:, 1])
    points = np.column_stack([x, y, np.ones(count)]) * rng.uniform(8, 40, (count, 1))
    return pixels, head.projector.column_row(points)[0]


def test_points_lie_where_their_columns_were_made() -> None:
    head = head_with()
    rng = np.random.default_rng(7)
    x, y = rng.uniform(-0.5, 0.5, (2, 300))
    made = np.column_stack([x, y, np.ones(300)]) * rng.uniform(8, 60, (300, 1))
    pixels = np.column_stack(head.camera.lens.pixel(x, y))
    found = points_at(head, pixels, head.projector.column_row(made)[0])
    assert np.abs(found - made).max() < 1e-7  # mm


def test_derivative_by_column_agrees_with_differences() -> None:
    head = head_with()
    pixels, columns = some_places(head)
    _, by_column, by_parameter = points_and_jacobian(head, pixels, columns)
    step = 1e-6
    moved = points_at(head, pixels, columns + step) - points_at(head, pixels, columns - step)
    assert by_parameter.shape == (200, 3, 0)
    np.testing.assert_allclose(by_column, moved / (2 * step), rtol=1e-6, atol=1e-5)


@pytest.mark.parametrize("name", CAMERA_NAMES + PROJECTOR_NAMES)
def test_derivative_by_parameter_agrees_with_moving_the_head(name: str) -> None:
    head = head_with((name,))
    pixels, columns = some_places(head)
    _, _, by_parameter = points_and_jacobian(head, pixels, columns)
    step = 1e-3 if name in ("camera.fx", "camera.fy", "camera.cx", "camera.cy") else 1e-6
    ahead = points_at(moved_by(head, {name: step}), pixels, columns)
    behind = points_at(moved_by(head, {name: -step}), pixels, columns)
    by_hand = (ahead - behind) / (2 * step)
    scale = max(np.abs(by_hand).max(), 1e-9)
    assert np.abs(by_parameter[:, :, 0] - by_hand).max() < 2e-6 * scale
    assert name in ("projector.fy", "projector.cy") or np.abs(by_hand).max() > 0


def test_a_longer_base_scales_all_points() -> None:
    names = tuple(f"projector.translation_mm.{n}" for n in range(3))
    head = head_with(names)
    pixels, columns = some_places(head)
    xyz, _, by_parameter = points_and_jacobian(head, pixels, columns)
    scaled = by_parameter @ head.projector.translation_mm  # the derivative by a scale of the translation
    np.testing.assert_allclose(scaled, xyz, rtol=1e-9)


def test_columns_come_back_from_a_surface() -> None:
    head = head_with()
    pixels = np.array([[10, 20], [500, 300], [900, 700]])
    x, y = head.camera.lens.direction(pixels[:, 0], pixels[:, 1])
    points = np.column_stack([x, y, np.ones(3)]) * np.array([[11.0], [17.0], [24.0]])
    columns, _ = head.projector.column_row(points)
    xyz = np.full((720, 960, 3), np.nan, dtype=np.float32)
    xyz[pixels[:, 1], pixels[:, 0]] = points_at(head, pixels, columns)
    surface = Surface(xyz, xyz[..., 2] * 1e-4, np.zeros((720, 960), np.uint16), head=head)
    np.testing.assert_allclose(columns_of(surface, pixels), columns, atol=3e-7)  # float32 points
    assert np.isnan(columns_of(surface, [[0, 0]])).all()
    with pytest.raises(NotMeasurable, match="no head"):
        columns_of(replace(surface, head=None), pixels)


def test_calibration_sigma_agrees_with_the_jacobian_at_every_pixel() -> None:
    names = ("camera.fx", "camera.cx", "projector.translation_mm.0", "projector.rotation_vector.1")
    sd = np.array([0.4, 0.2, 0.002, 2e-4])
    mixing = np.array([[1, 0.5, 0, 0.2], [0.5, 1, 0, 0], [0, 0, 1, -0.3], [0.2, 0, -0.3, 1]])
    head = head_with(names, mixing * np.outer(sd, sd))
    v, u = np.mgrid[:720, :960]
    pixels = np.column_stack([u.ravel(), v.ravel()])
    x, y = head.camera.lens.direction(u, v)
    z = np.where((u // 97 + v // 83) % 2, 12 + u / 200, 24 - v / 100)  # steps in depth all over
    rays = np.stack([x, y, np.ones_like(x)], axis=-1)
    xyz = (rays * z[..., None]).astype(np.float32)
    xyz[0, 0] = np.nan
    surface = Surface(xyz, z.astype(np.float32), np.zeros(z.shape, np.uint16), head=head)
    found = sigma_calibration(surface)
    some = np.random.default_rng(5).choice(np.arange(1, z.size), 4000, replace=False)
    _, _, by_parameter = points_and_jacobian(head, pixels[some], columns_of(surface, pixels[some]))
    unit = rays.reshape(-1, 3)[some] / np.linalg.norm(rays.reshape(-1, 3)[some], axis=1)[:, None]
    along = np.einsum("ni,nip->np", unit, by_parameter)
    assert head.covariance is not None
    exact = np.sqrt(np.einsum("np,pq,nq->n", along, head.covariance.matrix, along))
    assert found is not None
    np.testing.assert_allclose(found.reshape(-1)[some], exact, rtol=1e-3)
    assert np.isnan(found[0, 0])


def test_calibration_sigma_is_absent_without_a_covariance() -> None:
    surface = Surface(
        np.ones((2, 2, 3), np.float32), np.ones((2, 2), np.float32), np.zeros((2, 2), np.uint16)
    )
    assert sigma_calibration(surface) is None
    assert sigma_calibration(replace(surface, head=head_with())) is None
