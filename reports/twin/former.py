"""An earlier report's twin, read from its file: what it told that a later report looks back on.

Anybody may have written that file, so that every value taken from it is looked at first. What a
twin does not hold, since it was withheld or the version that wrote it did not tell it, is None or
empty.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any, TypeVar

from estimator.errors import InputError
from estimator.inputs.parameters import ALKALINITY
from estimator.inputs.text import FaultList, read_source
from reports.twin.quantities import QUANTITY, SCHEMA_VERSION, Json, rounded

LARGEST_BYTES = 200_000_000
"""A twin of ten years of daily tests has some megabytes."""
RULE = "must be the JSON twin of a report on one tank, as this program writes it; choose another"

Range = tuple[float, float]
_Kind = TypeVar("_Kind")


@dataclass(frozen=True)
class Amount:
    """A Q with its unit."""

    unit: str
    points: Mapping[str, float]

    def written(self, unit: str) -> Json:
        """As JSON, in another unit of alkalinity, or of it a day."""
        amount, per_day = unit.removesuffix("/day"), self.unit.removesuffix("/day")
        scale = ALKALINITY.units[per_day] / ALKALINITY.units[amount]
        return {"unit": unit, **{key: rounded(scale * x) for key, x in self.points.items()}}


@dataclass(frozen=True)
class FormerKit:
    """What was known of a kit of alkalinity, in meq/L.

    Attributes:
        bottle: number of its last one.
        calibration: reading over level, the median; `calibration_sd` of it.
        repeatability: sd of an ordinary reading's error.
        step: of its scale; 0.0 where it was not told.
    """

    bottle: int
    calibration: float
    calibration_sd: float
    repeatability: float
    step: float


@dataclass(frozen=True)
class Former:
    """An earlier report.

    Attributes:
        tank: its name.
        as_of: time of the log's last entry then.
        sources: digests of its log and its tank file.
        uptake, effluent: of alkalinity; None where it was not told.
        flow_ml_h: setting at the log's end.
        set_ml_h: what the pump was to be set to.
        kit: that the readings were foretold of.
        readings: by what is sampled and date, 9-in-10 range of what that kit would read, meq/L.
        levels: by date 5, 50 and 95 % points of the level at its beginning, meq/L.
        kits: those of alkalinity.
        since_last: what it told of the one before it.
        replaced: this report takes its place.
    """

    tank: str
    as_of: datetime
    sources: tuple[str, str]
    uptake: Amount | None
    effluent: Amount | None
    flow_ml_h: float | None
    set_ml_h: float | None
    kit: str
    readings: Mapping[str, Mapping[date, Range]]
    levels: Mapping[date, tuple[float, float, float]]
    kits: Mapping[str, FormerKit]
    since_last: Json | None
    replaced: bool = False


def read_former(path: Path) -> Former:
    """The twin at `path`.

    Raises:
        InputError: it cannot be opened, or is no twin of this program; names what was found.
    """
    faults = FaultList(str(path))
    text, _ = read_source(path, None, LARGEST_BYTES, faults)
    try:
        return _former(_Place(json.loads(text, parse_constant=_refuse_constant)))
    except _UnlikeATwin as error:
        faults.refuse(RULE, str(error))
    except json.JSONDecodeError as error:
        faults.refuse(RULE, error.msg, error.lineno)
    except (ValueError, RecursionError):
        faults.refuse(RULE, "no JSON")


def former_beside(path: Path) -> tuple[Former | None, str]:
    """The twin that is about to be replaced, if one stands there, and why it is passed over."""
    if not path.exists():
        return None, ""
    try:
        return replace(read_former(path), replaced=True), ""
    except InputError as error:
        return None, error.lines(1)[0]


class _UnlikeATwin(Exception):
    """Says where and what was found."""


def _refuse_constant(name: str) -> float:
    raise _UnlikeATwin(name)


class _Place:
    """A place in the file, by its pointer; None and what is missing are alike."""

    def __init__(self, held: Any, pointer: str = "") -> None:
        self.held, self.pointer = held, pointer

    def __truediv__(self, key: str) -> _Place:
        whole = self.of(dict)
        return _Place(None if whole is None else whole.get(key), f"{self.pointer}/{key}")

    def of(self, kind: type[_Kind]) -> _Kind | None:
        """What stands here, of one kind. Raises: _UnlikeATwin, it is of another."""
        if self.held is None or isinstance(self.held, kind):
            return self.held
        raise self.unlike()

    def needed(self, kind: type[_Kind]) -> _Kind:
        """The same; it must be there."""
        found = self.of(kind)
        if found is None:
            raise self.unlike()
        return found

    def number(self) -> float | None:
        """A finite number."""
        if self.held is None:
            return None
        if isinstance(self.held, bool) or not isinstance(self.held, (int, float)):
            raise self.unlike()
        if abs(self.held) > 1e12 or not math.isfinite(self.held):
            raise self.unlike()
        return float(self.held)

    def each(self) -> Iterator[_Place]:
        """Items of a list; none where there is no list."""
        for i, item in enumerate(self.of(list) or ()):
            yield _Place(item, f"{self.pointer}/{i}")

    def named(self) -> Iterator[tuple[str, _Place]]:
        """Items of an object."""
        for key in self.of(dict) or ():
            yield key, self / key

    def moment(self) -> datetime:
        """A local time."""
        text = self.needed(str)
        try:
            found = datetime.fromisoformat(text)
        except ValueError:
            raise self.unlike() from None
        if found.tzinfo is not None:
            raise self.unlike()
        return found

    def unlike(self) -> _UnlikeATwin:
        """What is wrong here."""
        return _UnlikeATwin(f"{self.pointer or 'whole file'}: {str(self.held)[:40]}")


def _former(twin: _Place) -> Former:
    if (twin / "schema_version").number() != SCHEMA_VERSION:
        raise (twin / "schema_version").unlike()
    plan, flow, digests = twin / "plan", twin / "flow", twin / "inputs"
    readings = plan / "readings"
    to_meq_l = _scale(readings / "unit")
    return Former(
        tank=(twin / "tank" / "name").needed(str),
        as_of=(twin / "as_of").moment(),
        sources=(
            (digests / "log_sha256").needed(str),
            (digests / "tank_sha256").needed(str),
        ),
        uptake=_amount(twin / "uptake" / "alkalinity" / "now", twin / "uptake" / "alkalinity"),
        effluent=_amount(twin / "effluent" / "alkalinity", twin / "effluent" / "alkalinity"),
        flow_ml_h=(flow / "current").number(),
        set_ml_h=(plan / "today" / "flow_ml_h").number(),
        kit=(readings / "kit").of(str) or "",
        readings={
            sample: {
                day: (to_meq_l * low, to_meq_l * high)
                for day, low, _, high in _by_date(readings / sample)
            }
            for sample in ("tank", "effluent")
        },
        levels=_levels(plan),
        kits=dict(_kits(twin / "kits")),
        since_last=_since_last(twin / "since_last"),
    )


def _scale(unit: _Place) -> float:
    """meq/L in one of a unit of alkalinity, or of it a day; 1.0 where there is no unit."""
    name = (unit.of(str) or "meq/L").removesuffix("/day")
    if name not in ALKALINITY.units:
        raise unit.unlike()
    return ALKALINITY.units[name]


def _amount(points: _Place, unit_of: _Place) -> Amount | None:
    found = {key: (points / key).number() for key in QUANTITY}
    if None in found.values():
        return None
    unit = unit_of / "unit"
    _scale(unit)
    return Amount(unit.needed(str), {key: value or 0.0 for key, value in found.items()})


def _by_date(entries: _Place) -> Iterator[tuple[date, float, float, float]]:
    """(day, 5, 50 and 95 % point) of each Q."""
    for one in entries.each():
        low, middle, high = ((one / key).number() for key in ("q05", "q50", "q95"))
        if low is None or middle is None or high is None:
            raise one.unlike()
        yield (one / "date").moment().date(), low, middle, high


def _levels(plan: _Place) -> dict[date, tuple[float, float, float]]:
    scale = _scale(plan / "unit")
    return {
        day: (scale * low, scale * middle, scale * high)
        for day, low, middle, high in _by_date(plan / "levels")
    }


def _kits(kits: _Place) -> Iterator[tuple[str, FormerKit]]:
    for name, kit in kits.named():
        if (kit / "parameter").of(str) != ALKALINITY.name:
            continue
        scale = _scale(kit / "unit")
        middle, spread = ((kit / "calibration_pct" / key).number() for key in ("q50", "sd"))
        repeatability = (kit / "repeatability" / "q50").number()
        if middle is None or spread is None or repeatability is None:
            raise kit.unlike()
        yield (
            name,
            FormerKit(
                bottle=(kit / "bottle").of(int) or 1,
                calibration=1 + middle / 100,
                calibration_sd=spread / 100,
                repeatability=scale * repeatability,
                step=scale * ((kit / "step").number() or 0.0),
            ),
        )


def _since_last(told: _Place) -> Json | None:
    """What the earlier report told of the one before it, value by value."""
    if told.of(dict) is None:
        return None
    rows = []
    for row in (told / "foretold").each():
        words = {key: (row / key).needed(str) for key in ("time", "entry", "of", "unit")}
        (row / "time").moment()
        numbers = {key: (row / key).number() for key in ("value", "low", "high")}
        rows.append({**words, **numbers, "inside": (row / "inside").needed(bool)})

    def both(key: str) -> Json:
        pair = {when: _amount(told / key / when, told / key / when) for when in ("before", "now")}
        return {when: one and one.written(one.unit) for when, one in pair.items()}

    flow = {key: (told / "flow" / key).number() for key in ("before", "now", "set")}
    return {
        "as_of": (told / "as_of").moment().isoformat(timespec="seconds"),
        "uptake": both("uptake"),
        "effluent": both("effluent"),
        "flow": {"unit": "mL/h", **flow},
        "foretold": rows,
        "tests": len(rows),
        "as_foretold": sum(row["inside"] for row in rows),
    }
