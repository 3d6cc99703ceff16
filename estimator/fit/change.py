"""One thing that may have changed, and how large it is if it did."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

DIRECTIONS = {"up": 1.0, "down": -1.0}
SIZES = 100
"""Points at which the distribution of a size is computed."""


@dataclass(frozen=True)
class Change:
    """One thing that may have changed.

    Attributes:
        kind: "uptake"; "additions", something given every day that begins or ends without an entry;
            "one_addition" without one; "effluent" at once, or "effluent_fade" little by little;
            "kit".
        of: the kit; the parameter that additions are of; "" for the others.
        direction: "up" or "down"; a kit goes up where it reads more than it did, additions where
            more is given than is logged.
        prior: chance before the readings.
        chance: chance given them.
        size: (q05, q50, q95), if this is what changed; meq/L/day for uptake and additions, meq/L
            for one addition, a fraction for the others; negative where the direction is down.
        by_day: (days,) when, if this is what changed; adds up to 1.
    """

    kind: str
    of: str
    direction: str
    prior: float
    chance: float
    size: tuple[float, float, float]
    by_day: np.ndarray


def gaussian_evidence(slope: float, curvature: float, sd: float) -> tuple[float, float, float]:
    """log ∫ exp(b δ − a δ²/2) N(δ; 0, sd²) dδ, and mean and sd of δ."""
    shrink = 1.0 + curvature * sd**2
    mean = slope * sd**2 / shrink
    return 0.5 * slope * mean - 0.5 * np.log(shrink), mean, sd / np.sqrt(shrink)


def half_normal_size(
    mean: np.ndarray, sd: np.ndarray, sign: float, share: np.ndarray
) -> tuple[float, float, float]:
    """(q05, q50, q95) of a step, from the mixture (k,) of half normals with these shares."""
    mean = sign * mean
    grid = np.linspace(0.0, float(np.max(np.maximum(mean, 0.0) + 4 * sd)), SIZES)
    outside = ndtr(-mean / sd)
    inside = ndtr((grid[:, None] - mean) / sd) - outside
    chance = inside / np.maximum(1.0 - outside, 1e-300) @ share
    q05, q50, q95 = sign * np.interp([0.05, 0.5, 0.95], chance, grid)
    return float(q05), float(q50), float(q95)
