"""Whether the band is held: the compiled forecast against plain daily steps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from estimator.fit.forecast import hold_chances
from estimator.inputs.tank import Target
from helpers.fits import MIDDLE, known_posterior
from helpers.levels import levels_ahead

BAND = Target(MIDDLE - 0.3, MIDDLE + 0.3, "meq/L")
FLOWS = np.array([0.0, 30.0, 50.0, 58.0, 70.0])


@pytest.mark.parametrize("chambers", [1, 2])
@pytest.mark.parametrize(("dosed", "effluent_drift"), [(0.0, 0.01), (45.0, 0.01), (0.0, 0.6)])
def test_chances_are_those_of_plain_daily_steps(dosed, effluent_drift, chambers) -> None:
    """A draw counts only if each of its days is within the band, at every flow, drift included.

    With one chamber and two, and an uptake that answers to the level; an effluent that drifts far
    keeps a twentieth, and never passes saturation.
    """
    state = known_posterior(
        500,
        log_sd=0.05,
        reach=0.8,
        drift=np.full(500, 0.02),
        effluent_drift=np.full(500, effluent_drift),
        level_response_l_meq=0.2,
        chambers=chambers,
    ).state
    noise = np.random.default_rng(3).standard_normal((14, 500, 2))
    levels = levels_ahead(state, FLOWS, noise, dosed)
    held = np.mean(np.all((levels >= BAND.low) & (levels <= BAND.high), axis=0), axis=0)
    found = hold_chances(state, FLOWS, BAND, noise, dosed_meq_d=dosed)
    assert found[0] == pytest.approx(held)
    assert 0 < held.max() < 1


def test_each_outcome_has_its_own_law() -> None:
    """Two outcomes of a reactor, whose rates differ, are those of each alone."""
    states = [known_posterior(300, log_sd=0.05, reach=reach).state for reach in (0.5, 0.9)]
    noise = np.random.default_rng(3).standard_normal((14, 300, 2))
    laws = [s.law for s in states]
    law = laws[0]._replace(
        half_flow_l_d=np.stack([law.half_flow_l_d for law in laws]),
        saturated_meq_l=np.stack([law.saturated_meq_l for law in laws]),
    )
    both = replace(
        states[0],
        law=law,
        level_meq_l=np.stack([s.level_meq_l for s in states]),
        uptake_meq_l_d=np.stack([s.uptake_meq_l_d for s in states]),
    )
    alone = [hold_chances(s, FLOWS, BAND, noise)[0] for s in states]
    np.testing.assert_allclose(hold_chances(both, FLOWS, BAND, noise), alone, atol=1e-12)
    assert np.abs(alone[0] - alone[1]).max() > 0.01


def test_both_edges_are_in_the_band() -> None:
    """A level that stays on an edge is held; one past it is not."""
    state = known_posterior(4).state
    still = replace(state, uptake_meq_l_d=np.zeros(4))
    noise = np.zeros((14, 4, 2))
    for low, high, chance in ((0.0, 0.1, 1.0), (-0.1, 0.0, 1.0), (0.01, 0.1, 0.0)):
        band = Target(MIDDLE + low, MIDDLE + high, "meq/L")
        assert hold_chances(still, np.array([0.0]), band, noise)[0, 0] == chance


def test_chance_never_exceeds_one() -> None:
    """Two hundred weights of 1/200 add up to a little more than 1."""
    state = replace(known_posterior(200).state, uptake_meq_l_d=np.zeros(200))
    assert hold_chances(state, np.array([0.0]), BAND, np.zeros((3, 200, 2)))[0, 0] == 1.0


def test_weights_count_the_draws() -> None:
    """Each row of weights is one imagined outcome, over the same draws."""
    state = known_posterior(2).state
    uptake = np.array([[0.0, 0.5], [0.0, 0.5]])
    state = replace(state, uptake_meq_l_d=uptake, level_meq_l=np.full((2, 2), MIDDLE))
    weights = np.array([[0.25, 0.75], [1.0, 0.0]])
    found = hold_chances(state, np.array([0.0]), BAND, np.zeros((3, 2, 2)), weights=weights)
    assert found[:, 0] == pytest.approx([0.25, 1.0])


def test_future_drift_has_the_stated_size() -> None:
    """Uptake drifts by drift × √day, strength likewise: the level's variance is that of the sums.

    At no flow the level falls by the running sum of a random walk, whose variance after n days is
    Σ k² for k = 1 … n.
    """
    state = known_posterior(40_000, drift=np.full(40_000, 0.03)).state
    noise = np.random.default_rng(1).standard_normal((10, 40_000, 2))
    levels = levels_ahead(state, np.array([0.0]), noise)
    expected = (0.5 * 0.03) ** 2 * np.cumsum(np.arange(1, 11) ** 2)
    np.testing.assert_allclose(levels[:, :, 0].var(axis=1), expected, rtol=0.04)
