"""What a test of today adds to the plan."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pytest

from estimator.inputs.records import Reading
from estimator.next_tests.candidates import Candidate
from estimator.plan.futures import Futures
from estimator.plan.gains import _known, _shows, gains_of
from estimator.plan.result import TestGain
from estimator.plan.search import search
from helpers.searches import BAND, LAW, UPTAKE, futures, task

SEED = np.random.SeedSequence(5)
NOW = datetime(2026, 3, 1, 19)


def candidate(*samples: str, key: str = "", repeats: int = 1, **more) -> Candidate:
    readings = tuple(Reading(0, NOW, "alkalinity", one, "", 0.0, "dKH", "alk") for one in samples)
    return Candidate(key or samples[0], readings, repeats, **more)


def unsure(level_sd: float = 0.0, kit_sd: float = 0.0, uptake_sd: float = 0.0) -> Futures:
    """Tanks of which the level, the kit or the uptake is hardly known."""
    rng = np.random.default_rng(9)
    sure = futures()
    state, normal = sure.state, rng.standard_normal((3, len(sure.calibration)))
    return sure._replace(
        state=state.each(lambda draws: draws).__class__(
            state.law,
            state.level_meq_l + level_sd * normal[0],
            state.uptake_meq_l_d + uptake_sd * normal[2],
            state.uptake_drift_meq_l_d,
            state.effluent_drift,
        ),
        uptake_meq_l_d=sure.uptake_meq_l_d + uptake_sd * normal[2],
        calibration=np.exp(kit_sd * normal[1]),
    )


def gain(of: Futures, *candidates: Candidate) -> list[TestGain]:
    given = task(minutes_per_week=6.0)
    return list(gains_of(given, search(given, of), of, candidates, SEED))


def test_a_test_is_worth_what_it_tells() -> None:
    """The tank's where the level is unsure, a reference where the kit is; more repeats no less."""
    level = gain(unsure(level_sd=0.2), candidate("tank"), candidate("reference"))
    assert level[0].good_days > 3 * level[0].error > 0
    assert abs(level[1].good_days) < 1e-9
    kit = gain(
        unsure(kit_sd=0.06),
        *(candidate("reference", repeats=n) for n in (1, 3)),
    )
    assert kit[1].good_days >= kit[0].good_days > 3 * kit[0].error > 0


@pytest.mark.parametrize("unknown", ["level_sd", "kit_sd", "uptake_sd"])
def test_no_test_costs_days_beyond_its_error(unknown: str) -> None:
    """Knowing more never makes a plan worse but by the luck of the futures."""
    found = gain(
        unsure(**{unknown: 0.05}),
        *(candidate(sample) for sample in ("tank", "effluent", "reference")),
        candidate(key="volume", volume_sd=0.02),
    )
    assert len(found) == 4
    for one in found:
        assert one.good_days > -3 * one.error - 0.002


def test_what_is_known_is_the_regression_on_what_is_shown() -> None:
    """By numpy's least squares of the level on readings with errors; two tests as one of both."""
    of, given = unsure(level_sd=0.2, uptake_sd=0.1), task()
    chosen = search(given, of)
    normal = np.random.default_rng(3).standard_normal((2, len(of.calibration)))
    (exact, sd), (effluent, effluent_sd) = _shows(candidate("tank", "effluent"), given, of)
    known = _known(given, chosen, of, [(exact, sd, normal[0])])
    slope = np.cov(of.state.level_meq_l, exact, ddof=0)[0, 1] / (np.var(exact) + np.mean(sd**2))
    expected = given.belief.level_meq_l + slope * (exact - exact.mean() + sd * normal[0])
    np.testing.assert_allclose(known.level_meq_l, expected)
    both = [(exact, sd, normal[0]), (effluent, effluent_sd, normal[1])]
    there = _known(given, chosen, of, both)
    back = _known(given, chosen, of, both[::-1])
    np.testing.assert_allclose(there.level_meq_l, back.level_meq_l, atol=0.01)


def test_the_effluent_shows_the_level_and_its_increment() -> None:
    """50 L/day: half of 12 meq/L above the tank's; the tank stands below its mean at that hour."""
    of = futures()._replace(below_mean_d=np.full(len(futures().calibration), 0.1))
    (tank, _), (effluent, _) = _shows(candidate("tank", "effluent"), task(), of)
    assert tank[0] == pytest.approx(BAND.middle - 0.1 * UPTAKE)
    increment = float(LAW.increment_at(50.0, BAND.middle))
    assert effluent[0] - tank[0] == pytest.approx(increment)


def test_repeats_are_a_mean_whose_error_falls_by_their_root() -> None:
    """0.08 meq/L and steps of 0.1: √(0.08² + 0.1²/12) is 0.0851, of four repeats half of that."""
    for repeats, error in ((1, 0.0851), (4, 0.0425)):
        ((_, sd),) = _shows(candidate("tank", repeats=repeats), task(), futures())
        assert sd == pytest.approx(np.full(len(futures().calibration), error), abs=1e-4)


def test_only_tests_of_one_visit_that_tell_of_alkalinity_are_weighed() -> None:
    """Calcium tells nothing of it, and a week of tests is a rhythm."""
    calcium = Candidate("tank_calcium", (Reading(0, NOW, "calcium", "tank", "", 0.0, "", "ca"),), 1)
    week = candidate("tank", key="daily_week", days=7.0)
    assert gain(futures(), calcium, week, candidate("tank"))[0].key == "tank"
    assert len(gain(futures(), calcium, week)) == 0
