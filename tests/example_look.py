"""One small rendered look with a dent, for the examples of the documentation: ``blade-07``."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from fringewise.files import write_capture, write_findings
from fringewise.virtual import Exposure, render, standard_head, standard_plan
from fringewise.virtual.scenes import random_blade_scene
from fringewise.workflow.marking import marked_findings

SEED = 7


def keep_example_look(folder: Path) -> None:
    """Write the capture ``blade-07`` and its findings ``blade-07.json`` into a folder."""
    rng = np.random.default_rng(SEED)
    head = standard_head(480, 360)
    scene = random_blade_scene(rng, 12.0, ["cap dent"], head=head)
    made = render(scene, head, standard_plan(), Exposure(), rng, rays_per_pixel=1)
    write_capture(made.capture, folder / "blade-07")
    write_findings(marked_findings(scene, head, rng), folder / "blade-07.json")
