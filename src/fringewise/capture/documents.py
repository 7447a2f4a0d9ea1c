"""Wire documents of captures (format 1) and heads (format 2), and their way to and from our types."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Annotated, Any, Final

import numpy as np
from pydantic import AfterValidator, Field, StringConstraints

from fringewise.capture.capture import Capture
from fringewise.capture.head import CalibrationCovariance, Camera, Head, NoiseModel, Projector
from fringewise.capture.lens import Lens
from fringewise.capture.plan import Across, FringeSet
from fringewise.core.documents import (
    FROM_WHOLE,
    Broken,
    Day,
    Moment,
    Name,
    Number,
    Part,
    Text,
    format_of,
    parse,
    rule_of,
    unknown_fields,
    with_unknown_fields,
)

MOST_PIXELS_A_SIDE: Final = 16_384
MOST_SETS: Final = 64
MOST_SHIFTS: Final = 128

_DEVICE_NAME: Final = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])(\..*)?", re.IGNORECASE)
_SHIFT_DECIMALS: Final = 10


def path_fault(path: str) -> str:
    """Say what keeps a path of format 1 from being a safe place inside its folder; empty when nothing does.

    Examples
    --------
    >>> path_fault("frames/set0_0.png")
    ''
    >>> path_fault("../other/head.json")
    'must stay inside the folder of the capture'
    """
    parts = path.split("/")
    if path.startswith("/") or ".." in parts:
        return "must stay inside the folder of the capture"
    if "\\" in path or ":" in path:
        return "must be a path inside the folder written with /, without a drive"
    if any(not part or not part.isprintable() or (part[-1] in ". " and part != ".") for part in parts):
        return "must be a plain path: no empty part, no control character, no part that ends in . or a space"
    if any(_DEVICE_NAME.fullmatch(part) for part in parts):
        return "must not be the name of a device"
    return ""


def _safe_path(path: str) -> str:
    if fault := path_fault(path):
        raise ValueError(fault)
    return path


InnerPath = Annotated[
    str, StringConstraints(strict=True, min_length=1, max_length=1000), AfterValidator(_safe_path)
]
Size = Annotated[int, Field(strict=True, ge=1, le=MOST_PIXELS_A_SIDE), FROM_WHOLE]
Focal = Annotated[float, Field(strict=True, gt=1e-9, le=1e9)]
Centre = Annotated[float, Field(strict=True, ge=-1e9, le=1e9)]
Extent = Annotated[float, Field(strict=True, gt=1e-9, le=1e9)]
Distortion = Annotated[tuple[Annotated[float, Field(strict=True, ge=-1e6, le=1e6)], ...], Field(max_length=8)]
Level = Annotated[float, Field(strict=True, ge=0, le=65535)]
Cosine = Annotated[float, Field(strict=True, ge=-1.001, le=1.001)]
Shift = Annotated[float, Field(strict=True, ge=-1e6, le=1e6)]
Row = tuple[Cosine, Cosine, Cosine]
Millimetre = Annotated[float, Field(strict=True, ge=-1e6, le=1e6)]
Reach = Annotated[float, Field(strict=True, ge=0, le=1e6)]


class FringeSetDocument(Part):
    """One pattern shown at several phase shifts."""

    fringes: Annotated[float, Field(strict=True, gt=1e-9, le=1e5)]
    shifts_deg: Annotated[tuple[Shift, ...], Field(min_length=3, max_length=MOST_SHIFTS)]
    frames: Annotated[tuple[InnerPath, ...], Field(min_length=3, max_length=MOST_SHIFTS)]
    across: Across | None = None

    def _broken_rules(self) -> Iterable[Broken]:
        if len(self.frames) != len(self.shifts_deg):
            counts = f"{len(self.frames)} frames for {len(self.shifts_deg)} shifts"
            yield Broken("frames", "must name one frame for each shift", counts)
        if rule := rule_of(lambda: fringe_set(self)):
            yield Broken("shifts_deg", rule)


class CaptureDocument(Part):
    """``capture.json``: one look at the part."""

    format: Annotated[str, format_of("capture")]
    captured_at: Moment
    head: InnerPath | None = None
    probe: Name | None = None
    note: Text | None = None
    photo: InnerPath | None = None
    video: InnerPath | None = None
    fringe_sets: Annotated[tuple[FringeSetDocument, ...], Field(max_length=MOST_SETS)] | None = None

    def _broken_rules(self) -> Iterable[Broken]:
        if self.fringe_sets and not self.head:
            yield Broken("head", "must be given where there are fringe_sets")
        if not (self.fringe_sets or self.photo or self.video):
            yield Broken("", "must name fringe_sets, a photo or a video")
        met: set[str] = set()
        for n, one in enumerate(self.fringe_sets or ()):
            for path in one.frames:
                if path in met:
                    yield Broken(f"fringe_sets[{n}].frames", "each frame must be a file of its own", path)
                met.add(path)


class CameraDocument(Part):
    """The camera of a head."""

    width: Size
    height: Size
    fx: Focal
    fy: Focal
    cx: Centre
    cy: Centre
    distortion: Distortion | None = None


class ProjectorDocument(Part):
    """The fringe projector of a head."""

    width: Extent
    height: Extent | None = None
    fx: Focal
    fy: Focal | None = None
    cx: Centre
    cy: Centre | None = None
    distortion: Distortion | None = None
    rotation: tuple[Row, Row, Row]
    translation_mm: tuple[Millimetre, Millimetre, Millimetre]

    def _broken_rules(self) -> Iterable[Broken]:
        rows = {"fy": self.fy, "cy": self.cy, "height": self.height}
        absent = [name for name, value in rows.items() if value is None]
        if absent and (any(self.distortion or ()) or len(absent) < len(rows)):
            yield Broken(
                absent[0], "fy, cy and height must be given where there is distortion or one of the three"
            )
        if rule := rule_of(lambda: projector(self)):
            yield Broken("", rule)


class NoiseDocument(Part):
    """How a frame's grey levels scatter."""

    read_dn: Level
    gain_dn_per_electron: Level
    bits: Annotated[int, Field(strict=True, ge=1, le=16), FROM_WHOLE]
    dark_dn: Level | None = None


