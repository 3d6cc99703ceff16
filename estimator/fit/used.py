"""Which readings inform the fit, and what of both files tells nothing.

Loads no sampler: `uptake check` answers at once.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

from estimator.fit.layout import KIND_OF
from estimator.inputs.parameters import MAGNESIUM, NITRATE, PH, SALINITY
from estimator.inputs.records import Reading, TankLog
from estimator.inputs.tank import Tank
from estimator.remark import Remark

_BESIDE_THE_FIT = {
    *((sample, MAGNESIUM.name) for sample in ("tank", "water", "reference")),
    *(("tank", SALINITY.name), ("tank", PH.name), ("chamber", PH.name)),
}
"""Readings that are used outside the fit: for the outlook, salinity, tank and chamber pH."""


def used_readings(log: TankLog, tank: Tank) -> tuple[Reading, ...]:
    """The readings that inform the fit, in time order.

    Left out: parameters the model has no place for, a water that is never used in a change, a
    reference without a stated value, and nitrate read fewer than twice.
    """
    return tuple(
        reading
        for reading in log.readings
        if (reading.sample, reading.parameter) in KIND_OF and not _why_not(reading, log, tank)
    )


def unused(log: TankLog, tank: Tank) -> Iterator[Remark]:
    """What is declared and never logged, and readings that tell nothing.

    A solution that is dosed and not logged makes the uptake seem smaller, so that comes first.
    """
    named = {
        kind: {action.of for action in log.actions if action.kind in kinds}
        for kind, kinds in (("dose", ("dose", "dose_rate")), ("water_change", ("water_change",)))
    }
    for code, declared, logged in (
        ("solution_never_dosed", tank.solutions, named["dose"]),
        ("water_never_changed", tank.waters, named["water_change"]),
    ):
        names = tuple(name for name in declared if name not in logged)
        if names:
            yield Remark(code, {"names": names})
    if tank.reactor is not None and not any(action.kind == "flow" for action in log.actions):
        yield Remark("flow_never_logged")
    rows: dict[tuple[str, str, str], list[int]] = defaultdict(list)
    for reading in log.readings:
        why = _why_not(reading, log, tank)
        if why:
            rows[why, reading.parameter, reading.of or reading.sample].append(reading.row)
    for (why, parameter, of), found in rows.items():
        yield Remark(why, {"parameter": parameter, "of": of, "rows": tuple(sorted(set(found)))})


def _why_not(reading: Reading, log: TankLog, tank: Tank) -> str:
    """Code of why a reading tells nothing; "" where it is used, in the fit or beside it."""
    kind = (reading.sample, reading.parameter)
    if kind not in KIND_OF and kind not in _BESIDE_THE_FIT:
        return "reading_without_place"
    if reading.sample == "water":
        changed = any((a.kind, a.of) == ("water_change", reading.of) for a in log.actions)
        return "" if changed else "reading_of_unused_water"
    if reading.sample == "reference":
        stated = reading.parameter in tank.references[reading.of].levels
        return "" if stated else "reading_of_unstated_reference"
    if reading.parameter == NITRATE.name:
        count = sum((r.sample, r.parameter) == kind for r in log.readings)
        return "" if count > 1 else "nitrate_read_once"
    return ""
