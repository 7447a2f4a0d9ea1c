"""Judge whether the head or the part moved between the frames, and say it in plain words.

Three things give motion away. Sets seen one after the other tell different columns; the frames of a set of
more than three shifts disagree as a phase that creeps on makes them; and the picture itself shifts, which
alone shows motion across the view over an even surface. The first two are fitted as a drift of the finest
phase, in rad a frame, that changes evenly over the view: (1, x, y) · drift.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from fringewise.capture.capture import Capture
from fringewise.capture.head import NoiseModel
from fringewise.capture.plan import FringeSet
from fringewise.core.checks import Array
from fringewise.phase.ladder import Ladder, spanned
from fringewise.phase.phase_map import Motion
from fringewise.phase.rows import Decoded

ROW_SPACING: Final = 8
LEAST_IN_BLOCK: Final = 30
LEAST_PIXELS: Final = 1000

STRONG_PHASE: Final = 18.0
STRONG_PICTURE: Final = 25.0
"""A cue counts where chance alone would hardly make its χ² so large …"""
LEAST_DRIFT_RAD: Final = 0.005
"""… and the finest phase drifts by more than this from the first frame to the last …"""
LEAST_SHIFT_PX: Final = 0.08
"""… or the picture shifts by more than this."""

LEAST_COARSE_FRINGES: Final = 5.0
"""Sets are compared where the coarser has as many: with fewer, a bent response looks like drift."""

RIPPLE_PRIOR_TURNS: Final = {3: 0.02, 4: 0.003}
"""How large the error that repeats N times a fringe may be (a gamma of 1.5 makes about as much)."""
_SMALL_RIPPLE_TURNS: Final = 0.001

_STEADY: Final = "Steady the probe, let it settle for a second and take the capture again"


@dataclass(frozen=True, slots=True)
class Drift:
    """Normal equations of the drift (rad a frame) over (1, x, y), and where their blocks lie."""

    matrix: Array
    right: Array
    places: Array

    def chi_square(self) -> float:
        """How far the drift is from none, in units of its uncertainty, squared (three degrees of freedom)."""
        return float(self.right @ self.solution())

    def solution(self) -> Array:
        """Drift over (1, x, y)."""
        return np.asarray(np.linalg.lstsq(self.matrix, self.right, rcond=1e-9)[0], dtype=np.float64)

    def typical(self) -> float:
        """Root mean square of the drift over the blocks, rad a frame, with the sign of its mean."""
        each = self.places @ self.solution()
        return float(np.copysign(np.sqrt(np.mean(each**2)), np.mean(each)))


def judge_motion(capture: Capture, ladder: Ladder, noise: NoiseModel, decoded: Decoded) -> Motion:
    """Judge motion from a decoded capture whose frames followed each other in the document's order.

    Parameters
    ----------
    capture : Capture
    ladder : Ladder
        Made from the capture's column sets.
    noise : NoiseModel
    decoded : Decoded
        Its pixels without a flag are used.
    """
    frames = _Frames.of(capture, ladder)
    clues = [clue for clue in _phase_drifts(frames, ladder, noise, decoded) if clue is not None]
    shift = _picture_shift(frames, ladder, noise, decoded)
    if not clues and shift is None:
        return Motion(False, 0.0, _NOT_JUDGED, judged=False)
    span = frames.count - 1
    best = max(clues, key=Drift.chi_square, default=None)
    drift_rad = best.typical() * span if best is not None else 0.0
    drifted = best is not None and best.chi_square() > STRONG_PHASE and abs(drift_rad) > LEAST_DRIFT_RAD
    shift_px, strength = shift if shift is not None else (0.0, 0.0)
    shifted = strength > STRONG_PICTURE and shift_px > LEAST_SHIFT_PX
    return Motion(bool(drifted or shifted), drift_rad, _words(drifted, drift_rad, shifted, shift_px))


_NOT_JUDGED: Final = (
    "Whether anything moved between the frames could not be judged: one set of 3 shifts leaves nothing to "
    "compare, or too little is lit. Use 4 or more shifts, or more than one set of fringes"
)


def _words(drifted: bool, drift_rad: float, shifted: bool, shift_px: float) -> str:
    if not (drifted or shifted):
        return "No motion was seen between the frames"
    seen = []
    if drifted:
        seen.append(f"the finest fringes drifted by {abs(drift_rad):.3f} rad")
    if shifted:
        seen.append(f"the picture shifted by {shift_px:.1f} pixels")
    return (
        f"The head or the part moved between the frames: from the first to the last "
        f"{' and '.join(seen)}. Sizes taken from this capture may be wrong. {_STEADY}"
    )


@dataclass(frozen=True, slots=True)
class _Frames:
    """Where the column sets' frames lie in memory and in time; sets from coarse to fine."""

    base: Any
    starts: npt.NDArray[np.int64]
    times: tuple[float, ...]
    count: int
    plan: tuple[FringeSet, ...]
    kept: Any

    @staticmethod
    def of(capture: Capture, ladder: Ladder) -> _Frames:
        lengths = [len(one.frames) for one in capture.sets]
        begins = np.cumsum([0, *lengths])
        middles = [begins[n] + (lengths[n] - 1) / 2 for n in range(len(lengths))]
        columns = [n for n, one in enumerate(capture.sets) if one.fringe_set.across == "columns"]
        order = [columns[n] for n in ladder.order]
        base, starts, kept = spanned([capture.sets[n] for n in order])
        plan = tuple(capture.sets[n].fringe_set for n in order)
        return _Frames(base, starts, tuple(middles[n] for n in order), int(begins[-1]), plan, kept)