class CovarianceDocument(Part):
    """Covariance of (stated − true) of the head's parameters."""

    parameters: Annotated[tuple[Name, ...], Field(min_length=1, max_length=64)]
    matrix: Annotated[tuple[tuple[Number, ...], ...], Field(min_length=1, max_length=64)]

    def _broken_rules(self) -> Iterable[Broken]:
        size = len(self.parameters)
        if len(self.matrix) != size or any(len(row) != size for row in self.matrix):
            rule = f"must have {size} rows of {size} numbers, one for each of parameters"
            lengths = sorted({len(row) for row in self.matrix})
            yield Broken("matrix", rule, f"{len(self.matrix)} rows of {' or '.join(map(str, lengths))}")
        elif rule := rule_of(lambda: covariance(self)):
            yield Broken("", rule)


class HeadDocument(Part):
    """``head.json``: a measuring head as calibrated."""

    format: Annotated[str, format_of("head")]
    serial: Name
    probes: Annotated[tuple[Name, ...], Field(max_length=1000)] | None = None
    calibrated_on: Day | None = None
    valid_until: Day | None = None
    camera: CameraDocument
    projector: ProjectorDocument
    noise: NoiseDocument | None = None
    phase_ripple_rad: Annotated[float, Field(strict=True, ge=0, le=math.pi)] | None = None
    covariance: CovarianceDocument | None = None
    working_range_mm: tuple[Reach, Reach] | None = None

    def _broken_rules(self) -> Iterable[Broken]:
        if self.calibrated_on and self.valid_until and self.valid_until < self.calibrated_on:
            yield Broken("valid_until", "must not lie before calibrated_on", self.valid_until)
        if self.working_range_mm and not self.working_range_mm[0] < self.working_range_mm[1]:
            near, far = self.working_range_mm
            yield Broken("working_range_mm", "must rise", f"{near:g} to {far:g}")


def parse_head(text: bytes, where: str = "head.json") -> Head:
    """Read a head from the text of its document; InputRefused names every problem."""
    return head_from_document(parse(HeadDocument, text, where))


def fringe_set(document: FringeSetDocument) -> FringeSet:
    """Make the fringe set that a document states."""
    shifts = tuple(math.radians(shift) for shift in document.shifts_deg)
    return FringeSet(document.fringes, shifts, document.across or "columns")


def projector(document: ProjectorDocument) -> Projector:
    """Make the projector that a document states."""
    fy = 1.0 if document.fy is None else document.fy
    lens = Lens(document.fx, fy, document.cx, document.cy or 0.0, document.distortion or ())
    rotation, translation = np.array(document.rotation), np.array(document.translation_mm)
    return Projector(lens, document.width, document.height, rotation, translation)


def covariance(document: CovarianceDocument) -> CalibrationCovariance:
    """Make the calibration covariance that a document states."""
    return CalibrationCovariance(document.parameters, np.array(document.matrix))


