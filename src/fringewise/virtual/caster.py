"""The caster: which triangle a ray meets first, by embreex, and whether anything stands before the light.

Triangles only say which sheet to ask. They are held in the camera's frame in single precision.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from embreex import rtcore_scene
from embreex.mesh_construction import TriangleMesh

from fringewise.core.checks import Array
from fringewise.core.kernels import kernel
from fringewise.virtual.meeting import meet
from fringewise.virtual.patch import BoolArray, Patch, Scene

Float32Array = npt.NDArray[np.float32]
PatchNumbers = npt.NDArray[np.int16]

NOTHING: Final = -1
_MOST_LAYERS: Final = 8
_STEP_ON_MM: Final = 2e-4
_ROUNDING_MM: Final = 2e-4
_CHORD_TAKEN: Final = 3
"""Every third triangle is asked how far it stands off its sheet: neighbours do alike."""


@dataclass(frozen=True, slots=True)
class Met:
    """What N rays met, nearest metal first; fields mean nothing where `patch` is -1.

    Attributes
    ----------
    patch : (N,) int16
        Number of the sheet in the scene, -1 where the ray meets no metal.
    st : (N, 2) array
    depth : (N,) array
        The camera's z, mm.
    tangents : (N, 6) array
        ∂X/∂s and ∂X/∂t of the sheet side by side, part's frame.
    """

    patch: PatchNumbers
    st: Array
    depth: Array
    tangents: Array

    def seen_normals(self, scene: Scene, directions: Array) -> Array:
        """Unit normals (N, 3), camera's frame, on the side that `directions` look at; 0 for none."""
        normals = np.empty((len(self.patch), 3))
        _face_the_ray(self.patch, self.tangents, np.ascontiguousarray(scene.rotation), directions, normals)
        return normals


