"""How far the model is trusted, on studies made by hand."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from estimator.advice.trust import CHECKED_DAYS, ENOUGH_TESTS, FEW_TESTS, check_level, trust_in
from estimator.inputs.records import Reading
from helpers.studies import build_study

STUDY = Path(__file__).resolve().parents[2] / "recovery" / "misspecification.json"


def codes(trust) -> list[str]:
    """Codes of the reasons."""
    return [reason.code for reason in trust.reasons]


@pytest.mark.parametrize(
    ("variant", "level"),
    [("full", "high"), ("failed", "low"), ("net change", "medium"), ("no reactor", "medium")],
)
def test_trust_falls_with_what_the_model_cannot_know(variant, level) -> None:
    """Trust is worded apart from the width of the range."""
    assert build_study(variant).trust.level == level


def test_trust_without_fault_says_so() -> None:
    """High trust has its reason too."""
    assert codes(build_study("full").trust) == ["trust_nothing_wrong"]


@pytest.mark.parametrize(
    ("tests", "code"),
    [(FEW_TESTS - 1, "trust_very_few_tests"), (FEW_TESTS, "trust_few_tests"), (ENOUGH_TESTS, None)],
)
def test_few_tests_lower_trust(tests, code) -> None:
    """Alkalinity tests of the tank are counted, not those of calcium or of the effluent."""
    trust = build_study("full", tests).trust
    assert trust.alkalinity_tests == tests
    assert {"trust_very_few_tests", "trust_few_tests"} & set(codes(trust)) == {code} - {None}
    assert trust.readings_used > tests


@pytest.mark.parametrize(
    ("odd", "code"), [(1, "trust_nothing_wrong"), (3, "trust_some_odd"), (8, "trust_many_odd")]
)
def test_odd_readings_lower_trust(odd, code) -> None:
    """One odd reading of 31 is usual, three are several, eight are many."""
    study = build_study("full")
    fine = [check for check in study.posterior.checks if not check.is_odd]
    (slip,) = (check for check in study.posterior.checks if check.is_odd)
    checks = (*[slip] * odd, *fine[: 31 - odd])
    trust = trust_in(replace(study.posterior, checks=checks), study.log)
    assert (trust.readings_used, trust.odd_readings) == (31, odd)
    assert trust.odd_share == pytest.approx(odd / 31)
    assert code in codes(trust)


def test_implausible_readings_that_are_believed_lower_trust() -> None:
    """Three effluents of 100 dKH agree with each other, and no reactor gives them."""
    study = build_study("full")
    check = next(c for c in study.posterior.checks if c.reading.sample == "effluent")
    assert not check.is_odd
    strong = replace(check, reading=replace(check.reading, value=100 * 0.356652))
    trust = trust_in(replace(study.posterior, checks=(*study.posterior.checks, strong)), study.log)
    assert (trust.level, codes(trust)) == ("medium", ["trust_implausible"])


def test_times_that_are_missing_lower_trust() -> None:
    """A log of dates alone says little of the swing within a day."""
    study = build_study("full")
    trust = trust_in(study.posterior, replace(study.log, rows_without_time=study.log.rows))
    assert (trust.level, codes(trust)) == ("medium", ["trust_no_times"])


@pytest.mark.parametrize(
    ("days", "checked"),
    [(None, False), (0, True), (CHECKED_DAYS, True), (CHECKED_DAYS + 1, False)],
)
def test_a_reference_solution_checks_the_level_for_a_while(days, checked) -> None:
    """The newest test of a solution of known alkalinity counts, for 60 days."""
    log = build_study("full").log
    readings = [
        Reading(0, log.end - timedelta(days=ago), "alkalinity", "reference", "ref", 2.9, "dKH", "")
        for ago in ([] if days is None else [days, days + 200])
    ]
    found = check_level(replace(log, readings=(*log.readings, *readings)))
    assert (found.reference_tested_days_ago, found.checked) == (days, checked)


def odd_of(study, odd: int, used: int):
    """So many odd readings of so many."""
    fine = next(check for check in study.posterior.checks if not check.is_odd)
    (slip,) = (check for check in study.posterior.checks if check.is_odd)
    return replace(study.posterior, checks=(*[slip] * odd, *[fine] * (used - odd)))


@pytest.mark.parametrize(
    ("odd", "used", "code"),
    # 5 and 15 in a hundred are the limits.
    [
        (5, 100, None),
        (6, 100, "trust_some_odd"),
        (15, 100, "trust_some_odd"),
        (16, 100, "trust_many_odd"),
    ],
)
def test_the_share_of_odd_readings_at_its_limits(odd, used, code) -> None:
    """A share at a limit is not beyond it."""
    study = build_study("full")
    found = set(codes(trust_in(odd_of(study, odd, used), study.log)))
    assert found & {"trust_some_odd", "trust_many_odd"} == {code} - {None}


@pytest.mark.parametrize(("without", "told"), [(15, False), (16, True)])
def test_more_than_half_of_the_rows_without_a_time_lower_trust(without, told) -> None:
    """Half of thirty is not more than half."""
    study = build_study("full")
    log = replace(study.log, rows=30, rows_without_time=without)
    trust = trust_in(study.posterior, log)
    assert ("trust_no_times" in codes(trust)) is told
    assert trust.level == ("medium" if told else "high")


def test_each_slight_doubt_alone_makes_trust_medium() -> None:
    """None of them hangs on another."""
    study = build_study("full")
    post = study.posterior
    tank_only = tuple(check for check in post.checks if check.reading.sample == "tank")
    for changes, code in (
        ({"net_change": True}, "trust_net_change"),
        ({"checks": tank_only}, "trust_effluent_untested"),
    ):
        trust = trust_in(replace(post, **changes), study.log)
        assert (trust.level, codes(trust)) == ("medium", [code])


def test_a_failed_check_makes_trust_low() -> None:
    """It is grave whatever else is well."""
    study, failed = build_study("full"), build_study("failed").posterior.diagnostics
    trust = trust_in(replace(study.posterior, diagnostics=failed), study.log)
    assert (trust.level, codes(trust)) == ("low", ["trust_checks_failed"])


def test_how_often_the_level_holds_is_as_the_study_found_it() -> None:
    """Both shares stand in the figures of the study of departures from the model."""
    departures = json.loads(STUDY.read_text())["departures"]
    told = check_level(build_study("full").log)
    for departure, share in (
        ("silent 5 % kit shift", told.held_if_kit_shifted),
        ("uptake follows saturation", told.held_if_uptake_follows_saturation),
    ):
        assert share == pytest.approx(departures[departure]["in_90"]["alkalinity now"], abs=0.005)
