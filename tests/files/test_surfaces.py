"""Surface files: what is written comes back, other programs can read it, bad files are refused."""

from __future__ import annotations

import contextlib
import functools
import io
import json
import zipfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from fringewise.capture import CalibrationCovariance, Camera, Head, Lens, Projector
from fringewise.core.errors import InputRefused, PlaceUnusable
from fringewise.core.flags import Flag
from fringewise.files import read_surface, write_surface
from fringewise.surface import Surface

HEIGHT, WIDTH = 24, 32


def small_head() -> Head:
    lens = Lens(30.0, 30.0, 15.5, 11.5, (-0.1, 0.03))
    projector = Projector(Lens(0.72, 1, 0.5, 0), 1.0, None, np.eye(3), np.array([-2.6, 0, 0]))
    known = CalibrationCovariance(("projector.translation_mm.0",), np.array([[1e-6]]))
    return Head("H", Camera(WIDTH, HEIGHT, lens), projector, covariance=known)


def stepped_surface() -> Surface:
    """Two planes at 15 and 20 mm, meeting in a step between columns 15 and 16, with a hole and a photo."""
    head = small_head()
    v, u = np.mgrid[:HEIGHT, :WIDTH]
    x, y = head.camera.lens.direction(u, v)
    z = np.where(u < 16, 15.0, 20.0)
    xyz = (np.stack([x, y, np.ones_like(x)], axis=-1) * z[..., None]).astype(np.float32)
    sigma = np.full(z.shape, 0.01, dtype=np.float32)
    flags = np.zeros(z.shape, dtype=np.uint16)
    xyz[5, 5], sigma[5, 5], flags[5, 5] = np.nan, np.nan, Flag.NO_SURFACE | Flag.DARK
    flags[6, 20] = Flag.MIXED
    photo = np.full(z.shape, 90, dtype=np.uint8)
    return Surface(xyz, sigma, flags, photo=photo, head=head)


def arrays_of(surface: Surface) -> dict[str, npt.NDArray[Any]]:
    return {
        "xyz_mm": surface.xyz_mm.copy(),
        "sigma_mm": surface.sigma_mm.copy(),
        "flags": surface.flags.copy(),
    }


def save(path: Path, arrays: Mapping[str, Any]) -> None:
    with path.open("wb") as stream:
        np.savez(stream, **arrays)


def mesh_in(path: Path) -> Any:
    return trimesh.load(path, process=False)


def refused(path: Path, **company: Any) -> str:
    with pytest.raises(InputRefused) as caught:
        read_surface(path, **company)
    return str(caught.value)


def test_npz_comes_back_as_it_was(tmp_path: Path) -> None:
    made = stepped_surface()
    write_surface(made, tmp_path / "one.npz")
    found = read_surface(tmp_path / "one.npz", head=made.head, photo=made.photo)
    np.testing.assert_array_equal(found.xyz_mm, made.xyz_mm)
    np.testing.assert_array_equal(found.sigma_mm, made.sigma_mm)
    np.testing.assert_array_equal(found.flags, made.flags)
    assert (found.uncertainty_from, found.noise_source) == ("its source", "stated")


def test_npz_holds_what_format_4_lists(tmp_path: Path) -> None:
    write_surface(stepped_surface(), tmp_path / "one.npz")
    with np.load(tmp_path / "one.npz", allow_pickle=False) as held:
        assert set(held) == {"xyz_mm", "sigma_mm", "sigma_calibration_mm", "flags", "flag_table"}
        assert held["xyz_mm"].dtype == np.float32
        table = json.loads(str(held["flag_table"]))
        shared = held["sigma_calibration_mm"]
    assert {row["name"]: row["bit"] for row in table}["mixed"] == Flag.MIXED
    # σ of the base 1 µm at 2.6 mm: range error = range · z / b · (1e-3 / z) = z / 2.6 µm on the axis
    assert shared[11, 15] == pytest.approx(15 / 2.6 * 1e-3, rel=1e-2)
    assert np.isnan(shared[5, 5])


