"""Surface files (format 4): .npz to keep and read again; .ply and .glb for other programs."""

from __future__ import annotations

import io
import json
import lzma
import math
import tokenize
import zipfile
import zlib
from collections.abc import Callable
from os import PathLike
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np
import numpy.typing as npt

from fringewise.capture.capture import FrameArray
from fringewise.capture.head import Head
from fringewise.core.errors import refuse
from fringewise.core.flags import FLAG_TABLE
from fringewise.disk import bytes_of, whole_file
from fringewise.files.surface_checks import (
    Found,
    check_company,
    check_values,
    checked_flags,
    checked_points,
    checked_sigma,
)
from fringewise.surface.surface import Surface

_MOST_BYTES: Final = 8 * 2**30
_DAMAGE: Final = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    ValueError,
    EOFError,
    OSError,
    SyntaxError,  # NumPy's headers are read by Python's own parser
    tokenize.TokenError,
    TypeError,
    OverflowError,
    RuntimeError,  # encrypted; NotImplementedError (another compression) is one, too
    MemoryError,  # a size that can't be true
)
"""What reading an archive out of memory raises where its bytes are damaged."""


def write_surface(surface: Surface, path: str | PathLike[str]) -> None:
    """Write a surface whole or not at all, in the form that the file's name ends on.

    ``.npz`` holds every pixel with its flags, in mm. ``.ply`` (mm, camera frame: x right, y down, z away
    from the head) and ``.glb`` (metres: x right, y up, z towards the head) hold the usable points as vertices
    with their uncertainties, and triangles that don't cross steps in depth.

    Raises
    ------
    InputRefused
        The name ends otherwise, or a mesh would hold no point.
    PlaceUnusable
        The file can't be written there.
    """
    path = Path(path)
    writer = _WRITERS.get(path.suffix.lower())
    if writer is None:
        raise refuse(str(path), "", f"must end on {', '.join(_WRITERS)}", path.suffix)
    if path.suffix.lower() != ".npz" and not surface.usable.any():
        raise refuse(
            str(path), "", "a mesh needs usable points and this surface has none; write .npz instead"
        )
    with whole_file(path) as stream:
        writer(surface, stream)


def read_surface(
    path: str | PathLike[str],
    *,
    head: Head | None = None,
    photo: FrameArray | None = None,
    sigma_mm: float | None = None,
) -> Surface:
    """Read a surface from an ``.npz`` file; its uncertainty is as its source states it.

    Parameters
    ----------
    path : Path
    head : Head, optional
        Its calibration is shared by all points; each point must lie on its pixel's ray.
    photo : (H, W) or (H, W, 3) array, optional
        On the same pixel grid.
    sigma_mm : float, optional
        Standard uncertainty along the ray of every point, in place of the file's ``sigma_mm``.

    Raises
    ------
    InputRefused
        With every problem: not such a file, missing arrays, wrong shapes or kinds, points without an
        uncertainty, behind the head or off their pixel's ray, flags that their table doesn't explain.
    PlaceUnusable
        The file is there and can't be read.
    """
    path = Path(path)
    found = Found(str(path))
    if sigma_mm is not None and not (math.isfinite(sigma_mm) and sigma_mm > 0):
        found.add("sigma", "must be greater than 0 mm", sigma_mm)
    arrays = _arrays_of(path, found)
    found.refuse_if_wrong()
    xyz = checked_points(arrays, found)
    found.refuse_if_wrong()
    sigma = checked_sigma(arrays, xyz.shape[:2], sigma_mm, found)
    flags = checked_flags(arrays, xyz, found)
    found.refuse_if_wrong()
    check_values(xyz, sigma, flags, found)
    check_company(xyz, flags, head, photo, found)
    found.refuse_if_wrong()
    return Surface(
        xyz, sigma, flags, photo=photo, head=head, uncertainty_from="its source", noise_source="stated"
    )


def _arrays_of(path: Path, found: Found) -> dict[str, npt.NDArray[Any]]:
    """Read the arrays that this format names; object arrays and absurd sizes are refused unread."""
    names = ("xyz_mm", "sigma_mm", "flags", "flag_table")
    content = io.BytesIO(bytes_of(path, _MOST_BYTES))
    try:
        with zipfile.ZipFile(content) as archive:
            held = {info.filename.removesuffix(".npy"): info for info in archive.infolist()}
            return {name: _array_of(archive, held[name]) for name in names if name in held}
    except _DAMAGE as error:
        found.add("", "must be a surface in an .npz archive of plain arrays", error)
    return {}


def _array_of(archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> npt.NDArray[Any]:
    if info.file_size > _MOST_BYTES:
        raise ValueError(f"{info.filename} is too large")
    content = archive.read(info)  # whole, so that its checksum is tested first
    return np.asarray(np.lib.format.read_array(io.BytesIO(content), allow_pickle=False))


def _write_npz(surface: Surface, stream: BinaryIO) -> None:
    from fringewise.surface.jacobian import sigma_calibration  # noqa: PLC0415 - scipy only where asked for

    shared = sigma_calibration(surface)
    calibration: dict[str, Any] = {} if shared is None else {"sigma_calibration_mm": shared}
    table = [
        {"bit": int(row.flag), "name": row.name, "words": row.words, "bars_use": row.bars_use}
        for row in FLAG_TABLE
    ]
    np.savez(
        stream,
        xyz_mm=surface.xyz_mm.astype(np.float32, copy=False),
        sigma_mm=surface.sigma_mm.astype(np.float32, copy=False),
        flags=surface.flags,
        flag_table=np.array(json.dumps(table)),
        **calibration,
    )


def _write_ply(surface: Surface, stream: BinaryIO) -> None:
    from fringewise.files.surface_meshes import ply_bytes  # noqa: PLC0415 - only where asked for

    stream.write(ply_bytes(surface))


def _write_glb(surface: Surface, stream: BinaryIO) -> None:
    from fringewise.files.surface_meshes import glb_bytes  # noqa: PLC0415 - trimesh takes half a second

    stream.write(glb_bytes(surface))


_WRITERS: Final[dict[str, Callable[[Surface, BinaryIO], None]]] = {
    ".npz": _write_npz,
    ".ply": _write_ply,
    ".glb": _write_glb,
}
