"""What a plan is made from, and what kind of plan that calls for."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from estimator.advice.alarms import STANDS, Alarm
from estimator.advice.flow import Recommendation
from estimator.fit.fitting import Fit
from estimator.fit.kit_in_use import name_in_use
from estimator.fit.posterior import Posterior
from estimator.inputs.tank import Kit, Tank
from estimator.plan.guard import FORBIDDING, most_meanwhile
from estimator.plan.means import Means, means_of
from estimator.plan.schedule import minutes_until

LATEST_HOUR = 22
"""A log that ends later than this leaves nothing of its day to act on."""
MUCH_DOSED = 0.03
"""Part of the load: where less is dosed beside a running reactor, the reactor carries the load."""
SINGLE = "alarm_one_addition"
"""How the code of an alarm about one addition begins."""
STILL = (*FORBIDDING, "log age")
"""With an alarm about one of these nothing is changed before it is looked at."""


@dataclass(frozen=True)
class Ground:
    """What a plan is made from.

    Attributes:
        fitted: the fit.
        recommendation: the flow advice, alarms heeded.
        alarms: worst first.
        most_ml_h: highest setting of the pump while a cause is to be found; None where none is.
        shown: figures of alkalinity may be shown.
        means: what can be set.
        begins: day of the first step.
        minutes_per_week: for testing.
    """

    fitted: Fit
    recommendation: Recommendation
    alarms: tuple[Alarm, ...]
    most_ml_h: float | None
    shown: bool
    means: Means
    begins: date
    minutes_per_week: float

    @property
    def posterior(self) -> Posterior:
        """Draws."""
        return self.fitted.posterior

    @property
    def unwritten(self) -> bool:
        """Whether something that is added is most likely not in the log: what the tank takes is
        then not what it seems to take, and settings that hold the level are left.

        A single addition changed the level and nothing else: settings need not wait for it.
        """
        return any(
            a.about == "additions" and a.chance >= STANDS and not a.code.startswith(SINGLE)
            for a in self.alarms
        )

    def minutes_until(self, day: date) -> float:
        """Minutes for tests until a day."""
        return minutes_until(self.fitted.log, self.tank, self.begins, day, self.minutes_per_week)

    @property
    def tank(self) -> Tank:
        """The tank file."""
        return self.fitted.tank


def ground_of(
    fitted: Fit,
    recommendation: Recommendation,
    alarms: tuple[Alarm, ...],
    minutes_per_week: float,
    *,
    shown: bool,
    today: date | None = None,
) -> Ground:
    """What a plan is made from; `today` is the day of the report, where it is later than the
    log's."""
    last = fitted.log.end
    begins = last.date() + timedelta(days=int(last.hour >= LATEST_HOUR))
    means = means_of(fitted.posterior, fitted.log, fitted.tank)
    return Ground(
        fitted,
        recommendation,
        alarms,
        most_meanwhile(alarms, fitted.posterior, fitted.log, fitted.tank),
        shown,
        means,
        max(begins, today or begins),
        minutes_per_week,
    )


def kind_of(ground: Ground) -> tuple[str, str]:
    """The kind of the plan, and the phase that its rhythm of reports follows."""
    posterior, means = ground.posterior, ground.means
    kind = "dose"
    if means.reactor:
        load = float(np.median(posterior.state.load_meq_d))
        dosed = means.present_meq_d > MUCH_DOSED * load
        kind = "hand_over" if dosed or means.present_l_d == 0 else "hold"
    phase = kind
    if kind == "hand_over" and not posterior.effluent_tested:
        phase = "untested"
    elif ground.recommendation.flow.level_in_band < 0.5:
        kind = phase = "correct"
    if ground.most_ml_h is not None or ground.unwritten:
        return "check", "check"
    return kind, phase


def kit_of(ground: Ground) -> Kit | None:
    """The kit that reads the tank's alkalinity."""
    return ground.tank.kits.get(name_in_use(ground.posterior, ground.tank))
