"""How draws are put into the JSON twin: quantiles, and the keeper's units."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from estimator.inputs.parameters import ALKALINITY, CALCIUM, MAGNESIUM, Parameter
from estimator.study import Study

QUANTILES = (0.05, 0.25, 0.50, 0.75, 0.95)

Draws = NDArray[np.float64]
Json = dict[str, Any]


def quantiles(draws: Draws) -> Json:
    """Q: {q05, q25, q50, q75, q95, mean, sd} of draws (s,)."""
    points = np.quantile(draws, QUANTILES)
    named = {f"q{round(100 * p):02d}": float(x) for p, x in zip(QUANTILES, points, strict=True)}
    return named | {"mean": float(np.mean(draws)), "sd": float(np.std(draws))}


def alkalinity_unit(study: Study) -> str:
    """The keeper's unit of alkalinity."""
    return study.tank.targets[ALKALINITY.name].unit


def calcium_unit(study: Study) -> str:
    """The keeper's unit of calcium; mg/L where no band is given."""
    return _unit(study, CALCIUM)


def magnesium_unit(study: Study) -> str:
    """The keeper's unit of magnesium; mg/L where no band is given."""
    return _unit(study, MAGNESIUM)


def _unit(study: Study, parameter: Parameter) -> str:
    target = study.tank.targets.get(parameter.name)
    return target.unit if target else parameter.default_unit


def in_alkalinity_unit(study: Study, meq: Draws) -> Draws:
    """meq/L, or meq/L/day, in the keeper's unit."""
    return meq / ALKALINITY.units[alkalinity_unit(study)]


def in_calcium_unit(study: Study, mmol: Draws) -> Draws:
    """mmol/L, or mmol/L/day, in the keeper's unit."""
    return mmol / CALCIUM.units[calcium_unit(study)]


def in_magnesium_unit(study: Study, mmol: Draws) -> Draws:
    """mmol/L, or mmol/L/day, in the keeper's unit."""
    return mmol / MAGNESIUM.units[magnesium_unit(study)]


def iso(time: datetime) -> str:
    """A time to the second."""
    return time.isoformat(timespec="seconds")
