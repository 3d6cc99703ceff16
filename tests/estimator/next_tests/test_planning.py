"""Candidates, their ranking, how much testing is enough, and plans within the keeper's minutes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import combinations_with_replacement

import numpy as np
import pytest

from estimator import units
from estimator.fit.schedule import build_schedule
from estimator.inputs.records import Reading
from estimator.next_tests import planning
from estimator.next_tests.foresight import outcomes_of
from estimator.next_tests.planning import Bench, Candidate, Pooled
from estimator.next_tests.worth import range_widths
from estimator.synthetic.demo_case import make_demo
from helpers.foresights import hand_made
from helpers.tanks import example_log, example_tank

DKH = units.MEQ_L_PER_DKH


def bench_for(log, tank) -> Bench:
    """The bench after a log."""
    return planning.bench_of(log, tank, build_schedule(log, tank))


@pytest.fixture(scope="module")
def demo_bench() -> Bench:
    """The bench of the demo tank: reactor running, dosing pump off, three kits."""
    demo = make_demo()
    return bench_for(demo.log, demo.tank)


@pytest.fixture(scope="module")
def demo_candidates(demo_bench) -> tuple[Candidate, ...]:
    """What the demo's keeper could do."""
    return planning.candidates_of(demo_bench)


def test_the_demo_tank_has_twenty_candidates_and_more(demo_candidates) -> None:
    """A keeper with three kits and a running reactor is offered at least 20 different things."""
    assert len(demo_candidates) >= 20
    assert len({(c.key, c.repeats) for c in demo_candidates}) == len(demo_candidates)
    assert {c.key for c in demo_candidates} == {kind.key for kind in planning.CANDIDATES}


# Minutes: alkalinity 6, calcium 9 and magnesium 10 in the demo's tank file; a measurement of the
# volume 60 and a stop 10 beside its tests.
MINUTES = {
    "tank_alkalinity": 6,
    "effluent_alkalinity": 6,
    "tank_and_effluent": 12,
    "tank_calcium": 9,
    "tank_magnesium": 10,
    "reference": 6,
    "daily_week": 42,
    "pairs": 36,
    "third_day": 24,
    "weekly_both": 24,
    "volume": 60,
    "stop_day": 12,
}
DAYS = {"daily_week": 7, "pairs": 3, "third_day": 12, "weekly_both": 14, "stop_day": 1}


def test_minutes_are_those_of_the_kits(demo_candidates) -> None:
    """Each candidate costs its tests' minutes, once per repeat, and what is done beside."""
    for candidate in demo_candidates:
        beside = 10 if candidate.key == "stop_day" else 0
        assert candidate.minutes == MINUTES[candidate.key] * candidate.repeats + beside


def test_days_until_the_last_result(demo_candidates) -> None:
    """A series takes its days to the nearest one; what is done at once takes none."""
    for candidate in demo_candidates:
        assert abs(candidate.days - DAYS.get(candidate.key, 0)) < 1.0


def test_a_price_is_told_only_where_every_test_has_one(demo_bench) -> None:
    """Repeats multiply it; one kit without a price leaves the sum unknown."""
    kits = dict(demo_bench.kits)
    kits["alkalinity"] = replace(kits["alkalinity"], price=0.4)
    found = planning.candidates_of(replace(demo_bench, kits=kits))
    prices = {(c.key, c.repeats): c.price for c in found}
    assert prices["tank_alkalinity", 3] == pytest.approx(1.2)
    assert prices["tank_and_effluent", 2] == pytest.approx(1.6)
    assert prices["tank_calcium", 1] is None


def test_a_kit_that_states_no_minutes_costs_the_usual(demo_bench) -> None:
    """Without a stated time a test counts as the usual five minutes."""
    kits = {p: replace(kit, minutes=None) for p, kit in demo_bench.kits.items()}
    found = planning.candidates_of(replace(demo_bench, kits=kits))
    assert {c.minutes for c in found if c.key == "tank_calcium"} == {5.0, 10.0, 15.0}


