"""Scatter of growth from one specimen to the next: how long one more may take from one size to another."""

from __future__ import annotations

import math

import numpy as np
from scipy.special import stdtrit

from fringewise.core.checks import Array


def growth_time_band(times: Array, probability: float = 0.95) -> tuple[float, float]:
    """Give the band in which the growth time of one more specimen lies with a probability.

    Logarithms of growth times are taken as normal, which is how fatigue lives scatter; the band is the
    prediction interval with n − 1 degrees of freedom (mean and spread are themselves estimated).

    Parameters
    ----------
    times : (N,) array
        Growth times of N specimens between the same two sizes; all above 0.
    probability : float

    Returns
    -------
    (low, high) : tuple of float

    Examples
    --------
    >>> low, high = growth_time_band(np.array([100.0, 110.0, 120.0, 130.0]))
    >>> low < 100 and high > 130
    True
    """
    times = np.asarray(times, dtype=np.float64)
    if times.ndim != 1 or len(times) < 2 or not np.all(np.isfinite(times) & (times > 0)):
        raise ValueError("growth times must be two or more finite numbers above 0")
    logs = np.log(times)
    half = stdtrit(len(logs) - 1, 0.5 + probability / 2) * logs.std(ddof=1) * math.sqrt(1 + 1 / len(logs))
    return math.exp(float(logs.mean() - half)), math.exp(float(logs.mean() + half))
