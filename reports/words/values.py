"""How the words of a remark are made from its values."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from estimator.inputs.parameters import SALINITY
from estimator.inputs.tank import Tank
from reports.wording import DECIMALS, fixed, needed_decimals


def unticked(value: Any) -> Any:
    """Names without backticks, which mark code in the words about them; all else as it is."""
    if isinstance(value, tuple):
        return tuple(unticked(one) for one in value)
    return value.replace("`", "'") if isinstance(value, str) and "`" in value else value


Values = Mapping[str, Any]
Words = str | Callable[[Values, Tank], str]
"""A template for `str.format`, or a function of the values and of the tank (for its units)."""


def salinity_words(g_kg: float, tank: Tank) -> str:
    """A salinity as the keeper states that of the tank: "35 g/kg", "1.0264 SG"."""
    unit = tank.salinity_unit
    value = SALINITY.from_canonical(g_kg, unit)
    return f"{fixed(value, needed_decimals(value, DECIMALS[unit]))} {unit}"
