"""What every picture says, and where it puts what it says."""

from __future__ import annotations

import itertools
import re
import sys
from pathlib import Path
from subprocess import run

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.path import Path as Outline
from matplotlib.text import Text
from render import looks

from fringewise.core.errors import PlaceUnusable
from fringewise.findings.finding import Finding, FindingResult
from fringewise.render import (
    Inspection,
    StageItem,
    TruthRow,
    finding_picture,
    inspection_picture,
    photo_picture,
    png_of,
    surface_picture,
    write_picture,
)
from fringewise.render.theme import SMALL_PT
from fringewise.render.words import THIN, value_words
from fringewise.surface.surface import Surface


@pytest.fixture(scope="module")
def surface() -> Surface:
    return looks.surface()


def texts(figure: Figure) -> list[Text]:
    return [one for one in figure.findobj(Text) if one.get_text().strip() and one.get_visible()]


def words(figure: Figure) -> str:
    return "\n".join(one.get_text() for one in texts(figure)).replace(THIN, " ")


def every_picture(surface: Surface, theme: str = "light", unit: str = "mm") -> dict[str, Figure]:
    how = {"capture_name": "blade-07", "theme": theme, "unit": unit}
    made = {
        one.finding.identity: finding_picture(surface, one, **how)  # type: ignore[arg-type]
        for one in looks.all_results()
    }
    made["photo"] = photo_picture(surface, looks.all_results(), title="Blade 7", **how)  # type: ignore[arg-type]
    made["surface"] = surface_picture(surface, title="Blade 7", **how)  # type: ignore[arg-type]
    return made


@pytest.fixture(scope="module", params=[("light", "mm"), ("dark", "in")])
def pictures(surface: Surface, request: pytest.FixtureRequest) -> dict[str, Figure]:
    return every_picture(surface, *request.param)


def test_every_picture_says_its_capture_stand_off_and_head(pictures: dict[str, Figure]) -> None:
    for name, figure in pictures.items():
        said = words(figure)
        assert "capture blade-07" in said, name
        assert "stand-off 15.0 mm" in said or "stand-off 0.59 in" in said, name
        assert "head HX-07" in said, name


def test_no_words_leave_the_page(pictures: dict[str, Figure]) -> None:
    for name, figure in pictures.items():
        for one in texts(figure):
            box = one.get_window_extent()
            assert box.x0 >= 0, (name, one.get_text())
            assert box.y0 >= 0, (name, one.get_text())
            assert box.x1 <= figure.bbox.width, (name, one.get_text())
            assert box.y1 <= figure.bbox.height, (name, one.get_text())


def test_no_words_lie_over_others(pictures: dict[str, Figure]) -> None:
    for name, figure in pictures.items():
        level = [one for one in texts(figure) if one.get_rotation() % 360 == 0]
        boxes = [(one.get_text(), one.get_window_extent()) for one in level]
        for (first, a), (second, b) in itertools.combinations(boxes, 2):
            wide = min(a.x1, b.x1) - max(a.x0, b.x0)
            high = min(a.y1, b.y1) - max(a.y0, b.y0)
            assert wide <= 1 or high <= 2, (name, first, second)


def test_the_smallest_words_are_read_at_900_px(pictures: dict[str, Figure]) -> None:
    for figure in pictures.values():
        px_a_point = 900 / (figure.get_figwidth() * 72)
        assert min(float(one.get_fontsize()) for one in texts(figure)) * px_a_point >= 11
    assert SMALL_PT * 900 / 720 >= 11


def test_value_and_doubt_are_one_text(pictures: dict[str, Figure]) -> None:
    for result in looks.all_results():
        figure = pictures[result.finding.identity]
        unit = "in" if " in" in words(figure) and " mm" not in words(figure) else "mm"
        shown = [one.get_text() for one in texts(figure)]
        for quantity in result.quantities:
            wanted = value_words(quantity, unit)  # type: ignore[arg-type]
            assert any(wanted in one for one in shown), (result.finding.identity, quantity.name)


def test_lengths_have_one_unit_throughout(pictures: dict[str, Figure]) -> None:
    units = {name: set(re.findall(r"\d (mm|in)\b", words(figure))) for name, figure in pictures.items()}
    assert set(map(tuple, units.values())) in ({("mm",)}, {("in",)})


def label_plates(figure: Figure) -> list[np.ndarray]:
    """Corners (4, 2) in pixels of all plates on the first photo: those of labels and of dimensions."""
    axes = figure.axes[0]
    corners = [patch.get_window_extent().corners() for patch in axes.patches if patch.get_zorder() == 7]
    for one in axes.texts:
        plate = one.get_bbox_patch()
        if plate is not None:
            one.get_window_extent()
            corners.append(plate.get_transform().transform(plate.get_path().vertices))
    return corners


