"""Where an alarm stands: no setting, or a smaller step of the pump than the readings ask for.

A flow that is raised because the gas runs out empties the cylinder the sooner, and gives too much
once the gas is back. So while a weaker effluent is likelier than not and no effluent test since
then confirms it, and while the chamber's pH shows that gas is lacking, the pump goes up by a fifth
at most, and a solution bridges the gap.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from itertools import pairwise

import numpy as np

from estimator.advice.ahead import ahead_of
from estimator.advice.alarms import STANDS, Alarm, effluent_ratios, weaker_effluent
from estimator.advice.flow import HORIZON_DAYS, PLANNED_PUMP, Recommendation, to_l_d, to_ml_h
from estimator.advice.outlook import Outlook
from estimator.fit.doubts import Doubts
from estimator.fit.fitting import Fit
from estimator.fit.posterior import Posterior
from estimator.inputs.parameters import ALKALINITY, CALCIUM
from estimator.inputs.records import TankLog
from estimator.inputs.tank import Tank
from estimator.plan.present import settable_dose
from estimator.remark import Remark

LARGEST_RAISE = 0.2
"""Of the flow, at a time."""
RECENT_DAYS = 7
"""Effluent tests this fresh speak of the effluent as it is."""
AGREE = 0.1
"""Two effluent tests that differ by less, relative, agree."""
FORBIDDING = ("strength", "volume", "fit")
"""With an alarm about one of these no setting is given."""
CAUSE_FIRST = "withheld_cause_first"
"""Code of the reason of a setting that is withheld so."""


def without_spoiled(fitted: Fit, doubts: Doubts) -> Fit:
    """The fit as if calcium had never been tested, where its figures are spoiled."""
    if CALCIUM.name not in doubts.spoiled:
        return fitted
    posterior = replace(fitted.posterior, calcium_mmol_l=None, calcium_now_mmol_l=None)
    return replace(fitted, posterior=posterior)


def outlook_told(found: Outlook, doubts: Doubts) -> Outlook:
    """The outlook without a word on calcium, where its figures are spoiled."""
    if CALCIUM.name not in doubts.spoiled:
        return found
    return replace(found, alone=None, answer=Remark("outlook_alone_withheld"))


def withheld(
    recommendation: Recommendation, alarms: Sequence[Alarm], doubts: Doubts, tank: Tank
) -> Recommendation:
    """No setting where an alarm or spoiled alkalinity forbids it.

    Where calcium is spoiled there is no rate for what carries calcium alone.
    """
    found = recommendation
    if CALCIUM.name in doubts.spoiled:
        kept = {
            name: rate
            for name, rate in found.dose_ml_d.items()
            if tank.solutions[name].alkalinity_meq_per_ml > 0
        }
        found = replace(found, dose_ml_d=kept)
    # A failed fit tells its own reason.
    about = [alarm.about for alarm in alarms if alarm.about in FORBIDDING and alarm.about != "fit"]
    if ALKALINITY.name in doubts.spoiled and not about:
        about = ["additions"]
    if not about:
        return found
    reasons = (*(Remark(CAUSE_FIRST, {"about": one}) for one in about), *found.reasons)
    flow = replace(found.flow, setting=None, in_band_probability=None, in_band_as_kit_reads=None)
    return replace(found, status="withheld", reasons=reasons, flow=flow)


@dataclass(frozen=True)
class Held:
    """A raise of the pump that is held back.

    Attributes:
        set_to_ml_h: the setting meanwhile.
        wanted_ml_h: the one that the readings ask for.
        bridge_ml_d: rate of the solution of alkalinity that makes good what the setting leaves
            lacking; empty where there is none.
        bridge_meq_d: the alkalinity in it.
    """

    set_to_ml_h: float
    wanted_ml_h: float
    bridge_ml_d: Mapping[str, float]
    bridge_meq_d: float

    def note(self) -> Remark:
        """What to tell of it."""
        told = {"set_to_ml_h": self.set_to_ml_h, "wanted_ml_h": self.wanted_ml_h}
        given = {n: settable_dose(rate) for n, rate in self.bridge_ml_d.items() if rate > 0}
        return Remark("note_raise_held_back", {**told, "dose_ml_d": given})


def held_back(
    recommendation: Recommendation,
    alarms: Sequence[Alarm],
    posterior: Posterior,
    log: TankLog,
    tank: Tank,
) -> Held | None:
    """How far the pump may go meanwhile; None where the recommended setting may be made."""
    flow, most = recommendation.flow, most_meanwhile(alarms, posterior, log, tank)
    if flow.setting is None or most is None or flow.setting.set_to_ml_h <= most:
        return None
    supply = posterior.state.law.supply_meq_d(float(to_l_d(np.array(most))), posterior.middle_meq_l)
    lacking = max(float(np.median(posterior.state.load_meq_d - supply)), 0.0)
    solutions = (tank.solutions[name] for name in recommendation.dose_ml_d)
    bridge = {
        one.name: lacking / one.alkalinity_meq_per_ml
        for one in solutions
        if one.alkalinity_meq_per_ml > 0
    }
    first = dict(list(bridge.items())[:1])
    return Held(most, flow.setting.set_to_ml_h, first, lacking if first else 0.0)


def most_meanwhile(
    alarms: Sequence[Alarm], posterior: Posterior, log: TankLog, tank: Tank
) -> float | None:
    """Highest setting of the pump while a cause is to be found, mL/h; None where none is."""
    pump, base = tank.reactor or PLANNED_PUMP, _ran_at(posterior)
    if not base or not _unexplained(alarms, posterior, log, tank):
        return None
    step = pump.flow_step_ml_h
    raised = np.floor((1 + LARGEST_RAISE) * base / step + 1e-9) * step
    return max(float(raised), pump.flow_min_ml_h, base)  # a coarse step leaves the pump as it is


def _ran_at(posterior: Posterior) -> float | None:
    """The pump's setting, or the last flow of one that stands, mL/h."""
    flow = posterior.last_run_flow_l_d
    return None if flow is None else float(to_ml_h(np.array(flow)))


