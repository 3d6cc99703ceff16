"""Settings over time, and routines of dosing by hand."""

from __future__ import annotations

import pytest

from estimator.inputs.tank import Reactor
from estimator.water.settings import line, settings_of
from helpers.tanks import example_log, example_tank

READ = [(0.5, "alkalinity", "tank", "alk", 2.9), (30.0, "alkalinity", "tank", "alk", 2.9)]


def test_a_line_holds_from_each_change_on() -> None:
    """At the time of a change the new value holds; before any change the first."""
    found = line(1.0, [(2.0, 5.0), (3.0, 7.0)])
    assert [found.at(t) for t in (-1.0, 1.999, 2.0, 2.5, 3.0, 9.0)] == [1, 1, 5, 5, 7, 7]
    assert found.last == 7.0
    assert line(4.0, []).last == 4.0


def test_the_last_flow_that_ran_is_kept() -> None:
    """Switched off, the pump keeps the last flow that ran, at which its effluent is told."""
    log = example_log(READ, [(1.0, "flow", "", 1000.0), (5.0, "flow", "", 2000.0)])
    settings = settings_of(log, example_tank())
    assert settings.last_run_flow_l_d == pytest.approx(48.0)
    assert settings.first_run_d == pytest.approx(1.0)
    off = example_log(READ, [(1.0, "flow", "", 1000.0), (5.0, "flow", "", 0.0)])
    assert settings_of(off, example_tank()).last_run_flow_l_d == pytest.approx(24.0)
    assert settings_of(example_log(READ), example_tank()).last_run_flow_l_d is None


def test_rates_of_several_solutions_add_up() -> None:
    """Each solution keeps its own rate until it is set anew."""
    tank = example_tank()
    log = example_log(
        READ,
        [
            (1.0, "dose_rate", "soda", 10.0),
            (2.0, "dose_rate", "chloride", 20.0),
            (3.0, "dose_rate", "soda", 4.0),
        ],
    )
    settings = settings_of(log, tank)
    strength = tank.solutions["chloride"].calcium_mmol_per_ml
    rates = [settings.alkalinity_rate_meq_d.at(t) for t in (0.5, 1.5, 2.5, 3.5)]
    assert rates == pytest.approx([0.0, 19.0, 19.0, 7.6])
    assert settings.calcium_rate_mmol_d.last == pytest.approx(20 * strength)
    assert settings.dosed_now_meq_d == pytest.approx(7.6)


def test_daily_doses_by_hand_are_a_routine() -> None:
    """A dose a day for two weeks goes on: counted per day with its usual amount."""
    doses = [(10.4 + j, "dose", "soda", 30.0) for j in range(20)]
    (routine,) = settings_of(example_log(READ, doses), example_tank()).hand_dosing
    assert routine.interval_d == pytest.approx(1.0)
    assert routine.age_d == pytest.approx(0.6)
    assert routine.alkalinity_meq == pytest.approx(57.0)
    settings = settings_of(example_log(READ, doses), example_tank())
    assert settings.dosed_now_meq_d == pytest.approx(57.0)


@pytest.mark.parametrize(
    "days",
    [
        [29.0],  # one correction
        [20.0, 28.0],  # two
        [17.0, 18.0, 19.0, 20.0, 21.0],  # stopped nine days ago
        [1.0, 2.0, 3.0, 4.0],  # long ago
    ],
)
def test_corrections_and_stopped_routines_do_not_go_on(days) -> None:
    """A single dose corrects the level once; a routine that has stopped is none."""
    log = example_log(READ, [(day, "dose", "soda", 30.0) for day in days])
    settings = settings_of(log, example_tank())
    assert settings.hand_dosing == ()
    assert settings.dosed_now_meq_d == 0.0


def test_chamber_ph_is_stated_read_or_usual() -> None:
    """The tank file first, then the median of chamber readings, then the usual 6.5."""
    probe = [(t, "ph", "chamber", "", value) for t, value in ((1, 6.7), (2, 6.8), (3, 6.9))]
    unstated = example_tank(reactor=Reactor(60.0, 3000.0, 10.0))
    cases = [
        (example_tank(), READ + probe, 6.6, True),
        (unstated, READ + probe, 6.8, True),
        (unstated, READ, 6.5, False),
    ]
    for tank, readings, expected, known in cases:
        settings = settings_of(example_log(readings), tank)
        assert settings.chamber_ph.last == pytest.approx(expected)
        assert settings.chamber_ph_known is known
    changed = settings_of(example_log(READ, [(4.0, "ph_setting", "", 6.4)]), unstated)
    assert changed.chamber_ph.at(3.0) == pytest.approx(6.5)
    assert changed.chamber_ph.last == pytest.approx(6.4)
    assert changed.chamber_ph_known