def test_labels_never_lie_inside_an_outline(surface: Surface) -> None:
    results = looks.all_results()
    figure = photo_picture(surface, results, title="Blade 7", capture_name="blade-07")
    plates = label_plates(figure)
    assert len(plates) == len(results)
    to_px = figure.axes[0].transData
    for result in results:
        marks = np.vstack(list(result.finding.marks.values()))
        outline = Outline(to_px.transform(marks))
        for plate in plates:
            low, high = plate.min(axis=0), plate.max(axis=0)
            grid = np.stack(np.meshgrid(*np.linspace(low, high, 15).T), axis=-1).reshape(-1, 2)
            if len(marks) > 2:
                assert not outline.contains_points(grid).any()
            inside = (outline.vertices > low) & (outline.vertices < high)
            assert not inside.all(axis=1).any(), "no mark is covered"


def test_labels_cover_no_other_damage(surface: Surface) -> None:
    places = [(160.0, 120.0), (120.0, 120.0), (200.0, 120.0), (160.0, 92.0), (160.0, 148.0)]
    square = np.array([[-9.0, -6.0], [9.0, -6.0], [9.0, 6.0], [-9.0, 6.0]])
    results = [
        FindingResult(Finding(f"F{n}", "observation", {"outline_px": square + place}), reason="unmeasured")
        for n, place in enumerate(places)
    ]
    figure = photo_picture(surface, results, title="Blade 7")
    plates = label_plates(figure)
    assert len(plates) == len(results)
    for result in results:
        marks = figure.axes[0].transData.transform(result.finding.marks["outline_px"])
        for plate in plates:
            low, high = plate.min(axis=0), plate.max(axis=0)
            apart = np.maximum(low - marks.max(axis=0), marks.min(axis=0) - high)
            assert apart.max() > 0, result.finding.identity


def test_labels_stay_on_the_photo_and_off_each_other(surface: Surface) -> None:
    crowded = [looks.dent(f"F{n}") for n in range(4)] + looks.all_results()[1:]
    figure = photo_picture(surface, crowded, title="Blade 7")
    photo, plates = figure.axes[0].get_window_extent(), label_plates(figure)
    assert len(plates) == len(crowded)
    for plate in plates:
        assert plate[:, 0].min() >= photo.x0
        assert plate[:, 0].max() <= photo.x1
        assert plate[:, 1].min() >= photo.y0
        assert plate[:, 1].max() <= photo.y1
    for a, b in itertools.combinations(plates, 2):
        apart = np.maximum(a.min(axis=0) - b.max(axis=0), b.min(axis=0) - a.max(axis=0))
        assert apart.max() >= 0


@pytest.mark.parametrize("result", [looks.dent(), looks.area()], ids=["dent", "area"])
def test_dimensions_stand_outside_the_marks(surface: Surface, result: FindingResult) -> None:
    figure = finding_picture(surface, result)
    figure.canvas.draw()  # plates take their places as they are drawn
    axes = next(one for one in figure.axes if any(t.get_bbox_patch() for t in one.texts))
    outline = Outline(axes.transData.transform(result.finding.marks["outline_px"]))
    plates = [t for t in axes.texts if t.get_bbox_patch() is not None]
    assert len(plates) == 2
    for one in plates:
        patch = one.get_bbox_patch()
        assert patch is not None
        corners = patch.get_transform().transform(patch.get_path().vertices)
        sides = np.linspace(corners, np.roll(corners, -1, axis=0), 20).reshape(-1, 2)
        assert not outline.contains_points(sides).any()


def test_a_mark_drawn_to_a_feature_is_shown_as_such(surface: Surface) -> None:
    said = words(finding_picture(surface, looks.distance()))
    assert "ring with a cross: mark drawn to a dot" in said
    assert "drawn to" not in words(finding_picture(surface, looks.area()))


def test_what_was_not_measured_says_why_and_shows_no_number(surface: Surface) -> None:
    result = looks.not_measured()
    said = words(finding_picture(surface, result))
    assert "not measured" in said
    assert result.reason in said
    assert "±" not in said
    assert "hatched: no surface to trust" in said


def test_what_the_uncertainty_leaves_out_is_said(surface: Surface) -> None:
    assert "Not included in the uncertainty: calibration." in words(finding_picture(surface, looks.dent()))


def test_a_least_value_is_drawn_with_dotted_ends(surface: Surface) -> None:
    dotted = [one for axes in finding_picture(surface, looks.area()).axes for one in axes.lines]
    assert sum(one.get_linestyle() == ":" for one in dotted) == 2
    certain = [one for axes in finding_picture(surface, looks.dent()).axes for one in axes.lines]
    assert not any(one.get_linestyle() == ":" for one in certain)


def test_a_dark_photo_is_brightened_and_that_is_said(surface: Surface) -> None:
    assert surface.photo is not None
    dark = Surface(
        surface.xyz_mm, surface.sigma_mm, surface.flags, photo=surface.photo // 4, head=surface.head
    )
    assert "times as bright" in words(photo_picture(dark, [], title="Blade 7"))
    assert "times as bright" not in words(photo_picture(surface, [], title="Blade 7"))


