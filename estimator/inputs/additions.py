"""How far doses would move the tank: slips of a unit, a strength or the volume show here."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date

from estimator import units
from estimator.inputs.actions import ACTIONS
from estimator.inputs.parameters import PARAMETERS
from estimator.inputs.records import Action, Reading
from estimator.inputs.tank import Tank
from estimator.inputs.text import FaultList

_DKH = units.MEQ_L_PER_DKH
_REMEDY = "check the unit (mL or L), the solution's strength and the water volume"


@dataclass(frozen=True)
class _Limit:
    """What one day's doses of one parameter may bring, canonical units.

    `strength` is the field of `Solution`. More than `odd` a day is flagged, since a healthy tank
    takes up less; more than `most` is refused. Common practice, no source.
    """

    strength: str
    odd: float
    most: float


_LIMITS: Mapping[str, _Limit] = {
    # Two litres of strong soda in 170 L, 63 dKH, may have been spilled and are kept; with more
    # than that the log would not go on.
    "alkalinity": _Limit("alkalinity_meq_per_ml", 3 * _DKH, 100 * _DKH),
    "calcium": _Limit("calcium_mmol_per_ml", 100 / units.CA_G_MOL, 2000 / units.CA_G_MOL),
}


def check_additions(
    records: Iterable[Reading | Action], tank: Tank, faults: FaultList
) -> list[Reading | Action]:
    """The same records, in time order; large doses and rates are flagged, absurd ones are faults.

    A dose is flagged where it moves the tank too far by itself, or where the day's doses do
    together with it, the one that passes the limit; a rate by itself.
    """
    so_far: dict[tuple[str, date], float] = defaultdict(float)
    checked: list[Reading | Action] = []
    for record in faults.until_full(sorted(records, key=lambda record: record.time)):
        if isinstance(record, Action) and record.kind in ("dose", "dose_rate"):
            for name in _LIMITS:
                record = _checked(record, name, tank, so_far, faults)
        checked.append(record)
    return checked


def _checked(
    action: Action,
    name: str,
    tank: Tank,
    so_far: dict[tuple[str, date], float],
    faults: FaultList,
) -> Action:
    """The action, flagged where it brings too much of parameter `name`; counts it in `so_far`."""
    limit, is_rate = _LIMITS[name], action.kind == "dose_rate"
    a_day = " a day" if is_rate else ""
    rise = (action.value or 0.0) * getattr(tank.solutions[action.of], limit.strength)
    rise /= tank.water_volume_l
    day = (name, action.time.date())
    before = 0.0 if is_rate else so_far[day]
    if not is_rate:
        so_far[day] += rise
    if rise > limit.most:
        rule = f"would move {name} by {_told(rise, name, tank)}{a_day}, more than any tank can take"
        found = f"{action.value:g} {ACTIONS[action.kind].canonical_unit}"
        faults.add(f"{rule}; {_REMEDY}", found, action.row, "value")
    elif rise > limit.odd:
        moves = f"moves {name} by {_told(rise, name, tank)}{a_day}"
        return _flagged(action, f"{moves}, more than {_told(limit.odd, name, tank)} a day")
    elif before <= limit.odd < before + rise:
        moves = f"with the day's other doses moves {name} by {_told(before + rise, name, tank)}"
        return _flagged(action, f"{moves}, more than {_told(limit.odd, name, tank)} a day")
    return action


def _flagged(action: Action, why: str) -> Action:
    return replace(action, flags=(*action.flags, f"{why}; {_REMEDY}"))


def _told(rise: float, name: str, tank: Tank) -> str:
    """A rise in the keeper's unit."""
    parameter = PARAMETERS[name]
    unit = parameter.stated_unit(tank.targets[name].unit if name in tank.targets else "")
    return f"{rise / parameter.unit_size(unit):.3g} {unit}"