def test_no_effluent_test_without_a_running_reactor() -> None:
    """With the pump off, or no reactor at all, no candidate samples the effluent."""
    readings = [(t, "alkalinity", "tank", "alk", 2.9) for t in (0.5, 3.5, 6.5, 9.5)]
    dosing = (0.2, "dose_rate", "soda", 150.0)
    ran = [dosing, (2.0, "flow", "", 1000.0), (8.0, "flow", "", 0.0)]
    for actions in ([dosing], ran):
        found = planning.candidates_of(bench_for(example_log(readings, actions), example_tank()))
        assert found
        assert not any(r.sample == "effluent" for c in found for r in c.readings)
    running = planning.candidates_of(bench_for(example_log(readings, ran[:2]), example_tank()))
    assert any(r.sample == "effluent" for c in running for r in c.readings)


def test_nothing_to_stop_where_nothing_is_added() -> None:
    """Stopping is offered only while a pump adds something at the log's end."""
    readings = [(t, "alkalinity", "tank", "alk", 2.9) for t in (0.5, 3.5, 6.5, 9.5)]
    off = [(0.2, "dose_rate", "soda", 150.0), (7.0, "dose_rate", "soda", 0.0)]
    by_hand = [(t + 0.6, "dose", "soda", 90.0) for t in range(9)]
    for actions, offered in (([], False), (off, False), (by_hand, False), (off[:1], True)):
        found = planning.candidates_of(bench_for(example_log(readings, actions), example_tank()))
        assert any(c.key == "stop_day" for c in found) == offered


def test_a_stop_ends_with_everything_as_before() -> None:
    """All that runs goes off after the first test, and on as it was after the second."""
    readings = [(t, "alkalinity", "tank", "alk", 2.9) for t in (0.5, 3.5, 6.5, 9.5)]
    actions = [(0.2, "dose_rate", "soda", 150.0), (2.0, "flow", "", 900.0)]
    bench = bench_for(example_log(readings, actions), example_tank())
    (stop, *_) = [c for c in planning.candidates_of(bench) if c.actions]
    assert stop.risk
    first, second = (r.time for r in stop.readings)
    off = [a for a in stop.actions if a.value == 0.0]
    on = [a for a in stop.actions if a.value]
    assert {(a.kind, a.of) for a in off} == {("dose_rate", "soda"), ("flow", "")}
    assert {(a.kind, a.value) for a in on} == {("dose_rate", 150.0), ("flow", 900.0)}
    assert all(first < a.time < second for a in off)
    assert all(a.time > second for a in on)


def test_only_kits_at_hand_are_offered() -> None:
    """No magnesium kit, no magnesium test; a kit declared but never used counts as at hand."""
    tank = example_tank()
    log = example_log([(t, "alkalinity", "tank", "alk", 2.9) for t in (0.5, 3.5, 6.5)])
    keys = {c.key for c in planning.candidates_of(bench_for(log, tank))}
    assert "tank_magnesium" not in keys
    assert "tank_calcium" in keys
    without = replace(tank, kits={"alk": tank.kits["alk"]})
    assert "tank_calcium" not in {c.key for c in planning.candidates_of(bench_for(log, without))}


def test_no_test_lies_in_the_past(demo_candidates) -> None:
    """Every test comes after the log's last entry, whatever the usual hour is."""
    end = make_demo().log.end
    assert all(r.time > end for c in demo_candidates for r in c.readings)


def random_pooled(seed: int, readings: int, causes: int = 2) -> Pooled:
    """Covariances of correlated readings, log flow and causes, as some tank might have them."""
    rng = np.random.default_rng(seed)
    size = readings + 1 + causes
    root = rng.normal(size=(size, 3)) @ np.diag([1.0, 0.7, 0.4])
    covariance = root @ root.T + 0.05 * np.eye(size)
    names = tuple(f"cause {c}" for c in range(causes))
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
    order = planning.best_order(pooled, 12)
    assert len(order) == 12
    assert max(Counter(order).values()) <= planning.MOST_A_DAY
    left = [pooled.variance(order[:n]) for n in range(13)]
    assert np.all(np.diff(left) < 1e-12)
    for n, taken in enumerate(left[1:]):
        allowed = [j for j in range(5) if order[:n].count(j) < planning.MOST_A_DAY]
        assert taken == pytest.approx(min(pooled.variance([*order[:n], j]) for j in allowed))


