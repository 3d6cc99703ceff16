"""From input files to a `TankLog` and a `Tank`: the meaning of each entry, given the tank.

read_tank   TOML -> Tank                                (tank_file)
read_log    CSV  -> entries (log_file) -> TankLog       (here)
read_inputs both, with the faults of both
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from estimator.errors import Fault, InputError
from estimator.inputs.log_file import ACTIONS, LOG_LIMIT_BYTES, Entry, LogEntries, parse_log
from estimator.inputs.parameters import PARAMETERS, Parameter
from estimator.inputs.records import Action, Reading, TankLog
from estimator.inputs.tank import Kit, Reactor, Tank
from estimator.inputs.tank_file import MEDIA_LIMIT_KG, RESERVED_NAMES, read_tank
from estimator.inputs.text import (
    FaultList,
    fallback_unit,
    level_is_possible,
    listed,
    match_name,
    nearest_hint,
    range_text,
    read_source,
)

__all__ = ["Inputs", "read_inputs", "read_log", "read_tank"]

_MIN_ALKALINITY_TIMES = 2
_FLOW_SLIP = 5
"""A flow this many times above the pump's largest is a slip of the unit, not a setting."""
_LITRES = {"water_change": 1.0, "dose": 0.001, "dose_rate": 0.001}
"""Litres, or litres a day, in one canonical unit of an action that adds water."""


@dataclass(frozen=True)
class Inputs:
    """Both input files. `tank` includes the kits assumed for the log."""

    log: TankLog
    tank: Tank
    tank_sha256: str


def read_inputs(log_path: Path, tank_path: Path, now: datetime) -> Inputs:
    """Both files; a fault in one does not hide those of the other.

    Args:
        log_path: the CSV log.
        tank_path: the TOML tank file.
        now: the local clock; an entry more than a day later is a fault.

    Raises:
        InputError: with the faults of the tank file, then those of the log. Where the tank file
            is at fault, the log is checked as far as that needs no tank.
    """
    try:
        tank, tank_sha256 = read_tank(tank_path)
    except InputError as error:
        faults = [*error.faults, *_faults_without_tank(log_path, now)]
        raise InputError(faults) from error
    log, tank = read_log(log_path, tank, now=now)
    return Inputs(log=log, tank=tank, tank_sha256=tank_sha256)


def read_log(
    path: Path, tank: Tank, *, now: datetime, data: bytes | None = None
) -> tuple[TankLog, Tank]:
    """The log at `path`, and `tank` with a kit assumed for each parameter that declares none.

    Args:
        path: the CSV file, in long or wide form.
        tank: gives names, kits and units that the log leaves out.
        now: the local clock; an entry more than a day later is a fault.
        data: the bytes of the file, where they are at hand already.

    Raises:
        InputError: with every fault found, in file order.
    """
    source = read_source(path, data, LOG_LIMIT_BYTES)
    faults = FaultList(source.name)
    entries = parse_log(source, now, faults)
    resolver = _Resolver(tank, faults)
    records = [
        record for entry in faults.until_full(entries.entries) if (record := resolver.record(entry))
    ]
    if not faults:
        _check_enough(entries, records, faults)
    faults.raise_if_any()
    log = _tank_log(path.name, source.sha256, entries, _flag_repeats(records))
    return log, replace(tank, kits={**tank.kits, **resolver.assumed_kits})


def _faults_without_tank(path: Path, now: datetime) -> list[Fault]:
    """Whatever is wrong with the log by itself."""
    try:
        source = read_source(path, None, LOG_LIMIT_BYTES)
    except InputError as error:
        return list(error.faults)
    faults = FaultList(source.name)
    parse_log(source, now, faults)
    return faults.in_file_order()


def _tank_log(
    name: str, sha256: str, entries: LogEntries, records: list[Reading | Action]
) -> TankLog:
    in_order = sorted(records, key=lambda record: record.time)
    return TankLog(
        name=name,
        sha256=sha256,
        rows=entries.rows,
        rows_without_time=len({entry.row for entry in entries.entries if not entry.has_clock}),
        readings=tuple(record for record in in_order if isinstance(record, Reading)),
        actions=tuple(record for record in in_order if isinstance(record, Action)),
        start=in_order[0].time,
        end=in_order[-1].time,
    )


