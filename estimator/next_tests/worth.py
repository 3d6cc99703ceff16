"""What a set of tests is worth: the second half of a preposterior analysis.

Two figures for each set of tests, over its imagined outcomes (`outcomes`): the expected width of
the 9-in-10 range of the needed flow, and the expected value of sample information for the keeper's
decision (Raiffa & Schlaifer 1961, Applied Statistical Decision Theory), which is by how much the
chance of holding the band rises when the flow is set again with the results in hand. Both speak of
the tank as it is at the end of the log, as if the results were to hand at once, so that long and
short sets compare fairly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from estimator.advice.flow import HORIZON_DAYS
from estimator.fit.forecast import hold_chances
from estimator.fit.trace import thinned
from estimator.inputs.tank import Target
from estimator.next_tests.foresight import Foresight, Present
from estimator.next_tests.outcomes import Outcomes, before_tests

SETTINGS = 11
"""Flows that the decision is between."""
MOST_WITHOUT_NEED = 0.05
"""Share of draws without any uptake from which the flow's range is no measure any more."""
HOLDING_DRAWS = 500
"""Draws behind a chance of holding the band: it needs fewer than the ends of a range do."""
PRESENTS = 200
"""Draws each taken for what is truly so, where all of the present is known."""
FUTURES = 64
"""Futures tried for each of them. With few, the flow that does best is the luckiest (the
optimiser's curse), and knowledge seems worth more than it is."""
NEWTON_STEPS = 40
MOST_WIDER = 3.0
"""A range that an outcome leaves wider than this, relative to now, counts as so wide: the flow then
cannot be told, and the size of few such would outweigh all other outcomes in a mean (no source)."""


@dataclass(frozen=True)
class Decision:
    """The choice of a flow that the tests are to serve.

    Attributes:
        before: knowledge without any test.
        band: that is to be held.
        flows_l_d: (f,) to choose from.
        noise: (days, c, 2) standard normal, for what drifts in the days to come of c draws. It is
            the same for every set of tests, so that differences between sets are not noise.
    """

    before: Outcomes
    band: Target
    flows_l_d: np.ndarray
    noise: np.ndarray


def decision_of(
    foresight: Foresight,
    band: Target,
    low_l_d: float,
    high_l_d: float,
    seed: np.random.SeedSequence,
) -> Decision:
    """The choice between flows across what may be needed, within the pump's limits.

    Args:
        foresight: what is known.
        band: to be held.
        low_l_d, high_l_d: limits of the pump.
        seed: for the days to come.
    """
    before = before_tests(foresight)
    points = flow_quantiles(foresight.present, before, (0.02, 0.98))[0]
    first, last = np.clip(points, low_l_d, high_l_d)
    count = min(HOLDING_DRAWS, len(foresight.mean))
    noise = np.random.default_rng(seed).standard_normal((HORIZON_DAYS, count, 2))
    return Decision(before, band, np.linspace(first, last, SETTINGS), noise)


FURTHEST = 10.0
"""So many times the middle of the needed flow stand for more than that (no source)."""


@dataclass(frozen=True)
class Worth:
    """Of one set of tests.

    Attributes:
        width: (i,) of the 9-in-10 range of the needed flow after each outcome, over its width now.
        value: expected rise of the chance of holding the band.
        value_error: its Monte Carlo standard error.
        holding: chance of holding the band at the best flow without the tests.
        effective: mean effective number of draws behind an outcome.
    """

    width: np.ndarray
    value: float
    value_error: float
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


def worth_of(foresight: Foresight, outcomes: Outcomes, decision: Decision) -> Worth:
    """Expected width and value of the tests that lead to these outcomes."""
    holds = chances_after(foresight.present, outcomes, decision)
    best = int(np.argmax(holds.mean(axis=0)))
    rise = holds.max(axis=1) - holds[:, best]
    return Worth(
        width=range_widths(foresight.present, outcomes, decision.before),
        value=value_of_information(holds),
        value_error=float(np.std(rise) / np.sqrt(len(rise))),
        holding=float(np.max(np.mean(holds, axis=0))),
        effective=float(np.mean(outcomes.effective)),
    )


def value_of_information(payoff: np.ndarray, chance: np.ndarray | None = None) -> float:
    """Expected rise of the payoff from choosing after the outcome is known instead of before.

    E_outcome[max over choices] − max over choices E_outcome[·].

    Args:
        payoff: (i, f) expected payoff of each choice after each outcome.
        chance: (i,) of the outcomes; default equal.
    """
    chance = np.full(len(payoff), 1.0 / len(payoff)) if chance is None else chance
    return float(chance @ payoff.max(axis=1) - (chance @ payoff).max())


