"""Tests that are asked for today: what is sampled, how often, with which kit, in how long."""

from __future__ import annotations

from dataclasses import dataclass

from estimator.inputs.parameters import ALKALINITY, CALCIUM, PH, SALINITY
from estimator.inputs.records import TankLog
from estimator.inputs.tank import USUAL_MINUTES, Tank

PROBE_MINUTES = 1.0
"""Of reading a probe (common practice, no source)."""


@dataclass(frozen=True)
class AskedTest:
    """One test that an alarm asks for today.

    Attributes:
        entry, of: as in the log: the parameter, and what is sampled.
        kit: None for a probe, or where no kit reads it.
        repeats: how often.
        minutes: for all repeats.
    """

    entry: str
    of: str
    kit: str | None
    repeats: int
    minutes: float


@dataclass(frozen=True)
class Bench:
    """The log and the tank file, for the tests that an alarm asks for."""

    log: TankLog
    tank: Tank

    def test(self, entry: str, of: str, repeats: int, kit: str | None = None) -> AskedTest:
        """A titration with the kit that read it last (else the first declared), or a probe."""
        if entry in (PH.name, SALINITY.name):
            return AskedTest(entry, of, None, repeats, repeats * PROBE_MINUTES)
        used = [r.kit for r in self.log.readings if r.parameter == entry and r.kit]
        declared = [name for name, one in self.tank.kits.items() if one.parameter == entry]
        name = kit or next(iter([*used[::-1], *declared]), None)
        known = self.tank.kits.get(name) if name is not None else None
        minutes = None if known is None else known.minutes
        each = USUAL_MINUTES if minutes is None else minutes
        return AskedTest(entry, of, name, repeats, repeats * each)

    def effluent(self) -> tuple[AskedTest, ...]:
        """Effluent alkalinity twice, and the chamber's pH."""
        return (self.test(ALKALINITY.name, "effluent", 2), self.test(PH.name, "chamber", 1))

    def calibration(self, kit: str | None) -> tuple[AskedTest, ...]:
        """A reference solution twice where the tank file has one, else the tank's own water."""
        known = [n for n, one in self.tank.references.items() if ALKALINITY.name in one.levels]
        return (self.test(ALKALINITY.name, known[0] if known else "tank", 2, kit),)

    def tank_test(self, entry: str, repeats: int = 2) -> tuple[AskedTest, ...]:
        """One parameter of the tank."""
        return (self.test(entry, "tank", repeats),)

    def for_change(self, about: str, of: str) -> tuple[AskedTest, ...]:
        """The tests that tell whether a change or a doubt is so."""
        if about == "effluent":
            return self.effluent()
        if about == "kit":
            kit = self.tank.kits.get(of)
            if kit is not None and kit.parameter != ALKALINITY.name:
                return (self.test(kit.parameter, "tank", 2, of),)
            return self.calibration(of or None)
        if about == "volume":
            return ()
        return self.tank_test(of if of == CALCIUM.name else ALKALINITY.name)
