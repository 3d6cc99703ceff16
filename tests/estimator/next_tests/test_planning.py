"""All about further tests after a real fit: ranking, how much is enough, and a plan."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from estimator.fit.problem import pose
from estimator.inputs.records import Reading
from estimator.next_tests import candidates, enough, planning
from estimator.next_tests.candidates import Candidate
from estimator.next_tests.enough import Verdict
from estimator.next_tests.ranking import Ranked, look_ahead
from estimator.unknowns import Unknown
from helpers.fits import known_posterior
from helpers.tanks import example_log, example_tank


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
    """The narrowest comes first; every narrowing is a part of the width now; ranges are."""
    widths = [r.expected_width_ml_h for r in planned.ranked]
    assert widths == sorted(widths)
    assert len({r.width_now_ml_h for r in planned.ranked}) == 1
    for r in planned.ranked:
        assert r.expected_width_ml_h == pytest.approx((1 - r.narrowing) * r.width_now_ml_h)
        assert r.width_range_ml_h[0] <= r.width_range_ml_h[1]
        assert r.narrowing_per_minute == pytest.approx(r.narrowing / r.candidate.minutes)
    assert not planned.ranked[0].tied


def test_ranking_makes_sense_to_a_keeper(planned) -> None:
    """A week of daily tests beats one test; five beat one; magnesium tells nothing of the flow."""
    narrowing = {(r.candidate.key, r.candidate.repeats): r.narrowing for r in planned.ranked}
    assert narrowing["daily_week", 1] > narrowing["tank_alkalinity", 1] + 0.05
    assert narrowing["tank_alkalinity", 5] > narrowing["tank_alkalinity", 1]
    assert narrowing["tank_and_effluent", 1] > narrowing["tank_alkalinity", 1]
    assert narrowing["tank_magnesium" if ("tank_magnesium", 1) in narrowing else "volume", 1] < 0.2
    # No test is expected to widen the range, but for the error of few draws.
    assert all(r.narrowing > -0.02 - 2 * r.narrowing_error for r in planned.ranked)


def test_the_needed_flow_goes_with_its_causes_as_it_should(planned) -> None:
    """More uptake needs more flow, a stronger effluent less; the widest swing comes first."""
    swings = {swing.unknown: swing.at_high_ml_h - swing.at_low_ml_h for swing in planned.swings}
    sizes = [abs(size) for size in swings.values()]
    assert sizes == sorted(sizes, reverse=True)
    assert swings[Unknown.UPTAKE] > 0.0
    assert swings[Unknown.EFFLUENT] < 0.0


def test_the_curve_falls_to_its_floor(planned) -> None:
    """More tests leave less width, never less than what perfect tank tests leave with effluent.

    Every cause takes a part between nothing and all of the floor's variance.
    """
    curve = planned.how_much
    assert curve is not None
    assert curve.width[0] == 1.0
    assert len(curve.width) == enough.MOST_TESTS + 1
    assert np.all(np.diff(curve.width) < 0)
    assert 0.0 < curve.floor < curve.width[1]
    assert all(-1e-6 <= part <= 1.0 for part in curve.floor_causes.values())
    assert set(curve.values) == set(enough.WEIGHED)
    if curve.enough is not None:
        most = curve.values[enough.WEIGHED[-1]]
        assert most - ({0: 0.0} | dict(curve.values))[curve.enough] < enough.ENOUGH


def test_a_reference_solution_need_not_be_declared(small_fit) -> None:
    """A solution got for the purpose has a stated strength, and tells of the kit alone."""
    log = example_log([(t, "alkalinity", "tank", "alk", 2.9) for t in (0.5, 3.5, 6.5)])
    assert (
        candidates.bench_of(pose(log, example_tank(references={}))).reference
        == candidates.REFERENCE
    )
    bench = replace(candidates.bench_of(small_fit), reference=candidates.REFERENCE)
    test = bench.reading("alkalinity", "reference", bench.now)
    prospect = look_ahead(small_fit, [test], *np.random.SeedSequence(1).spawn(2))
    foresight = prospect.foresight
    shift = foresight.mean[:, 1 + foresight.present.places[4]]
    calibration = foresight.present.kit_calibration + shift
    expected = calibration * candidates.REFERENCE_ALKALINITY
    np.testing.assert_allclose(prospect.foresight.mean[:, 0], expected, rtol=1e-9)
    # The kit wanders, and how far it has is told as well.
    place = 1 + foresight.present.places[4]
    wander = foresight.covariance[:, place, place]
    assert np.all(wander > 0.0)
    strength = candidates.REFERENCE_ALKALINITY
    np.testing.assert_allclose(foresight.covariance[:, 0, place], strength * wander, rtol=1e-6)


def test_progress_is_told_to_the_end(thin_fit) -> None:
    """The caller hears rising parts, the last one whole."""
    told: list[float] = []
    plan(thin_fit, progress=told.append)
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_readings_of_one_kind_and_time_are_one(small_fit) -> None:
    """Candidates that share a test share its prediction, and repeats of it are drawn anew."""
    moment = datetime(2027, 1, 1, 12)
    one, same = (Reading(0, moment, "alkalinity", "tank", "", 0.0, "", "alk") for _ in range(2))
    late = replace(small_fit.log, end=moment - timedelta(hours=1))
    prospect = look_ahead(
        replace(small_fit, log=replace(late, end=small_fit.log.end)),
        [one, same],
        *np.random.SeedSequence(1).spawn(2),
    )
    assert len(prospect.foresight.readings) == 1
    assert prospect.rows([one, same], 2) == [0, 0, 0, 0]


def test_a_reading_that_informs_is_never_dropped(small_fit, next_tests) -> None:
    """Readings that were not foreseen are refused; those that tell the model nothing are left."""
    prospect = look_ahead(small_fit, [next_tests["tank"]], *np.random.SeedSequence(1).spawn(2))
    magnesium = replace(next_tests["tank"], parameter="magnesium")
    assert prospect.rows([magnesium, next_tests["tank"]]) == [0]
    with pytest.raises(KeyError):
        prospect.rows([next_tests["effluent"]])


def test_every_stop_is_weighed_with_its_own_actions(thin_fit, monkeypatch) -> None:
    """A second candidate that stops additions, for longer, has a worth of its own.

    Readings of either are foreseen with additions stopped for as long as it says.
    """
    kind = next(k for k in candidates.CANDIDATE_KINDS if k.stop_days)
    times = candidates._before_and_after(3.0)
    longer = replace(kind, key="stop_days", times=times, stop_days=3.0)
    monkeypatch.setattr(candidates, "CANDIDATE_KINDS", (*candidates.CANDIDATE_KINDS, longer))
    narrowing = {
        r.candidate.key: r.narrowing for r in plan(thin_fit).ranked if r.candidate.repeats == 1
    }
    assert narrowing["stop_day"] > 0.02
    assert narrowing["stop_days"] > 0.02
    assert narrowing["stop_days"] != narrowing["stop_day"]


def advice(narrowing: dict[int, float], *, risky: int = -1, **changes) -> planning.Planning:
    """Candidates by minutes, ranked by what they narrow; none adds to the chance of holding."""
    best_first = sorted(narrowing, key=lambda minutes: -narrowing[minutes])
    ranked = tuple(
        Ranked(
            Candidate(str(minutes), (), 1, minutes=minutes, risky=minutes == risky),
            *(500.0, 500.0 * (1 - narrowing[minutes]), (0.0, 0.0), narrowing[minutes], 0.0),
            *(0.0, 0.0, 0.6, 900.0, False),
        )
        for minutes in best_first
    )
    known = {"swings": (), "how_much": None, "learning": None, "settled_until": None}
    return planning.Planning(ranked=ranked, **{**known, **changes})


@pytest.mark.parametrize(
    ("narrowing", "risky", "minutes"),
    [
        ({60: 0.3, 30: 0.25, 5: 0.2}, -1, 30),
        ({60: 0.3, 30: 0.23, 5: 0.2}, -1, 60),
        ({60: 0.3, 30: 0.2, 5: 0.15}, 60, 30),
        ({60: 0.049, 5: 0.04}, -1, None),
    ],
)
def test_what_comes_next_is_useful_quick_and_safe(narrowing, risky, minutes) -> None:
    """Of what brings at least 0.8 of the most, the quickest; never a risk; nothing under 5 %."""
    found = advice(narrowing, risky=risky)
    place = found.next_test
    assert (None if place is None else found.ranked[place].candidate.minutes) == minutes
    settled = advice(narrowing, risky=risky, settled_until=date(2026, 5, 1))
    assert settled.next_test is None


@pytest.mark.parametrize(
    ("enough_tests", "holding", "verdict"),
    [
        (None, 0.9, Verdict.MORE),
        (4, 0.9, Verdict.SOME),
        (0, 0.9, Verdict.SETTLED),
        (0, 0.5, Verdict.NONE),
    ],
)
def test_readings_are_enough_only_where_the_band_is_held(enough_tests, holding, verdict) -> None:
    """Where no test helps, the readings are enough if the band is held, and not if it is not."""
    much = enough.HowMuch((1.0,), 0.5, {}, {1: 0.0}, 0.1, enough_tests)
    found = advice({5: 0.1}, how_much=much)
    (only,) = found.ranked
    assert replace(found, ranked=(replace(only, holding=holding),)).verdict == verdict
    assert advice({5: 0.1}).verdict is None


@pytest.mark.parametrize(
    ("value", "holding", "settled"), [(0.009, 0.8, True), (0.009, 0.79, False), (0.01, 0.9, False)]
)
def test_settled_is_what_no_test_adds_to_and_what_holds(
    value: float, holding: float, settled: bool, monkeypatch
) -> None:
    """Less than one in a hundred to be had, and four in five to be held: both."""
    (one,) = advice({5: 0.3}).ranked
    ranked = (replace(one, value=value, holding=holding),)
    stand_ins = {
        "bench_of": lambda _: None,
        "candidates_of": lambda _: (),
        "tests_to_choose_from": lambda *_: (),
        "look_ahead": lambda *_, **__: None,
        "rank": lambda *_: ranked,
        "how_much": lambda *_: None,
        "swings_of": lambda _: (),
        "_quiet_until": lambda _: date(2026, 5, 1),
    }
    for name, stand_in in stand_ins.items():
        monkeypatch.setattr(planning, name, stand_in)
    found = planning.plan_tests(cast(Any, None), np.random.SeedSequence(1))
    assert found.settled_until == (date(2026, 5, 1) if settled else None)


def alike(**changes: Any) -> Any:
    """A fit whose effluent is the same at any flow, so that the flow goes with the uptake."""
    posterior = known_posterior(draws=200, reach=1.0, **changes)
    end = datetime(2026, 3, 31, 19)
    return SimpleNamespace(posterior=posterior, tank=example_tank(), log=SimpleNamespace(end=end))


def test_a_settled_flow_is_looked_at_again_when_it_is_a_quarter_less_sure() -> None:
    """A log flow known to 0.2, an uptake that drifts by 0.02 a day: (1.25² − 1) · 0.2² / 0.02² is
    56 days; the drift of the effluent adds, and sixty days are the most."""
    uptake = 0.5 * np.exp(0.2 * np.tile([-1.0, 1.0], 100))
    drift = np.full(200, 0.02)
    of = {"uptake": uptake, "drift": drift}
    end = date(2026, 3, 31)
    assert planning._quiet_until(alike(**of)) == end + timedelta(days=56)
    both = alike(**of, effluent_drift=drift)
    assert planning._quiet_until(both) == end + timedelta(days=28)
    assert planning._quiet_until(alike(uptake=uptake)) == end + timedelta(days=60)


def test_swings_go_from_the_lowest_to_the_highest_tenth() -> None:
    """0.4 to 0.6 meq/L/day of 600 L over 5.4 meq/L: 44.4 to 66.7 L/day, 1852 to 2778 mL/h, less a
    twentieth of the way at both ends."""
    swings = planning.swings_of(alike(uptake=np.linspace(0.4, 0.6, 200)))
    first = swings[0]
    assert first.unknown == Unknown.UPTAKE
    assert first.at_low_ml_h == pytest.approx(1852 + 46, abs=3)
    assert first.at_high_ml_h == pytest.approx(2778 - 46, abs=3)
