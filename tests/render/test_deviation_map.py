"""The deviation map leaves the photo alone where nothing stands out, and invents nothing."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from render import looks

from fringewise.core.flags import Flag
from fringewise.render.deviation import (
    Scale,
    deviation_over,
    enlarged_deviation,
    scale_of,
    seen_deviation,
)
from fringewise.render.page import Box
from fringewise.render.photo import Crop, enlarged, shown_photo
from fringewise.surface.surface import Surface

BOX = Box(0.0, 0.0, 2.0, 2.0)
CROP = Crop(110, 70, 100, 100)


def laid_over() -> tuple[np.ndarray, np.ndarray, np.ndarray, Scale]:
    surface, drawing = looks.surface(), looks.dent().drawing
    deviation = seen_deviation(surface, drawing)
    scale = scale_of(deviation, drawing.deviation_expanded_mm, "mm")
    photo = enlarged(shown_photo(surface).picture, CROP, BOX)
    fine = enlarged_deviation(deviation, drawing.deviation_corner_px, CROP, BOX)
    return photo, deviation_over(photo, fine, scale), fine, scale


def test_within_u_the_map_is_the_photo_itself() -> None:
    photo, laid, fine, scale = laid_over()
    with np.errstate(invalid="ignore"):
        middle = np.abs(fine) <= scale.expanded_mm
    assert middle.sum() > 500
    assert np.array_equal(laid[middle], photo[middle])


def test_outside_the_outline_the_map_is_the_photo_itself() -> None:
    photo, laid, fine, _ = laid_over()
    without = np.isnan(fine)
    assert without.mean() > 0.3
    assert np.array_equal(laid[without], photo[without])


def test_beyond_u_every_pixel_is_coloured_by_its_side() -> None:
    photo, laid, fine, scale = laid_over()
    with np.errstate(invalid="ignore"):
        below, above = fine < -scale.expanded_mm, fine > scale.expanded_mm
    red_over_blue = laid[..., 0].astype(int) - laid[..., 2]
    assert below.sum() > 500
    assert above.sum() > 500
    assert np.all(red_over_blue[below] < -20), "below is violet"
    assert np.all(red_over_blue[above] > 20), "above is ochre"
    assert np.all(np.any(laid[below | above] != photo[below | above], axis=-1))


def test_deeper_is_darker_without_any_colour() -> None:
    grey = np.full((1, 50, 3), 120, np.uint8)
    deviation = np.linspace(-0.02, -0.3, 50)[None, :]
    laid = deviation_over(grey, deviation, Scale(0.01, 0.3, -0.3, 0.0, 0.1)).astype(float)
    luminance = laid @ np.array([0.2126, 0.7152, 0.0722])
    assert np.all(np.diff(luminance[0]) <= 0.5)
    assert luminance[0, 0] - luminance[0, -1] > 50


def test_pixels_without_a_surface_get_no_colour() -> None:
    surface, drawing = looks.surface(), looks.dent().drawing
    flags = surface.flags.copy()
    hole = np.s_[110:124, 150:164]
    flags[hole] = Flag.SATURATED
    spoilt = Surface(surface.xyz_mm, surface.sigma_mm, flags, photo=surface.photo, head=surface.head)
    deviation = seen_deviation(spoilt, drawing)
    first_u, first_v = drawing.deviation_corner_px
    lost = deviation[113 - first_v : 121 - first_v, 153 - first_u : 161 - first_u]
    assert np.isnan(lost).all(), "the smooth deviation carried on over them is not shown"
    assert np.isfinite(seen_deviation(surface, drawing)[113 - first_v, 153 - first_u])


def test_enlarging_spreads_no_value_into_pixels_that_have_none() -> None:
    deviation = np.full((20, 20), -0.2)
    deviation[:, 10:] = np.nan
    fine = enlarged_deviation(deviation, (0, 0), Crop(0, 0, 20, 20), Box(0, 0, 1, 1))
    assert np.isnan(fine[:, 76:]).all()
    assert np.allclose(fine[:, :74], -0.2)


def test_a_map_that_leaves_the_crop_is_cut_not_moved() -> None:
    deviation = np.arange(400, dtype=float).reshape(20, 20)
    fine = enlarged_deviation(deviation, (-5, -5), Crop(0, 0, 10, 10), Box(0, 0, 10 / 150, 10 / 150))
    assert np.array_equal(fine, deviation[5:15, 5:15])


@given(
    low=st.floats(-2, 0), high=st.floats(0, 2), doubt=st.floats(1e-4, 0.1), unit=st.sampled_from(["mm", "in"])
)
def test_the_scale_holds_all_that_stands_out(low: float, high: float, doubt: float, unit: str) -> None:
    scale = scale_of(np.array([[low, high, np.nan]]), doubt, unit)  # type: ignore[arg-type]
    assert scale.lowest_mm <= low + 1e-6 or low >= -doubt
    assert scale.highest_mm >= high - 1e-6 or high <= doubt
    assert scale.full_mm >= max(-low, high) - 1e-6 or max(-low, high) <= doubt
    marks = scale.marks_mm
    assert {scale.lowest_mm, scale.highest_mm} - {0.0} <= set(marks.tolist()), "the ends are labelled"


@pytest.mark.parametrize(("unit", "one"), [("mm", 1.0), ("in", 25.4)])
def test_the_scale_ends_at_round_lengths_in_the_unit_shown(unit: str, one: float) -> None:
    scale = scale_of(np.array([[-0.2733, 0.01]]), 0.02, unit)  # type: ignore[arg-type]
    in_fifths = scale.lowest_mm / (scale.step_mm / 5)
    assert in_fifths == pytest.approx(round(in_fifths), abs=1e-9)
    mantissa = scale.step_mm / one / 10 ** np.floor(np.log10(scale.step_mm / one))
    assert min(abs(mantissa - n) for n in (1, 2, 5, 10)) < 1e-9


def test_a_map_without_any_point_still_has_a_scale() -> None:
    scale = scale_of(np.full((3, 3), np.nan), 0.01, "mm")
    assert scale.lowest_mm < -0.01
    assert scale.highest_mm > 0.01


def test_a_deviation_of_nothing_leaves_the_photo() -> None:
    photo = np.full((5, 5, 3), 90, np.uint8)
    laid = deviation_over(photo, np.full((5, 5), np.nan), Scale(0.01, 0.1, -0.1, 0.0, 0.05))
    assert np.array_equal(laid, photo)
