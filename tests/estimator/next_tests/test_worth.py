"""What tests are worth: published decisions, the advice's own forecast, and laws of information."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy.special import ndtr

from estimator import units
from estimator.advice.flow import HORIZON_DAYS
from estimator.fit.forecast import hold_chances
from estimator.inputs.tank import Target
from estimator.next_tests import worth
from estimator.next_tests.foresight import Foresight
from estimator.next_tests.outcomes import Outcomes, before_tests, outcomes_of
from estimator.next_tests.ranking import look_ahead
from helpers.foresights import hand_made
from helpers.levels import levels_ahead

DKH = units.MEQ_L_PER_DKH
BAND = Target(7.6 * DKH, 8.8 * DKH, "dKH")

# The oil wildcatter: Raiffa 1968, Decision Analysis, and Shenoy 1992 (Operations Research 40:463);
# thousands of dollars. States: dry, wet, soaking; soundings: no structure, open, closed.
STATE = np.array([0.5, 0.3, 0.2])
DRILLING = np.array([-70.0, 50.0, 200.0])
SOUNDING = np.array([[0.6, 0.3, 0.1], [0.3, 0.4, 0.3], [0.1, 0.4, 0.5]])

# The unit normal loss integral: Raiffa & Schlaifer 1961, table of L_N(u) (from memory).
NORMAL_LOSS = {0.0: 0.3989, 0.5: 0.1978, 1.0: 0.0833, 2.0: 0.008491}


def test_oil_wildcatter_without_and_with_a_sounding() -> None:
    """Published: 20 without, 22.5 after a sounding that costs 10, so the sounding is worth 12.5."""
    chance = STATE @ SOUNDING
    given = (STATE[:, None] * SOUNDING / chance).T
    payoff = np.stack([given @ DRILLING, np.zeros(3)], axis=1)
    assert (chance @ payoff).max() == pytest.approx(20.0)
    assert worth.value_of_information(payoff, chance) == pytest.approx(12.5)
    assert (chance @ payoff).max() + 12.5 - 10.0 == pytest.approx(22.5)


def test_oil_wildcatter_with_perfect_information() -> None:
    """Knowing the state is worth 35: 0.3 × 50 + 0.2 × 200 less the 20 of drilling at once."""
    payoff = np.stack([DRILLING, np.zeros(3)], axis=1)
    assert worth.value_of_information(payoff, STATE) == pytest.approx(35.0)


@pytest.mark.parametrize("away", list(NORMAL_LOSS))
@pytest.mark.parametrize("sd", [1.0, 40.0])
def test_two_actions_with_linear_loss(away: float, sd: float) -> None:
    """EVSI = sd × L(|break-even − mean| / sd), by a fine sum over outcomes.

    One action pays the unknown, whose mean after the test is normal; the other pays nothing.
    """
    grid = np.linspace(-9.0, 9.0, 18_001)
    chance = np.exp(-0.5 * grid**2)
    chance /= chance.sum()
    payoff = np.stack([sd * (away + grid), np.zeros(len(grid))], axis=1)
    last_digit = 5e-5 if away < 2 else 5e-7
    assert worth.value_of_information(payoff, chance) / sd == pytest.approx(
        NORMAL_LOSS[away], abs=1.05 * last_digit
    )


def test_outcomes_are_equally_likely_unless_said() -> None:
    """Without chances every outcome counts the same."""
    payoff = np.array([[1.0, 0.0], [0.0, 3.0], [0.5, 0.5], [0.0, 1.0]])
    assert worth.value_of_information(payoff) == pytest.approx(5.5 / 4 - 4.5 / 4)
    assert worth.value_of_information(payoff, np.array([0.5, 0.5, 0, 0])) == pytest.approx(0.5)


POINTS = (0.02, 0.05, 0.31, 0.5, 0.77, 0.95)


@pytest.mark.parametrize("seed", range(5))
def test_equal_weights_give_sample_quantiles(seed: int) -> None:
    """Equal weights give Hazen's quantiles, as NumPy computes them; a constant weight falls out."""
    rng = np.random.default_rng(seed)
    values = rng.gamma(2.0, size=(3, 57))
    found = worth.weighted_quantiles(values, np.full(values.shape, 1 / 57), POINTS)
    expected = np.quantile(values, POINTS, axis=1, method="hazen").T
    np.testing.assert_allclose(found, expected, rtol=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_whole_weights_stand_for_copies(seed: int) -> None:
    """A value of weight n counts as n copies: the quantile lies between neighbours of the copies.

    Every place in the sorted copies is kept to within one value's weight.
    """
    rng = np.random.default_rng(seed)
    values = rng.standard_normal(200)
    weights = rng.integers(1, 5, 200)
    copies = np.sort(np.repeat(values, weights))
    found = worth.weighted_quantiles(values[None], weights[None] / weights.sum(), POINTS)[0]
    place = np.array(POINTS) * len(copies)
    low = copies[np.clip(np.floor(place).astype(int) - 4, 0, None)]
    high = copies[np.clip(np.ceil(place).astype(int) + 4, None, len(copies) - 1)]
    assert np.all((found >= low) & (found <= high))
    assert np.all(high - low < np.ptp(copies) / 3)


@pytest.mark.parametrize("seed", range(5))
def test_quantiles_rise_with_point_and_follow_the_unit(seed: int) -> None:
    """Later points give no smaller quantile; another unit gives the same quantile in that unit."""
    rng = np.random.default_rng(seed)
    values = rng.standard_normal((4, 80))
    weights = rng.dirichlet(np.full(80, 0.3), size=4)
    found = worth.weighted_quantiles(values, weights, POINTS)
    assert np.all(np.diff(found, axis=1) >= 0)
    np.testing.assert_allclose(
        worth.weighted_quantiles(3 * values - 1, weights, POINTS), 3 * found - 1, atol=1e-12
    )


@pytest.mark.parametrize("parameter_spread", [0.0, 0.3, 1.0])
def test_flow_range_of_log_normals(parameter_spread: float) -> None:
    """The 5 and 95 % points are those of the mixture of the draws' log-normal flows.

    Against sampling each a hundred times, within 1 % of the range: where the draws agree on the
    parameters, so that one log-normal is all there is, and where they do not.
    """
    foresight = hand_made(5, draws=1500, parameter_spread=parameter_spread)
    before = outcomes_of(foresight, [])
    found = worth.flow_quantiles(foresight.present, before)[0]
    middle = np.exp(foresight.present.log_flow(before.mean[:1])[0])
    noise = np.random.default_rng(0).standard_normal((100, len(middle)))
    expected = np.quantile(middle * np.exp(before.flow_sd[0] * noise), [0.05, 0.95])
    np.testing.assert_allclose(found, expected, atol=0.01 * np.ptp(expected))


@pytest.mark.parametrize("seed", range(5))
def test_quantile_of_a_mixture_inverts_its_distribution(seed: int) -> None:
    """Σ w Φ((x − m)/sd) at the quantile is the point, for narrow, wide and far-apart normals."""
    rng = np.random.default_rng(seed)
    centre = rng.normal(size=(6, 40)) * rng.choice([0.01, 1.0, 30.0], size=(6, 1))
    sd = np.exp(rng.normal(-1.0, 1.0, size=(6, 40)))
    weights = rng.dirichlet(np.full(40, 0.5), size=6)
    for point in (0.02, 0.05, 0.5, 0.95, 0.98):
        x = worth.mixture_quantile(centre, sd, weights, np.full(6, point))
        reached = np.sum(weights * ndtr((x[:, None] - centre) / sd), axis=1)
        np.testing.assert_allclose(reached, point, atol=1e-3)


def test_draws_without_need_are_flows_of_nothing() -> None:
    """Where three draws in a hundred need no flow, 2 % of flow is 0 and 5 % is not.

    The upper quantile is that of all draws, those of no need included.
    """
    foresight = hand_made(5, draws=1000)
    start = foresight.present.uptake_start.copy()
    start[:30] *= -1.0
    some = replace(foresight.present, uptake_start=start)
    before = outcomes_of(foresight, [])
    low, fifth, high = worth.flow_quantiles(some, before, (0.02, 0.05, 0.95))[0]
    assert low == 0.0
    assert fifth > 0.0
    middle = np.exp(some.log_flow(before.mean[:1])[0])
    noise = np.random.default_rng(0).standard_normal((100, len(middle)))
    expected = np.quantile(middle * np.exp(before.flow_sd[0] * noise), [0.05, 0.95])
    np.testing.assert_allclose([fifth, high], expected, atol=0.02 * np.ptp(expected))


FLOWS = np.array([0.0, 20.0, 40.0, 45.0, 50.0, 55.0, 90.0])


FUTURE = np.random.SeedSequence(0)


def decide(before: Outcomes, flows: np.ndarray = FLOWS) -> worth.Decision:
    """The choice between some flows."""
    count = min(before.weights.shape[1], worth.HOLDING_DRAWS)
    noise = np.random.default_rng(FUTURE).standard_normal((HORIZON_DAYS, count, 2))
    return worth.Decision(before, BAND, flows, noise)


@pytest.mark.parametrize("planned", [False, True])
def test_chance_of_holding_is_that_of_days_lived_one_by_one(planned: bool) -> None:
    """The share of draws whose every day stays in the band, by `SupplyLaw.advance` day after day.

    For a running and for a planned reactor, at no flow and at six others.
    """
    foresight = hand_made(4, draws=worth.HOLDING_DRAWS, planned=planned)
    count = len(foresight.mean)
    states = outcomes_of(foresight, []).states[:1]
    equal = Outcomes(np.full((1, count), 1 / count), states, states, np.zeros((1, count)))
    decision = decide(equal)
    found = worth.chances_after(foresight.present, equal, decision)[0]
    levels = levels_ahead(foresight.present.state(states[0]), FLOWS, decision.noise)
    inside = np.all((levels >= BAND.low) & (levels <= BAND.high), axis=0)
    np.testing.assert_allclose(found, inside.mean(axis=0), atol=1e-12)
    assert found.max() > 0.2
    assert found[0] == 0.0


def test_chance_of_holding_of_a_real_posterior(small_fit) -> None:
    """Days lived one by one from a fit's own draws give the advice's chances."""
    state = small_fit.posterior.state
    flows = np.quantile(state.needed_flow_l_d, [0.1, 0.3, 0.5, 0.7, 0.9])
    shape = (HORIZON_DAYS, len(state.level_meq_l), 2)
    noise = np.random.default_rng(7).standard_normal(shape)
    levels = levels_ahead(state, flows, noise)
    inside = np.all((levels >= BAND.low) & (levels <= BAND.high), axis=0)
    found = hold_chances(state, flows, BAND, noise)[0]
    np.testing.assert_allclose(found, inside.mean(axis=0), atol=1e-12)


def test_weights_count_in_the_chance_of_holding() -> None:
    """Twice the weight is twice the draw: chances of a doubled sample equal those of weights."""
    foresight = hand_made(4)
    present, count = foresight.present, len(foresight.mean)
    states = outcomes_of(foresight, []).states[:1]
    none = np.zeros((1, count))
    half = np.arange(count) < count // 2
    known = [
        Outcomes(weights[None], states, states, none)
        for weights in (half / half.sum(), ~half / (~half).sum(), (1 + half) / np.sum(1 + half))
    ]
    chances = [worth.chances_after(present, one, decide(one))[0] for one in known]
    part = 2 * half.sum() / np.sum(1 + half)
    np.testing.assert_allclose(part * chances[0] + (1 - part) * chances[1], chances[2], atol=1e-12)


def weigh(foresight: Foresight, rows: list[int], **changes: float) -> worth.Worth:
    """Worth of readings `rows`, between settings that span what may be needed."""
    decision = worth.decision_of(foresight, BAND, 1.0, 300.0, FUTURE)
    # With no draw kept from itself either, so that differences are those of the tests alone.
    decision = replace(decision, before=outcomes_of(foresight, []))
    return worth.worth_of(foresight, outcomes_of(foresight, rows, **changes), decision)


KINDS: dict[str, dict[str, object]] = {
    "one": {},
    "another": {"seed": 2},
    "coarse kits": {"seed": 3, "step": 1.0 * DKH, "scatter": 0.5 * DKH},
    "parameters known": {"seed": 4, "parameter_spread": 0.0},
    "planned": {"seed": 5, "planned": True},
}


@pytest.fixture(scope="module", params=list(KINDS))
def foresight(request) -> Foresight:
    """Futures of several kinds."""
    changes = {"seed": 1, **KINDS[request.param]}
    return hand_made(changes.pop("seed"), draws=300, **changes)


@pytest.mark.parametrize("row", [0, 1, 2, 3, 4])
def test_more_repeats_never_widen(foresight: Foresight, row: int) -> None:
    """One more repeat leaves the expected range no wider, beyond Monte Carlo error.

    Differences are taken outcome by outcome, which were imagined from the same draws; three
    standard errors over 100 outcomes. Five narrow the range.
    """
    after = [outcomes_of(foresight, [row] * repeats) for repeats in range(6)]
    widths = [worth.range_widths(foresight.present, known, after[0]) for known in after]
    for fewer, more in pairwise(widths):
        apart = more - fewer
        assert np.mean(apart) < 3 * np.std(apart) / np.sqrt(len(apart)) + 3e-3
    assert np.mean(widths[5]) < np.mean(widths[0])


@pytest.mark.parametrize("more", [[0], [1], [2], [3, 4]])
def test_more_tests_are_worth_no_less(foresight: Foresight, more: list[int]) -> None:
    """Tests added to others add no width and take no value, beyond Monte Carlo error."""
    few, many = weigh(foresight, [0, 1]), weigh(foresight, [0, 1, *more])
    apart = many.width - few.width
    assert np.mean(apart) < 3 * np.std(apart) / np.sqrt(len(apart)) + 3e-3
    assert many.value > few.value - 2 * np.hypot(many.value_error, few.value_error)


@pytest.mark.parametrize("rows", [[], [0], [1], [0, 1, 2], [3, 3, 4, 4]])
def test_value_is_never_negative(foresight: Foresight, rows: list[int]) -> None:
    """Information that may be ignored cannot harm; its value is a rise of a chance."""
    found = weigh(foresight, rows)
    assert -1e-12 <= found.value <= 1.0
    assert found.value >= -2 * found.value_error - 1e-12
    assert 1.0 <= found.effective <= len(foresight.mean)


@pytest.mark.parametrize("rows", [[0], [1] * 5, [0, 1, 2, 3]])
def test_a_kit_with_endless_error_is_worth_nothing(foresight: Foresight, rows: list[int]) -> None:
    """Readings that say nothing leave the width and the decision as they were."""
    useless = replace(
        foresight,
        variance=1e12 * foresight.variance,
        scatter_sd=1e6 * foresight.scatter_sd,
        spreads=np.ones_like(foresight.spreads),
    )
    found = weigh(useless, rows)
    np.testing.assert_allclose(found.width, 1.0, atol=0.05)
    assert found.expected_width == pytest.approx(1.0, abs=2e-3)
    assert found.value == pytest.approx(0.0, abs=2e-3)


def perfect_and_known(seed: int) -> tuple[worth.Worth, float]:
    """Worth of nearly perfect tests of all three states, and the value of knowing the present."""
    foresight = hand_made(
        seed, draws=1000, imagined=400, parameter_spread=0.0, scatter=2e-3 * DKH, step=3e-3 * DKH
    )
    decision = worth.decision_of(foresight, BAND, 1.0, 300.0, FUTURE)
    found = weigh(foresight, [0] * 5 + [3] * 5 + [4] * 5)
    return found, worth.perfect_knowledge(foresight, decision, np.random.SeedSequence(1))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_perfect_tests_reach_perfect_knowledge(seed: int) -> None:
    """Nearly perfect tests of all that decides leave no width and are worth what knowing would.

    Parameters are known here, so that the states alone decide. Both values are means over sampled
    presents, 400 and 200 of them.
    """
    found, perfect = perfect_and_known(seed)
    assert found.expected_width < 0.002
    error = found.value_error * np.sqrt(1 + 400 / 200)
    assert abs(found.value - perfect) < 3 * error
    assert found.value > 0.2


def test_knowing_what_is_known_is_worth_nothing() -> None:
    """With nothing uncertain in the present perfect knowledge gains next to nothing.

    The future stays uncertain; its luck must not pass for knowledge.
    """
    foresight = hand_made(1, parameter_spread=0.0)
    states = foresight.states
    covariance = foresight.covariance.copy()
    covariance[:] = 0.0
    certain = replace(foresight, covariance=covariance)
    before = outcomes_of(certain, [])
    middle = float(np.exp(np.median(certain.present.log_flow(certain.mean[:, states]))))
    flows = middle * np.linspace(0.6, 1.4, 11)
    assert worth.perfect_knowledge(certain, decide(before, flows), FUTURE) < 0.02


def test_width_and_value_carry_their_errors() -> None:
    """The stated errors are those seen when everything is imagined again."""
    found = [weigh(hand_made(seed, draws=1000), [0, 1, 3]) for seed in range(20, 40)]
    widths = np.array([one.expected_width for one in found])
    values = np.array([one.value for one in found])
    # Another sample of draws moves both a little more than other outcomes of the same draws do;
    # an sd is known from twenty to 16 %.
    assert 0.6 < np.std(widths) / np.mean([one.width_error for one in found]) < 1.6
    assert 0.6 < np.std(values) / np.mean([one.value_error for one in found]) < 2.0


def test_settings_span_the_need_within_the_pump() -> None:
    """The settings that the decision is between rise evenly and keep to the pump's limits."""
    foresight = hand_made(1)
    before = before_tests(foresight)
    low, high = worth.flow_quantiles(foresight.present, before, (0.02, 0.98))[0]
    free = worth.decision_of(foresight, BAND, 0.0, 1e6, FUTURE).flows_l_d
    np.testing.assert_allclose(free[[0, -1]], [low, high])
    assert np.ptp(np.diff(free)) < 1e-9
    held = worth.decision_of(foresight, BAND, low + 2.0, high - 3.0, FUTURE).flows_l_d
    np.testing.assert_allclose(held[[0, -1]], [low + 2.0, high - 3.0])


def test_an_idle_tank_is_measured_by_its_uptake() -> None:
    """Where the needed flow may be 0, widths are of uptake: finite, 1 before, narrower after tests.

    Half of the draws give back alkalinity instead of taking it up.
    """
    foresight = hand_made(1)
    half = np.arange(len(foresight.mean)) % 2 == 0
    present = foresight.present
    start = np.where(half, -0.2, 0.2) * present.uptake_start
    idle = replace(foresight, present=replace(present, uptake_start=start))
    before = outcomes_of(idle, [])
    none, some = (
        worth.range_widths(idle.present, outcomes_of(idle, rows), before) for rows in ([], [3, 3])
    )
    np.testing.assert_allclose(none, 1.0, atol=0.05)
    assert np.mean(some) < np.mean(none)


def test_holding_is_the_best_chance_without_tests() -> None:
    """The chance told beside the value is the one to be had now; their sum stays one."""
    found, nothing = (weigh(hand_made(1), rows) for rows in ([1, 3], []))
    assert found.holding == pytest.approx(nothing.holding, abs=0.03)
    assert 0.0 < found.holding < found.holding + found.value <= 1.0


def test_a_real_reading_narrows_a_real_posterior(small_fit, next_tests) -> None:
    """After a small fit, five tank tests narrow more than one, one a little, magnesium not at all.

    The width before equals that of the posterior's needed flow to a tenth.
    """
    prospect = look_ahead(small_fit, list(next_tests.values()), np.random.SeedSequence(3), FUTURE)
    needed = np.quantile(small_fit.posterior.needed_flow_l_d, [0.05, 0.95])
    ends = worth.flow_quantiles(prospect.foresight.present, prospect.decision.before)
    np.testing.assert_allclose(np.ptp(ends, axis=1), np.ptp(needed), rtol=0.1)
    one, five = (
        weigh(prospect.foresight, prospect.rows([next_tests["tank"]], n)).expected_width
        for n in (1, 5)
    )
    assert five < one < 1.0
    magnesium = replace(next_tests["tank"], parameter="magnesium")
    none = weigh(prospect.foresight, prospect.rows([magnesium]))
    assert none.expected_width == pytest.approx(1.0, abs=1e-9)


def test_the_days_to_come_follow_the_seed() -> None:
    """Another seed brings other futures, and so another value, within its Monte Carlo error.

    The same seed brings the same.
    """
    foresight = hand_made(1, draws=1000)
    outcomes = outcomes_of(foresight, [1, 3])
    found = [
        worth.worth_of(
            foresight,
            outcomes,
            worth.decision_of(foresight, BAND, 1.0, 300.0, np.random.SeedSequence(seed)),
        )
        for seed in (1, 1, 2)
    ]
    assert found[0].value == found[1].value != found[2].value
    assert found[2].value == pytest.approx(found[0].value, abs=0.03)
    np.testing.assert_array_equal(found[0].width, found[2].width)


def test_a_range_that_grows_without_bound_counts_as_three_times_as_wide() -> None:
    """Against a range known to a hair, one of ordinary width is three times as wide at most; the
    other way round the whole narrowing counts."""
    foresight = hand_made(1)
    present, before = foresight.present, before_tests(foresight)
    off = np.abs(present.log_flow(before.mean[0]) - np.median(present.log_flow(before.mean[0])))
    near = (off <= np.quantile(off, 0.05)).astype(float)
    known = replace(
        before, weights=near[None] / near.sum(), flow_sd=np.full_like(before.flow_sd, 1e-3)
    )
    assert worth.range_widths(present, before, known) == [worth.MOST_WIDER]
    assert worth.range_widths(present, known, before)[0] < 0.2
