"""What is truly so about a damage: its quantities after format 3 and where its true marks lie."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np

from fringewise.core.checks import Array, finite, frozen, shaped
from fringewise.virtual.patch import Scene


@dataclass(frozen=True, slots=True)
class Marks:
    """True places of a finding's marks on one sheet.

    Attributes
    ----------
    name : str
        As in format 3 without ``_px``: ``outline``, ``ends``, ``path``, ``edge``, ``casing`` …
    patch : str
        The sheet's name.
    st : (n, 2) array
    """

    name: str
    patch: str
    st: Array

    def __post_init__(self) -> None:
        shaped(f"marks {self.name}", np.asarray(self.st), None, 2)
        object.__setattr__(self, "st", frozen(self.st))
        if not np.all(np.isfinite(self.st)):
            raise ValueError(f"marks {self.name} must be finite")


@dataclass(frozen=True, slots=True)
class Truth:
    """One damage (or pair of dots …) as it truly is.

    Attributes
    ----------
    id : str
        Of the finding that will mark it.
    kind : str
        After format 3.
    family : str
        What it was drawn as, such as ``dent RaisedRim``.
    quantities : mapping
        Name after format 3 to value, mm, mm², mm³ or degrees.
    marks : tuple of Marks
    """

    id: str
    kind: str
    family: str
    quantities: Mapping[str, float]
    marks: tuple[Marks, ...]

    def __post_init__(self) -> None:
        for name, value in self.quantities.items():
            finite(f"{self.id} {name}", value)
        object.__setattr__(self, "quantities", MappingProxyType(dict(self.quantities)))

    def marks_named(self, name: str) -> Marks:
        """The marks of that name; KeyError where there are none."""
        for marks in self.marks:
            if marks.name == name:
                return marks
        raise KeyError(name)

    def document(self) -> dict[str, Any]:
        """Plain values that JSON can hold."""
        marks = [{"name": m.name, "patch": m.patch, "st": m.st.tolist()} for m in self.marks]
        return {
            "kind": self.kind,
            "family": self.family,
            "quantities": dict(self.quantities),
            "marks": marks,
        }


def truth_documents(truths: Sequence[Truth]) -> dict[str, Any]:
    """Truths by id, as a scene keeps them."""
    return {truth.id: truth.document() for truth in truths}


def truths_of(scene: Scene) -> dict[str, Truth]:
    """Truths of a scene by id, read back from its plain values."""
    return {name: truth_from(name, document) for name, document in scene.truths.items()}


def truth_from(name: str, document: Mapping[str, Any]) -> Truth:
    """One truth read back from `Truth.document`.

    Examples
    --------
    >>> truth = Truth("D1", "dent", "dent Bell", {"depth": 0.3}, (Marks("outline", "blade", np.eye(3, 2)),))
    >>> truth_from("D1", truth.document()).quantities["depth"]
    0.3
    """
    marks = tuple(Marks(m["name"], m["patch"], np.asarray(m["st"])) for m in document["marks"])
    return Truth(name, document["kind"], document["family"], document["quantities"], marks)


def marks_in_camera(scene: Scene, marks: Marks) -> Array:
    """Marks as points (n, 3) of the camera's frame, mm: on the sheet as it is, damage included."""
    patch = next(patch for patch in scene.patches if patch.name == marks.patch)
    return scene.to_camera(patch.point(marks.st[:, 0].copy(), marks.st[:, 1].copy()))


def equivalent_diameter(area_mm2: float) -> float:
    """Diameter of the circle of that area: √(4 A/π)."""
    return math.sqrt(4 * area_mm2 / math.pi)
