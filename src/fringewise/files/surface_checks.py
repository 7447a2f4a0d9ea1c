"""What the arrays of a surface file must fulfil; every problem is gathered before the file is refused."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from fringewise.capture.capture import FrameArray
from fringewise.capture.head import Head
from fringewise.core.errors import InputRefused, Problem
from fringewise.core.flags import BARRING, FLAG_TABLE, Flag, FlagArray
from fringewise.surface.surface import Float32Array

_MOST_PIXELS: Final = 200_000_000
_OFF_RAY_PX: Final = 0.05
_KNOWN_FLAGS: Final = {row.name: int(row.flag) for row in FLAG_TABLE}


@dataclass(slots=True)
class Found:
    """Problems found so far in one file."""

    where: str
    problems: list[Problem] = field(default_factory=list)

    def add(self, place: str, rule: str, value: object = "") -> None:
        """Note one problem."""
        self.problems.append(Problem(self.where, place, rule, str(value)))

    def refuse_if_wrong(self) -> None:
        """Raise InputRefused with all problems noted, if there are any."""
        if self.problems:
            raise InputRefused(self.problems)


def checked_points(arrays: Mapping[str, npt.NDArray[Any]], found: Found) -> Float32Array:
    """Give the points, or a problem and none."""
    xyz = arrays.get("xyz_mm")
    if xyz is None:
        found.add("xyz_mm", "must be there: the points, H × W × 3, in mm")
    elif xyz.dtype.kind != "f":
        found.add("xyz_mm", "must hold real numbers", xyz.dtype)
    elif xyz.ndim != 3 or xyz.shape[2] != 3 or 0 in xyz.shape or xyz.size > 3 * _MOST_PIXELS:
        found.add("xyz_mm", "must have the shape H × W × 3", xyz.shape)
    else:
        return np.ascontiguousarray(xyz, dtype=np.float32)
    return np.empty((0, 0, 3), dtype=np.float32)


def checked_sigma(
    arrays: Mapping[str, npt.NDArray[Any]], shape: tuple[int, ...], stated_mm: float | None, found: Found
) -> Float32Array:
    """Give σ of every pixel: as the caller states it, else the file's."""
    sigma = arrays.get("sigma_mm")
    if stated_mm is not None:
        return np.full(shape, stated_mm, dtype=np.float32)
    if sigma is None:
        found.add("sigma_mm", "must be there, or give the points' standard uncertainty as --sigma MM")
    elif sigma.dtype.kind != "f":
        found.add("sigma_mm", "must hold real numbers", sigma.dtype)
    elif sigma.shape != shape:
        found.add("sigma_mm", f"must have the shape {shape[0]} × {shape[1]}, as xyz_mm", sigma.shape)
    else:
        return np.ascontiguousarray(sigma, dtype=np.float32)
    return np.ones(shape, dtype=np.float32)


def checked_flags(arrays: Mapping[str, npt.NDArray[Any]], xyz: Float32Array, found: Found) -> FlagArray:
    """Flags in this program's bits; without the array, just those pixels are flagged that have no point."""
    absent = np.where(np.isnan(xyz).all(axis=-1), np.uint16(Flag.NO_SURFACE), np.uint16(0))
    given = arrays.get("flags")
    if given is None:
        return absent
    if given.dtype.kind not in "ui":
        found.add("flags", "must hold whole numbers", given.dtype)
    elif given.shape != xyz.shape[:2]:
        found.add("flags", f"must have the shape {xyz.shape[0]} × {xyz.shape[1]}, as xyz_mm", given.shape)
    else:
        meanings = _meanings(arrays.get("flag_table"), found)
        unknown = int(np.bitwise_or.reduce(given, axis=None)) & ~sum(meanings)
        if unknown:  # negative numbers set every higher bit
            found.add("flags", "must hold only bits that flag_table explains", unknown)
            return absent
        flags = absent.copy()
        bits = given.astype(np.int64)
        for bit, own in meanings.items():
            flags[(bits & bit) != 0] |= np.uint16(own)
        return flags
    return absent


def _meanings(table: npt.NDArray[Any] | None, found: Found) -> dict[int, int]:
    """Give each bit of a file's flags this program's flag.

    A flag that this program doesn't know, but that bars use, becomes ``NO_SURFACE``.
    """
    if table is None:
        return {flag: flag for flag in _KNOWN_FLAGS.values()}
    try:
        rows = json.loads(str(table))
        named = {int(row["bit"]): (str(row["name"]), bool(row.get("bars_use", True))) for row in rows}
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        found.add("flag_table", 'must be a JSON list of {"bit": …, "name": …, "bars_use": …}', error)
        return {flag: flag for flag in _KNOWN_FLAGS.values()}
    if any(bit < 1 or bit & (bit - 1) or bit > 2**62 for bit in named):
        found.add("flag_table", "each bit must be a power of 2", sorted(named))
        return {flag: flag for flag in _KNOWN_FLAGS.values()}
    return {
        bit: _KNOWN_FLAGS.get(name, int(Flag.NO_SURFACE) if bars else 0)
        for bit, (name, bars) in named.items()
    }


def check_values(xyz: Float32Array, sigma: Float32Array, flags: FlagArray, found: Found) -> None:
    """Check points, σ and flags of every pixel against each other."""
    present = np.isfinite(xyz).all(axis=-1)
    used = (flags & BARRING) == 0
    torn = np.isinf(xyz).any(axis=-1) | (np.isnan(xyz).any(axis=-1) & ~np.isnan(xyz).all(axis=-1))
    rules = (
        ("xyz_mm", "a point must be three finite numbers, or NaN in all three where there is none", torn),
        ("xyz_mm", "a point must lie before the head: z greater than 0", present & (xyz[..., 2] <= 0)),
        ("sigma_mm", "must be finite and greater than 0 at each usable point",
         present & used & ~((sigma > 0) & np.isfinite(sigma))),
    )  # fmt: skip
    for place, rule, wrong in rules:
        if wrong.any():
            v, u = np.argwhere(wrong)[0]
            found.add(f"{place}[{v}, {u}]", rule, f"{int(wrong.sum())} pixels break this")


def check_company(
    xyz: Float32Array, flags: FlagArray, head: Head | None, photo: FrameArray | None, found: Found
) -> None:
    """Check points against the head and photo that they are used with."""
    size = xyz.shape[:2]
    if photo is not None and photo.shape[:2] != size:
        found.add("photo", f"must have the surface's size {size[0]} × {size[1]}", photo.shape[:2])
    if head is None:
        return
    if (head.camera.height, head.camera.width) != size:
        camera = f"{head.camera.height} × {head.camera.width}"
        found.add("xyz_mm", f"must have the size of the head's camera, {camera}", f"{size[0]} × {size[1]}")
        return
    v, u = np.nonzero((flags & BARRING) == 0)
    points = xyz[v, u].astype(np.float64)
    seen_u, seen_v = head.camera.lens.pixel(points[:, 0] / points[:, 2], points[:, 1] / points[:, 2])
    off = np.hypot(seen_u - u, seen_v - v)
    wrong = np.flatnonzero(off > _OFF_RAY_PX)
    if wrong.size:
        first = wrong[0]
        found.add(
            f"xyz_mm[{v[first]}, {u[first]}]",
            "must lie on its pixel centre's ray of this head: is it another head's surface?",
            f"{off.max():.2f} px off at most, {wrong.size} points",
        )
