"""Directives for the pages of the kinds: what is marked, what is given, and a picture, all from the program.

``{kind-tables} crack`` gives the tables of marks and quantities; ``{kind-picture} crack`` renders a small
look with a virtual crack on it, marks and measures it, and shows the program's own picture of the finding. A
second argument names the virtual damage where it is called otherwise than the kind, a third is the seed.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from docutils import nodes
from sphinx.application import Sphinx
from sphinx.util.docutils import SphinxDirective

from fringewise.findings.documents import MARKS
from fringewise.findings.finding import FindingResult
from fringewise.findings.kind import look_at
from fringewise.findings.registry import KINDS, measure_finding
from fringewise.render import finding_picture, write_picture
from fringewise.surface.surface import Surface
from fringewise.virtual import Exposure, Scene, render, standard_head, standard_plan
from fringewise.virtual.blocks import block_scene
from fringewise.virtual.scenes import random_blade_scene
from fringewise.workflow.marking import marked_findings
from fringewise.workflow.surfaces import make_surface
from fringewise.workflow.trials import BLOCKS

SIZE = 480, 360
STANDOFF_MM = 13.0
SEED = 5


class KindTables(SphinxDirective):
    """A kind's marks and quantities, as two tables."""

    required_arguments = 1

    def run(self) -> list[nodes.Node]:
        kind = self.arguments[0]
        text = ["| marks | how many | what they are |", "| --- | --- | --- |"]
        for rule in MARKS[kind]:
            most = f"{rule.least}" if rule.most == rule.least else f"{rule.least} or more"
            text.append(f"| `{rule.name}` | {most}{' (optional)' if rule.optional else ''} | {rule.words} |")
        quantities = KINDS[kind].quantities
        if quantities:
            text += ["", "| quantity | unit | what it is |", "| --- | --- | --- |"]
            text += [f"| `{one.name}` | {one.unit} | {one.words} |" for one in quantities]
        return self.parse_text_to_nodes("\n".join(text))


class KindPicture(SphinxDirective):
    """The program's picture of a rendered finding."""

    required_arguments = 1
    optional_arguments = 2

    def run(self) -> list[nodes.Node]:
        kind, damage, seed = (*self.arguments, None, None)[:3]
        folder = Path(self.env.app.outdir) / "_images"
        folder.mkdir(parents=True, exist_ok=True)
        surface, result = measured_look(kind, damage or kind, int(seed or SEED))
        page = finding_picture(surface, result, capture_name="a rendered look", standoff_mm=STANDOFF_MM)
        write_picture(page, folder / f"kind-{kind}.png")
        depth = self.env.docname.count("/")
        uri = f"{'../' * depth}_images/kind-{kind}.png"
        return [nodes.raw("", f'<img src="{uri}" alt="A rendered {kind}, measured" />', format="html")]


def measured_look(kind: str, damage: str, seed: int) -> tuple[Surface, FindingResult]:
    """Render a small look with one damage, mark it and measure it."""
    rng, head = np.random.default_rng(seed), standard_head(*SIZE)
    scene = scene_of(rng, damage)
    made = render(scene, head, standard_plan(), Exposure(), rng, rays_per_pixel=3)
    surface = make_surface(made.capture)
    (finding,) = marked_findings(scene, head, rng)
    assert finding.kind == kind, f"{damage} draws a {finding.kind}, not a {kind}"
    return surface, measure_finding(look_at(surface, seed), finding)


def scene_of(rng: np.random.Generator, damage: str) -> Scene:
    """A blade with this damage on it, or a check block of this kind."""
    head = standard_head(*SIZE)
    for block in BLOCKS:
        if block == damage:
            return block_scene(rng, STANDOFF_MM, block, head=head)
    return random_blade_scene(rng, STANDOFF_MM, [damage], head=head)


def setup(app: Sphinx) -> dict[str, Any]:
    app.add_directive("kind-tables", KindTables)
    app.add_directive("kind-picture", KindPicture)
    return {"version": "1", "parallel_read_safe": True, "parallel_write_safe": True}