def test_a_surface_made_elsewhere_without_head_photo_or_points_is_drawn() -> None:
    one = looks.surface()
    bare = Surface(np.full_like(one.xyz_mm, np.nan), one.sigma_mm * np.nan, one.flags | np.uint16(256))
    said = words(surface_picture(bare, title="Elsewhere"))
    assert "stand-off not known" in said
    assert "head not known" in said
    assert "capture without a name" in said
    assert "0 % of the photo has a surface" in said
    assert "not measured" in words(finding_picture(bare, looks.not_measured()))


def inspection() -> Inspection:
    states = {3: "measured", 7: "not measured", 11: "not looked at"}
    items = tuple(StageItem(n, states.get(n, "no damage seen")) for n in range(1, 52))  # type: ignore[arg-type]
    depth = looks.measured("depth", "mm", 0.312, 0.008)
    rows = (
        TruthRow("3", "F1", "dent", depth, 0.309),
        TruthRow("3", "F1", "dent", looks.measured("length", "mm", 1.2, 0.02), 1.9),
        TruthRow("3", "F2", "distance", looks.measured("straight", "mm", 5.0, 0.02)),
        TruthRow(
            "7", "F3", "crack", reason="3 of 5 marks lie on pixels without a surface, so look again " * 2
        ),
    )
    return Inspection(
        "Demo", "2 captures", "Compressor 3", "1 is the locking blade", items, rows, "Invented."
    )


@pytest.mark.parametrize("unit", ["mm", "in"])
def test_the_inspection_page_counts_what_lies_within_u(unit: str) -> None:
    figure = inspection_picture(inspection(), unit=unit, theme="dark")  # type: ignore[arg-type]
    said = words(figure)
    assert "The truth lies within ± U for 1 of 2 sizes; 1 not measured" in said
    assert "measured, 1:  3" in said
    assert "not looked at, 1:  11" in said
    for one in texts(figure):
        box = one.get_window_extent()
        assert box.x1 <= figure.bbox.width, one.get_text()
        assert box.y0 >= 0, one.get_text()


def test_states_are_told_apart_in_black_and_white_at_12_px() -> None:
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    from fringewise.render.shapes import STATES, draw_shape

    drawn = []
    for state in STATES:
        figure = Figure(figsize=(12 / 72, 12 / 72), dpi=72)
        canvas = FigureCanvasAgg(figure)
        axes = figure.add_axes((0, 0, 1, 1))
        axes.set_axis_off()
        axes.set_xlim(0, 12)
        axes.set_ylim(0, 12)
        draw_shape(axes, (6, 6), 11.0, state, "#000000")
        canvas.draw()  # type: ignore[no-untyped-call]
        drawn.append(np.asarray(canvas.buffer_rgba())[..., 0] < 128)  # type: ignore[no-untyped-call]
    for first, second in itertools.combinations(drawn, 2):
        assert np.count_nonzero(first != second) >= 12, "of 144 pixels"


@pytest.mark.parametrize("reason", ["", "why"])
def test_a_row_has_either_a_size_or_a_reason(reason: str) -> None:
    depth = looks.measured("depth", "mm", 0.3, 0.01) if reason else None
    with pytest.raises(ValueError, match="or the reason why"):
        TruthRow("1", "F1", "dent", depth, reason=reason)


def test_the_same_picture_gives_the_same_bytes(surface: Surface, tmp_path: Path) -> None:
    first = png_of(finding_picture(surface, looks.dent()))
    assert first == png_of(finding_picture(surface, looks.dent()))
    write_picture(finding_picture(surface, looks.dent()), tmp_path / "one.png")
    assert (tmp_path / "one.png").read_bytes() == first
    assert b"tEXt" not in first, "no software, no time"
    assert b"tIME" not in first


def test_a_picture_that_cannot_be_written_leaves_nothing(surface: Surface, tmp_path: Path) -> None:
    with pytest.raises(PlaceUnusable):
        write_picture(photo_picture(surface, [], title="Blade 7"), tmp_path / "absent" / "one.png")
    assert list(tmp_path.iterdir()) == []


def test_an_unknown_theme_is_refused(surface: Surface) -> None:
    with pytest.raises(ValueError, match="light, dark"):
        photo_picture(surface, [], title="Blade 7", theme="sepia")  # type: ignore[arg-type]


def test_importing_the_room_loads_no_drawing_library() -> None:
    code = "import sys, fringewise.render; sys.exit('matplotlib' in sys.modules)"
    assert run([sys.executable, "-c", code], check=False).returncode == 0


def test_pictures_touch_no_global_state() -> None:
    code = (
        "import matplotlib as m; before = dict(m.rcParams); from render import looks\n"
        "from fringewise.render import finding_picture, png_of\n"
        "png_of(finding_picture(looks.surface(), looks.dent()))\n"
        "import sys; assert 'matplotlib.pyplot' not in sys.modules; assert dict(m.rcParams) == before"
    )
    here = Path(__file__).resolve().parents[1]
    assert run([sys.executable, "-c", code], cwd=here, check=False).returncode == 0
