"""What a keeper can set, read from logs worked by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from estimator.advice.flow import to_ml_h
from estimator.inputs.dosing import Solution
from estimator.inputs.tank import Reactor
from estimator.plan.means import means_of, settable_flow
from helpers.plans import known
from helpers.tanks import example_log, example_tank

READ = [(0.5, "alkalinity", "tank", "alk", 2.9), (12.0, "alkalinity", "tank", "alk", 2.9)]
BOTH = [(1.0, "dose_rate", "soda", 60.0), (1.0, "dose_rate", "chloride", 30.0)]


def means(actions=BOTH, solutions=None, **changes):
    tank = example_tank()
    tank = replace(tank, solutions={**tank.solutions, **(solutions or {})})
    tank = replace(tank, **{k: changes.pop(k) for k in ("reactor",) if k in changes})
    return means_of(known(**changes), example_log(READ, actions), tank)


def test_every_solution_has_its_rate() -> None:
    """114 meq/day: 60 mL of soda, and the calcium that corals take beside it; magnesium goes on."""
    magnesium = {"magnesium": Solution("magnesium", magnesium_mmol_per_ml=1.0)}
    found = means([*BOTH, (1.0, "dose_rate", "magnesium", 12.0)], magnesium)
    share = float(np.median(known().calcium_share))
    rates = found.rates(114.0)
    assert rates["soda"] == 60.0
    assert rates["chloride"] == pytest.approx(share * 114.0 / 1.84, abs=0.5)
    assert rates["magnesium"] == 12.0
    assert found.rates(0.0) == {"soda": 0.0, "chloride": 0.0, "magnesium": 12.0}


def test_of_two_solutions_of_alkalinity_the_one_in_use_goes_on() -> None:
    """The one dosed now; where none is, the one dosed last; else the first of the tank file."""
    more = {"bicarbonate": Solution("bicarbonate", alkalinity_meq_per_ml=1.0)}
    assert means([(1.0, "dose_rate", "bicarbonate", 50.0)], more).once == "bicarbonate"
    last = [(1.0, "dose", "soda", 20.0), (2.0, "dose", "bicarbonate", 20.0)]
    assert means(last, more).once == "bicarbonate"
    assert means([], more).once == "soda"
    two = means([*BOTH, (1.0, "dose_rate", "bicarbonate", 114.0)], more)
    rates = two.rates(228.0)
    assert (rates["soda"], rates["bicarbonate"]) == (60.0, 114.0)


def test_calcium_that_is_low_is_given_more_and_high_pauses() -> None:
    """Half a mmol/L below the middle, in 600 L over twenty days: 15 mmol a day beside the rest."""
    usual = means(calcium_now_mmol_l=np.full(200, 10.6))
    low = means(calcium_now_mmol_l=np.full(200, 10.1))
    more = low.rates(114.0)["chloride"] - usual.rates(114.0)["chloride"]
    assert more == pytest.approx(0.5 * 600 / 20 / 1.84, abs=1.0)
    high = means(calcium_now_mmol_l=np.full(200, 12.5))
    assert high.pauses == ("chloride",)
    assert high.rates(114.0)["chloride"] == 0.0


def test_a_reactors_keeper_who_never_dosed_calcium_is_asked_for_none() -> None:
    """The reactor brings it; without a reactor it is part of the plan."""
    soda = [(1.0, "dose_rate", "soda", 60.0)]
    assert means(soda).rates(114.0)["chloride"] == 0.0
    assert means(soda, reactor=None).rates(114.0)["chloride"] > 0.0


def test_a_tank_without_solutions_has_nothing_to_dose() -> None:
    """No alkalinity, no addition."""
    tank = replace(example_tank(), solutions={})
    found = means_of(known(dosed_meq_d=0.0), example_log(READ, []), tank)
    assert found.ml_per_meq == {}
    assert found.once is None
    assert found.meq_per_ml == 0.0


@pytest.mark.parametrize(
    ("ml_h", "settable"), [(0.0, 60.0), (64.0, 60.0), (66.0, 70.0), (5999.0, 5990.0), (9e3, 5990.0)]
)
def test_a_flow_is_set_on_a_step_between_the_pumps_ends(ml_h: float, settable: float) -> None:
    """Of 60 to 5995 mL/h in steps of ten: 60 is the least, 5990 the most."""
    pump = Reactor(60.0, 5995.0, 10.0)
    assert to_ml_h(np.array(settable_flow(pump, ml_h * 0.024))) == pytest.approx(settable)
    assert to_ml_h(np.array(settable_flow(Reactor(55.0, 90.0, 10.0), 0.0))) == pytest.approx(60.0)


def test_alkalinity_may_rise_by_half_a_dkh_a_day_where_nothing_is_stated() -> None:
    """0.5 dKH is 0.1783 meq/L; a band that states its own is heeded."""
    found = means()
    assert (found.rise_meq_l_d, found.rise_stated) == (pytest.approx(0.1783, abs=1e-4), False)
    tank = example_tank()
    band = replace(tank.targets["alkalinity"], max_rise_per_day=0.3)
    tank = replace(tank, targets={**tank.targets, "alkalinity": band})
    stated = means_of(known(), example_log(READ, BOTH), tank)
    assert (stated.rise_meq_l_d, stated.rise_stated) == (0.3, True)
