"""Candidates weighed and ranked: a preposterior analysis of each, on common random numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from estimator.advice.flow import PLANNED_PUMP, to_l_d, to_ml_h
from estimator.fit.fitting import Fit
from estimator.inputs.parameters import ALKALINITY, CALCIUM
from estimator.inputs.records import Action, Reading
from estimator.inputs.tank import Composition
from estimator.next_tests.candidates import REFERENCE, REFERENCE_ALKALINITY, Candidate
from estimator.next_tests.foresight import Foresight, foresee
from estimator.next_tests.outcomes import outcomes_of
from estimator.next_tests.worth import Decision, Worth, decision_of, worth_of
from estimator.processes import side_by_side

INFORMING = (ALKALINITY.name, CALCIUM.name)
"""Parameters that the model has a place for; readings of others tell it nothing."""


@dataclass(frozen=True)
class Prospect:
    """A `Foresight` with what it takes to weigh sets of its readings.

    Attributes:
        foresight: of the readings.
        place: index of each of them by time, parameter and sample.
        decision: that the tests are to serve.
    """

    foresight: Foresight
    place: Mapping[tuple[datetime, str, str], int]
    decision: Decision

    def rows(self, readings: Sequence[Reading], repeats: int = 1) -> list[int]:
        """Indices of the readings that inform the model, each `repeats` times.

        Raises:
            KeyError: one that would inform it was not foreseen.
        """
        informing = [r for r in readings if r.parameter in INFORMING]
        return [self.place[_identity(r)] for r in informing for _ in range(repeats)]

    def worth(self, rows: Sequence[int], volume_sd: float | None = None) -> Worth:
        """What readings `rows` are worth, with a measurement of the water volume if there is one.

        Args:
            rows: from `rows`.
            volume_sd: of the log of the measured volume.
        """
        return worth_of(self.foresight, outcomes_of(self.foresight, rows, volume_sd), self.decision)


def _identity(reading: Reading) -> tuple[datetime, str, str]:
    return (reading.time, reading.parameter, reading.sample)


def look_ahead(
    fitted: Fit,
    readings: Sequence[Reading],
    seed: np.random.SeedSequence,
    future_seed: np.random.SeedSequence,
    *,
    actions: Sequence[Action] = (),
    at: datetime | None = None,
) -> Prospect:
    """Foresee readings that inform the model, each parameter, sample and time once.

    Args:
        fitted: the fit so far.
        readings: that could be taken.
        seed: for what is imagined of the readings.
        future_seed: for the days to come; the same for all that is to be compared.
        actions: to be done meanwhile.
        at: when the flow is to be known; default the end of the log.
    """
    different = {_identity(r): r for r in readings if r.parameter in INFORMING}
    tank, problem = fitted.tank, fitted
    if any(r.of not in tank.references for r in different.values() if r.sample == "reference"):
        known = Composition(REFERENCE, {ALKALINITY.name: REFERENCE_ALKALINITY})
        problem = replace(
            fitted, tank=replace(tank, references={**tank.references, REFERENCE: known})
        )
    foresight = foresee(
        problem, fitted.trace, list(different.values()), seed, actions=actions, at=at
    )
    pump = tank.reactor or PLANNED_PUMP
    low, high = to_l_d(np.array([pump.flow_min_ml_h, pump.flow_max_ml_h]))
    return Prospect(
        foresight=foresight,
        place={identity: k for k, identity in enumerate(different)},
        decision=decision_of(foresight, tank.targets[ALKALINITY.name], low, high, future_seed),
    )


@dataclass(frozen=True)
class Ranked:
    """A candidate and what it is worth.

    Attributes:
        candidate: what to do.
        width_now_ml_h: of the 9-in-10 range of the needed flow.
        expected_width_ml_h: of it afterwards, the mean over outcomes.
        width_range_ml_h: 9-in-10 range of the width afterwards.
        narrowing, narrowing_error: by how much the width is expected to shrink, as a fraction of
            the width now, and the Monte Carlo standard error.
        value, value_error: expected rise of the chance of holding the band, and its error.
        holding: chance of holding the band without the candidate.
        effective: mean effective number of draws behind an outcome.
        tied: its narrowing cannot be told from that of the candidate ranked before it.
    """

    candidate: Candidate
    width_now_ml_h: float
    expected_width_ml_h: float
    width_range_ml_h: tuple[float, float]
    narrowing: float
    narrowing_error: float
    value: float
    value_error: float
    holding: float
    effective: float
    tied: bool

    @property
    def narrowing_per_minute(self) -> float:
        """Fraction of the width now, per minute of work."""
        return self.narrowing / max(self.candidate.minutes, 1.0)


def rank(
    fitted: Fit,
    candidates: Sequence[Candidate],
    prospects: Mapping[tuple[Action, ...], Prospect],
    cores: int | None = None,
) -> tuple[Ranked, ...]:
    """Weigh every candidate and put the one that narrows most first.

    Args:
        fitted: the fit so far.
        candidates: to rank.
        prospects: by the actions done meanwhile.
        cores: that may be used; None: all.
    """
    needed = to_ml_h(np.quantile(fitted.posterior.needed_flow_l_d, [0.05, 0.95]))
    width_now = float(needed[1] - needed[0])

    def weigh(candidate: Candidate) -> Worth:
        prospect = prospects[candidate.actions]
        rows = prospect.rows(candidate.readings, candidate.repeats)
        return prospect.worth(rows, candidate.volume_sd)

    found = list(zip(candidates, side_by_side(weigh, candidates, cores), strict=True))
    found.sort(key=lambda pair: (pair[1].expected_width, pair[0].minutes))
    ranked = []
    for place, (candidate, worth) in enumerate(found):
        low, high = np.quantile(worth.width, [0.05, 0.95]) * width_now
        ranked.append(
            Ranked(
                candidate=candidate,
                width_now_ml_h=width_now,
                expected_width_ml_h=worth.expected_width * width_now,
                width_range_ml_h=(float(low), float(high)),
                narrowing=1.0 - worth.expected_width,
                narrowing_error=worth.width_error,
                value=worth.value,
                value_error=worth.value_error,
                holding=worth.holding,
                effective=worth.effective,
                tied=place > 0 and _tied(found[place - 1][1], worth),
            )
        )
    return tuple(ranked)


def _tied(better: Worth, worse: Worth) -> bool:
    """Whether two expected widths differ by less than twice the error of their difference.

    Outcomes of one index were imagined from the same draw, so the difference is taken in pairs.
    """
    apart = worse.width - better.width
    return bool(np.mean(apart) <= 2.0 * np.std(apart) / np.sqrt(len(apart)))
