"""How far the model can be trusted on this log, and what the range of the level is worth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from estimator.advice.alarms import Alarm
from estimator.fit.checks import ReadingCheck
from estimator.fit.posterior import Posterior
from estimator.inputs.parameters import ALKALINITY, PARAMETERS
from estimator.inputs.records import TankLog
from estimator.remark import Remark

FEW_TESTS, ENOUGH_TESTS = 6, 15
"""Alkalinity tests of the tank: with fewer trust is low, or medium (common practice, no source)."""
MANY_ODD, SOME_ODD = 0.15, 0.05
"""Share of odd readings: with more trust is low, or medium (common practice, no source)."""
HELD_IF_KIT_SHIFTED, HELD_IF_SATURATION = 0.85, 0.95
"""Shares of simulated logs whose 90 % range of alkalinity now held the truth: an alkalinity kit
shifted by 5 % unnoticed; uptake followed saturation (`tests/recovery/misspecification.json`)."""
GRAVE = ("strength", "volume")
"""With an alarm about these, or about additions of alkalinity, trust is low."""
CHECKED_DAYS = 60
"""A kit counts as checked so long after a reference solution (common practice, no source)."""


@dataclass(frozen=True)
class Trust:
    """How far to trust the model, which is not how wide its range is.

    Attributes:
        level: "low", "medium" or "high".
        reasons: what makes it so, the gravest first; never empty.
        alkalinity_tests: of the tank, used in the fit.
        readings_used: in the fit.
        odd_readings: of these, see `ReadingCheck.is_odd`.
    """

    level: str
    reasons: tuple[Remark, ...]
    alkalinity_tests: int
    readings_used: int
    odd_readings: int

    @property
    def odd_share(self) -> float:
        """Part of the readings used that are odd; 0 without readings."""
        return self.odd_readings / max(self.readings_used, 1)


@dataclass(frozen=True)
class LevelCheck:
    """Whether a solution of known value keeps watch over the level.

    Attributes:
        reference_tested_days_ago: None where it never was.
        checked_days: see `CHECKED_DAYS`.
        held_if_kit_shifted, held_if_uptake_follows_saturation: how often the level's 90 % range
            holds the truth where the model is wrong so.
    """

    reference_tested_days_ago: int | None
    checked_days: int = CHECKED_DAYS
    held_if_kit_shifted: float = HELD_IF_KIT_SHIFTED
    held_if_uptake_follows_saturation: float = HELD_IF_SATURATION

    @property
    def checked(self) -> bool:
        """Whether a reference solution was tested lately."""
        days = self.reference_tested_days_ago
        return days is not None and days <= self.checked_days


def trust_in(posterior: Posterior, log: TankLog, alarms: Sequence[Alarm] = ()) -> Trust:
    """How far the model can be trusted on this log: never highly while an alarm stands."""
    checks = posterior.checks
    samples = [c.reading.sample for c in checks if c.reading.parameter == ALKALINITY.name]
    tests, odd = samples.count("tank"), sum(check.is_odd for check in checks)
    odd_share = odd / max(len(checks), 1)
    alarms = [alarm for alarm in alarms if alarm.about != "fit"]  # told by the checks themselves
    grave = {
        "trust_alarm": any(alarm.about in GRAVE or alarm.of == ALKALINITY.name for alarm in alarms),
        "trust_checks_failed": bool(posterior.diagnostics.failures),
        "trust_very_few_tests": tests < FEW_TESTS,
        "trust_many_odd": odd_share > MANY_ODD,
    }
    slight = {
        "trust_alarm": bool(alarms),
        "trust_few_tests": FEW_TESTS <= tests < ENOUGH_TESTS,
        "trust_some_odd": SOME_ODD < odd_share <= MANY_ODD,
        "trust_scatter": not posterior.scatter.passes,
        "trust_net_change": posterior.net_change,
        "trust_effluent_untested": "effluent" not in samples,
        "trust_implausible": any(_is_implausible(check) for check in checks),
        "trust_no_times": log.rows_without_time > log.rows / 2,
    }
    level = "low" if any(grave.values()) else "medium" if any(slight.values()) else "high"
    found = [code for code, holds in (grave | slight).items() if holds] or ["trust_nothing_wrong"]
    return Trust(level, tuple(Remark(code) for code in found), tests, len(checks), odd)


def _is_implausible(check: ReadingCheck) -> bool:
    """Whether the fit believes a reading outside what is plausible; an odd one it does not."""
    reading = check.reading
    oddity = PARAMETERS[reading.parameter].oddity(reading.value, reading.unit, reading.sample)
    return bool(oddity) and not check.is_odd


def check_level(log: TankLog) -> LevelCheck:
    """When a reference solution was last tested."""
    tests = [
        reading.time
        for reading in log.readings
        if (reading.sample, reading.parameter) == ("reference", ALKALINITY.name)
    ]
    return LevelCheck((log.end - max(tests)).days if tests else None)