def test_ply_is_read_by_another_program_in_mm(tmp_path: Path) -> None:
    made = stepped_surface()
    write_surface(made, tmp_path / "one.ply")
    assert b"comment units: mm" in (tmp_path / "one.ply").read_bytes()[:400]
    mesh = mesh_in(tmp_path / "one.ply")
    np.testing.assert_allclose(mesh.vertices, made.xyz_mm[made.usable], rtol=1e-6)
    held = mesh.metadata["_ply_raw"]["vertex"]["data"]
    np.testing.assert_allclose(held["sigma_mm"].ravel(), 0.01, rtol=1e-6)
    np.testing.assert_allclose(held["sigma_calibration_mm"].min(), 15 / 2.6 * 1e-3, rtol=0.02)
    assert mesh.visual.vertex_colors[0].tolist() == [90, 90, 90, 255]


def test_glb_is_read_by_another_program_in_metres_y_up(tmp_path: Path) -> None:
    made = stepped_surface()
    write_surface(made, tmp_path / "one.glb")
    scene = mesh_in(tmp_path / "one.glb")
    (mesh,) = scene.geometry.values()
    np.testing.assert_allclose(
        mesh.vertices * [1e3, -1e3, -1e3], made.xyz_mm[made.usable], rtol=1e-5, atol=1e-5
    )
    np.testing.assert_allclose(mesh.vertex_attributes["_SIGMA_M"].ravel(), 1e-5, rtol=1e-6)
    assert mesh.metadata["units"] == "m"


@pytest.mark.parametrize("suffix", ["ply", "glb"])
def test_meshes_face_the_head_and_bridge_no_step(tmp_path: Path, suffix: str) -> None:
    made = stepped_surface()
    write_surface(made, tmp_path / f"one.{suffix}")
    mesh = mesh_in(tmp_path / f"one.{suffix}")
    mesh = mesh if suffix == "ply" else next(iter(mesh.geometry.values()))
    depth = np.abs(mesh.vertices[:, 2]) * (1e3 if suffix == "glb" else 1)
    corners = depth[mesh.faces]
    assert np.ptp(corners, axis=1).max() < 0.01  # mm: 15 and 20 mm are never joined
    towards_head = mesh.face_normals[:, 2] * (1 if suffix == "glb" else -1)
    assert towards_head.min() > 0.99
    # 2 planes of 24 × 16 pixels: 23 · 15 squares each; a missing corner pixel costs its 4 squares one
    # triangle each, an inner one too
    assert len(mesh.faces) == 2 * 2 * 23 * 15 - 2 * 4


def test_a_mesh_without_points_is_refused(tmp_path: Path) -> None:
    made = stepped_surface()
    none = Surface(made.xyz_mm, made.sigma_mm, np.full_like(made.flags, Flag.DARK))
    with pytest.raises(InputRefused, match="usable points"):
        write_surface(none, tmp_path / "none.ply")
    write_surface(none, tmp_path / "none.npz")
    assert not read_surface(tmp_path / "none.npz").usable.any()
    assert [path.name for path in tmp_path.iterdir()] == ["none.npz"]


def test_another_ending_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputRefused, match=r"\.npz, \.ply, \.glb"):
        write_surface(stepped_surface(), tmp_path / "one.stl")
    assert list(tmp_path.iterdir()) == []


def test_a_missing_folder_is_said(tmp_path: Path) -> None:
    with pytest.raises(PlaceUnusable, match="no such folder"):
        write_surface(stepped_surface(), tmp_path / "no such folder" / "one.npz")


def test_stated_sigma_stands_for_missing_and_given_ones(tmp_path: Path) -> None:
    arrays = arrays_of(stepped_surface())
    np.savez(tmp_path / "bare.npz", xyz_mm=arrays["xyz_mm"].astype(np.float64))
    assert "--sigma" in refused(tmp_path / "bare.npz")
    found = read_surface(tmp_path / "bare.npz", sigma_mm=0.02)
    assert found.usable.sum() == HEIGHT * WIDTH - 1
    assert found.sigma_mm[3, 3] == np.float32(0.02)
    assert "greater than 0" in refused(tmp_path / "bare.npz", sigma_mm=-1.0)


