"""The days to come at a steady flow, uptake and effluent still drifting: is the band held?"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from estimator.fit.state import TankState
from estimator.inputs.tank import Target
from estimator.kernels import kernel, part
from estimator.water.supply import LEAST_STRENGTH, strength_after


class TankTests(NamedTuple):
    """The tests of the tank that come, draws (s,). Misread ones are left out.

    Attributes:
        every_d: days from one to the next; the first is so many days away.
        below_mean_d: how far the level then stands below its daily mean, in days of uptake.
        calibration: reading over level.
        error_meq_l: (days, s) of a reading.
        step_meq_l: of the kit's scale.
    """

    every_d: int
    below_mean_d: np.ndarray
    calibration: np.ndarray
    error_meq_l: np.ndarray
    step_meq_l: float


def to_step(shown: np.ndarray, step: float) -> np.ndarray:
    """What a kit of this step shows."""
    return np.asarray(np.round(shown / step) * step)


def hold_chances(
    state: TankState,
    flows_l_d: np.ndarray,
    band: Target,
    noise: np.ndarray,
    *,
    dosed_meq_d: float = 0.0,
    weights: np.ndarray | None = None,
) -> np.ndarray:
    """Chance that every daily mean of the days to come lies in the band, at each flow.

    The same random numbers serve every flow, so that differences between flows are not noise.
    Water changes to come are left out.

    Args:
        state: level, uptake and increment (i, s) for i outcomes, or (s,) for one.
        flows_l_d: (f,) flows to try.
        band: to be held.
        noise: (days, s, 2) standard normal numbers, for uptake and for the effluent.
        dosed_meq_d: alkalinity dosed beside the reactor.
        weights: (i, s) of the draws, each row adding up to 1; default equal.

    Returns:
        (i, f).
    """
    law = state.law
    count = len(state.effluent_drift)
    # Rates (i, s, f); one i serves all where the law is the same for every outcome.
    flows = np.asarray(flows_l_d, dtype=float)
    per_flow = law.each(lambda draws: np.atleast_2d(draws)[:, :, None])
    kappa, decay = per_flow.rates(flows)
    drawn = (state.level_meq_l, state.uptake_meq_l_d, law.saturated_meq_l, law.strength)
    states = np.broadcast_arrays(*(np.atleast_2d(one) for one in drawn))
    if weights is None:
        weights = np.full(states[0].shape, 1.0 / count)
    rates = (kappa, decay, np.broadcast_to(flows / per_flow.volume_l, kappa.shape))
    dosed = np.broadcast_to(dosed_meq_d / np.asarray(law.volume_l), (count,))
    drifts = (state.uptake_drift_meq_l_d, state.effluent_drift)
    arrays = (*states, weights, *rates, *drifts, dosed, noise)
    chances = hold_kernel(
        # All laid out alike, or each way would be compiled for itself.
        *(np.require(one, float, ("C", "W")) for one in arrays),
        law.middle_meq_l,
        band.low,
        band.high,
    )
    # Weights may add up to a little more than 1.
    return np.minimum(chances, 1.0)


def read_chances(
    state: TankState,
    flow_l_d: float,
    band: Target,
    noise: np.ndarray,
    tests: TankTests,
    *,
    dosed_meq_d: float = 0.0,
) -> float:
    """Chance that every test of the days to come reads inside the band, at one flow.

    Args:
        state: the tank now, (s,).
        flow_l_d: of effluent.
        band: to be read inside, its ends included.
        noise: (days, s, 2) as in `hold_chances`, so that both speak of the same futures.
        tests: when and with what.
        dosed_meq_d: alkalinity dosed beside the reactor.
    """
    law, level, uptake = state.law, state.level_meq_l, state.uptake_meq_l_d
    drifted = np.cumsum(noise, axis=0)
    slack, inside = 1e-9 * band.high, np.ones(len(level), dtype=bool)
    for day, (of_uptake, of_effluent) in enumerate(drifted.transpose(0, 2, 1)):
        taken = uptake + state.uptake_drift_meq_l_d * of_uptake
        strength = law.strength * strength_after(state.effluent_drift * of_effluent)
        level = law.advance(level, flow_l_d, dosed_meq_d / law.volume_l - taken, strength)
        if (day + 1) % tests.every_d == 0:
            then = level - tests.below_mean_d * taken
            shown = to_step(tests.calibration * then + tests.error_meq_l[day], tests.step_meq_l)
            inside &= (shown >= band.low - slack) & (shown <= band.high + slack)
    return float(np.mean(inside))


def compile_forecast() -> None:
    """Compile `hold_kernel`, on made-up numbers."""
    one, two, three = np.ones(1), np.ones((1, 1)), np.ones((1, 1, 1))
    none = np.zeros((1, 1, 2))
    hold_kernel(two, two, two, two, two, three, three, three, one, one, one, none, 1.0, 0.0, 1.0)


@part
def _over_a_day(decay):  # type: ignore[no-untyped-def]
    """What a day leaves of a level, e^−k, and of a unit of supply, (1 − e^−k)/k, at rates k."""
    fades, lasts = np.exp(-decay), np.ones_like(decay)
    for a in range(decay.shape[0]):
        for s in range(decay.shape[1]):
            for f in range(decay.shape[2]):
                if decay[a, s, f] >= 1e-9:
                    lasts[a, s, f] = -np.expm1(-decay[a, s, f]) / decay[a, s, f]
    return fades, lasts


@kernel
def hold_kernel(  # type: ignore[no-untyped-def]
    level,
    uptake,
    saturated,
    strength,
    weights,
    kappa,
    decay,
    turnover,
    uptake_drift,
    effluent_drift,
    dosed,
    noise,
    middle,
    low,
    high,
):
    """Weighted share of draws whose daily means all lie in the band.

    Each day is `water.supply.SupplyLaw.advance`.

    Args:
        level, uptake, saturated, strength, weights: (i, s) of each outcome.
        kappa, decay, turnover: (i, s, f) of each flow, or (1, s, f) for every outcome; turnover
            is F/V.
        uptake_drift, effluent_drift, dosed: (s,) per draw, per day.
        noise: (days, s, 2) standard normal.
        middle, low, high: scalars, meq/L.

    Returns:
        (i, f).
    """
    (outcomes, count), days = level.shape, len(noise)
    chances = np.zeros((outcomes, kappa.shape[2]))
    fades, lasts = _over_a_day(decay)
    supply, net = np.empty(days), np.empty(days)
    for i in range(outcomes):
        law = min(i, len(kappa) - 1)
        for s in range(count):
            if weights[i, s] < 1e-7:
                continue
            taken, strong = uptake[i, s], strength[i, s]
            least, drift = LEAST_STRENGTH * strong, effluent_drift[s] * strong
            for day in range(days):
                taken += uptake_drift[s] * noise[day, s, 0]
                strong += drift * noise[day, s, 1]
                supply[day] = saturated[i, s] * max(strong, least)
                net[day] = dosed[s] - taken
            for f in range(kappa.shape[2]):
                fading, lasting, kept = fades[law, s, f], lasts[law, s, f], kappa[law, s, f]
                steady, most = decay[law, s, f] * middle, turnover[law, s, f] * saturated[i, s]
                now = level[i, s]
                for day in range(days):
                    given = min(kept * supply[day], most)
                    now = now * fading + lasting * (given + steady + net[day])
                    if now < low or now > high:
                        break
                else:
                    chances[i, f] += weights[i, s]
    return chances
