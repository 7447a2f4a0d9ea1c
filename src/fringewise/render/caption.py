"""What every picture says of itself: what it is, from which capture, at which stand-off, under which head."""

from __future__ import annotations

import math

from fringewise.capture.head import Head
from fringewise.core.units import LengthUnit, shown_in
from fringewise.findings.finding import FindingResult
from fringewise.render.places import standoff_of
from fringewise.render.words import THIN, kind_words
from fringewise.surface.surface import Surface


def origin_words(
    surface: Surface,
    unit: LengthUnit,
    *,
    capture_name: str = "",
    standoff_mm: float | None = None,
    head: Head | str | None = None,
) -> str:
    """Say from which capture, at which stand-off, under which head; what is not known is said as well.

    The stand-off is the median distance of all points, and the head the surface's, where they aren't given.
    """
    standoff = standoff_of(surface) if standoff_mm is None else standoff_mm
    given = head if head is not None else surface.head
    serial = given.serial if isinstance(given, Head) else given
    parts = [f"capture {capture_name}" if capture_name else "capture without a name"]
    if math.isfinite(standoff):
        value, name = shown_in(standoff, "mm", unit)
        parts.append(f"stand-off {value:.{1 if unit == 'mm' else 2}f}{THIN}{name}")
    else:
        parts.append("stand-off not known")
    parts.append(f"head {serial}" if serial else "head not known")
    return "   ·   ".join(parts)


def what_words(result: FindingResult) -> str:
    """Say what a finding is and where it lies.

    Examples
    --------
    >>> from fringewise.findings.finding import Finding
    >>> found = Finding("F1", "edge_nick", part="compressor 3 blade", stage="compressor 3", item="7")
    >>> what_words(FindingResult(found, reason="not in view"))
    'Edge nick F1, compressor 3 blade 7'
    """
    finding = result.finding
    kind = kind_words(finding)
    part, stage, item = finding.part or "", finding.stage or "", finding.item or ""
    where = [part if stage in part else ", ".join(word for word in (stage, part) if word)]
    where = [" ".join(word for word in (where[0] or (item and "item"), item) if word), finding.zone or ""]
    return ", ".join([f"{kind[:1].upper()}{kind[1:]} {finding.identity}", *(w for w in where if w)])


def doubt_notes(result: FindingResult) -> list[str]:
    """Say what a person must know beside the numbers: warnings, and what the uncertainty leaves out."""
    left_out = sorted({part for one in result.quantities for part in one.not_included})
    notes = [f"{words[:1].upper()}{words[1:].removesuffix('.')}." for words in result.warnings]
    if left_out:
        notes.append(f"Not included in the uncertainty: {', '.join(left_out)}.")
    return notes


U_WORDS = "± is the expanded uncertainty U (k = 2, or as few degrees of freedom ask)"