def _phase_drifts(frames: _Frames, ladder: Ladder, noise: NoiseModel, decoded: Decoded) -> list[Drift | None]:
    from fringewise.phase import motion_kernels as kernels  # noqa: PLC0415 - numba takes 0.25 s to import

    height, width = decoded.flags.shape
    sums = np.zeros((-(-height // kernels.BLOCK), -(-width // kernels.BLOCK), kernels.BLOCK_SUMS))
    last = len(frames.times) - 1
    fine, coarse = _part(ladder, last), _part(ladder, max(last - 1, 0))
    alone = last == 0 or ladder.fringes[last - 1] < LEAST_COARSE_FRINGES
    spread = np.float32(ladder.covariance[max(last - 1, 0), [0, 2]].mean())
    kernels.phase_sums(
        frames.base,
        frames.starts[coarse][: 0 if alone else None], ladder.solve[coarse],
        np.float32(ladder.fringes[max(last - 1, 0)]), spread,
        frames.starts[fine], ladder.solve[fine], drift_combinations(frames.plan[last]).astype(np.float32),
        _noise_terms(noise), decoded.column, decoded.sigma, decoded.flags, ROW_SPACING, sums,
    )  # fmt: skip
    blocks = sums[sums[..., kernels.COUNT] >= LEAST_IN_BLOCK]
    if blocks[..., kernels.COUNT].sum() < LEAST_PIXELS:
        return []
    down, across = np.nonzero(sums[..., kernels.COUNT] >= LEAST_IN_BLOCK)
    places = _centred(across, down)
    between = None
    if not alone:
        scale = 2 * np.pi * ladder.fringes[last] / ladder.fringes[last - 1]
        between = _between_sets(
            blocks, places, scale / (frames.times[last] - frames.times[last - 1]), len(ladder.solve[coarse])
        )
    within = _within_set(blocks, places) if len(frames.plan[last].shifts_rad) > 3 else None
    both = None
    if between is not None and within is not None:
        both = Drift(between.matrix + within.matrix, between.right + within.right, places)
    return [between, within, both]


def _between_sets(blocks: Array, places: Array, scale: float, shifts: int) -> Drift:
    """Drift from the disagreement of the finest two sets; the coarser set's ripple is fitted along.

    `scale` turns that disagreement (turns of the coarser set) into rad a frame of the finest.
    """
    w, wg, wp, wq, wpp, wpq, wqq, wgp, wgq = (blocks[:, n] for n in range(9))
    normal = np.zeros((5, 5))
    normal[:3, :3] = (places * w[:, None]).T @ places
    normal[:3, 3:] = places.T @ np.column_stack([wp, wq])
    normal[3:, :3] = normal[:3, 3:].T
    normal[3:, 3:] = [[wpp.sum(), wpq.sum()], [wpq.sum(), wqq.sum()]]
    normal[3:, 3:] += np.eye(2) / RIPPLE_PRIOR_TURNS.get(shifts, _SMALL_RIPPLE_TURNS) ** 2
    right = np.array([*(places.T @ wg), wgp.sum(), wgq.sum()])
    answer = np.linalg.lstsq(normal, right, rcond=1e-12)[0]
    left = (wg - w * (places @ answer[:3]) - wp * answer[3] - wq * answer[4]) ** 2 / w
    # Drift alone, the ripple eliminated; then in rad a frame.
    carried = np.linalg.solve(normal[3:, 3:], np.column_stack([normal[3:, :3], right[3:]]))
    matrix = normal[:3, :3] - normal[:3, 3:] @ carried[:, :3]
    side = right[:3] - normal[:3, 3:] @ carried[:, 3]
    widened = _widening(left, 5)
    return Drift(matrix / (scale**2 * widened), side / (scale * widened), places)


def _within_set(blocks: Array, places: Array) -> Drift:
    """Drift from the residuals of the finest set."""
    along, weight = blocks[:, 9], blocks[:, 10]
    matrix = (places * weight[:, None]).T @ places
    right = places.T @ along
    answer = np.linalg.lstsq(matrix, right, rcond=1e-12)[0]
    widened = _widening((along - weight * (places @ answer)) ** 2 / weight, 3)
    return Drift(matrix / widened, right / widened, places)


def _widening(squares: Array, fitted: int) -> float:
    """Factor on the variance for what the blocks scatter beyond their noise."""
    return max(1.0, float(squares.sum()) / max(len(squares) - fitted, 1))


def _picture_shift(
    frames: _Frames, ladder: Ladder, noise: NoiseModel, decoded: Decoded
) -> tuple[float, float] | None:
    """Shift of the picture from the first frame to the last in pixels, and its χ² (2 degrees of freedom)."""
    from fringewise.phase import motion_kernels as kernels  # noqa: PLC0415 - as above

    first, last = int(np.argmin(frames.times)), int(np.argmax(frames.times))
    if frames.times[first] == frames.times[last]:
        return None
    early, late = _part(ladder, first), _part(ladder, last)
    spread = np.float32((ladder.solve[early, 0] ** 2).sum() + (ladder.solve[late, 0] ** 2).sum())
    sums = np.zeros((kernels.TEXTURE_TERMS, kernels.TEXTURE_TERMS))
    count = kernels.texture_sums(
        frames.base, frames.starts[early], ladder.solve[early], frames.starts[late], ladder.solve[late],
        spread, _noise_terms(noise), decoded.flags, ROW_SPACING, sums,
    )  # fmt: skip
    if count < LEAST_PIXELS:
        return None
    full = sums + np.triu(sums, 1).T
    normal, right = full[:4, :4], full[:4, 4]
    answer = np.linalg.lstsq(normal, right, rcond=1e-12)[0]
    widened = max(1.0, float(full[4, 4] - right @ answer) / count)
    covariance = np.linalg.pinv(normal, rcond=1e-12)[2:, 2:] * widened
    moved = -answer[2:]
    strength = float(moved @ np.linalg.pinv(covariance) @ moved)
    apart = frames.times[last] - frames.times[first]
    return float(np.hypot(*moved)) * (frames.count - 1) / apart, strength


def drift_combinations(one: FringeSet) -> Array:
    """Combinations of frames (N, 2) that a phase creeping on by ε a frame fills: residual = ε (C u + S w).

    With C = B cos φ, S = B sin φ, t the frame's place counted from the middle and δ its shift, u and w are
    what is left of −t sin δ and −t cos δ after A, C and S are fitted. Empty (0, 2) for 3 shifts, which leave
    nothing. For shifts of 0, 90, 180, 270° this is the known ε (sin φ − cos φ) · B (I0 − I1 + I2 − I3) / 2.
    """
    shifts = np.asarray(one.shifts_rad)
    if len(shifts) == 3:
        return np.zeros((0, 2))
    time = np.arange(len(shifts)) - (len(shifts) - 1) / 2
    creep = np.column_stack([-time * np.sin(shifts), -time * np.cos(shifts)])
    design = one.design
    return np.asarray(creep - design @ np.linalg.pinv(design) @ creep)


def _part(ladder: Ladder, number: int) -> slice:
    return slice(int(ladder.first[number]), int(ladder.first[number + 1]))


def _noise_terms(noise: NoiseModel) -> npt.NDArray[np.float32]:
    return np.array([noise.read_dn**2, noise.gain_dn_per_electron, noise.dark_dn], dtype=np.float32)


def _centred(across: npt.NDArray[np.intp], down: npt.NDArray[np.intp]) -> Array:
    """Rows (1, x, y) of block places, x and y from about −1 to 1."""
    x, y = across - across.mean(), down - down.mean()
    half = max(float(np.abs(x).max(initial=0.0)), float(np.abs(y).max(initial=0.0)), 1.0)
    return np.column_stack([np.ones(len(x)), x / half, y / half])
