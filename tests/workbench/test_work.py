"""The job through the service: taken in, marked, measured, kept; nobody's change is overwritten."""

from __future__ import annotations

import json
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from workbench_served import IDENTITY, LOOK, Served

from fringewise.workbench.packing import pack

BOUNDARY = "part"


def finding_of(served: Served) -> dict[str, Any]:
    made: dict[str, Any] = json.loads(served.looked["finding"])
    return made


def form(names: list[str], item: str) -> bytes:
    """A form with small files under these names."""
    fields = zip(("stage", "item", "look"), (LOOK[0], item, LOOK[2]), strict=True)
    lines = [f'--{BOUNDARY}\r\ncontent-disposition: form-data; name="{n}"\r\n\r\n{v}\r\n' for n, v in fields]
    lines += [
        f'--{BOUNDARY}\r\ncontent-disposition: form-data; name="files"; filename="{name}"\r\n\r\nx\r\n'
        for name in names
    ]
    return "".join([*lines, f"--{BOUNDARY}--\r\n"]).encode()


def test_a_value_that_moves_is_near_the_full_one(served: Served) -> None:
    path = f"/api/captures/{served.looked['sha256']}"
    status, full = served.post(f"{path}/measure", {"finding": finding_of(served), "inspection": IDENTITY})
    assert status == 200
    depth = full["quantities"][0]
    assert depth["name"] == "depth"
    assert depth["mm"].endswith("mm")
    assert "±" in depth["mm"]
    assert depth["budget"]
    body = {"finding": finding_of(served), "expanded_uncertainty": depth["expanded_uncertainty"]}
    status, quick = served.post(f"{path}/preview", body)
    assert status == 200
    assert abs(quick["quantities"][0]["value"] - depth["value"]) < 0.02  # mm: it says "may lie a few µm off"


def test_marks_go_on_record_once_and_are_never_overwritten(served: Served) -> None:
    path = f"/api/inspections/{IDENTITY}/captures/{served.looked['sha256']}/findings"
    status, made = served.post(path, {"findings": [finding_of(served)], "version": 0})
    assert status == 200
    assert made["version"] == 1
    moved = finding_of(served)
    moved["note"] = "<script>alert(1)</script>"
    status, said = served.post(path, {"findings": [moved], "version": 0, "reason": "again"})
    assert status == 409
    assert "nothing was lost" in said["words"][0]
    assert "note" not in served.get(path)["findings"][0]


def test_a_stale_word_on_a_look_is_refused(served: Served) -> None:
    stage, _, look = LOOK
    said = {"stage": stage, "item": "3", "look": look, "state": "done, nothing found", "version": 0}
    path = f"/api/inspections/{IDENTITY}/looks"
    assert served.post(path, {"looks": [said]})[0] == 200
    assert served.post(path, {"looks": [{**said, "state": "to do"}]})[0] == 409


def test_several_looks_are_said_together_or_not_at_all(served: Served) -> None:
    stage, _, look = LOOK
    good = {"stage": stage, "item": "4", "look": look, "state": "done, nothing found", "version": 0}
    bad = {**good, "item": "5000"}
    assert served.post(f"/api/inspections/{IDENTITY}/looks", {"looks": [good, bad]})[0] == 422
    said = served.get(f"/api/inspections/{IDENTITY}")["said"]
    assert not [one for one in said if one["item"] == "4"]


def test_a_mark_outside_the_photo_is_refused(served: Served) -> None:
    finding = {**finding_of(served), "outline_px": [[0, 0], [5000, 0], [10, 10]]}
    status, said = served.post(
        f"/api/captures/{served.looked['sha256']}/measure", {"finding": finding, "inspection": IDENTITY}
    )
    assert status == 422
    assert "must lie on the photo" in said["words"][0]


@pytest.mark.parametrize(
    "name",
    ["../evil.png", "a/../../evil.png", "/etc/evil.png", "a\\\\b.png", "C:/evil.png", "a//b.png", ".."],
)
def test_a_name_that_leads_elsewhere_is_refused(served: Served, name: str, tmp_path: Path) -> None:
    kind = {"content-type": f"multipart/form-data; boundary={BOUNDARY}"}
    path = f"/api/inspections/{IDENTITY}/files"
    status, _, content = served.raw("POST", path, served.headers(**kind), form([name], "1"))
    assert status == 422, content
    assert not list(tmp_path.rglob("evil*"))


def test_what_is_no_capture_is_named_and_not_kept(served: Served) -> None:
    kind = {"content-type": f"multipart/form-data; boundary={BOUNDARY}"}
    path = f"/api/inspections/{IDENTITY}/files"
    status, _, content = served.raw("POST", path, served.headers(**kind), form(["notes.txt"], "1"))
    assert status == 422
    assert "notes.txt" in content.decode()


def test_a_technician_cannot_sign(served: Served) -> None:
    seen = served.get(f"/api/inspections/{IDENTITY}/standing")["record_sha256"]
    body = {"record_sha256": seen, "incomplete": True, "statement": "", "passphrase": "secret"}
    status, said = served.post(f"/api/inspections/{IDENTITY}/signature", body)
    assert status in {403, 422, 503}
    assert said["words"]
    assert served.get(f"/api/inspections/{IDENTITY}")["state"] != "signed"


def test_surface_and_layers_come_as_one_binary(served: Served) -> None:
    path = f"/api/captures/{served.looked['sha256']}"
    for part, names in [
        ("layers", {"flags", "usable", "sigma", "depth"}),
        ("surface", {"positions", "coarse"}),
    ]:
        status, _, content = served.raw("GET", f"{path}/{part}", served.headers())
        assert status == 200
        assert content[:4] == b"FWB1"
        (length,) = struct.unpack("<I", content[4:8])
        head = json.loads(content[8 : 8 + length])
        assert names <= set(head["arrays"])
        for one in head["arrays"].values():
            size = np.dtype(one["type"]).itemsize * int(np.prod(one["shape"]))
            assert 8 + length + one["offset"] + size <= len(content)


def test_packed_arrays_lie_at_multiples_of_eight() -> None:
    made = pack({}, {"a": np.arange(3, dtype=np.uint8), "b": np.arange(2, dtype=np.float32)})
    (length,) = struct.unpack("<I", made[4:8])
    assert (8 + length) % 8 == 0
    assert json.loads(made[8 : 8 + length])["arrays"]["b"]["offset"] == 8