def _check_enough(
    entries: LogEntries, records: Iterable[Reading | Action], faults: FaultList
) -> None:
    """Two levels at different times are the least that can show an uptake."""
    if not entries.entries:
        faults.add("the log has no entries; it needs one row below the header for each")
        return
    times = {
        record.time
        for record in records
        if isinstance(record, Reading)
        and (record.parameter, record.sample) == ("alkalinity", "tank")
    }
    if len(times) < _MIN_ALKALINITY_TIMES:
        faults.add(
            "at least two alkalinity readings of the tank at different times are needed; "
            "test the tank again and add a row",
            found="none" if not times else "readings at one time only",
        )


def _flag_repeats(records: Iterable[Reading | Action]) -> list[Reading | Action]:
    """The same records; each that repeats an earlier row is flagged, none is dropped."""
    first_row: dict[tuple[object, ...], int] = {}
    flagged = []
    for record in records:
        first = first_row.setdefault(_identity(record), record.row)
        if first != record.row:
            record = replace(record, flags=(*record.flags, f"same as row {first}"))
        flagged.append(record)
    return flagged


def _identity(record: Reading | Action) -> tuple[object, ...]:
    """All that makes two rows the same entry, without row, note and flags."""
    if isinstance(record, Action):
        return (record.time, record.kind, record.of, record.value)
    reading = (record.parameter, record.sample, record.of)
    return (record.time, *reading, record.value, record.unit, record.kit)


