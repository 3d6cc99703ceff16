"""From input files to a `TankLog` and a `Tank`: the meaning of each entry, given the tank.

read_tank   TOML -> Tank                                (tank_file)
read_log    CSV  -> entries (log_file) -> TankLog       (here)
read_inputs both, with the faults of both
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from estimator.errors import Fault, InputError
from estimator.inputs.actions import ACTIONS, ActionKind
from estimator.inputs.additions import check_additions
from estimator.inputs.log_file import LOG_LIMIT_BYTES, Entry, parse_log
from estimator.inputs.missing_unit import Unstated, misread, misread_salinity, misread_together
from estimator.inputs.parameters import ALKALINITY, PARAMETERS, SALINITY, SAMPLED_PLACES, Parameter
from estimator.inputs.records import Action, Reading, TankLog
from estimator.inputs.tank import Kit, Tank
from estimator.inputs.tank_file import read_tank
from estimator.inputs.text import FaultList, match_name, name_list, nearest_hint, read_source
from estimator.units import VOLUME_UNITS

__all__ = ["Inputs", "read_inputs", "read_log", "read_tank"]

_MIN_ALKALINITY_TIMES = 2
_UNIT_PLACE = "beside the value or, in square brackets, in the header"
_DECLARED = {"solutions": "solution", "waters": "water", "kits": "kit"}
"""Attributes of `Tank` from which an action's `of` chooses, and one of each in words."""


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
    path: Path,
    tank: Tank,
    *,
    now: datetime,
    data: bytes | None = None,
    may_be_short: bool = False,
) -> tuple[TankLog, Tank]:
    """The log at `path`, and `tank` with a kit assumed for each parameter that declares none.

    Args:
        path: the CSV file, in long or wide form.
        tank: gives names, kits and units that the log leaves out.
        now: the local clock; an entry more than a day later is a fault.
        data: the bytes of the file, where they are at hand already.
        may_be_short: one entry is enough; without it, what an estimate needs at least.

    Raises:
        InputError: with every fault found, in file order.
    """
    faults = FaultList(str(path))
    text, sha256 = read_source(path, data, LOG_LIMIT_BYTES, faults)
    parsed = parse_log(text, now, faults, tank.date_order)
    resolver = _Resolver(tank, faults)
    records = [
        record for entry in faults.until_full(parsed.entries) if (record := resolver.record(entry))
    ]
    resolver.check_units_left_out()
    in_order = check_additions(_flag_repeats(records), tank, faults)
    faults.raise_if_any()
    _check_enough(in_order, faults, _MIN_ALKALINITY_TIMES * (not may_be_short))
    log = TankLog(
        name=path.name,
        sha256=sha256,
        rows=parsed.rows,
        rows_without_time=len({entry.row for entry in parsed.entries if not entry.has_clock}),
        readings=tuple(record for record in in_order if isinstance(record, Reading)),
        actions=tuple(record for record in in_order if isinstance(record, Action)),
        start=in_order[0].time,
        end=in_order[-1].time,
        rows_without_entry=tuple(parsed.rows_without_entry),
        date_order=parsed.date_order,
    )
    return log, replace(tank, kits={**tank.kits, **resolver.assumed_kits})


def _faults_without_tank(path: Path, now: datetime) -> Sequence[Fault]:
    """Whatever is wrong with the log by itself."""
    faults = FaultList(str(path))
    try:
        text, _ = read_source(path, None, LOG_LIMIT_BYTES, faults)
        parse_log(text, now, faults, None)
    except InputError as error:
        return error.faults
    return faults.in_file_order()


def _check_enough(records: Sequence[Reading | Action], faults: FaultList, least: int) -> None:
    """Two levels at different times are the least that can show an uptake."""
    if not records:
        faults.refuse("the log has no entries; it needs one row below the header for each")
    times = {
        record.time
        for record in records
        if isinstance(record, Reading)
        and (record.parameter, record.sample) == ("alkalinity", "tank")
    }
    if len(times) < least:
        faults.refuse(
            "at least two alkalinity readings of the tank at different times are needed; "
            "test the tank again and add a row",
            found="none" if not times else "readings at one time only",
        )


