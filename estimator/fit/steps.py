"""Steps while the table of a schedule grows, and the moments of what acts within them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from estimator.fit.layout import DOSE, PULSE, STEP, UNIT
from estimator.inputs.tank import Tank
from estimator.water.light import FACTORIALS, TERMS, pulse_moments
from estimator.water.settings import Settings


@dataclass(frozen=True)
class Step:
    """One step while the table grows: settings hold as they were just after `since_d`."""

    start_d: float
    end_d: float
    since_d: float
    columns: Mapping[str, float]


class StepTable:
    """Grows the steps one by one; a column not named is zero."""

    def __init__(self) -> None:
        self.steps: list[Step] = []
        self.since = 0.0

    def span(self, start_d: float, end_d: float, **columns: float) -> None:
        """A span of time under the settings that hold just after its start."""
        self.since = start_d
        self.steps.append(Step(start_d, end_d, start_d, columns))

    def instant(self, time_d: float, **columns: float) -> None:
        """A step without duration, under the settings of the span that ended here."""
        self.steps.append(Step(time_d, time_d, self.since, columns))

    def read(self, time_d: float, **columns: float) -> None:
        """A reading: on the span that ends here, or where that has one, on a step of its own.

        What drifts or jumps at a midnight does so before it is read at that very time.
        """
        last = self.steps[-1]
        free = not {"kind", "drift_d"} & last.columns.keys()
        if last.end_d > last.start_d and free:
            self.steps[-1] = replace(last, columns={**last.columns, **columns})
        else:
            self.instant(time_d, **columns)

    @property
    def last(self) -> int:
        """Index of the last step."""
        return len(self.steps) - 1

    def array(self, settings: Settings) -> np.ndarray:
        """All steps, (n,) of `STEP`, with the settings that hold in each."""
        table = np.zeros(len(self.steps), STEP)
        table["span_d"] = [step.end_d - step.start_d for step in self.steps]
        table["flow_l_d"] = [settings.flow_l_d.at(step.since_d) for step in self.steps]
        table["log_ph_ratio"] = [settings.log_ph_ratio(step.since_d) for step in self.steps]
        table["instrument"] = -1
        for i, step in enumerate(self.steps):
            for name, value in step.columns.items():
                table[name][i] = value
        return table


def point_moments(
    start_d: np.ndarray, end_d: np.ndarray, times_d: np.ndarray, amounts: np.ndarray
) -> np.ndarray:
    """Moments Σ amount (end − t)^j / j! of one-time amounts, each in the span that it opens.

    Args:
        start_d, end_d: (n,) steps in time order; spans join end to start.
        times_d, amounts: (m,) when and how much. An amount at the very end goes to the last step.

    Returns:
        (n, TERMS).
    """
    moments = np.zeros((len(start_d), TERMS))
    spans = np.flatnonzero(end_d > start_d)
    for time, amount in zip(times_d, amounts, strict=True):
        found = int(np.searchsorted(start_d[spans], time, side="right")) - 1
        at = spans[found] if time < end_d[spans[found]] else len(start_d) - 1
        back = max(end_d[at] - time, 0.0)
        moments[at] += amount * back ** np.arange(TERMS) / FACTORIALS
    return moments


def moments_of(
    steps: Sequence[Step], settings: Settings, tank: Tank
) -> tuple[np.ndarray, np.ndarray]:
    """All moments (n, 3, TERMS), and the calcium dosed within each span (n,), mmol."""
    start = np.array([step.start_d for step in steps])
    end = np.array([step.end_d for step in steps])
    since = [step.since_d for step in steps]
    span = end - start
    moments = np.zeros((len(span), 3, TERMS))
    orders = np.arange(TERMS)
    moments[:, UNIT] = span[:, None] ** (orders + 1) / FACTORIALS / (orders + 1)
    moving = span > 0
    moments[moving, PULSE] = pulse_moments(start[moving], end[moving], tank)
    alkalinity_rate = np.array([settings.alkalinity_rate_meq_d.at(t) for t in since])
    calcium_rate = np.array([settings.calcium_rate_mmol_d.at(t) for t in since])
    times = settings.dose_times_d
    moments[:, DOSE] = point_moments(start, end, times, settings.dose_alkalinity_meq)
    moments[:, DOSE] += alkalinity_rate[:, None] * moments[:, UNIT]
    calcium = point_moments(start, end, times, settings.dose_calcium_mmol)[:, 0]
    return moments, calcium + calcium_rate * span
