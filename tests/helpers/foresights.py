"""Futures made by hand, for what is foreseen of further tests."""

from __future__ import annotations

import numpy as np

from estimator import units
from estimator.fit.likelihood import MISREAD_CHANCE, MISREAD_SPREAD
from estimator.fit.load import ROOM
from estimator.fit.trace import thinned
from estimator.inputs.records import Reading
from estimator.next_tests.foresight import MOST_REPEATS, Foresight, Present, slopes
from estimator.water.supply import SupplyLaw

DKH = units.MEQ_L_PER_DKH

STATES = ("alkalinity", "uptake", "effluent")
READ = {
    "tank now": (1.0, 0.0, 0.0),
    "tank in three days": (1.0, -3 * 1.2 * DKH, 0.0),
    "effluent": (0.4, 0.0, 16 * DKH),
    "uptake itself": (0.0, 1.0, 0.0),
    "effluent itself": (0.0, 0.0, 1.0),
}
"""Readings of `hand_made`: what each takes of the three states."""
CENTRE = (8.2 * DKH, 0.0, 0.0)
SPREAD = (0.15 * DKH, 0.1, 0.06)
USUAL_LOAD_MEQ_D = 600 * 1.2 * DKH
SCATTER = 0.2 * DKH
STEP = 0.3 * DKH


def hand_made(
    seed: int,
    *,
    draws: int = 400,
    imagined: int = 100,
    scatter: float = SCATTER,
    step: float = STEP,
    parameter_spread: float = 1.0,
    planned: bool = False,
) -> Foresight:
    """A foresight of `READ`, every draw with parameters and a present of its own.

    Args:
        seed: of everything random.
        draws, imagined: s and i.
        scatter, step: of all kits alike, meq/L; the last two readings scatter a tenth of it.
        parameter_spread: factor on the spread of parameters and means between draws; 0 leaves the
            states alone uncertain.
        planned: the reactor's effluent was never tested.
    """
    rng = np.random.default_rng(seed)

    def lognormal(median: float, sd: float) -> np.ndarray:
        return median * np.exp(parameter_spread * sd * rng.standard_normal(draws))

    kit_calibration = lognormal(1.0, 0.03)
    start = lognormal(1.2 * DKH, 0.05)
    strength = lognormal(16 / 0.6 * DKH, 0.05)
    half_flow = lognormal(45 * 0.6 / 0.4, 0.2)
    own = parameter_spread * 0.5 * np.array(SPREAD) * rng.standard_normal((draws, len(STATES)))
    root = np.diag(SPREAD) @ np.array([[1.0, 0.0, 0.0], [0.5, 0.8, 0.0], [0.2, 0.3, 0.9]])
    look = np.repeat(np.array(list(READ.values()))[None], draws, axis=0)
    look[:, :3] *= kit_calibration[:, None, None]
    whole = np.concatenate([look, np.repeat(np.eye(len(STATES))[None], draws, axis=0)], axis=1)
    mean = np.einsum("skt,st->sk", whole, np.array(CENTRE) + own)
    covariance = np.einsum("skt,tu,slu->skl", whole, root @ root.T, whole)
    scatter_sd = scatter * np.array([1.0, 1.0, 1.7, 0.1, 0.1]) * np.ones((draws, 1))
    steps = step * np.array([1.0, 1.0, 1.0, 0.0, 0.0])
    picks = thinned(draws, imagined)
    states = np.array(CENTRE) + own[picks]
    states = states + rng.standard_normal(states.shape) @ root.T
    shape = (len(picks), len(READ), MOST_REPEATS)
    classes = rng.choice(len(MISREAD_CHANCE), size=shape, p=MISREAD_CHANCE)
    present = Present(
        law=SupplyLaw(
            volume_l=lognormal(600.0, 0.04),
            saturated_meq_l=strength,
            half_flow_l_d=half_flow,
            middle_meq_l=8.2 * DKH,
            strength=np.ones(draws),
            level_response_per_d=0.06 / DKH * start,
        ),
        load_share=USUAL_LOAD_MEQ_D / (strength * half_flow),
        shown_flow_l_d=45.0,
        untested_meq_d=ROOM * USUAL_LOAD_MEQ_D if planned else None,
        uptake_start=start,
        uptake_scale=start,
        drift=np.full(draws, 0.015),
        effluent_drift=np.full(draws, 0.01),
        level_shift_meq_l=np.zeros(draws),
        shape_d=np.full(draws, 0.05),
        places=(0, 1, 2, -1, -1),
        light_ratio=lognormal(2.5, 0.3),
        kit_calibration=kit_calibration,
    )
    centre = mean[:, len(READ) :]
    return Foresight(
        readings=tuple(Reading(0, None, "alkalinity", name, "", 0.0, "", "") for name in READ),
        mean=mean,
        covariance=covariance,
        variance=scatter_sd**2 + steps**2 / 12,
        scatter_sd=scatter_sd,
        step=steps,
        picks=picks,
        truth=np.einsum("ikt,it->ik", look[picks], states),
        errors=rng.standard_normal(shape),
        spreads=MISREAD_SPREAD[classes],
        volume_errors=rng.standard_normal(len(picks)),
        flow_slope=slopes(present.log_flow, centre),
        normals=rng.standard_normal((draws, len(STATES))),
        present=present,
    )