def test_best_order_ends_when_all_is_taken() -> None:
    """With one thing to read there are no more than its repeats."""
    assert planning.best_order(random_pooled(1, 1), 28) == [0] * planning.MOST_A_DAY


def affordable(
    minutes: np.ndarray, week: np.ndarray, per_week: float, most: int
) -> Iterator[tuple[int, ...]]:
    """Every set of at most `most` readings that fits the minutes and the repeats allowed."""
    for count in range(most + 1):
        for rows in combinations_with_replacement(range(len(minutes)), count):
            spent = np.bincount(week[list(rows)], weights=minutes[list(rows)], minlength=2)
            often = max(Counter(rows).values(), default=0) <= planning.MOST_A_DAY
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
    chosen = planning.fill_minutes(pooled, minutes, week, 15.0)
    assert tuple(chosen) in set(affordable(minutes, week, 15.0, 4))
    assert pooled.variance(chosen) <= 1.02 * best


@pytest.mark.parametrize("per_week", [0.0, 5.0, 12.0, 31.0, 500.0])
def test_plans_keep_to_the_minutes_and_repeats(per_week: float) -> None:
    """No week costs more than its minutes, no reading comes more often than allowed a day.

    With room for everything everything is taken; where nothing more fits, nothing is left out.
    """
    pooled = random_pooled(7, 9)
    minutes, week = np.tile([6.0, 9.0, 5.5], 3), np.arange(9) // 3
    chosen = planning.fill_minutes(pooled, minutes, week, per_week)
    spent = np.bincount(week[chosen], weights=minutes[chosen], minlength=3)
    assert np.all(spent <= per_week)
    assert max(Counter(chosen).values(), default=0) <= planning.MOST_A_DAY
    free = [j for j in range(9) if chosen.count(j) < planning.MOST_A_DAY]
    assert all(spent[week[j]] + minutes[j] > per_week for j in free)
    if per_week == 500.0:
        assert chosen == sorted([*range(9)] * planning.MOST_A_DAY)


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
    columns = [*np.moveaxis(sampled[..., :k], -1, 0), np.log(present.flow_l_d(states))]
    columns += [np.broadcast_to(np.log(present.volume_l), states.shape[:2])]
    columns += [np.log(present.gain(states))]
    expected = np.cov([column.ravel() for column in columns])
    pooled = planning.pool(foresight)
    assert pooled is not None
    kept = [*range(k + 1), *(k + 1 + pooled.causes.index(c) for c in CAUSES)]
    sd = np.sqrt(np.diag(expected))
    found = pooled.covariance[np.ix_(kept, kept)]
    np.testing.assert_allclose(found / np.outer(sd, sd), expected / np.outer(sd, sd), atol=0.05)
    odd = np.mean(foresight.variance, axis=0) / pooled.noise
    np.testing.assert_allclose(odd, 0.96 + 0.03 / 16 + 0.008 / 256 + 0.002 / 4096)


CAUSES = ("water volume", "effluent strength")


def test_a_few_draws_without_need_are_left_aside(recwarn) -> None:
    """Three draws in a hundred that take up nothing change the pooled variance little, quietly."""
    foresight = hand_made(1, draws=400)
    start = foresight.present.uptake_start.copy()
    start[:12] *= -1.0
    some = replace(foresight, present=replace(foresight.present, uptake_start=start))
    pooled, whole = planning.pool(some), planning.pool(foresight)
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
    assert planning.pool(idle) is None
    assert planning.pool(foresight) is not None


def test_linear_estimate_ranks_as_the_full_weighing_does() -> None:
    """Sets far apart in variance left are in the same order in expected width.

    The plan is chosen by the first and told by the second.
    """
    foresight = hand_made(2, draws=800)
    pooled = planning.pool(foresight)
    assert pooled is not None
    sets = [[], [0], [1], [3] * 2, [0, 1, 2], [0, 1, 2, 3, 4]]
    after = [outcomes_of(foresight, rows) for rows in sets]
    width = [range_widths(foresight.present, known, after[0]).mean() for known in after]
    sd = np.sqrt([pooled.variance(rows) for rows in sets])
    for a in range(len(sets)):
        for b in range(len(sets)):
            if sd[a] < 0.9 * sd[b]:
                assert width[a] < width[b]