def _unexplained(alarms: Sequence[Alarm], posterior: Posterior, log: TankLog, tank: Tank) -> bool:
    """Whether gas is lacking, or the effluent most likely weaker without a test that says so."""
    if any(alarm.code == "alarm_chamber_ph_up" and alarm.chance >= STANDS for alarm in alarms):
        return True
    weak = weaker_effluent(alarms)
    return weak is not None and weak.chance >= STANDS and not _confirmed(weak, posterior, log, tank)


def _confirmed(weak: Alarm, posterior: Posterior, log: TankLog, tank: Tank) -> bool:
    """Whether effluent tests since then read weaker: one that fits the tank's fall, or two.

    At the flow of before, readings are held against those of before; at another flow, two that the
    fit finds ordinary, the last of them of the last `RECENT_DAYS`, are taken to say what it has
    learned from them.
    """
    if weak.since is None or weak.size is None:
        return False
    halfway = 1.0 + 0.5 * float(np.median(weak.size))
    weaker = {
        row: ratio
        for row, ratio in effluent_ratios(log, tank, weak.since).items()
        if ratio < halfway
    }
    if any(
        check.reading.row in weaker
        and (check.reading.sample, check.reading.parameter) == ("effluent", ALKALINITY.name)
        and not check.is_odd
        for check in posterior.checks
    ):
        return True
    ratios = sorted(weaker.values())
    if any(b / a - 1 < AGREE for a, b in pairwise(ratios)):
        return True
    ordinary = [
        check.reading.time.date()
        for check in posterior.checks
        if (check.reading.parameter, check.reading.sample) == (ALKALINITY.name, "effluent")
        and check.reading.time.date() >= weak.since
        and not check.is_odd
    ]
    fresh = log.end.date() - timedelta(days=RECENT_DAYS)
    return len(ordinary) >= 2 and max(ordinary) >= fresh


def hold(
    recommendation: Recommendation,
    held: Held,
    posterior: Posterior,
    tank: Tank,
    seed: np.random.SeedSequence,
) -> Recommendation:
    """The recommendation with the setting held back; its chances are with the bridge dosed."""
    flow = recommendation.flow
    assert flow.setting is not None
    ahead = ahead_of(posterior, tank, HORIZON_DAYS, seed)
    flow_l_d, dosed = to_l_d(np.array([held.set_to_ml_h])), held.bridge_meq_d
    setting = replace(flow.setting, set_to_ml_h=held.set_to_ml_h)
    return replace(
        recommendation,
        flow=replace(
            flow,
            setting=setting,
            dosed_beside_meq_d=dosed,
            in_band_probability=float(ahead.holds(flow_l_d, dosed)[0]),
            in_band_as_kit_reads=ahead.reads(float(flow_l_d[0]), dosed),
        ),
    )