class _Resolver:
    """Gives each entry its meaning for one tank.

    `assumed_kits` grows by one kit for each parameter that was tested without a declared kit.
    """

    def __init__(self, tank: Tank, faults: FaultList) -> None:
        self._tank = tank
        self._faults = faults
        self.assumed_kits: dict[str, Kit] = {}
        self._samples = {name: _samples(tank, PARAMETERS[name]) for name in PARAMETERS}
        self._names: Mapping[str, Mapping[str, object]] = {
            "solutions": tank.solutions,
            "waters": tank.waters,
            "kits": tank.kits,
        }

    def record(self, entry: Entry) -> Reading | Action | None:
        """The reading or action that the entry means; None, with a fault, where it is unclear."""
        if entry.kind in ACTIONS:
            return self._action(entry)
        return self._reading(entry, PARAMETERS[entry.kind])

    def _fault(self, entry: Entry, rule: str, found: str, column: str) -> None:
        self._faults.add(rule, found, entry.row, column)

    def _reading(self, entry: Entry, parameter: Parameter) -> Reading | None:
        sample = self._sample(entry, parameter)
        kit = self._kit(entry, parameter)
        if sample is None or kit is None or entry.value is None:
            return None
        unit = self._unit(entry, parameter, self._tank.kits.get(kit))
        if unit is None:
            return None
        value = parameter.to_canonical(entry.value, unit)
        if not level_is_possible(parameter, value):
            accepted = range_text(parameter, parameter.possible, unit)
            rule = f"{parameter.name} must be {accepted}; check the value and its unit"
            self._fault(entry, rule, f"{entry.value:g} {unit}", entry.column)
            return None
        if not kit and parameter.assumed_step:
            kit = self._assume_kit(parameter, unit)
        flags = _plausibility_flags(parameter, sample[0], value, unit)
        return Reading(
            entry.row, entry.time, parameter.name, *sample, value, unit, kit, entry.note, flags
        )

    def _sample(self, entry: Entry, parameter: Parameter) -> tuple[str, str] | None:
        """(sample, of) of a reading: where the water came from, and its name if it has one."""
        choices = self._samples[parameter.name]
        name = match_name(entry.of or "tank", choices)
        if name is None:
            rule = f"{parameter.name} is not read there; {nearest_hint(entry.of, choices)}"
            self._fault(entry, rule, entry.of, "of")
            return None
        return choices[name]

    def _kit(self, entry: Entry, parameter: Parameter) -> str | None:
        """Name of the declared kit; "" where none is declared; None where it is unclear."""
        fitting = [kit.name for kit in self._tank.kits.values() if kit.parameter == parameter.name]
        if entry.kit:
            return self._stated_kit(entry, parameter, fitting)
        if len(fitting) > 1 and parameter.assumed_step:
            rule = (
                f"the tank file declares several kits for {parameter.name} ({listed(fitting)}); "
                "name the one used in the kit column (of the long form)"
            )
            self._fault(entry, rule, "a blank", "kit")
            return None
        return fitting[0] if len(fitting) == 1 else ""

    def _stated_kit(self, entry: Entry, parameter: Parameter, fitting: list[str]) -> str | None:
        name = match_name(entry.kit, fitting)
        if name is not None:
            return name
        other = match_name(entry.kit, self._tank.kits)
        if other is not None:
            rule = f"that kit tests {self._tank.kits[other].parameter}, not {parameter.name}"
        else:
            rule = "the tank file declares no such kit; declare it there or leave the kit blank"
        if fitting:
            rule += f"; {nearest_hint(entry.kit, fitting)}"
        self._fault(entry, rule, entry.kit, "kit")
        return None

    def _unit(self, entry: Entry, parameter: Parameter, kit: Kit | None) -> str | None:
        target = self._tank.targets.get(parameter.name)
        unit = fallback_unit(
            parameter, entry.unit, kit.unit if kit else "", target.unit if target else ""
        )
        if unit is None:
            rule = f"the unit is not stated anywhere; write one of {listed(parameter.units)}"
            self._fault(entry, rule, "a blank", "unit")
        return unit

    def _assume_kit(self, parameter: Parameter, unit: str) -> str:
        """Name of the kit that stands in where the tank file declares none for a parameter."""
        name = f"{parameter.name} test"
        while name in self._tank.kits:
            name += " (assumed)"
        self.assumed_kits.setdefault(
            name, Kit(name, parameter.name, unit, parameter.assumed_step, assumed=True)
        )
        return name

    def _action(self, entry: Entry) -> Action | None:
        kind = ACTIONS[entry.kind]
        of = self._target_of(entry, kind.of)
        if of is None:
            return None
        unit = entry.unit or next(iter(kind.units), "")
        value = None if entry.value is None else entry.value * kind.units[unit]
        pump = self._tank.reactor
        if entry.kind == "flow" and pump and (value or 0) > _FLOW_SLIP * pump.flow_max_ml_h:
            rule = (
                f"more than {_FLOW_SLIP} times the pump's largest flow, {pump.flow_max_ml_h:g} "
                "mL/h; check the unit (mL/h, mL/min, L/day) and flow_max_ml_h in the tank file"
            )
            self._fault(entry, rule, f"{value:g} mL/h", "value")
            return None
        flags = self._action_flags(entry, value)
        return Action(entry.row, entry.time, entry.kind, of, value, entry.note, flags)

    def _target_of(self, entry: Entry, table: str) -> str | None:
        """What an action was done to; None, with a fault, where that is unclear."""
        if table in self._names:
            return self._declared_name(entry, table)
        accepted = ["reactor"] if table else ["tank"]
        if entry.of and match_name(entry.of, accepted) is None:
            rule = f"{entry.kind} is for the {accepted[0]}; leave it blank"
            self._fault(entry, rule, entry.of, "of")
        elif table and self._tank.reactor is None:
            rule = "the tank file has no [reactor] table; add one with flow_max_ml_h"
            self._fault(entry, rule, entry.kind, "entry")
        else:
            return ""
        return None

    def _declared_name(self, entry: Entry, table: str) -> str | None:
        names = self._names[table]
        column, written = self._written_name(entry, table)
        if written is None:
            return None
        what = {"solutions": "solution", "waters": "water", "kits": "kit"}[table]
        if not names:
            toml = "water" if table == "waters" else table
            rule = f"the tank file declares no {what}; add a [{toml}.NAME] table to it"
            self._fault(entry, rule, written or "a blank", column)
            return None
        if not written and len(names) == 1:
            return next(iter(names))
        name = match_name(written, names) if written else None
        if name is None:
            rule = f"name the {what} of this {entry.kind}; {nearest_hint(written, names)}"
            self._fault(entry, rule, written or "a blank", column)
        return name

    def _written_name(self, entry: Entry, table: str) -> tuple[str, str | None]:
        """(column, name) as written; a new bottle may stand in the kit column as well."""
        if table != "kits" or not entry.kit:
            return "of", entry.of
        if entry.of and match_name(entry.of, [entry.kit]) is None:
            self._fault(entry, f"the kit column says {entry.kit}; name one kit", entry.of, "of")
            return "of", None
        return "kit", entry.kit

    def _action_flags(self, entry: Entry, value: float | None) -> tuple[str, ...]:
        if value is None:
            return ()
        litres = value * _LITRES.get(entry.kind, 0.0)
        if litres >= self._tank.water_volume_l:
            rule = f"must be less than the tank's {self._tank.water_volume_l:g} L of water"
            self._fault(entry, rule, f"{litres:g} L", entry.column)
        if entry.kind == "media_change" and value > MEDIA_LIMIT_KG:
            rule = f"must be at most {MEDIA_LIMIT_KG:g} kg; check the unit"
            self._fault(entry, rule, f"{value:g} kg", entry.column)
        if entry.kind == "ph_setting" and not level_is_possible(PARAMETERS["ph"], value):
            self._fault(entry, "a pH lies between 0 and 14", f"{value:g}", entry.column)
        check = _ACTION_CHECKS.get(entry.kind)
        flag = check(value, self._tank.reactor) if check else ""
        return (flag,) if flag else ()