def test_foreign_flags_are_read_by_their_names(tmp_path: Path) -> None:
    arrays = arrays_of(stepped_surface())
    flags = np.zeros((HEIGHT, WIDTH), np.int64)
    flags[1, 1], flags[2, 2], flags[3, 3] = 1, 2, 4
    table = [
        {"bit": 1, "name": "mixed", "bars_use": True},
        {"bit": 2, "name": "greasy", "bars_use": True},
        {"bit": 4, "name": "pretty", "bars_use": False},
    ]
    save(tmp_path / "theirs.npz", arrays | {"flags": flags, "flag_table": np.array(json.dumps(table))})
    found = read_surface(tmp_path / "theirs.npz")
    assert found.flags[1, 1] == Flag.MIXED
    assert found.flags[2, 2] == Flag.NO_SURFACE
    assert found.usable[3, 3]


Change = Callable[[dict[str, Any]], object]


def put(name: str, place: Any, value: Any) -> Change:
    """Set some of the values of an array."""

    def change(arrays: dict[str, Any]) -> None:
        arrays[name][place] = value

    return change


BROKEN: dict[str, tuple[Change, str]] = {
    "no points": (lambda arrays: arrays.pop("xyz_mm"), "xyz_mm: must be there"),
    "no sigma": (lambda arrays: arrays.pop("sigma_mm"), "sigma_mm: must be there"),
    "flat points": (lambda arrays: arrays.update(xyz_mm=np.ones((24, 32, 2))), "H × W × 3"),
    "words for points": (
        lambda arrays: arrays.update(xyz_mm=np.full((2, 2, 3), "x")),
        "must hold real numbers",
    ),
    "other sigma size": (lambda arrays: arrays.update(sigma_mm=np.ones((2, 2))), "24 × 32, as xyz_mm"),
    "words for sigma": (
        lambda arrays: arrays.update(sigma_mm=np.full((24, 32), "x")),
        "sigma_mm: must hold real",
    ),
    "other flag size": (lambda arrays: arrays.update(flags=np.ones((2, 2), np.uint8)), "24 × 32, as xyz_mm"),
    "real flags": (lambda arrays: arrays.update(flags=np.ones((24, 32))), "whole numbers"),
    "NaN sigma": (put("sigma_mm", (2, 3), np.nan), "sigma_mm[2, 3]: must be finite and greater than 0"),
    "negative sigma": (put("sigma_mm", ..., -1.0), "766 pixels break this"),
    "endless point": (put("xyz_mm", (2, 3, 1), np.inf), "xyz_mm[2, 3]: a point must be three finite numbers"),
    "half a point": (put("xyz_mm", (2, 3, 1), np.nan), "xyz_mm[2, 3]: a point must be three finite numbers"),
    "behind the head": (put("xyz_mm", (2, 3), [0.0, 0.0, -15.0]), "before the head"),
    "unexplained flag": (put("flags", (2, 3), 1 << 15), "only bits that flag_table explains (found 32768)"),
    "negative flag": (lambda arrays: arrays.update(flags=np.full((24, 32), -1)), "only bits that flag_table"),
    "bad table": (lambda arrays: arrays.update(flag_table=np.array("{")), "flag_table: must be a JSON list"),
    "odd bits": (
        lambda arrays: arrays.update(flag_table=np.array('[{"bit": 3, "name": "x"}]')),
        "power of 2",
    ),
    "objects": (lambda arrays: arrays.update(xyz_mm=np.array([{}], dtype=object)), "plain arrays"),
}


