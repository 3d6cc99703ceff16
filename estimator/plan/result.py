"""What a change-over comes to: dated steps with the rule of the retests, or why there are none."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np

from estimator.plan.controller import Rule
from estimator.plan.present import settable_doses
from estimator.remark import Remark


@dataclass(frozen=True)
class ChangeStep:
    """What is set on a day, and the retest that ends the step.

    Attributes:
        set_on: day on which it is set, if all goes as expected.
        flow_ml_h: pump setting, a multiple of the pump's step.
        dose_ml_d: rate of each solution, mL/day, if all retests read as expected.
        takes_ml_d: by how much each rate goes down because the pump goes to this setting.
        retest_on: day of the retest on which the next step is due.
        alkalinity_meq_l: (s,) true level at the retest, the rule having been followed.
    """

    set_on: date
    flow_ml_h: float
    dose_ml_d: Mapping[str, float]
    takes_ml_d: Mapping[str, float]
    retest_on: date
    alkalinity_meq_l: np.ndarray


@dataclass(frozen=True)
class Steering:
    """All that a retest decides by, in what the keeper can set.

    Attributes:
        rule: its numbers; the hold thresholds are figures that the kit can show.
        ml_per_meq: mL of each solution for a meq of alkalinity dosed; empty where there is none:
            all of the change is then made by the pump.
        whole_load_meq_d: dosing that puts back all that the tank takes up.
        ml_h_per_meq_d: change of the pump that makes good a meq/day.
        extra_ml_h, extra_meq_d: step of the pump past the last one, and what it takes over, while
            at least half as much is dosed.
        lowest_ml_h, highest_ml_h: the pump is to stay between.
        most_meq_d: dosing is not to go beyond.
    """

    rule: Rule
    ml_per_meq: Mapping[str, float]
    whole_load_meq_d: float
    ml_h_per_meq_d: float
    extra_ml_h: float
    extra_meq_d: float
    lowest_ml_h: float
    highest_ml_h: float
    most_meq_d: float

    def dose_ml_d(self, meq_d: float) -> dict[str, float]:
        """Rates of the solutions, as they can be set, that bring so much alkalinity."""
        return settable_doses(self.ml_per_meq, meq_d)


@dataclass(frozen=True)
class NoPlan:
    """Why there are no steps.

    Attributes:
        kind: "nothing to do" (the reactor carries the load), or "none" (no plan can be made).
        reasons: to be told one after the other.
    """

    kind: str
    reasons: tuple[Remark, ...]


@dataclass(frozen=True)
class Plan:
    """Steps that hand the load over, the rule of their retests, and how they may go.

    Attributes:
        kind: "hand over" (from dosing), or "change flow" (nothing is dosed).
        reasons: why the plan is as it is, to be told one after the other.
        remedy: what would raise the chance most; None where it is good enough.
        remedy_probability: the chance if that were settled at its middle value; None without one.
        provisional: no setting is recommended: the steps go only part of the way.
        corrects: the first step only brings the level back into the band.
        steps: in order, as they come if all goes as expected.
        steering: the rule for each retest.
        step_days: days between retests.
        judged_days: length of time, from the first step, that is judged; retests go on through it.
        probability: chance that over `judged_days` the daily mean stays in the band (while a
            correction runs: or on the side where it began) and never rises by more than the limit.
        good_days: expected share of such days.
        left_dosed: part of the load that is still dosed at the end of that time, in the middle one
            of the futures; None where nothing can be dosed.
        overnight_probability: as `probability`, the final setting made at once and left alone.
        levels_meq_l: (judged_days, s) daily means under the plan and its rule.
        overnight_meq_l: (judged_days, s) the same for the final setting made at once.
    """

    kind: str
    reasons: tuple[Remark, ...]
    remedy: Remark | None
    remedy_probability: float | None
    provisional: bool
    corrects: bool
    steps: tuple[ChangeStep, ...]
    steering: Steering
    step_days: int
    judged_days: int
    probability: float
    good_days: float
    left_dosed: float | None
    overnight_probability: float
    levels_meq_l: np.ndarray
    overnight_meq_l: np.ndarray


@dataclass(frozen=True)
class ChangeOver:
    """The plan, or why there is none, and what holds either way.

    Attributes:
        plan: see `Plan` and `NoPlan`.
        rise_limit_meq_l_d: largest allowed rise in a day.
        rise_limit_stated: the tank file states it.
        retest_hour: hour of day at which the level is nearest to its daily mean.
        self_regulation_days: (s,) time in which the tank undoes 63 % of a departure by itself at
            the final flow, at a steady effluent strength; None without a flow.
    """

    plan: Plan | NoPlan
    rise_limit_meq_l_d: float
    rise_limit_stated: bool
    retest_hour: float
    self_regulation_days: np.ndarray | None

    @property
    def steps(self) -> tuple[ChangeStep, ...]:
        """The steps in order; none without a plan."""
        return self.plan.steps if isinstance(self.plan, Plan) else ()