def plan(fit, **changes) -> planning.Planning:
    """`plan_tests` after a fit."""
    return planning.plan_tests(fit, np.random.SeedSequence(4), **changes)


@pytest.fixture(scope="module")
def planned(thin_fit) -> planning.Planning:
    """All about further tests after the small fit."""
    return plan(thin_fit)


def test_one_seed_gives_one_planning(thin_fit, planned) -> None:
    """The same seed gives the same ranking, curve and plan to the last digit."""
    assert plan(thin_fit) == planned


def test_ranking_is_by_expected_width(planned) -> None:
    """The narrowest comes first; every narrowing is a part of the width now; spreads enclose it."""
    widths = [r.expected_width_ml_h for r in planned.ranked]
    assert widths == sorted(widths)
    assert len({r.width_now_ml_h for r in planned.ranked}) == 1
    for r in planned.ranked:
        assert r.expected_width_ml_h == pytest.approx((1 - r.narrowing) * r.width_now_ml_h)
        assert r.width_spread_ml_h[0] <= r.width_spread_ml_h[1]
        assert r.narrowing_per_minute == pytest.approx(r.narrowing / r.candidate.minutes)
    assert not planned.ranked[0].tied


def test_ranking_makes_sense_to_a_keeper(planned) -> None:
    """A week of daily tests beats one test; five beat one; magnesium tells nothing of the flow."""
    narrowing = {(r.candidate.key, r.candidate.repeats): r.narrowing for r in planned.ranked}
    assert narrowing["daily_week", 1] > narrowing["tank_alkalinity", 1] + 0.05
    assert narrowing["tank_alkalinity", 5] > narrowing["tank_alkalinity", 1]
    assert narrowing["tank_and_effluent", 1] > narrowing["tank_alkalinity", 1]
    assert narrowing["tank_magnesium" if ("tank_magnesium", 1) in narrowing else "volume", 1] < 0.2
    assert min(narrowing.values()) > -0.05


def test_the_needed_flow_goes_with_its_causes_as_it_should(planned) -> None:
    """More uptake needs more flow, a stronger effluent less; the widest swing comes first."""
    swings = {swing.cause: swing.at_high_ml_h - swing.at_low_ml_h for swing in planned.swings}
    sizes = [abs(size) for size in swings.values()]
    assert sizes == sorted(sizes, reverse=True)
    assert swings["daily alkalinity uptake"] > 0.0
    assert swings["effluent strength"] < 0.0


def test_the_curve_falls_to_its_floor(planned) -> None:
    """More tests leave less width, never less than what perfect tank tests leave with effluent.

    Every cause takes a part between nothing and all of the floor's variance.
    """
    curve = planned.how_much
    assert curve is not None
    assert curve.width[0] == 1.0
    assert len(curve.width) == planning.MOST_TESTS + 1
    assert np.all(np.diff(curve.width) < 0)
    assert 0.0 < curve.floor < curve.width[1]
    assert all(-1e-6 <= part <= 1.0 for part in curve.floor_causes.values())
    assert set(curve.gains) == set(planning.WEIGHED)
    if curve.enough is not None:
        most = curve.gains[planning.WEIGHED[-1]]
        assert most - ({0: 0.0} | dict(curve.gains))[curve.enough] < planning.ENOUGH


