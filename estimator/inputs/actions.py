"""The registry of what is done to a tank: one `ActionKind(...)` for each entry that is no reading,
and the one place to add another; what it means for the fit stands in `fit.schedule`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from estimator import units
from estimator.inputs.parameters import PH
from estimator.inputs.tank import CO2_LIMIT_G, MEDIA_LIMIT_KG, Tank

_FLOW_SLIP = 5
"""A flow this many times above the pump's largest is a slip of the unit, not a setting."""

Refusal = tuple[str, str]
"""(rule that a value breaks, what was found)."""


@dataclass(frozen=True)
class ActionKind:
    """One entry of the log that is not a reading.

    Attributes:
        of: which names `of` chooses from: "solutions", "waters", "kits", "reactor" or "".
        units: canonical units in one of each accepted unit, the canonical one first, which is
            also the default; empty where the entry has no value.
        value_needed: whether the value may not be blank.
        refusal: of a canonical value that cannot be meant for this tank.
        oddity: why a canonical value that is kept may be odd for this tank, or "".
    """

    of: str = ""
    units: Mapping[str, float] = field(default_factory=dict)
    value_needed: bool = True
    refusal: Callable[[float, Tank], Refusal | None] = lambda value, tank: None
    oddity: Callable[[float, Tank], str] = lambda value, tank: ""

    @property
    def canonical_unit(self) -> str:
        """Unit of the value inside the program, "" where the entry has none."""
        return next(iter(self.units), "")


def _far_too_fast(flow_ml_h: float, tank: Tank) -> Refusal | None:
    if tank.reactor is None or flow_ml_h <= _FLOW_SLIP * tank.reactor.flow_max_ml_h:
        return None
    rule = (
        f"more than {_FLOW_SLIP} times the pump's largest flow, {tank.reactor.flow_max_ml_h:g} "
        "mL/h; check the unit (mL/h, mL/min, L/day) and flow_max_ml_h in the tank file"
    )
    return rule, f"{flow_ml_h:g} mL/h"


def _beyond_the_pump(flow_ml_h: float, tank: Tank) -> str:
    pump = tank.reactor
    if pump is None or flow_ml_h == 0 or pump.flow_min_ml_h <= flow_ml_h <= pump.flow_max_ml_h:
        return ""
    if flow_ml_h > pump.flow_max_ml_h:
        return f"above the pump's largest flow, {pump.flow_max_ml_h:g} mL/h"
    return f"below the pump's smallest flow, {pump.flow_min_ml_h:g} mL/h"


def _no_ph(ph: float, _: Tank) -> Refusal | None:
    return None if PH.is_possible(ph) else ("a pH lies between 0 and 14", f"{ph:g}")


def _no_chamber_ph(ph: float, _: Tank) -> str:
    low, high = PH.plausible_effluent
    return "" if low <= ph <= high else f"outside pH {low:g} to {high:g}, usual for a chamber"


def _as_much_as_the_tank(litres: float, tank: Tank) -> Refusal | None:
    if litres < tank.water_volume_l:
        return None
    all_of_it, found = (
        f"{volume_l / tank.volume_unit_l:.6g} {tank.volume_unit}"
        for volume_l in (tank.water_volume_l, litres)
    )
    return f"must be less than the tank's {all_of_it} of water", found


def _dose_like_the_tank(dose_ml: float, tank: Tank) -> Refusal | None:
    return _as_much_as_the_tank(dose_ml * 0.001, tank)


def _nothing(value: float, _: Tank) -> str:
    return "an amount of zero changes nothing" if value == 0 else ""


def _at_most(limit: float, unit: str) -> Callable[[float, Tank], Refusal | None]:
    """The refusal of more than `limit`, in the canonical unit of the entry."""

    def refusal(value: float, _: Tank) -> Refusal | None:
        if value <= limit:
            return None
        return f"must be at most {limit:g} {unit}; check the unit", f"{value:g} {unit}"

    return refusal


ACTIONS: Mapping[str, ActionKind] = {
    "flow": ActionKind(
        "reactor",
        {"mL/h": 1.0, "mL/min": 60.0, "L/day": 1000 / 24},
        refusal=_far_too_fast,
        oddity=_beyond_the_pump,
    ),
    "ph_setting": ActionKind("reactor", {"NBS": 1.0}, refusal=_no_ph, oddity=_no_chamber_ph),
    "dose": ActionKind(
        "solutions", {"mL": 1.0, "L": 1000.0}, refusal=_dose_like_the_tank, oddity=_nothing
    ),
    "dose_rate": ActionKind(
        "solutions", {"mL/day": 1.0, "L/day": 1000.0}, refusal=_dose_like_the_tank
    ),
    "water_change": ActionKind(
        "waters",
        units.VOLUME_UNITS,
        refusal=_as_much_as_the_tank,
        oddity=_nothing,
    ),
    "stock_change": ActionKind(value_needed=False),
    "media_change": ActionKind(
        "reactor", {"kg": 1.0}, value_needed=False, refusal=_at_most(MEDIA_LIMIT_KG, "kg")
    ),
    "co2_change": ActionKind(
        "reactor",
        {"g": 1.0, "kg": 1000.0},
        value_needed=False,
        refusal=_at_most(CO2_LIMIT_G, "g"),
    ),
    "new_bottle": ActionKind("kits", value_needed=False),
}
"""Every action by the name used in a log."""
