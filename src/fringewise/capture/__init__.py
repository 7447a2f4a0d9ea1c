"""What a look at the part consists of: the fringe plan, the frames, and the head that took them."""

from fringewise.capture.capture import Capture, FringeFrames
from fringewise.capture.head import CalibrationCovariance, Camera, Head, NoiseModel, Projector
from fringewise.capture.lens import Lens
from fringewise.capture.plan import FringeSet

__all__ = [
    "CalibrationCovariance",
    "Camera",
    "Capture",
    "FringeFrames",
    "FringeSet",
    "Head",
    "Lens",
    "NoiseModel",
    "Projector",
]