class Caster:
    """Answers rays from the camera and shadows of the projector for one scene.

    Parameters
    ----------
    scene : Scene
    """

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        meshes = [patch.mesh() for patch in scene.patches]
        first = np.cumsum([0, *(len(mesh.vertices) for mesh in meshes)])
        corners = np.concatenate(
            [mesh.triangles + start for mesh, start in zip(meshes, first[:-1], strict=True)]
        )
        vertices = scene.to_camera(np.concatenate([mesh.vertices for mesh in meshes]))
        self._corner_st = np.concatenate([mesh.st for mesh in meshes])[corners]
        self._patch_of = np.repeat(
            np.arange(len(meshes), dtype=np.int16), [len(mesh.triangles) for mesh in meshes]
        )
        self._tree = rtcore_scene.EmbreeScene()
        TriangleMesh(self._tree, vertices.astype(np.float32), corners.astype(np.int32))
        self.chord_mm = max(
            _chord(patch, mesh.vertices, mesh.triangles[::_CHORD_TAKEN], mesh.st)
            for patch, mesh in zip(scene.patches, meshes, strict=True)
        )

    def look(self, directions: Array, step_below_mm: Array) -> Met:
        """Find the nearest metal along rays from the camera's centre.

        Where the sheet is cut away, or its formula says that the ray passes it by, the ray goes on to what
        lies behind, through 8 layers at most.

        Parameters
        ----------
        directions : (N, 3) array
            Camera's frame, z = 1; NaN for a ray that does not exist.
        step_below_mm : (N,) array
            How short Newton's last step must be, ray by ray.
        """
        n = len(directions)
        met = Met(np.full(n, NOTHING, np.int16), np.zeros((n, 2)), np.zeros(n), np.zeros((n, 6)))
        start = np.zeros(n)
        waiting = np.flatnonzero(np.isfinite(directions[:, 0]))
        for _ in range(_MOST_LAYERS):
            if not waiting.size:
                break
            along = directions[waiting]
            triangle, st, beyond = self._first(along * start[waiting, None], along)
            hit = triangle != NOTHING
            waiting, triangle, st = waiting[hit], triangle[hit], st[hit]
            start[waiting] += beyond[hit] + _STEP_ON_MM
            waiting = self._settle(waiting, triangle, st, directions, step_below_mm, met)
        return met

    def in_light(self, xyz_camera_mm: Array, normals: Array, light_mm: Array) -> BoolArray:
        """Say which points (N, 3) light from `light_mm` (3,) reaches on the side of their unit normals.

        A point is in the dark where its side faces away or metal stands between.
        """
        n = len(xyz_camera_mm)
        facing = np.empty(n, dtype=np.bool_)
        start, along = np.empty((n, 3), dtype=np.float32), np.empty((n, 3), dtype=np.float32)
        lift = 2 * self.chord_mm + _ROUNDING_MM
        count = _light_rays(xyz_camera_mm, normals, light_mm, lift, facing, start, along)
        start, along = start[:count], along[:count]
        lit = np.zeros(n, dtype=np.bool_)
        lit[facing] = ~self._stopped(start, along)
        return lit

    def _stopped(self, start: Float32Array, along: Float32Array) -> BoolArray:
        """Say on which ways (start + along ends at the light) metal stands."""
        reach = np.ones(len(along), dtype=np.float32)
        triangle = self._tree.run(start, along, reach, query="OCCLUDED")
        stopped: BoolArray = triangle != NOTHING
        doubtful = np.flatnonzero(stopped)  # a triangle stands there: is it metal?
        stopped[doubtful] = False
        begun = np.zeros(len(along))
        for _ in range(_MOST_LAYERS):
            if not doubtful.size:
                break
            way = along[doubtful].astype(np.float64)
            triangle, st, beyond = self._first(start[doubtful] + way * begun[doubtful, None], way)
            hit = (triangle != NOTHING) & (begun[doubtful] + beyond < 1.0)
            doubtful, triangle, st = doubtful[hit], triangle[hit], st[hit]
            metal = self._is_metal(triangle, st)
            stopped[doubtful[metal]] = True
            begun[doubtful] += beyond[hit] + _STEP_ON_MM / np.linalg.norm(way[hit], axis=1)
            doubtful = doubtful[~metal]
        return stopped

    def first_patch(self, directions: Array) -> PatchNumbers:
        """Number of the sheet whose triangles rays from the camera's centre meet first; -1 for none."""
        along = np.ascontiguousarray(directions, dtype=np.float32)
        triangle = self._tree.run(np.zeros_like(along), along, query="INTERSECT")
        return np.where(triangle == NOTHING, np.int16(NOTHING), self._patch_of[triangle])

    def _first(self, origins: Array, along: Array) -> tuple[npt.NDArray[np.int32], Array, Array]:
        answer = self._tree.run(
            np.ascontiguousarray(origins, dtype=np.float32),
            np.ascontiguousarray(along, dtype=np.float32),
            query="INTERSECT",
            output=True,
        )
        triangle: npt.NDArray[np.int32] = answer["primID"]
        u, v = answer["u"].astype(np.float64)[:, None], answer["v"].astype(np.float64)[:, None]
        corner = self._corner_st[np.maximum(triangle, 0)]
        st = (1 - u - v) * corner[:, 0] + u * corner[:, 1] + v * corner[:, 2]
        return triangle, st, answer["tfar"].astype(np.float64)

    def _settle(
        self,
        waiting: npt.NDArray[np.intp],
        triangle: npt.NDArray[np.int32],
        st: Array,
        directions: Array,
        step_below_mm: Array,
        met: Met,
    ) -> npt.NDArray[np.intp]:
        """Write down the rays that meet metal; give back those that must go on."""
        number = self._patch_of[triangle]
        origin = self.scene.to_part(np.zeros((1, 3)))
        on: list[npt.NDArray[np.intp]] = []
        for k in np.unique(number):
            of_patch = number == k
            rays = waiting[of_patch]
            patch = self.scene.patches[k]
            along = directions[rays] @ self.scene.rotation
            origins = np.broadcast_to(origin, along.shape)
            meeting = meet(patch, origins, along, st[of_patch], step_below_mm[rays])
            good = meeting.found & (meeting.depth > 0)
            good[good] = patch.metal(meeting.st[good, 0], meeting.st[good, 1])
            there = rays[good]
            met.patch[there] = k
            met.st[there] = meeting.st[good]
            met.depth[there] = meeting.depth[good]
            met.tangents[there] = meeting.tangents[good]
            on.append(rays[~good])
        return np.concatenate(on) if on else waiting[:0]

    def _is_metal(self, triangle: npt.NDArray[np.int32], st: Array) -> BoolArray:
        number = self._patch_of[triangle]
        metal = np.zeros(len(triangle), dtype=np.bool_)
        for k in np.unique(number):
            of_patch = number == k
            metal[of_patch] = self.scene.patches[k].metal(st[of_patch, 0], st[of_patch, 1])
        return metal


