"""How numbers are put into the JSON twin: quantiles of draws, and the keeper's units."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import date, datetime

import numpy as np
from numpy.typing import NDArray

from estimator.inputs.parameters import Parameter
from estimator.inputs.tank import Tank
from reports.output import Json

SCHEMA_VERSION = 1
QUANTILES = (0.05, 0.25, 0.50, 0.75, 0.95)
QUANTITY = ("q05", "q25", "q50", "q75", "q95", "mean", "sd")
"""Keys of a Q."""

Draws = NDArray[np.float64]


def quantiles(draws: Draws) -> Json:
    """Q: {q05, q25, q50, q75, q95, mean, sd} of draws (s,)."""
    return _of_rows(draws[None])[0]


def _of_rows(draws: Draws) -> list[Json]:
    """Q of each row of draws (n, s)."""
    points = np.quantile(draws, QUANTILES, axis=1)
    told = np.stack([*points, np.mean(draws, axis=1), np.std(draws, axis=1)], axis=1)
    return [dict(zip(QUANTITY, row, strict=True)) for row in told.tolist()]


def by_date(days: Iterable[date], draws: Iterable[Draws]) -> list[Json]:
    """Q with its date, for each day and its draws (s,)."""
    told = _of_rows(np.stack(list(draws)))
    return [{"date": day.isoformat(), **q} for day, q in zip(days, told, strict=True)]


def rounded(value: float) -> float | None:
    """`value` at six significant digits; None where it is not finite."""
    return float(f"{value:.6g}") if math.isfinite(value) else None


def iso(time: date) -> str:
    """A date, or a time to the second."""
    return time.isoformat(timespec="seconds") if isinstance(time, datetime) else time.isoformat()


def unit_of(tank: Tank, parameter: Parameter) -> str:
    """The keeper's unit: that of the band, or the usual one where no band is given."""
    target = tank.targets.get(parameter.name)
    return target.unit if target else parameter.default_unit
