"""Alkalinity without a unit: can the unit that is taken for it be the one that was meant?

A blank unit stands for that of the kit, else of the band. dKH and meq/L differ by a factor of 2.8,
dKH and mg/L CaCO3 by 17.8, so a value often gives its unit away. Where it can only be in another,
it is refused: read as it stands, one such value would spoil the fit, and the remedy is one word.
What may be low or high water by itself is kept, and flagged as any other odd reading.
"""

from __future__ import annotations

import statistics
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from estimator.inputs.parameters import ALKALINITY
from estimator.inputs.salinity_scales import salinity_of_specific_gravity

_DISTINCT_UNITS = ("dKH", "meq/L", "mg/L CaCO3")


@dataclass(frozen=True)
class _Water:
    """Levels of one kind of water in dKH, common practice, no source.

    Attributes:
        usual: what another unit must give to be believed, from a starved tank to an overdosed one;
            effluent from that of a spent reactor to over the ceiling of a chamber at pH 6.3.
        possible: beyond it a single value is refused, whatever the others say. Between the two,
            one value may be true, a spill or a neglected tank.
        why_not: what is told of a value beyond it.
        agrees: whether many readings of it lie close, so that they can be judged together.
    """

    usual: tuple[float, float]
    possible: tuple[float, float]
    why_not: str
    agrees: bool = True


_WATERS: Mapping[str, _Water] = {
    # Sea water at a fifth of its alkalinity, or at nine times.
    "tank": _Water((4.0, 20.0), (1.4, 60.0), "no tank has it"),
    # Weaker than any tank, or stronger than a chamber under pH 6.0 (`water.chamber_table`, its
    # slope continued).
    "effluent": _Water((5.0, 75.0), (2.5, 100.0), "no effluent has it"),
    # Weak water and thinned references are made on purpose.
    "water": _Water((4.0, 20.0), (0.0, 60.0), "no salt water has it", agrees=False),
    "reference": _Water((4.0, 20.0), (0.0, 60.0), "no reference has it", agrees=False),
}


@dataclass(frozen=True)
class Unstated:
    """An alkalinity whose unit was left out.

    Attributes:
        value: as written.
        unit: what is taken for it.
        source: whose unit that is, in words.
        sample: "tank", "effluent", "water" or "reference".
        kit: name of the kit, "" without one.
        row, column: where it stands in the log.
    """

    value: float
    unit: str
    source: str
    sample: str
    kit: str = ""
    row: int = 0
    column: str = ""

    @property
    def found(self) -> str:
        """What a message says was found."""
        return f"{self.value:g} without a unit"

    def in_unit(self, unit: str, shown_in: str) -> float:
        """The value in `shown_in`, if it was meant in `unit`."""
        return ALKALINITY.from_canonical(ALKALINITY.to_canonical(self.value, unit), shown_in)


def misread(level: Unstated) -> str:
    """The rule that one value breaks by itself, with the value converted; "" where it may stand."""
    water = _WATERS[level.sample]
    if _within(water.possible, level, level.unit):
        return ""
    return _rule(level, water.why_not)


def misread_salinity(value: float, source: str) -> str:
    """The rule that a salinity without a unit breaks where only specific gravity can be meant."""
    if not 1.0 < value < 1.1:
        return ""
    meant = salinity_of_specific_gravity(value)
    return f"as g/kg, {source}, no salt water has it; as SG it is {meant:.1f} g/kg; write the unit"


def misread_together(levels: Sequence[Unstated]) -> Iterator[tuple[Unstated, str]]:
    """Each level that is one of many in another unit, with the rule that it breaks.

    Readings of one sample with one kit have one unit, and their median decides: one odd value among
    ordinary ones is no slip of the unit, but a tank that is starved in half of its readings is not
    believed without a unit.
    """

    def kind(level: Unstated) -> tuple[str, str, str]:
        return level.sample, level.kit, level.unit

    for (sample, _, unit), together in groupby(sorted(levels, key=kind), key=kind):
        water, group = _WATERS[sample], list(together)
        low, high = water.usual
        middle = statistics.median(level.in_unit(unit, "dKH") for level in group)
        if not water.agrees or low <= middle <= high:
            continue
        limits = [
            ALKALINITY.from_canonical(ALKALINITY.to_canonical(limit, "dKH"), unit)
            for limit in water.usual
        ]
        outside = f"outside {limits[0]:.3g} to {limits[1]:.3g} {unit}"
        for level in group:
            if rule := _rule(level, f"at least half of these {sample} readings lie {outside}"):
                yield level, rule


def _rule(level: Unstated, why_not: str) -> str:
    """Rule and remedy where another unit makes the value usual; "" where none does."""
    usual, own = _WATERS[level.sample].usual, ALKALINITY.units[level.unit]
    instead = [
        f"as {unit} it is {_short(level.in_unit(unit, level.unit))} {level.unit}"
        for unit in _DISTINCT_UNITS
        if ALKALINITY.units[unit] != own and _within(usual, level, unit)
    ]
    if not instead:
        return ""
    return f"as {level.unit}, {level.source}, {why_not}; {', '.join(instead)}; write the unit"


def _within(limits_dkh: tuple[float, float], level: Unstated, unit: str) -> bool:
    return limits_dkh[0] <= level.in_unit(unit, "dKH") <= limits_dkh[1]


def _short(value: float) -> str:
    """8.0, 2.92, 143: as many digits as a keeper compares."""
    return f"{value:.1f}" if 4 <= value < 100 else f"{value:.3g}"
