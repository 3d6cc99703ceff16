"""What in the log cannot be right, and which figures it spoils."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np

from estimator import units
from estimator.fit.fitting import Fit
from estimator.fit.posterior import Posterior
from estimator.inputs.parameters import ALKALINITY, CALCIUM, PARAMETERS
from estimator.inputs.tank import Tank

UNLOGGED_PART = 0.3
"""Part of calcium's uptake from which an unlogged supply counts, or loss."""
UNLOGGED_DAYS = 14
"""Over so many days it is averaged."""
STRENGTH_PART = 0.6
"""Where calcium solutions are logged and this part of the balance is missing, one of the strengths
is wrong rather than a dose forgotten: no routine is kept by halves."""
LARGEST_UPTAKE = 5.0 * units.MEQ_L_PER_DKH
"""Above the 0.2 to 4 dKH/day of home reefs (common practice, no source), meq/L/day."""
VOLUME_SDS = 3.0
"""A volume so many stated errors away from the stated one is none to rely on."""
SCATTER_RATIO = 5.0
"""A kit scatters impossibly from so many times its step, or its usual repeatability, on."""


@dataclass(frozen=True)
class Doubt:
    """One thing in the log or the tank file that may not be so.

    Attributes:
        about: "additions", "strength", "volume" or "kit".
        code: what is doubted; "alarm_" and the code stand in `reports.words.alarms`:
            "additions_up" (something was added that is not logged) and "additions_down" (something
            logged does not arrive), "level_impossible", "strength_wrong", "volume_wrong",
            "kit_scatter".
        chance: that it is not so.
        since: from which day; None where it holds for the whole log or cannot be said.
        size: draws (s,), if so, or None. Additions: meq/L/day or mmol/L/day; a strength: the true
            one over the stated; a volume: its departure over the stated; a kit: scatter over its
            step.
        values: names and numbers for the words, canonical units; `of` names what it is of, a
            parameter, a solution or a kit.
    """

    about: str
    code: str
    chance: float
    since: date | None = None
    size: np.ndarray | None = None
    values: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Doubts:
    """All doubts.

    Attributes:
        found: each doubt, however small its chance.
        spoiled: "alkalinity", "calcium" or both: parameters whose figures must not be shown.
    """

    found: tuple[Doubt, ...] = ()
    spoiled: frozenset[str] = frozenset()


def doubts_of(fitted: Fit) -> Doubts:
    """What cannot be right, by the posterior."""
    found = (
        *_calcium_balance(fitted),
        *_strength(fitted.posterior, fitted.tank),
        *_volume(fitted.posterior, fitted.tank),
        *_kits(fitted.posterior, fitted.tank),
        *_levels(fitted.posterior),
    )
    spoiled = {
        parameter
        for doubt in found
        if doubt.chance > 0.5
        for parameter in doubt.values.get("spoils", ())
    }
    return Doubts(found, frozenset(spoiled))


def _calcium_balance(fitted: Fit) -> Iterator[Doubt]:
    """Calcium that comes or goes without an entry, in the stretch of days where it is largest."""
    posterior = fitted.posterior
    unlogged = posterior.unlogged_calcium_mmol_l_d
    if unlogged is None:
        return
    days = unlogged.shape[1]
    span = min(UNLOGGED_DAYS, days)
    sums = np.cumsum(np.pad(unlogged, ((0, 0), (1, 0))), axis=1)
    usual = np.maximum(posterior.calcium_uptake_mmol_l_d, 0.125 * fitted.frame.shape.uptake_scale)
    uptake = np.cumsum(np.pad(usual, ((0, 0), (1, 0))), axis=1)
    part = (sums[:, span:] - sums[:, :-span]) / (uptake[:, span:] - uptake[:, :-span])
    for sign, code in ((1.0, "additions_up"), (-1.0, "additions_down")):
        chances = np.mean(sign * part > UNLOGGED_PART, axis=0)
        # The last stretch that is as sure as any, so that what still goes on is told so.
        at = int(np.flatnonzero(chances >= chances.max() - 0.02)[-1])
        chance = float(chances[at])
        sure = np.flatnonzero(chances > 0.5)
        since = posterior.days[int(sure[0])] if len(sure) else posterior.days[at]
        until = posterior.days[min(int(sure[-1]) + span - 1, days - 1)] if len(sure) else None
        size = (sums[:, at + span] - sums[:, at]) / span
        values = {"of": CALCIUM.name, "until": until, "goes_on": at + span == days}
        missing = float(np.median(sign * part[:, at]))
        dosed = _dosed_calcium(fitted)
        about = "additions"
        if dosed > 0 and missing > STRENGTH_PART:
            about, code = "strength", "strength_wrong"
            values["of"] = _calcium_solution(fitted.tank)
        yield Doubt(about, code, chance, since, size, values)


def _dosed_calcium(fitted: Fit) -> float:
    """Calcium dosed by the log, mmol in all."""
    return float(np.sum(fitted.schedule.steps["dose_calcium_mmol"]))


def _calcium_solution(tank: Tank) -> str:
    names = [n for n, solution in tank.solutions.items() if solution.calcium_mmol_per_ml > 0]
    return names[0] if names else ""


def _strength(posterior: Posterior, tank: Tank) -> Iterator[Doubt]:
    """More alkalinity goes in than any tank takes up."""
    names = [n for n, solution in tank.solutions.items() if solution.alkalinity_meq_per_ml > 0]
    chance = float(np.mean(posterior.uptake_now_meq_l_d > LARGEST_UPTAKE))
    if names:
        yield Doubt(
            "strength",
            "strength_wrong",
            chance,
            None,
            1.2 * units.MEQ_L_PER_DKH / posterior.uptake_now_meq_l_d,
            {"of": names[0], "spoils": (ALKALINITY.name,)},
        )


def _volume(posterior: Posterior, tank: Tank) -> Iterator[Doubt]:
    stated, sd = tank.water_volume_l, tank.water_volume_sd_fraction
    off = np.log(posterior.volume_l / stated) / sd
    yield Doubt(
        "volume",
        "volume_wrong",
        float(np.mean(np.abs(off) > VOLUME_SDS)),
        None,
        posterior.volume_l / stated - 1.0,
        {"of": "", "volume_l": stated, "spoils": (ALKALINITY.name,)},
    )


def _kits(posterior: Posterior, tank: Tank) -> Iterator[Doubt]:
    for name, repeatability in posterior.kit_repeatability.items():
        kit = tank.kits[name]
        usual = kit.repeatability or PARAMETERS[kit.parameter].assumed_repeatability
        least = max(kit.step, usual)
        yield Doubt(
            "kit",
            "kit_scatter",
            float(np.mean(repeatability > SCATTER_RATIO * least)),
            None,
            repeatability / least,
            {"of": name, "spoils": (kit.parameter,)},
        )


def _levels(posterior: Posterior) -> Iterator[Doubt]:
    """A level below nothing."""
    levels = {
        ALKALINITY.name: posterior.alkalinity_meq_l,
        CALCIUM.name: posterior.calcium_mmol_l,
    }
    for name, draws in levels.items():
        if draws is not None:
            below = float(np.max(np.mean(draws < 0.0, axis=0)))
            chance = 1.0 if below > 0.05 else below
            values = {"of": name, "spoils": (name,)}
            yield Doubt("additions", "level_impossible", chance, None, None, values)