def head_from_document(document: HeadDocument) -> Head:
    """Make the head that a document states; unknown fields are kept in `Head.extra`."""
    camera, noise = document.camera, document.noise
    lens = Lens(camera.fx, camera.fy, camera.cx, camera.cy, camera.distortion or ())
    return Head(
        serial=document.serial,
        camera=Camera(camera.width, camera.height, lens),
        projector=projector(document.projector),
        probes=document.probes or (),
        calibrated_on=_day(document.calibrated_on),
        valid_until=_day(document.valid_until),
        noise=NoiseModel(noise.read_dn, noise.gain_dn_per_electron, noise.bits, noise.dark_dn or 0.0)
        if noise
        else None,
        phase_ripple_rad=document.phase_ripple_rad or 0.0,
        covariance=covariance(document.covariance) if document.covariance else None,
        working_range_mm=document.working_range_mm,
        extra=unknown_fields(document),
    )


def head_document(head: Head) -> dict[str, Any]:
    """Give a head as the plain values of its document (format 2), ready for `core.documents.to_json`.

    Examples
    --------
    >>> lens = Lens(700, 700, 480, 360)
    >>> projector = Projector(Lens(0.72, 1, 0.5, 0), 1.0, None, np.eye(3), np.array([-2.6, 0, 0]))
    >>> head_document(Head("HX-07", Camera(960, 720, lens), projector))["projector"]["translation_mm"]
    [-2.6, 0.0, 0.0]
    """
    stated = {
        "format": "fringewise.head/1",
        "serial": head.serial,
        "probes": list(head.probes),
        "calibrated_on": head.calibrated_on.isoformat() if head.calibrated_on else None,
        "valid_until": head.valid_until.isoformat() if head.valid_until else None,
        "camera": {
            "width": head.camera.width,
            "height": head.camera.height,
            **_lens_fields(head.camera.lens),
        },
        "projector": _projector_fields(head.projector),
        "noise": _noise_fields(head.noise),
        "phase_ripple_rad": head.phase_ripple_rad or None,
        "covariance": _covariance_fields(head.covariance),
        "working_range_mm": list(head.working_range_mm) if head.working_range_mm else None,
    }
    return with_unknown_fields(_without_absent(stated), head.extra)


def capture_document(
    capture: Capture, frames: Sequence[Sequence[str]], *, head: str | None, photo: str | None
) -> dict[str, Any]:
    """Give a capture as the plain values of its document (format 1).

    Parameters
    ----------
    capture : Capture
    frames : sequence of sequence of str
        Paths inside the folder, for each set and shift.
    head, photo : str, optional
        Paths inside the folder.
    """
    stated = {
        "format": "fringewise.capture/1",
        "captured_at": capture.captured_at.isoformat().replace("+00:00", "Z"),
        "head": head,
        "probe": capture.probe,
        "note": capture.note,
        "photo": photo,
        "video": capture.video,
        "fringe_sets": [
            _set_fields(one.fringe_set, paths) for one, paths in zip(capture.sets, frames, strict=True)
        ]
        or None,
    }
    return with_unknown_fields(_without_absent(stated), capture.extra)


def _set_fields(one: FringeSet, paths: Sequence[str]) -> dict[str, Any]:
    degrees = [round(math.degrees(shift), _SHIFT_DECIMALS) for shift in one.shifts_rad]
    return {"fringes": one.fringes, "across": one.across, "shifts_deg": degrees, "frames": list(paths)}


def _lens_fields(lens: Lens) -> dict[str, Any]:
    stated = {"fx": lens.fx, "fy": lens.fy, "cx": lens.cx, "cy": lens.cy}
    return {**stated, "distortion": list(lens.distortion)} if not lens.straight else stated


def _projector_fields(one: Projector) -> dict[str, Any]:
    rows = one.height is not None
    lens = {name: value for name, value in _lens_fields(one.lens).items() if rows or name not in ("fy", "cy")}
    return {
        "width": one.width,
        "height": one.height,
        **lens,
        "rotation": one.rotation.tolist(),
        "translation_mm": one.translation_mm.tolist(),
    }


def _noise_fields(noise: NoiseModel | None) -> dict[str, Any] | None:
    if noise is None:
        return None
    return {
        "read_dn": noise.read_dn,
        "gain_dn_per_electron": noise.gain_dn_per_electron,
        "bits": noise.bits,
        "dark_dn": noise.dark_dn or None,
    }


def _covariance_fields(stated: CalibrationCovariance | None) -> dict[str, Any] | None:
    if stated is None:
        return None
    return {"parameters": list(stated.parameters), "matrix": stated.matrix.tolist()}


def _without_absent(value: Mapping[str, Any]) -> dict[str, Any]:
    return {
        name: _without_absent(one) if isinstance(one, Mapping) else one
        for name, one in value.items()
        if one is not None
    }


def _day(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None