def _samples(tank: Tank, parameter: Parameter) -> dict[str, tuple[str, str]]:
    """(sample, of) of a reading for each word that `of` may hold."""
    places = {place: (place, "") for place in RESERVED_NAMES}
    waters = {name: ("water", name) for name in tank.waters}
    references = {name: ("reference", name) for name in tank.references}
    return {
        word: sample
        for word, sample in (places | waters | references).items()
        if sample[0] in parameter.samples
    }


def _plausibility_flags(
    parameter: Parameter, sample: str, value: float, unit: str
) -> tuple[str, ...]:
    is_reactor_water = sample in ("effluent", "chamber")
    low, high = parameter.plausible_effluent if is_reactor_water else parameter.plausible
    if low <= value <= high:
        return ()
    usual = range_text(parameter, (low, high), unit)
    return (f"outside {usual}, the plausible range for {sample} {parameter.name}",)


def _flow_flag(flow_ml_h: float, reactor: Reactor | None) -> str:
    if reactor is None or flow_ml_h == 0:
        return ""
    if flow_ml_h > reactor.flow_max_ml_h:
        return f"above the pump's largest flow, {reactor.flow_max_ml_h:g} mL/h"
    if flow_ml_h < reactor.flow_min_ml_h:
        return f"below the pump's smallest flow, {reactor.flow_min_ml_h:g} mL/h"
    return ""


def _chamber_ph_flag(ph: float, _: Reactor | None) -> str:
    low, high = PARAMETERS["ph"].plausible_effluent
    return "" if low <= ph <= high else f"outside pH {low:g} to {high:g}, usual for a chamber"


def _zero_flag(value: float, _: Reactor | None) -> str:
    return "an amount of zero changes nothing" if value == 0 else ""


_ACTION_CHECKS: Mapping[str, Callable[[float, Reactor | None], str]] = {
    "flow": _flow_flag,
    "ph_setting": _chamber_ph_flag,
    "dose": _zero_flag,
    "water_change": _zero_flag,
}
"""Entries that are kept but may be odd, each with a function that says why, or ""."""
