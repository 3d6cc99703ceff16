"""The linear shortcut: pooled covariances, the best order, and plans within the minutes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations_with_replacement

import numpy as np
import pytest

from estimator.next_tests import linear
from estimator.next_tests.linear import Pooled
from estimator.next_tests.outcomes import outcomes_of
from estimator.next_tests.worth import range_widths
from estimator.unknowns import Unknown
from helpers.foresights import hand_made


def random_pooled(seed: int, readings: int, causes: int = 2) -> Pooled:
    """Covariances of correlated readings, log flow and causes, as some tank might have them."""
    rng = np.random.default_rng(seed)
    size = readings + 1 + causes
    root = rng.normal(size=(size, 3)) @ np.diag([1.0, 0.7, 0.4])
    covariance = root @ root.T + 0.05 * np.eye(size)
    names = tuple(Unknown)[:causes]
    return Pooled(covariance, rng.uniform(0.2, 1.5, readings), names)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("rows", [[], [3], [0, 3, 5], [2, 2, 2], [1, 4, 1, 0, 4, 4]])
def test_variance_left_is_that_of_the_whole_normal(seed: int, rows: list[int]) -> None:
    """Log flow given noisy readings, every repeat written out: Σ_ff − Σ_fr (Σ_rr + N)⁻¹ Σ_rf."""
    pooled = random_pooled(seed, 6)
    covariance, noise = pooled.covariance, pooled.noise
    within = covariance[np.ix_(rows, rows)] + np.diag(noise[rows])
    cross = covariance[6, rows]
    expected = covariance[6, 6] - cross @ np.linalg.inv(within) @ cross
    assert pooled.variance(rows) == pytest.approx(expected, rel=1e-10)


@pytest.mark.parametrize("seed", range(6))
def test_best_order_takes_the_best_next_and_never_widens(seed: int) -> None:
    """Each test is the one that leaves the least; the curve falls; no test comes too often.

    Its falls are those of `Pooled.variance`, computed anew for every set.
    """
    pooled = random_pooled(seed, 5)
    order = linear.best_order(pooled, 12)
    assert len(order) == 12
    assert max(Counter(order).values()) <= linear.MOST_A_DAY
    left = [pooled.variance(order[:n]) for n in range(13)]
    assert np.all(np.diff(left) < 1e-12)
    for n, taken in enumerate(left[1:]):
        allowed = [j for j in range(5) if order[:n].count(j) < linear.MOST_A_DAY]
        assert taken == pytest.approx(min(pooled.variance([*order[:n], j]) for j in allowed))


def test_best_order_ends_when_all_is_taken() -> None:
    """With one thing to read there are no more than its repeats."""
    assert linear.best_order(random_pooled(1, 1), 28) == [0] * linear.MOST_A_DAY


def affordable(
    minutes: np.ndarray, week: np.ndarray, per_week: float, most: int
) -> Iterator[tuple[int, ...]]:
    """Every set of at most `most` readings that fits the minutes and the repeats allowed."""
    for count in range(most + 1):
        for rows in combinations_with_replacement(range(len(minutes)), count):
            spent = np.bincount(week[list(rows)], weights=minutes[list(rows)], minlength=2)
            often = max(Counter(rows).values(), default=0) <= linear.MOST_A_DAY
            if often and np.all(spent <= per_week):
                yield rows


@pytest.mark.parametrize("seed", range(20))
def test_plans_are_nearly_the_best_there_are(seed: int) -> None:
    """Within 2 % of the least variance of log flow over all sets, where all can be tried.

    Eight readings in two weeks, minutes of two kits, at most four readings affordable.
    """
    rng = np.random.default_rng(100 + seed)
    pooled = random_pooled(seed, 8)
    minutes, week = rng.choice([6.0, 9.0], size=8), np.arange(8) // 4
    best = min(pooled.variance(rows) for rows in affordable(minutes, week, 15.0, 4))
    chosen = linear.fill_minutes(pooled, minutes, week, 15.0)
    assert tuple(chosen) in set(affordable(minutes, week, 15.0, 4))
    assert pooled.variance(chosen) <= 1.02 * best


@pytest.mark.parametrize("per_week", [0.0, 5.0, 12.0, 31.0, 500.0])
def test_plans_keep_to_the_minutes_and_repeats(per_week: float) -> None:
    """No week costs more than its minutes, no reading comes more often than allowed a day.

    With room for everything everything is taken; where nothing more fits, nothing is left out.
    """
    pooled = random_pooled(7, 9)
    minutes, week = np.tile([6.0, 9.0, 5.5], 3), np.arange(9) // 3
    chosen = linear.fill_minutes(pooled, minutes, week, per_week)
    spent = np.bincount(week[chosen], weights=minutes[chosen], minlength=3)
    assert np.all(spent <= per_week)
    assert max(Counter(chosen).values(), default=0) <= linear.MOST_A_DAY
    free = [j for j in range(9) if chosen.count(j) < linear.MOST_A_DAY]
    assert all(spent[week[j]] + minutes[j] > per_week for j in free)
    if per_week == 500.0:
        assert chosen == sorted([*range(9)] * linear.MOST_A_DAY)


def test_pooling_follows_sampled_covariances() -> None:
    """Covariances of readings and log flow are those of a large sample of the mixture.

    Spreads are small, so the linear step about each draw's mean is accurate; within 5 % of the
    product of sds, for readings, flow and two causes.
    """
    foresight = hand_made(6, draws=800)
    rng = np.random.default_rng(0)
    k = len(foresight.readings)
    covariance = foresight.covariance + 1e-12 * np.eye(foresight.mean.shape[1])
    root = np.linalg.cholesky(covariance)
    noise = rng.standard_normal((200, *foresight.mean.shape))
    sampled = foresight.mean + np.einsum("skl,nsl->nsk", root, noise)
    present, states = foresight.present, sampled[..., k:]
    columns = [*np.moveaxis(sampled[..., :k], -1, 0), present.log_flow(states)]
    columns += [np.broadcast_to(np.log(present.volume_l), states.shape[:2])]
    law = present.state(states).law
    columns += [np.log(law.increment_at(present.shown_flow_l_d, law.middle_meq_l))]
    expected = np.cov([column.ravel() for column in columns])
    pooled = linear.pool(foresight)
    assert pooled is not None
    kept = [*range(k + 1), *(k + 1 + pooled.causes.index(c) for c in CAUSES)]
    sd = np.sqrt(np.diag(expected))
    found = pooled.covariance[np.ix_(kept, kept)]
    np.testing.assert_allclose(found / np.outer(sd, sd), expected / np.outer(sd, sd), atol=0.05)
    odd = np.mean(foresight.variance, axis=0) / pooled.noise
    np.testing.assert_allclose(odd, 0.96 + 0.03 / 16 + 0.008 / 256 + 0.002 / 4096)


CAUSES = (Unknown.VOLUME, Unknown.EFFLUENT)


def test_a_few_draws_without_need_are_left_aside(recwarn) -> None:
    """Three draws in a hundred that take up nothing change the pooled variance little, quietly."""
    foresight = hand_made(1, draws=400)
    start = foresight.present.uptake_start.copy()
    start[:12] *= -1.0
    some = replace(foresight, present=replace(foresight.present, uptake_start=start))
    pooled, whole = linear.pool(some), linear.pool(foresight)
    assert pooled is not None
    assert whole is not None
    assert pooled.variance([0, 1]) == pytest.approx(whole.variance([0, 1]), rel=0.15)
    assert not recwarn.list


def test_no_curve_where_no_flow_may_be_needed() -> None:
    """Log flow means nothing where more than one draw in twenty takes up nothing."""
    foresight = hand_made(1, draws=400)
    start = foresight.present.uptake_start.copy()
    start[::10] = -1.0
    idle = replace(foresight, present=replace(foresight.present, uptake_start=start))
    assert linear.pool(idle) is None
    assert linear.pool(foresight) is not None


def test_linear_estimate_ranks_as_the_full_weighing_does() -> None:
    """Sets far apart in variance left are in the same order in expected width.

    The plan is chosen by the first and told by the second.
    """
    foresight = hand_made(2, draws=800)
    pooled = linear.pool(foresight)
    assert pooled is not None
    sets = [[], [0], [1], [3] * 2, [0, 1, 2], [0, 1, 2, 3, 4]]
    after = [outcomes_of(foresight, rows) for rows in sets]
    width = [range_widths(foresight.present, known, after[0]).mean() for known in after]
    sd = np.sqrt([pooled.variance(rows) for rows in sets])
    for a in range(len(sets)):
        for b in range(len(sets)):
            if sd[a] < 0.9 * sd[b]:
                assert width[a] < width[b]
