"""Short versions of the study of stated chances: see chances.py for the full one."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from helpers.keepers import DKH, Habits, keeper_case
from recovery import chances

STUDY = Path(__file__).with_name("chances.json")


def steady_case(**changes):
    """A keeper whose tank does not change, with two weeks to follow, its level in the middle."""
    case = keeper_case(np.random.default_rng(2), Habits(days=30, begun_d=0, beyond=20))
    uptake, strength = case.truth.uptake_meq_l_d, case.truth.effluent_strength
    steady = {
        "uptake_meq_l_d": np.full_like(uptake, uptake[0]),
        "effluent_strength": np.ones_like(strength),
        "light_ratio": 1.0,
        "kit_calibration": {},
        "kit_repeatability": {},
    }
    return replace(case, truth=replace(case.truth, **(steady | changes)))


def test_a_tank_at_its_needed_flow_stays_in_the_band() -> None:
    """From the band's middle, at the flow that holds it: held, and read so; at a fifth: neither."""
    case = steady_case()
    first = case.log.start
    log = replace(case.log, readings=(), actions=(), end=first + timedelta(hours=1))
    rng = np.random.default_rng(0)
    needed = case.chamber.flow_for(case.uptake_at_middle_meq_l_d * case.truth.volume_l, 0.0)
    assert chances.two_weeks(log, case, needed, rng) == (True, True)
    assert chances.two_weeks(log, case, 0.2 * needed, rng) == (False, False)


def test_a_kit_that_reads_high_reads_out_of_a_band_that_is_held() -> None:
    """What the kit reads is judged apart from what is."""
    case = steady_case(kit_calibration={("alk", 0): 1.12})
    log = replace(case.log, readings=(), actions=(), end=case.log.start + timedelta(hours=1))
    needed = case.chamber.flow_for(case.uptake_at_middle_meq_l_d * case.truth.volume_l, 0.0)
    held, inside = chances.two_weeks(log, case, needed, np.random.default_rng(0))
    assert held
    assert not inside


def test_what_goes_on_is_dosed_what_is_advised_is_not() -> None:
    """As it stands nothing is added to the log; an advised flow ends all dosing."""
    case = steady_case()
    assert chances.goes_on(case.log, case, None) is case.log
    added = chances.goes_on(case.log, case, 400.0).actions[len(case.log.actions) :]
    assert {(a.kind, a.of, a.value) for a in added} == {
        ("flow", "", 400.0),
        ("dose_rate", "soda", 0.0),
        ("dose_rate", "chloride", 0.0),
    }


def test_chances_that_come_true_beat_the_constant() -> None:
    """Reliability by tenths and Brier scores of chances that are known to be right, or reversed."""
    rng = np.random.default_rng(0)
    stated = rng.uniform(size=4000)
    happened = rng.uniform(size=4000) < stated
    right = chances.judged(stated, happened)
    assert right["brier"] == pytest.approx(1 / 6, abs=0.01)
    assert right["brier_of_constant"] == pytest.approx(1 / 4, abs=0.01)
    assert sum(row["count"] for row in right["by_tenths"]) == right["count"] == 4000
    assert all(abs(row["stated"] - row["happened"]) < 0.08 for row in right["by_tenths"])
    assert chances.judged(1 - stated, happened)["brier"] > right["brier_of_constant"]


@pytest.mark.sampler
def test_keepers_are_followed_at_what_was_advised() -> None:
    """Two keepers, one of them without a reactor: a chance is stated where a setting is."""
    found = [chances.one_log(index, seed=1) for index in (0, 1)]
    for one in found:
        assert set(one) <= set(chances.ARMS)
        assert all(0.0 <= followed.stated <= 1.0 for followed in one.values())
    assert any(found)


def test_the_study_found_that_chances_come_true() -> None:
    """In the committed study the chance of what the kit reads foretells better than a constant and
    errs by less than a tenth; that of the true level errs on the careful side."""
    study = json.loads(STUDY.read_text())
    assert study["logs"] >= 100
    for arm in chances.ARMS:
        read, true = (study["summary"][arm][of] for of in ("as the kit reads", "true level"))
        assert read["brier"] < read["brier_of_constant"]
        assert read["stated"] == pytest.approx(read["happened"], abs=0.1)
        assert true["stated"] < true["happened"] + 0.05


def test_tanks_are_as_the_study_says() -> None:
    """Keepers differ in what they run and test; levels stay where tanks are."""
    habits = [chances.random_habits(np.random.default_rng(k)) for k in range(60)]
    assert 0.3 < np.mean([one.begun_d == 0 for one in habits]) < 0.7
    assert any(one.effluent is None for one in habits)
    case = keeper_case(np.random.default_rng(4), habits[0])
    assert 4 * DKH < case.level_now_meq_l < 14 * DKH
