"""Searches for a plan whose parts are stated: a running reactor that carries the load."""

from __future__ import annotations

import numpy as np

from estimator import units
from estimator.fit.state import TankState
from estimator.inputs.tank import Reactor, Target
from estimator.plan.belief import Belief
from estimator.plan.futures import MOST_REPEATS, Futures
from estimator.plan.means import Means
from estimator.plan.search import AHEAD_DAYS, Reports, Task
from estimator.water.supply import SupplyLaw

DKH = units.MEQ_L_PER_DKH
VOLUME, UPTAKE, DRAWS = 600.0, 0.5, 200
BAND = Target(7.6 * DKH, 8.8 * DKH, "dKH", 0.5 * DKH)
LAW = SupplyLaw(VOLUME, 12.0, 50.0, BAND.middle)
"""50 L/day bring the 300 meq/day that the tank takes."""


def means(**changes) -> Means:
    stated = {
        "pump": Reactor(60.0, 6000.0, 10.0),
        "reactor": True,
        "present_l_d": 50.0,
        "present_ml_d": {"soda": 0.0},
        "present_meq_d": 0.0,
        "ml_per_meq": {"soda": 1 / 1.9},
        "calcium_extra_ml_d": {},
        "pauses": (),
        "once": "soda",
        "meq_per_ml": 1.9,
        "rise_meq_l_d": 0.5 * DKH,
        "rise_stated": True,
        "replaced": frozenset({"soda"}),
    }
    return Means(**(stated | changes))


def task(level: float = BAND.middle, **changes) -> Task:
    """A running reactor that carries the load; six minutes a test."""
    of = {name: changes.pop(name) for name in list(changes) if name in Means.__dataclass_fields__}
    unknown = np.zeros((1, 3, 3))
    belief = Belief(LAW, level, UPTAKE, 1.0, 0.0, unknown, 0.01, 0.0, 0.08, BAND.middle)
    stated = {
        "means": means(**of),
        "belief": belief,
        "band": BAND,
        "flows_l_d": (50.0,),
        "ladder_to_l_d": None,
        "first_only": False,
        "highest_l_d": 144.0,
        "doses": False,
        "minutes": 6.0,
        "minutes_per_week": 30.0,
        "reports": (Reports((7,), 30.0),),
    }
    return Task(**(stated | changes))


def futures(level: float = BAND.middle, wander: float = 0.02, step: float = 0.1) -> Futures:
    """Tanks whose uptake walks and whose kit scatters by 0.08 meq/L."""
    rng, ones = np.random.default_rng(1), np.ones(DRAWS)
    law = LAW._replace(volume_l=VOLUME * ones, half_flow_l_d=50 * ones, saturated_meq_l=12 * ones)
    days = AHEAD_DAYS
    walk = wander * UPTAKE * np.cumsum(rng.standard_normal((days, DRAWS)), axis=0)
    return Futures(
        state=TankState(law, level * ones, UPTAKE * ones, wander * UPTAKE * ones, 0 * ones),
        uptake_meq_l_d=UPTAKE + walk,
        strength=np.ones((days, DRAWS)),
        calibration=ones,
        below_mean_d=0 * ones,
        error_meq_l=0.08 * rng.standard_normal((days + 1, MOST_REPEATS + 1, DRAWS)),
        effluent_error_meq_l=0.08 * rng.standard_normal((days + 1, MOST_REPEATS + 1, DRAWS)),
        repeatability_meq_l=0.08 * ones,
        kit_step_meq_l=step,
    )