def _chord(patch: Patch, vertices: Array, triangles: npt.NDArray[np.int32], st: Array) -> float:
    """How far the triangles' middles stand off the sheet, at most, mm."""
    middle_st = st[triangles].mean(axis=1)
    off = patch.point(middle_st[:, 0], middle_st[:, 1]) - vertices[triangles].mean(axis=1)
    normal = np.cross(
        vertices[triangles[:, 1]] - vertices[triangles[:, 0]],
        vertices[triangles[:, 2]] - vertices[triangles[:, 0]],
    )
    length = np.linalg.norm(normal, axis=1)
    across = np.abs(np.sum(off * normal, axis=1)) / np.maximum(length, 1e-12)
    return float(across.max(initial=0.0))


@kernel()
def _face_the_ray(
    patch: PatchNumbers, tangents: Array, turn: Array, directions: Array, normals: Array
) -> None:
    for i in range(len(patch)):
        if patch[i] < 0:
            normals[i, 0], normals[i, 1], normals[i, 2] = 0.0, 0.0, 0.0
            continue
        ax, ay, az = tangents[i, 0], tangents[i, 1], tangents[i, 2]
        bx, by, bz = tangents[i, 3], tangents[i, 4], tangents[i, 5]
        nx, ny, nz = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
        x = turn[0, 0] * nx + turn[0, 1] * ny + turn[0, 2] * nz
        y = turn[1, 0] * nx + turn[1, 1] * ny + turn[1, 2] * nz
        z = turn[2, 0] * nx + turn[2, 1] * ny + turn[2, 2] * nz
        size = np.sqrt(x * x + y * y + z * z)
        if x * directions[i, 0] + y * directions[i, 1] + z * directions[i, 2] > 0.0:
            size = -size
        normals[i, 0], normals[i, 1], normals[i, 2] = x / size, y / size, z / size


@kernel()
def _light_rays(
    xyz: Array,
    normals: Array,
    light: Array,
    lift: float,
    facing: BoolArray,
    start: Float32Array,
    along: Float32Array,
) -> int:
    """List the ways to the light of points that face it, lifted off the sheet; give back how many."""
    count = 0
    for i in range(len(xyz)):
        nx, ny, nz = normals[i, 0], normals[i, 1], normals[i, 2]
        x, y, z = light[0] - xyz[i, 0], light[1] - xyz[i, 1], light[2] - xyz[i, 2]
        facing[i] = nx * x + ny * y + nz * z > 0.0
        if facing[i]:
            ox, oy, oz = xyz[i, 0] + lift * nx, xyz[i, 1] + lift * ny, xyz[i, 2] + lift * nz
            start[count, 0], start[count, 1], start[count, 2] = ox, oy, oz
            along[count, 0], along[count, 1], along[count, 2] = light[0] - ox, light[1] - oy, light[2] - oz
            count += 1
    return count
