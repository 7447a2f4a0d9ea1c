"""Boards that a real camera took: 3-step sets of 16 and 1 fringes, no noise model."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from fringewise.core.flags import usable
from fringewise.files import read_capture
from fringewise.phase import decode

Array = npt.NDArray[np.float64]

FRINGES = 16


def brightest_patch(modulation: npt.NDArray[np.float32]) -> npt.NDArray[np.bool_]:
    """The largest patch with strong fringes, without its rim: the board."""
    strong = cv2.morphologyEx(
        (modulation > 25).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((15, 15), np.uint8)
    )
    _, labels, facts, _ = cv2.connectedComponentsWithStats(strong)
    largest = 1 + int(np.argmax(facts[1:, cv2.CC_STAT_AREA]))
    return np.asarray(cv2.erode((labels == largest).astype(np.uint8), np.ones((61, 61), np.uint8)) > 0)


@pytest.mark.parametrize(
    "board", ["board_1", "board_4", *(pytest.param(f"board_{n}", marks=pytest.mark.heavy) for n in (3, 5, 6))]
)
def test_real_board_decodes_without_a_wrong_fringe(shared_data: Path, board: str) -> None:
    capture = read_capture(shared_data / "real_rig" / board)
    found = decode(capture)
    assert found.noise_source == "phase scatter"
    board_pixels = brightest_patch(found.modulation)
    assert np.count_nonzero(board_pixels) > 200_000
    good = board_pixels & usable(found.flags)
    assert np.count_nonzero(good) > 0.97 * np.count_nonzero(board_pixels)
    off = (found.column[good] - flat_board(found.column, good)) * FRINGES
    assert np.abs(off).max() < 0.5  # a wrong fringe would be off by a whole one
    assert np.std(off) < 0.006  # of which the stated noise is 0.0034 to 0.0042
    assert not found.motion.moved


def flat_board(column: npt.NDArray[np.float32], good: npt.NDArray[np.bool_]) -> Array:
    """Column of a nearly flat board seen through mild lenses: a polynomial of fifth degree in u, v."""
    v, u = np.nonzero(good)
    x, y = u / column.shape[1] - 0.5, v / column.shape[0] - 0.5
    terms = np.column_stack([x**i * y**j for i in range(6) for j in range(6 - i)])
    answer = np.linalg.lstsq(terms[::50], column[good][::50].astype(np.float64), rcond=None)[0]
    return np.asarray(terms @ answer)