@pytest.mark.parametrize("name", list(BROKEN))
def test_bad_surface_files_are_refused_with_the_place_and_rule(tmp_path: Path, name: str) -> None:
    change, said = BROKEN[name]
    arrays = arrays_of(stepped_surface())
    change(arrays)
    save(tmp_path / "bad.npz", arrays)
    assert said in refused(tmp_path / "bad.npz")


def test_a_pixel_without_a_point_is_flagged_whatever_the_file_says(tmp_path: Path) -> None:
    arrays = arrays_of(stepped_surface())
    arrays["xyz_mm"][2, 3] = np.nan
    save(tmp_path / "gap.npz", arrays)
    assert read_surface(tmp_path / "gap.npz").flags[2, 3] == Flag.NO_SURFACE


def test_all_problems_of_a_file_are_said_at_once(tmp_path: Path) -> None:
    arrays = arrays_of(stepped_surface())
    arrays["sigma_mm"][2, 3] = np.nan
    arrays["xyz_mm"][4, 4, 0] = np.nan
    save(tmp_path / "bad.npz", arrays)
    said = refused(tmp_path / "bad.npz", photo=np.zeros((5, 5), np.uint8))
    assert len(said.splitlines()) == 3
    assert "photo: must have the surface's size 24 × 32" in said


def test_points_of_another_head_are_refused(tmp_path: Path) -> None:
    made = stepped_surface()
    write_surface(made, tmp_path / "one.npz")
    assert made.head is not None
    lens = Lens(33.0, 30.0, 15.5, 11.5, (-0.1, 0.03))
    other = Head("O", Camera(WIDTH, HEIGHT, lens), made.head.projector)
    assert "must lie on its pixel centre's ray" in refused(tmp_path / "one.npz", head=other)
    smaller = Head("S", Camera(8, 8, lens), made.head.projector)
    assert "size of the head's camera" in refused(tmp_path / "one.npz", head=smaller)


def test_what_is_no_archive_is_refused(tmp_path: Path) -> None:
    (tmp_path / "text.npz").write_text("no archive")
    assert "must be a surface in an .npz archive" in refused(tmp_path / "text.npz")
    assert "must exist" in refused(tmp_path / "absent.npz")
    with pytest.raises((InputRefused, PlaceUnusable)):
        read_surface(tmp_path)


@functools.cache
def sound_file(folder: Path) -> bytes:
    write_surface(stepped_surface(), folder / "sound.npz")
    return (folder / "sound.npz").read_bytes()


@settings(max_examples=150, deadline=None)
@given(place=st.floats(0, 1), value=st.integers(0, 255), keep=st.floats(0.0, 1.0))
def test_a_damaged_file_is_refused_or_read_but_never_crashes(
    tmp_path_factory: pytest.TempPathFactory, place: float, value: int, keep: float
) -> None:
    path = tmp_path_factory.getbasetemp() / "damaged.npz"
    content = bytearray(sound_file(tmp_path_factory.getbasetemp()))
    content[int(place * (len(content) - 1))] = value
    if value % 3 == 0:
        del content[int(keep * len(content)) :]
    path.write_bytes(content)
    with contextlib.suppress(InputRefused):
        assert read_surface(path).shape == (HEIGHT, WIDTH)


@settings(max_examples=150, deadline=None)
@given(place=st.integers(0, 140), values=st.binary(min_size=1, max_size=6))
def test_a_damaged_array_with_a_right_checksum_never_crashes(
    tmp_path_factory: pytest.TempPathFactory, place: int, values: bytes
) -> None:
    path = tmp_path_factory.getbasetemp() / "damaged array.npz"
    sound = zipfile.ZipFile(io.BytesIO(sound_file(tmp_path_factory.getbasetemp())))
    points = bytearray(sound.read("xyz_mm.npy"))
    points[place : place + len(values)] = values
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("xyz_mm.npy", bytes(points))
        archive.writestr("sigma_mm.npy", sound.read("sigma_mm.npy"))
    with contextlib.suppress(InputRefused):
        assert read_surface(path).shape == (HEIGHT, WIDTH)
