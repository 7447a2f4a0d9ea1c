"""Observation: what was seen and is kept as seen (discolouration, deposit, rub), without a size."""

from __future__ import annotations

from typing import Final

import numpy as np

from fringewise.findings.finding import Drawing, Finding, FindingResult
from fringewise.findings.kind import Kind, Look

SEEN_ONLY: Final = "an observation is kept as seen and has no size: mark an area to measure how far it goes"


def keep_observation(look: Look, finding: Finding) -> FindingResult:
    """Keep an observation (format 3, ``observation``) with its outline, where there is one."""
    del look
    outline = finding.marks.get("outline_px")
    lines = () if outline is None else (np.vstack([outline, outline[:1]]),)
    return FindingResult(finding, (), SEEN_ONLY, (), Drawing((), lines))


KIND: Final = Kind("observation", (), keep_observation)