def chances_after(present: Present, outcomes: Outcomes, decision: Decision) -> np.ndarray:
    """(i, f) chance that every daily mean of the horizon stays in the band at each flow."""
    chosen = thinned(len(present.volume_l), HOLDING_DRAWS)
    weights = outcomes.weights[:, chosen]
    return hold_chances(
        present.some(chosen).state(outcomes.states[:, chosen]),
        decision.flows_l_d,
        decision.band,
        decision.noise,
        weights=weights / weights.sum(axis=1, keepdims=True),
    )


def perfect_knowledge(
    foresight: Foresight, decision: Decision, seed: np.random.SeedSequence
) -> float:
    """Expected value of knowing all of the present, the future not: no test is worth more."""
    present = foresight.present
    chosen = thinned(len(present.volume_l), PRESENTS)
    noise = np.random.default_rng(seed).standard_normal((FUTURES, HORIZON_DAYS, len(chosen), 2))
    states = np.repeat(decision.before.states[:1, chosen], len(chosen), axis=0)
    known, apart = present.some(chosen).state(states), np.eye(len(chosen))
    holds = np.zeros((len(chosen), len(decision.flows_l_d)))
    for future in noise:
        holds += hold_chances(known, decision.flows_l_d, decision.band, future, weights=apart)
    return value_of_information(holds / FUTURES)


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
    score = ndtri(point)
    found = mean + score * spread
    low, high, x = mean - 40.0 * spread, mean + 40.0 * spread, found.copy()
    moving = np.arange(len(found))  # most settle in two steps
    for _ in range(NEWTON_STEPS):
        z = (x[:, None] - centre) / sd
        below = np.sum(weights * ndtr(z), axis=1)
        slope = np.sum(weights / sd * np.exp(-0.5 * z**2), axis=1)
        low, high = np.where(below < point, x, low), np.where(below < point, high, x)
        here = ndtri(np.clip(below, 1e-9, 1.0 - 1e-9))
        step = (score - here) * np.exp(-0.5 * here**2) / np.maximum(slope, 1e-300)
        inside = (x + step >= low) & (x + step <= high)
        before, x = x, np.where(inside, x + step, 0.5 * (low + high))
        found[moving] = x
        # What is left is of the order of the square.
        on = (np.abs(x - before) >= 1e-2 * spread) | (np.abs(score - here) >= 1e-2)
        if not on.any():
            break
        moving, x, low, high, spread = (one[on] for one in (moving, x, low, high, spread))
        score, point = score[on], point[on]
        centre, sd, weights = centre[on], sd[on], weights[on]
    return found


def flow_quantiles(
    present: Present, outcomes: Outcomes, points: tuple[float, ...] = (0.05, 0.95)
) -> np.ndarray:
    """Quantiles (i, q) of the needed flow, L/day, after each outcome.

    They are those of the mixture of the draws' log-normals, without the noise of drawing the
    states; 0 where so large a share of the draws needs no flow, and `FURTHEST` middles at most,
    since the draws that no flow is enough for would outweigh all others in a mean.
    """
    log_flow = present.log_flow(outcomes.mean)
    some = np.isfinite(log_flow)
    weights = np.where(some, outcomes.weights, 0.0)
    share = np.maximum(weights.sum(axis=1), 1e-9)
    weights /= share[:, None]
    centre, sd = np.where(some, log_flow, 0.0), np.clip(outcomes.flow_sd, 1e-6, 3.0)
    furthest = np.log(FURTHEST) + np.median(log_flow[some]) if some.any() else 0.0
    found = []
    for point in points:
        # Of those that need a flow, the others lying below.
        place = 1.0 - (1.0 - point) / share
        x = mixture_quantile(centre, sd, weights, np.clip(place, 1e-6, 1.0 - 1e-6))
        found.append(np.where(place > 0.0, np.exp(np.minimum(x, furthest)), 0.0))
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
    """(i,) width of the range after each outcome, relative to `before`, `MOST_WIDER` at most.

    The range is that of the needed flow; where more than one draw in twenty takes up nothing, so
    that the flow's range ends at 0, that of uptake.
    """
    in_need = before.weights[0] @ np.isfinite(present.log_flow(before.mean[0]))
    width = flow_widths if in_need >= 1.0 - MOST_WITHOUT_NEED else uptake_widths
    now = max(float(np.mean(width(present, before))), 1e-12)
    return np.minimum(width(present, outcomes) / now, MOST_WIDER)
