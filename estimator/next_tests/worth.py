"""What a set of tests is worth: how far it narrows the flow range, and what better setting follows.

Two figures for each set of imagined outcomes (`foresight`): the expected width of the 9-in-10 range
of the needed flow, and the expected value of sample information for the keeper's decision (Raiffa &
Schlaifer 1961, Applied Statistical Decision Theory): by how much the chance of holding the band
rises when the flow is set again with the results in hand. Both speak of the tank as it is at the
end of the log, as if the results were to hand at once, so that long and short sets compare fairly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from estimator.advice.flow import HORIZON_DAYS
from estimator.fit.forecast import hold_chances as chances_of
from estimator.fit.sampling import thinned
from estimator.inputs.tank import Target
from estimator.next_tests.foresight import Foresight, Outcomes, Present

USEFUL_PCT = 5
"""Narrowing of the flow range, per cent, below which no test is called useful."""
SETTINGS = 11
"""Flows that the decision is between."""
MOST_WITHOUT_NEED = 0.05
"""Share of draws without any uptake from which the flow's range is no measure any more."""
HOLDING_DRAWS = 500
NEWTON_STEPS = 40
FUTURES = 64
"""Futures tried for each draw where all is known of the present; with few, the best of the flows is
the luckiest, and knowledge seems worth more than it is."""


@dataclass(frozen=True)
class Worth:
    """Of one set of tests.

    Attributes:
        width: (i,) of the 9-in-10 range of the needed flow after each outcome, over its width now.
        gain: expected rise of the chance of holding the band.
        gain_error: its Monte Carlo standard error.
        holding: chance of holding the band at the best flow without the tests.
        effective: mean effective number of draws behind an outcome.
    """

    width: np.ndarray
    gain: float
    gain_error: float
    holding: float
    effective: float

    @property
    def expected_width(self) -> float:
        """Mean over outcomes, relative to now."""
        return float(np.mean(self.width))

    @property
    def width_error(self) -> float:
        """Monte Carlo standard error of `expected_width`."""
        return float(np.std(self.width) / np.sqrt(len(self.width)))


def weighted_quantiles(
    values: np.ndarray, weights: np.ndarray, points: tuple[float, ...]
) -> np.ndarray:
    """Quantiles (i, q) of weighted samples (i, s).

    Each value stands at the middle of its own weight; linear in between.
    """
    order = np.argsort(values, axis=1)
    values = np.take_along_axis(values, order, axis=1)
    weights = np.take_along_axis(weights, order, axis=1)
    place = np.cumsum(weights, axis=1) - 0.5 * weights
    return np.array([np.interp(points, at, value) for at, value in zip(place, values, strict=True)])


def mixture_quantile(
    centre: np.ndarray, sd: np.ndarray, weights: np.ndarray, point: np.ndarray
) -> np.ndarray:
    """The quantile (i,) of each mixture of normals.

    Newton's method on the normal score of the mixture's distribution function, held in brackets.

    Args:
        centre, sd, weights: (i, s) of the normals, each row of weights adding up to 1.
        point: (i,) between 0 and 1.
    """
    mean = np.sum(weights * centre, axis=1)
    spread = np.sqrt(np.sum(weights * ((centre - mean[:, None]) ** 2 + sd**2), axis=1))
    low, high = mean - 40.0 * spread, mean + 40.0 * spread
    score = ndtri(point)
    x = mean + score * spread
    for _ in range(NEWTON_STEPS):
        z = (x[:, None] - centre) / sd
        below = np.sum(weights * ndtr(z), axis=1)
        slope = np.sum(weights / sd * np.exp(-0.5 * z**2), axis=1)
        low, high = np.where(below < point, x, low), np.where(below < point, high, x)
        here = ndtri(np.clip(below, 1e-9, 1.0 - 1e-9))
        step = (score - here) * np.exp(-0.5 * here**2) / np.maximum(slope, 1e-300)
        inside = (x + step >= low) & (x + step <= high)
        before, x = x, np.where(inside, x + step, 0.5 * (low + high))
        if np.all(np.abs(x - before) < 1e-3 * spread):
            break
    return x


def flow_quantiles(
    present: Present, outcomes: Outcomes, points: tuple[float, ...] = (0.05, 0.95)
) -> np.ndarray:
    """Quantiles (i, q) of the needed flow, L/day, after each outcome.

    They are those of the mixture of the draws' log-normals, without the noise of drawing the
    states; 0 where so large a share of the draws needs no flow.
    """
    with np.errstate(divide="ignore"):
        log_flow = np.log(present.flow_l_d(outcomes.mean))
    some = np.isfinite(log_flow)
    weights = np.where(some, outcomes.weights, 0.0)
    share = np.maximum(weights.sum(axis=1), 1e-9)
    weights /= share[:, None]
    centre, sd = np.where(some, log_flow, 0.0), np.clip(outcomes.flow_sd, 1e-6, 3.0)
    found = []
    for point in points:
        # Of those that need a flow, the others lying below.
        place = 1.0 - (1.0 - point) / share
        x = mixture_quantile(centre, sd, weights, np.clip(place, 1e-6, 1.0 - 1e-6))
        found.append(np.where(place > 0.0, np.exp(x), 0.0))
    return np.stack(found, axis=1)


