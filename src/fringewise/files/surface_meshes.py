"""Surfaces as meshes for other programs: PLY in millimetres, glTF (.glb) in metres."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt
import trimesh

from fringewise.surface.jacobian import sigma_calibration
from fringewise.surface.mesh import SurfaceMesh, surface_mesh
from fringewise.surface.surface import Surface

_PLY_COMMENTS: Final = (
    "units: mm",
    "frame: camera (x right, y down, z away from the head)",
    "sigma_mm: standard uncertainty along the ray from frame noise, independent from vertex to vertex",
    "sigma_calibration_mm: the part that all vertices share",
)
_GLB_NOTES: Final = {
    "units": "m",
    "frame": "x right, y up, z towards the head; origin at the camera's centre",
    "_SIGMA_M": "standard uncertainty along the ray from frame noise, m, independent from vertex to vertex",
    "_SIGMA_CALIBRATION_M": "the part that all vertices share, m",
}
_GLB_SIGMAS: Final = {"_SIGMA_M": "sigma_mm", "_SIGMA_CALIBRATION_M": "sigma_calibration_mm"}
_COLOURS: Final = ("red", "green", "blue")
_GLB_FROM_CAMERA: Final = np.array([0.001, -0.001, -0.001])


def ply_bytes(surface: Surface) -> bytes:
    """Give a binary PLY file: vertices with sigma (and grey or colour of the photo), triangles."""
    mesh = surface_mesh(surface)
    columns = _vertex_columns(surface, mesh)
    kinds = [(name, "<f4" if values.dtype.kind == "f" else "u1") for name, values in columns.items()]
    vertices = np.empty(len(mesh.rows), dtype=kinds)
    for name, values in columns.items():
        vertices[name] = values
    faces = np.empty(len(mesh.triangles), dtype=[("count", "u1"), ("corners", "<i4", 3)])
    faces["count"], faces["corners"] = 3, mesh.triangles
    header = [
        "ply",
        "format binary_little_endian 1.0",
        *(f"comment {line}" for line in _PLY_COMMENTS if line.split(":")[0] in {*columns, "units", "frame"}),
        f"element vertex {len(vertices)}",
        *(f"property {'float' if kind == '<f4' else 'uchar'} {name}" for name, kind in kinds),
        f"element face {len(faces)}",
        "property list uchar int vertex_indices",
        "end_header\n",
    ]
    return "\n".join(header).encode("ascii") + vertices.tobytes() + faces.tobytes()


def glb_bytes(surface: Surface) -> bytes:
    """Give a binary glTF file: metres, y up; sigma as custom vertex attributes."""
    mesh = surface_mesh(surface)
    columns = _vertex_columns(surface, mesh)
    points = np.column_stack([columns[name] for name in "xyz"]).astype(np.float64) * _GLB_FROM_CAMERA
    attributes: dict[str, Any] = {
        name: np.asarray(columns[own] * np.float32(0.001), dtype=np.float32)
        for name, own in _GLB_SIGMAS.items()
        if own in columns
    }
    colours = [columns[name] for name in _COLOURS if name in columns]
    made = trimesh.Trimesh(
        vertices=points,
        faces=mesh.triangles,
        vertex_attributes=attributes,
        metadata={
            name: words for name, words in _GLB_NOTES.items() if name in {*attributes, "units", "frame"}
        },
        vertex_colors=np.column_stack(colours) if colours else None,
        process=False,
    )
    written = made.export(file_type="glb")
    assert isinstance(written, bytes)
    return written


def _vertex_columns(surface: Surface, mesh: SurfaceMesh) -> dict[str, npt.NDArray[Any]]:
    """Name and values of what each vertex carries."""
    pixels = mesh.rows, mesh.columns
    columns: dict[str, npt.NDArray[Any]] = dict(zip("xyz", surface.xyz_mm[pixels].T, strict=True))
    columns["sigma_mm"] = surface.sigma_mm[pixels]
    shared = sigma_calibration(surface)
    if shared is not None:
        columns["sigma_calibration_mm"] = shared[pixels]
    colours = _colours(surface)
    if colours is not None:
        columns |= dict(zip(_COLOURS, colours[pixels].T, strict=True))
    return columns


def _colours(surface: Surface) -> npt.NDArray[np.uint8] | None:
    """Red, green and blue of the photo in 8 bits; 16-bit photos are scaled by their greatest level."""
    photo = surface.photo
    if photo is None:
        return None
    if photo.dtype != np.uint8:
        photo = (photo.astype(np.float32) * (255 / max(int(photo.max()), 1))).astype(np.uint8)
    return np.asarray(photo if photo.ndim == 3 else np.repeat(photo[..., None], 3, axis=2), dtype=np.uint8)
