"""How much testing is enough, of what is foreseen by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from estimator.inputs.tank import Target
from estimator.next_tests import enough
from estimator.next_tests.enough import ENOUGH, MOST_TESTS, WEIGHED, HowMuch, how_much
from estimator.next_tests.ranking import Prospect
from estimator.next_tests.worth import Worth, decision_of
from estimator.unknowns import Unknown
from helpers.foresights import DKH, hand_made

BAND = Target(7.6 * DKH, 8.8 * DKH, "dKH")


def found(values: tuple[float, ...], monkeypatch, parameter_spread: float = 1.0) -> HowMuch:
    """Where so many tests as `WEIGHED` are worth these values."""
    foresight = hand_made(1, draws=60, imagined=10, parameter_spread=parameter_spread)
    # The first two are of the tank.
    readings = tuple(replace(one, sample=one.sample.split()[0]) for one in foresight.readings)
    foresight = replace(foresight, readings=readings)
    decision = decision_of(foresight, BAND, 1.0, 300.0, np.random.SeedSequence(2))
    prospect = Prospect(foresight, {}, decision)
    told = dict(zip(WEIGHED, values, strict=True))

    def worth(_, rows, volume_sd=None) -> Worth:
        return Worth(np.ones(1), told[len(rows)], 0.0, 0.5, 60.0)

    monkeypatch.setattr(Prospect, "worth", worth)
    monkeypatch.setattr(enough, "perfect_knowledge", lambda *_: 0.2)
    much = how_much(prospect, np.random.SeedSequence(3))
    assert much is not None
    return much


@pytest.mark.parametrize(
    ("values", "tests"),
    [
        ((0.0, 0.0, 0.0, 0.001, 0.002), 0),
        ((0.02, 0.025, 0.026, 0.028, 0.029), 1),
        ((0.01, 0.02, 0.05, 0.055, 0.058), 4),
        ((0.01, 0.02, 0.03, 0.05, 0.09), None),
    ],
)
def test_enough_is_the_fewest_tests_that_leave_less_than_one_in_a_hundred(
    values: tuple[float, ...], tests: int | None, monkeypatch
) -> None:
    """Of 0, 1, 2, 4 and 8, against fourteen: none where even fourteen add next to nothing."""
    much = found(values, monkeypatch)
    assert ENOUGH == 0.01
    assert much.enough == tests
    assert dict(much.values) == dict(zip(WEIGHED, values, strict=True))


def test_a_cause_that_is_known_removes_nothing_of_the_floor(monkeypatch) -> None:
    """Volume, light and the answer to the flow are known here: what is left is of the states."""
    much = found((0.0,) * 5, monkeypatch, parameter_spread=0.0)
    for known in (Unknown.VOLUME, Unknown.LIGHT, Unknown.FLOW_RESPONSE):
        assert much.floor_causes[known] == pytest.approx(0.0, abs=1e-6)
    assert much.floor_causes[Unknown.EFFLUENT] > 0.3
    assert len(much.width) == MOST_TESTS + 1
    assert much.width[0] == pytest.approx(1.0)