def flow_widths(present: Present, outcomes: Outcomes) -> np.ndarray:
    """(i,) width of the 9-in-10 range of the needed flow, L/day, after each outcome."""
    return np.asarray(np.diff(flow_quantiles(present, outcomes), axis=1)[:, 0])


def uptake_widths(present: Present, outcomes: Outcomes) -> np.ndarray:
    """(i,) width of the 9-in-10 range of net uptake, meq/L/day, after each outcome."""
    uptake = present.state(outcomes.states).uptake_meq_l_d
    return np.asarray(
        np.diff(weighted_quantiles(uptake, outcomes.weights, (0.05, 0.95)), axis=1)[:, 0]
    )


def range_widths(present: Present, outcomes: Outcomes, before: Outcomes) -> np.ndarray:
    """(i,) width of the range after each outcome, relative to `before`.

    The range is that of the needed flow; where more than one draw in twenty takes up nothing, so
    that the flow's range ends at 0, that of uptake.
    """
    in_need = before.weights[0] @ (present.flow_l_d(before.mean[0]) > 0)
    width = flow_widths if in_need >= 1.0 - MOST_WITHOUT_NEED else uptake_widths
    return width(present, outcomes) / max(float(np.mean(width(present, before))), 1e-12)


def value_of_information(payoff: np.ndarray, chance: np.ndarray | None = None) -> float:
    """Expected gain from choosing after the outcome is known instead of before.

    E_outcome[max over choices] − max over choices E_outcome[·].

    Args:
        payoff: (i, f) expected payoff of each choice after each outcome.
        chance: (i,) of the outcomes; default equal.
    """
    chance = np.full(len(payoff), 1.0 / len(payoff)) if chance is None else chance
    return float(chance @ payoff.max(axis=1) - (chance @ payoff).max())


def worth_of(
    foresight: Foresight, outcomes: Outcomes, before: Outcomes, band: Target, flows_l_d: np.ndarray
) -> Worth:
    """Expected width and value of one set of tests.

    Args:
        foresight: where the outcomes come from.
        outcomes: after the tests.
        before: the same with no test taken.
        band: that is to be held.
        flows_l_d: (f,) the settings to choose from.
    """
    present = foresight.present
    holds = hold_chances(present, outcomes, band, flows_l_d)
    best = int(np.argmax(holds.mean(axis=0)))
    rise = holds.max(axis=1) - holds[:, best]
    return Worth(
        width=range_widths(present, outcomes, before),
        gain=value_of_information(holds),
        gain_error=float(np.std(rise) / np.sqrt(len(rise))),
        holding=float(np.max(np.mean(holds, axis=0))),
        effective=float(np.mean(outcomes.effective)),
    )


def settings_to_try(
    present: Present, before: Outcomes, low_l_d: float, high_l_d: float
) -> np.ndarray:
    """Flows (f,) across what may be needed, within the pump's limits."""
    points = flow_quantiles(present, before, (0.02, 0.98))[0]
    first, last = np.clip(points, low_l_d, high_l_d)
    return np.linspace(first, last, SETTINGS)


def hold_chances(
    present: Present, outcomes: Outcomes, band: Target, flows_l_d: np.ndarray
) -> np.ndarray:
    """(i, f) chance that every daily mean of the horizon stays in the band at each flow."""
    rng = np.random.default_rng(0)
    # The chances need fewer draws than the ends of a range.
    chosen = thinned(len(present.volume_l), HOLDING_DRAWS)
    weights = outcomes.weights[:, chosen]
    return chances_of(
        present.some(chosen).state(outcomes.states[:, chosen]),
        flows_l_d,
        band,
        rng.standard_normal((HORIZON_DAYS, len(chosen), 2)),
        weights=weights / weights.sum(axis=1, keepdims=True),
    )


def perfect_knowledge(
    foresight: Foresight, before: Outcomes, band: Target, flows_l_d: np.ndarray, draws: int = 200
) -> float:
    """Rise of the chance of holding the band if all of the present were known, the future not."""
    present = foresight.present
    chosen = thinned(len(present.volume_l), draws)
    rng = np.random.default_rng(1)
    noise = rng.standard_normal((FUTURES, HORIZON_DAYS, len(chosen), 2))
    states = np.repeat(before.states[:1, chosen], len(chosen), axis=0)
    known, apart = present.some(chosen).state(states), np.eye(len(chosen))
    holds = np.zeros((len(chosen), len(flows_l_d)))
    for future in noise:
        holds += chances_of(known, flows_l_d, band, future, weights=apart)
    return value_of_information(holds / FUTURES)
