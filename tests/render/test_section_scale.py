"""Sections are true to the scale that is written on them, and gaps stay gaps."""

from __future__ import annotations

import re

import numpy as np
import pytest
from render import looks

from fringewise.core.flags import Flag
from fringewise.render.page import Box, new_page
from fringewise.render.places import Cut, cut_of, point_near, surface_between
from fringewise.render.section import Stage, draw_cut, gaps_of, section_stage
from fringewise.render.side_views import from_the_left
from fringewise.render.theme import LIGHT
from fringewise.surface.surface import Surface


def staged(low_mm: float, high_mm: float, length_mm: float = 4.0) -> Stage:
    along = np.linspace(0, length_mm, 50)
    flat = np.zeros(50)
    cut = Cut(along, flat, flat + 0.01, along, flat)
    return section_stage(new_page(6.0, LIGHT), Box(0.4, 1.0, 9.2, 2.7), cut, low_mm=low_mm, high_mm=high_mm)


@pytest.mark.parametrize("span_mm", [0.004, 0.03, 0.31, 1.1, 2.0])
def test_the_exaggeration_written_is_the_ratio_of_the_axes(span_mm: float) -> None:
    stage = staged(-span_mm, 0.1 * span_mm)
    stage.axes.figure.canvas.draw()
    (x0, y0), (x1, y1) = stage.axes.transData.transform([[0.0, 0.0], [1.0, 1.0]])
    drawn = (y1 - y0) / (x1 - x0)
    written = 1 if "to scale" in stage.words else int(re.sub(r"\D", "", stage.words))
    assert drawn == pytest.approx(written, rel=1e-6)


def test_a_section_that_fits_to_scale_says_so() -> None:
    stage = staged(-1.0, 0.1)
    assert stage.exaggeration == 1
    assert stage.words == "length and height to scale"


@pytest.mark.parametrize("span_mm", [0.004, 0.31, 1.1])
def test_all_heights_fit_into_the_section(span_mm: float) -> None:
    low, high = staged(-span_mm, 0.2 * span_mm).axes.get_ylim()
    assert low <= -span_mm + 1e-9
    assert high >= 0.2 * span_mm - 1e-9


def test_the_band_has_a_gap_where_there_is_no_surface() -> None:
    cut = cut_of(looks.section())
    stage = section_stage(new_page(6.0, LIGHT), Box(0.4, 1.0, 9.2, 2.7), cut, low_mm=-0.3, high_mm=0.1)
    draw_cut(stage, cut, LIGHT)
    band = stage.axes.collections[0]
    gap_from, gap_to = cut.along_mm[4], cut.along_mm[9]
    for path in band.get_paths():
        x = np.asarray(path.vertices)[:, 0]
        assert x.max() <= gap_from + 1e-9 or x.min() >= gap_to - 1e-9
    middle = stage.axes.lines[1]
    assert np.isnan(np.asarray(middle.get_ydata(), dtype=float)[5:9]).all()


def test_gaps_are_found_where_points_are_missing_and_at_the_ends() -> None:
    along = np.concatenate([np.arange(1.0, 2.0, 0.1), np.arange(3.0, 4.0, 0.1)])
    cut = Cut(along, np.zeros_like(along), np.full_like(along, 0.01), along, along)
    gaps = gaps_of(cut, 0.0, 3.95)
    assert [tuple(round(end, 6) for end in gap) for gap in gaps] == [(0.0, 1.0), (1.9, 3.0)]
    assert gaps_of(cut, 1.0, 1.9) == []


def test_a_turned_section_keeps_its_heights_over_their_places() -> None:
    section = looks.section()
    turned = from_the_left(type(section)(
        section.along_mm, section.measured_mm, section.expanded_mm, section.points_along_mm,
        section.points_mm, section.to_px, section.from_px,
    ))  # fmt: skip
    length = section.along_mm.max()
    assert turned.from_px[0] < turned.to_px[0]
    assert np.all(np.diff(turned.along_mm) > 0)
    expected = np.interp(length - turned.along_mm, section.along_mm, np.nan_to_num(section.measured_mm))
    assert np.allclose(np.nan_to_num(turned.measured_mm), expected)


def test_a_profile_over_a_flat_part_is_flat_and_as_long_as_its_line() -> None:
    surface = looks.surface()
    ends = np.array([[200.0, 40.0], [285.0, 60.0]])
    points = np.array([point_near(surface, end) for end in ends])
    cut = surface_between(surface, ends, points)
    assert cut is not None
    length = np.hypot(*(ends[1] - ends[0])) * looks.STANDOFF_MM / looks.FOCAL_PX
    assert np.nanmax(cut.along_mm) == pytest.approx(length, abs=0.12)
    assert np.nanmax(np.abs(cut.height_mm)) < 0.02  # 3 σ of a mean of some points with σ = 6 µm
    spread = np.nanstd(cut.height_mm) / np.nanmedian(cut.expanded_mm)
    assert 0.3 < spread < 0.75, "U is about twice the scatter"


def test_a_profile_over_a_hole_invents_no_surface() -> None:
    surface = looks.surface()
    rows, columns = looks.WITHOUT
    v = (rows.start + rows.stop) / 2
    ends = np.array([[columns.start - 12.0, v], [columns.stop + 12.0, v]])
    cut = surface_between(surface, ends, np.array([point_near(surface, end) for end in ends]))
    assert cut is not None
    inside = (cut.along_mm > 0.7) & (cut.along_mm < 4.0)
    assert not np.isfinite(cut.height_mm[inside]).any()
    (gap,) = gaps_of(cut, 0.0, float(np.nanmax(cut.along_mm)))
    assert gap[1] - gap[0] == pytest.approx((columns.stop - columns.start) * 15 / 300, abs=0.12)


def test_without_points_at_an_end_there_is_no_profile() -> None:
    surface = looks.surface()
    flags = surface.flags | np.uint16(Flag.NO_SURFACE)
    empty = Surface(np.full_like(surface.xyz_mm, np.nan), surface.sigma_mm * np.nan, flags)
    ends = np.array([[50.0, 50.0], [80.0, 50.0]])
    assert surface_between(empty, ends, np.array([point_near(empty, end) for end in ends])) is None