def test_the_plan_keeps_its_promises(thin_fit, planned) -> None:
    """Dated tests after the log within both weeks' minutes, no worse than evenly spaced ones."""
    found = planned.plan
    assert found is not None
    start = (thin_fit.log.end + timedelta(hours=1)).date()
    spent = Counter()
    for test in found.tests:
        assert test.time > thin_fit.log.end
        assert 1 <= test.repeats <= planning.MOST_A_DAY
        assert test.minutes == test.repeats * planning.USUAL_MINUTES
        day = (test.time.date() - start).days
        assert 1 <= day <= 14
        spent[(day - 1) // 7] += test.minutes
    assert found.tests == tuple(sorted(found.tests, key=lambda test: test.time))
    assert all(0 < minutes <= found.minutes_per_week for minutes in spent.values())
    assert found.width < 1.0
    assert found.width < found.even_width + 2 * found.width_error


def test_no_minutes_no_tests(thin_fit) -> None:
    """With less time than one test takes the plan is empty and narrows nothing."""
    found = plan(thin_fit, minutes_per_week=3.0, weeks=1).plan
    assert found is not None
    assert found.tests == ()
    assert found.width == pytest.approx(1.0, abs=0.01)
    assert found.even_width == pytest.approx(1.0, abs=0.01)


def test_a_plan_without_an_alkalinity_kit(small_fit) -> None:
    """With a calcium kit alone the plan is of calcium; evenly spaced tests narrow nothing."""
    bench = bench_for(small_fit.log, small_fit.tank)
    options = [bench.reading("calcium", "tank", bench.on(day)) for day in range(1, 8)]
    end = small_fit.log.end + timedelta(days=8)
    outlook = planning.look_ahead(small_fit, options, np.random.SeedSequence(1), at=end)
    found = planning.schedule_tests(outlook, bench, options, 20.0)
    assert found is not None
    assert {test.parameter for test in found.tests} == {"calcium"}
    assert found.even_width == pytest.approx(1.0, abs=0.01)


def test_a_few_outcomes_far_off_do_not_make_the_plan(small_fit) -> None:
    """The plan's width is the median over outcomes: its error is a few per cent weeks ahead too.

    A mean over outcomes would hang on those where the flow response lets the needed flow run off.
    """
    bench = bench_for(small_fit.log, small_fit.tank)
    options = [bench.reading("alkalinity", "tank", bench.on(day)) for day in range(1, 22)]
    end = small_fit.log.end + timedelta(days=22)
    plans = [
        planning.schedule_tests(
            planning.look_ahead(small_fit, options, np.random.SeedSequence(seed), at=end),
            bench,
            options,
            20.0,
        )
        for seed in range(6)
    ]
    widths = [one.width for one in plans if one is not None]
    assert len(widths) == 6
    assert all(0.0 < one.width_error < 0.1 for one in plans if one is not None)
    assert np.std(widths) < 0.08


def test_a_reference_solution_need_not_be_declared(small_fit) -> None:
    """A solution got for the purpose has a stated strength, and tells of the kit alone."""
    log = example_log([(t, "alkalinity", "tank", "alk", 2.9) for t in (0.5, 3.5, 6.5)])
    assert bench_for(log, example_tank(references={})).reference == planning.REFERENCE
    bench = replace(bench_for(small_fit.log, small_fit.tank), reference=planning.REFERENCE)
    test = bench.reading("alkalinity", "reference", bench.now)
    outlook = planning.look_ahead(small_fit, [test], np.random.SeedSequence(1))
    gain = outlook.foresight.present.kit_gain
    expected = gain * planning.REFERENCE_ALKALINITY
    np.testing.assert_allclose(outlook.foresight.mean[:, 0], expected, rtol=1e-9)
    np.testing.assert_allclose(outlook.foresight.covariance[:, 0], 0.0, atol=1e-12)


def test_progress_is_told_to_the_end(thin_fit) -> None:
    """The caller hears rising parts, the last one whole."""
    told: list[float] = []
    plan(thin_fit, weeks=1, minutes_per_week=12.0, progress=told.append)
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_readings_of_one_kind_and_time_are_one(small_fit) -> None:
    """Candidates that share a test share its prediction, and repeats of it are drawn anew."""
    moment = datetime(2027, 1, 1, 12)
    one, same = (Reading(0, moment, "alkalinity", "tank", "", 0.0, "", "alk") for _ in range(2))
    late = replace(small_fit.log, end=moment - timedelta(hours=1))
    outlook = planning.look_ahead(
        replace(small_fit, log=replace(late, end=small_fit.log.end)),
        [one, same],
        np.random.SeedSequence(1),
    )
    assert len(outlook.foresight.readings) == 1
    assert outlook.rows([one, same], 2) == [0, 0, 0, 0]