def _flag_repeats(records: Iterable[Reading | Action]) -> list[Reading | Action]:
    """The same records; each that repeats an earlier row is flagged, none is dropped."""
    first_row: dict[Reading | Action, int] = {}
    flagged = []
    for record in records:
        what = replace(record, row=0, note="", flags=())
        first = first_row.setdefault(what, record.row)
        if first != record.row:
            record = replace(record, flags=(*record.flags, f"same as row {first}"))
        flagged.append(record)
    return flagged


class _Resolver:
    """Gives each entry its meaning for one tank.

    `assumed_kits` grows by one kit for each parameter that was tested without a declared kit.
    """

    def __init__(self, tank: Tank, faults: FaultList) -> None:
        self._tank = tank
        self._faults = faults
        self.assumed_kits: dict[str, Kit] = {}
        self._unstated: list[Unstated] = []
        # (sample, of) for each word that `of` may hold.
        words = {place: (place, "") for place in SAMPLED_PLACES}
        words |= {name: ("water", name) for name in tank.waters}
        words |= {name: ("reference", name) for name in tank.references}
        self._samples = {
            name: {word: place for word, place in words.items() if place[0] in parameter.samples}
            for name, parameter in PARAMETERS.items()
        }

    def record(self, entry: Entry) -> Reading | Action | None:
        """The reading or action that the entry means; None, with a fault, where it is unclear."""
        return self._action(entry) if entry.kind in ACTIONS else self._reading(entry)

    def _fault(self, entry: Entry, rule: str, found: str, column: str) -> None:
        self._faults.add(rule, found or "a blank", entry.row, column)

    def _unclear(self, entry: Entry, rule: str, found: str, column: str) -> None:
        """A fault for what the row leaves open, or the tank file, as it may in every such row."""
        self._faults.add_once(rule, found or "a blank", entry.row, column)

    def _reading(self, entry: Entry) -> Reading | None:
        parameter = PARAMETERS[entry.kind]
        sample = self._sample(entry)
        kit = self._kit(entry, parameter)
        if sample is None or kit is None or entry.value is None:
            return None
        unit = self._unit(entry, parameter, kit)
        if not unit:
            return None
        value = parameter.to_canonical(entry.value, unit)
        if not entry.unit and parameter is ALKALINITY and not math.isnan(value):
            source = "the unit of its kit" if kit else "the unit of the alkalinity band"
            level = Unstated(entry.value, unit, source, sample[0], kit, entry.row, entry.column)
            if rule := misread(level):
                self._fault(entry, f"{rule} {_UNIT_PLACE}", level.found, entry.column)
                return None
            self._unstated.append(level)
        if not entry.unit and parameter is SALINITY and unit == "g/kg":
            source = "the unit of its kit" if kit else "the usual unit"
            if rule := misread_salinity(entry.value, source):
                self._fault(
                    entry,
                    f"{rule} {_UNIT_PLACE}",
                    f"{entry.value:g} without a unit",
                    entry.column,
                )
                return None
        if not parameter.is_possible(value):
            accepted = parameter.range_text(parameter.possible, unit)
            rule = f"{parameter.name} must be {accepted}; check the value and its unit"
            self._fault(entry, rule, f"{entry.value:g} {unit}", entry.column)
            return None
        if not kit and parameter.assumed_step:
            kit = self._assume_kit(parameter, unit)
        oddity = parameter.oddity(value, unit, sample[0])
        flags = (oddity,) if oddity else ()
        return Reading(
            entry.row, entry.time, parameter.name, *sample, value, unit, kit, entry.note, flags
        )

    def check_units_left_out(self) -> None:
        """Note a fault for each alkalinity that its fellows show to be in another unit."""
        for level, rule in self._faults.until_full(misread_together(self._unstated)):
            self._faults.add(f"{rule} {_UNIT_PLACE}", level.found, level.row, level.column)

    def _sample(self, entry: Entry) -> tuple[str, str] | None:
        """(sample, of) of a reading: where the water came from, and its name if it has one."""
        choices = self._samples[entry.kind]
        name = match_name(entry.of or "tank", choices)
        if name is None:
            rule = f"{entry.kind} is not read there; {nearest_hint(entry.of, choices)}"
            self._fault(entry, rule, entry.of, "of")
            return None
        return choices[name]

    def _kit(self, entry: Entry, parameter: Parameter) -> str | None:
        """Name of the declared kit; "" where none is declared; None where it is unclear."""
        fitting = [kit.name for kit in self._tank.kits.values() if kit.parameter == entry.kind]
        if not entry.kit and len(fitting) > 1 and parameter.assumed_step:
            rule = (
                f"the tank file declares several kits for {entry.kind} ({name_list(fitting)}); "
                "name the one used in the kit column (of the long form)"
            )
            self._unclear(entry, rule, "", "kit")
            return None
        if not entry.kit:
            return fitting[0] if len(fitting) == 1 else ""
        name = match_name(entry.kit, fitting)
        if name is None:
            other = match_name(entry.kit, self._tank.kits)
            rule = "the tank file declares no such kit; declare it there or leave the kit blank"
            if other is not None:
                rule = f"that kit tests {self._tank.kits[other].parameter}, not {entry.kind}"
            if fitting:
                rule += f"; {nearest_hint(entry.kit, fitting)}"
            self._fault(entry, rule, entry.kit, "kit")
        return name

    def _unit(self, entry: Entry, parameter: Parameter, kit: str) -> str:
        """Unit of a reading: as written, of its kit, of the target, or the usual one."""
        tank = self._tank
        unit = parameter.stated_unit(
            entry.unit,
            tank.kits[kit].unit if kit else "",
            tank.targets[entry.kind].unit if entry.kind in tank.targets else "",
        )
        if not unit:
            rule = f"the unit is not stated anywhere; write one of {name_list(parameter.units)}"
            self._unclear(entry, rule, "", "unit")
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
        action = ACTIONS[entry.kind]
        of = self._declared_name(entry) if action.of in _DECLARED else self._one_target(entry)
        if of is None:
            return None
        value, oddity = entry.value, ""
        if value is not None:
            unit = entry.unit or action.canonical_unit
            value *= action.units[unit]
            if math.isinf(value):
                found = f"{entry.value:g} {unit}"
                self._fault(entry, "is too large to be meant; check the unit", found, entry.column)
                return None
            refusal = None if math.isnan(value) else action.refusal(value, self._tank)
            if refusal:
                self._fault(entry, *refusal, entry.column)
                return None
            oddity = action.oddity(value, self._tank) or self._other_unit(entry, action)
        flags = (oddity,) if oddity else ()
        return Action(entry.row, entry.time, entry.kind, of, value, entry.note, flags)

    def _other_unit(self, entry: Entry, action: ActionKind) -> str:
        """What is odd where water has no unit and the tank file gives its own in gallons, or ""."""
        unit = self._tank.volume_unit
        if entry.unit or action.units != VOLUME_UNITS or unit == action.canonical_unit:
            return ""
        taken = f"{entry.value:g} {action.canonical_unit}"
        rule = f"without a unit it is taken as {taken}, but the tank file has its volume in {unit}"
        return f"{rule}; write the unit beside it"

    def _one_target(self, entry: Entry) -> str | None:
        """ "", as there is one tank and one reactor at most; None, with a fault, if unclear."""
        target = ACTIONS[entry.kind].of or "tank"
        if entry.of and match_name(entry.of, [target]) is None:
            rule = f"{entry.kind} is for the {target}; leave it blank"
            self._fault(entry, rule, entry.of, "of")
        elif target == "reactor" and self._tank.reactor is None:
            rule = "the tank file has no [reactor] table; add one with flow_max_ml_h"
            self._unclear(entry, rule, entry.kind, "entry")
        else:
            return ""
        return None

    def _declared_name(self, entry: Entry) -> str | None:
        """The solution, water or kit that an action is about; None, with a fault, if unclear."""
        table = ACTIONS[entry.kind].of
        names, what = getattr(self._tank, table), _DECLARED[table]
        column, written = "of", entry.of
        if table == "kits" and entry.kit:  # a new bottle may be named in the kit column as well
            column, written = "kit", entry.kit
            if entry.of and match_name(entry.of, [entry.kit]) is None:
                rule = f"the kit column says {entry.kit}; name one kit"
                self._fault(entry, rule, entry.of, "of")
                return None
        if not names:
            toml = "water" if table == "waters" else table
            rule = f"the tank file declares no {what}; add a [{toml}.NAME] table to it"
            self._unclear(entry, rule, written, column)
            return None
        if not written and len(names) == 1:
            return next(iter(names))
        name = match_name(written, names) if written else None
        if name is None:
            rule = f"name the {what} of this {entry.kind}; {nearest_hint(written, names)}"
            tell = self._fault if written else self._unclear
            tell(entry, rule, written, column)
        return name
