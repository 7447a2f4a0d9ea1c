"""From repeated captures of a still scene to a head that states its noise and its ripple."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from fringewise.calibrate.head_noise import PhotonTransfer, Ripple, phase_ripple, photon_transfer
from fringewise.capture.capture import Capture
from fringewise.capture.head import Head
from fringewise.core.errors import InputRefused, Problem
from fringewise.core.progress import Progress, Silent

_SILENT: Final = Silent()


@dataclass(frozen=True, slots=True)
class NoiseFound:
    """A head with its noise, and how it was found.

    Attributes
    ----------
    head : Head
        As given, with `noise` and, where it could be seen, `phase_ripple_rad`.
    transfer : PhotonTransfer
    ripple : Ripple, optional
        None where the captures have one set of fringes only.
    """

    head: Head
    transfer: PhotonTransfer
    ripple: Ripple | None


def head_noise(
    captures: Sequence[Capture],
    *,
    dark: Sequence[Capture] = (),
    head: Head | None = None,
    progress: Progress = _SILENT,
) -> NoiseFound:
    """Find a head's noise from repeats of one capture of a still scene.

    Parameters
    ----------
    captures : sequence of Capture
        Two or more of the same still, well lit, smooth scene.
    dark : sequence of Capture
        The same with the light off; absent: the dark level is not told apart from the read-out noise.
    head : Head, optional
        To be filled; that of the captures where absent.
    progress : Progress

    Raises
    ------
    InputRefused
        Captures of different heads, or without any.
    NotMeasurable
        The captures don't tell.
    """
    filled = head or (captures[0].head if captures else None)
    if filled is None:
        raise InputRefused([Problem("noise", "", "needs a head: give captures with one, or --head")])
    serials = {one.head.serial for one in (*captures, *dark) if one.head is not None}
    if len(serials) > 1:
        raise InputRefused([Problem("noise", "head", "must be one and the same", ", ".join(sorted(serials)))])
    progress.step("noise", 0, 2)
    transfer = photon_transfer(captures, dark)
    progress.step("noise", 1, 2)
    ripple = phase_ripple(captures, transfer.noise)
    progress.step("noise", 2, 2)
    made = replace(filled, noise=transfer.noise)
    if ripple is not None:
        made = replace(made, phase_ripple_rad=ripple.rms_rad)
    return NoiseFound(made, transfer, ripple)
