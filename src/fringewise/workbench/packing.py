"""Arrays for the browser in one binary answer: a head in JSON that says what lies where, then the arrays.

``FWB1``, the head's length (uint32, low byte first), the head, spaces up to a multiple of 8, then each array
at its offset. All numbers are little-endian, as every browser's machine has them.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from fringewise.core.flags import FLAG_TABLE
from fringewise.surface import Surface, normals
from fringewise.surface.cleaning import focal_px
from fringewise.surface.mesh import surface_mesh

MAGIC: Final = b"FWB1"
NONE: Final = 0xFFFF
"""Stands for "no value" in a scalar."""

SIGMA_STEP_MM: Final = 1e-4
DEPTH_STEP_MM: Final = 2e-3
_ALIGN: Final = 8
_COARSE_PX: Final = 4
_STEEPEST: Final = 5.67  # tangent of 80°, as where neighbouring points are joined
_NORMAL_SCALE: Final = 127.0

Scalar = npt.NDArray[np.uint16]


def pack(head: Mapping[str, Any], arrays: Mapping[str, npt.NDArray[Any]]) -> bytes:
    """Put arrays into one answer, each with its name, type, shape and offset in the head.

    Examples
    --------
    >>> made = pack({"what": "test"}, {"a": np.arange(3, dtype=np.uint16)})
    >>> made[:4], len(made) % 8
    (b'FWB1', 6)
    """
    parts, table, offset = [], {}, 0
    for name, array in arrays.items():
        content = np.ascontiguousarray(array).astype(array.dtype.newbyteorder("<"), copy=False)
        table[name] = {"type": array.dtype.name, "shape": list(array.shape), "offset": offset}
        gap = -content.nbytes % _ALIGN
        parts += [content.tobytes(), bytes(gap)]
        offset += content.nbytes + gap
    parts = parts[:-1]
    text = json.dumps({**head, "arrays": table}).encode()
    text += b" " * (-(len(MAGIC) + 4 + len(text)) % _ALIGN)
    return b"".join([MAGIC, struct.pack("<I", len(text)), text, *parts])


def pack_layers(surface: Surface) -> bytes:
    """Pack what lies under each pixel of the photo: flags, uncertainty along the ray, distance."""
    usable = surface.usable
    head = {
        "size": [surface.shape[1], surface.shape[0]],
        "sigma_step_mm": SIGMA_STEP_MM,
        "depth_step_mm": DEPTH_STEP_MM,
        "flags": [
            {"bit": int(row.flag), "name": row.name, "words": row.words, "bars_use": row.bars_use}
            for row in FLAG_TABLE
        ],
        "sigma_ends_mm": _ends(surface.sigma_mm[usable]),
    }
    arrays: Mapping[str, npt.NDArray[Any]] = {
        "flags": surface.flags.astype(np.uint16),
        "usable": usable.astype(np.uint8),
        "sigma": _scalar(surface.sigma_mm, SIGMA_STEP_MM),
        "depth": _scalar(surface.xyz_mm[..., 2], DEPTH_STEP_MM),
    }
    return pack(head, arrays)


def pack_surface(surface: Surface) -> bytes:
    """Pack the surface for the view in space: vertices about their middle, triangles, a coarse set of them.

    Positions are millimetres in the camera frame (x right, y down, z forward) less ``centre_mm``; ``pixels``
    holds each vertex's pixel, so that whatever lies on the photo can be found on the surface and back.
    """
    mesh = surface_mesh(surface)
    rows, columns = mesh.rows, mesh.columns
    xyz = surface.xyz_mm[rows, columns].astype(np.float64)
    centre = xyz.mean(axis=0) if len(xyz) else np.zeros(3)
    facing = np.nan_to_num(normals(surface)[rows, columns])
    packed = np.zeros((len(xyz), 4), dtype=np.int8)
    packed[:, :3] = np.round(_NORMAL_SCALE * facing)
    lens = surface.head.camera.lens if surface.head is not None else None
    head = {
        "centre_mm": [float(part) for part in centre],
        "size": [surface.shape[1], surface.shape[0]],
        "focal_px": focal_px(surface) if len(xyz) else 1.0,
        "middle_px": [lens.cx, lens.cy] if lens is not None else [surface.shape[1] / 2, surface.shape[0] / 2],
        "sigma_step_mm": SIGMA_STEP_MM,
    }
    arrays: Mapping[str, npt.NDArray[Any]] = {
        "positions": (xyz - centre).astype(np.float32),
        "normals": packed,
        "pixels": np.column_stack([columns, rows]).astype(np.uint16),
        "photo": _photo(surface)[rows, columns],
        "sigma": _scalar(surface.sigma_mm[rows, columns], SIGMA_STEP_MM),
        "triangles": mesh.triangles.astype(np.uint32),
        "coarse": _coarse(surface),
    }
    return pack(head, arrays)


def _ends(values: npt.NDArray[np.float32]) -> list[float]:
    if not values.size:
        return [0.0, 0.0]
    return [float(end) for end in np.percentile(values, [1, 90])]


def _scalar(values: npt.NDArray[np.float32], step: float) -> Scalar:
    with np.errstate(invalid="ignore"):
        steps = np.round(values / step)
        return np.where(steps < NONE, steps, NONE).astype(np.uint16)


def _photo(surface: Surface) -> Scalar:
    """Grey levels of the photo, 0 to 65534, black to white."""
    photo = surface.photo
    if photo is None:
        return np.full(surface.shape, NONE // 2, dtype=np.uint16)
    grey = photo.mean(axis=2) if photo.ndim == 3 else photo.astype(np.float64)
    white = max(float(grey.max(initial=0)), 1.0)
    return (grey * ((NONE - 1) / white)).astype(np.uint16)


def _coarse(surface: Surface) -> npt.NDArray[np.uint32]:
    """Triangles between every fourth pixel, for drawing while the view turns."""
    usable = surface.usable
    number = np.cumsum(usable.reshape(-1), dtype=np.int64).reshape(usable.shape) - 1
    step = slice(None, None, _COARSE_PX)
    some, seen = number[step, step], usable[step, step]
    z = np.where(seen, surface.xyz_mm[step, step, 2].astype(np.float64), np.nan)
    corners = [(slice(None, -1), slice(None, -1)), (slice(None, -1), slice(1, None))]
    corners += [(slice(1, None), slice(None, -1)), (slice(1, None), slice(1, None))]
    depth = np.stack([z[at] for at in corners])
    with np.errstate(invalid="ignore"):
        apart = depth.max(axis=0) - depth.min(axis=0)
        joined = apart < _STEEPEST * _COARSE_PX * depth.mean(axis=0) / focal_px(surface)
    a, b, c, d = (some[at][joined] for at in corners)
    return np.concatenate([np.stack([a, c, b], axis=1), np.stack([b, c, d], axis=1)]).astype(np.uint32)
