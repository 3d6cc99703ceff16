"""The simulator: closed-form cases, kits, and what it leaves alone."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from estimator import units
from estimator.synthetic.simulation import (
    TrueChamber,
    filled_part,
    read_with_kit,
    round_to_step,
    simulate_levels,
    simulate_log,
)
from estimator.water import chamber_table
from helpers.tanks import example_log, example_tank, example_truth

DKH = units.MEQ_L_PER_DKH


def times_of(log, days):
    """Datetimes of days after the first midnight."""
    return [log.start.replace(hour=0, minute=0) + timedelta(days=d) for d in days]


def test_constant_uptake_lowers_the_level_by_a_day_each_day():
    """Without supply, whole days cost whole days of uptake, alkalinity 1 and calcium ρ."""
    log = example_log([(0.0, "alkalinity", "tank", "alk")])
    truth = example_truth(5, uptake_meq_l_d=np.full(6, 0.3), calcium_share=0.5)
    levels = simulate_levels(example_tank(), log, truth, times_of(log, [0, 1, 3]))
    start = truth.start
    np.testing.assert_allclose(
        levels.alkalinity_meq_l, start["alkalinity"] - 0.3 * np.array([0, 1, 3]), rtol=1e-7
    )
    np.testing.assert_allclose(
        levels.calcium_mmol_l, start["calcium"] - 0.15 * np.array([0, 1, 3]), rtol=1e-7
    )


def test_most_uptake_falls_in_the_light() -> None:
    """The lit ten hours take L f / (1 + f(L − 1)) of the day's uptake."""
    log = example_log([(0.0, "alkalinity", "tank", "alk")])
    truth = example_truth(2, uptake_meq_l_d=np.full(3, 0.3), light_ratio=3.0)
    before, after = simulate_levels(
        example_tank(), log, truth, times_of(log, [10 / 24, 20 / 24])
    ).alkalinity_meq_l
    lit = 10 / 24
    assert before - after == pytest.approx(0.3 * 3 * lit / (1 + lit * 2), rel=1e-6)


def test_a_water_change_mixes() -> None:
    """Ten per cent new water moves the level a tenth of the way to the new water's."""
    log = example_log([(0.0, "alkalinity", "tank", "alk")], [(1.0, "water_change", "new", 58.0)])
    truth = example_truth(3, uptake_meq_l_d=np.zeros(4), volume_l=580.0)
    before, after = simulate_levels(
        example_tank(), log, truth, times_of(log, [1.0, 1.0 + 1e-6])
    ).alkalinity_meq_l
    assert before == pytest.approx(truth.start["alkalinity"])
    new = truth.waters["new"]["alkalinity"]
    assert after == pytest.approx(before + 0.1 * (new - before), rel=1e-6)


def reactor_truth(days, **changes):
    """Constant uptake and effluent, no answer to light or level."""
    steady = {
        "uptake_meq_l_d": np.full(days + 1, 0.4),
        "effluent_strength": np.ones(days + 1),
        "light_ratio": 1.0,
    }
    return example_truth(days, **(steady | changes))


def levels_at(truth, days, actions, tank=None):
    """True levels on some days after things were done."""
    log = example_log([(0.0, "alkalinity", "tank", "alk")], actions)
    return simulate_levels(tank or example_tank(), log, truth, times_of(log, days))


def test_long_run_reaches_the_steady_level() -> None:
    """A chamber that is always saturated: the level settles at A_e − U V / F."""
    tank = example_tank()
    truth = reactor_truth(200, saturated_increment_meq_l=6.0, half_flow_ml_h=1e12)
    level = levels_at(truth, [200.0], [(0.0, "flow", "", 2000.0)]).alkalinity_meq_l[0]
    effluent = tank.targets["alkalinity"].middle + 6.0
    assert level == pytest.approx(effluent - 0.4 * truth.volume_l / 48.0, rel=1e-5)


def test_effluent_falls_with_the_flow_and_the_supply_has_a_limit() -> None:
    """X_sat/(1 + F/F0) of one chamber: half at F0, and F·X nears F0·X_sat."""
    truth = reactor_truth(2, saturated_increment_meq_l=8.0, half_flow_ml_h=1000.0)
    middle = example_tank().targets["alkalinity"].middle
    truth = replace(truth, start={**truth.start, "alkalinity": middle}, volume_l=1e9)
    truth = replace(truth, uptake_meq_l_d=np.zeros(3))
    above = []
    for flow in (1.0, 1000.0, 1e6):
        levels = levels_at(truth, [0.5], [(0.0, "flow", "", flow)])
        above.append(levels.effluent_alkalinity_meq_l[0] - levels.alkalinity_meq_l[0])
    assert above == pytest.approx([8.0 / 1.001, 4.0, 8.0 / 1001], rel=1e-4)


def test_a_second_chamber_nears_its_own_equilibrium() -> None:
    """Always more than one chamber, never more than saturation, most where the first is halfway."""
    flows = np.geomspace(0.01, 100, 30)
    one, two = (np.array([filled_part(x, chambers) for x in flows]) for chambers in (1, 2))
    assert np.all(two > one)
    assert np.all(two < 1)
    assert 0.25 < flows[np.argmax(two - one)] < 1.5
    assert np.all(np.diff(flows * two) > 0)


@pytest.mark.parametrize("chambers", [1, 2])
def test_the_needed_flow_holds_the_middle(chambers) -> None:
    """At the flow that the chamber names the level stays in the middle of the band."""
    tank = example_tank()
    tank = replace(tank, reactor=replace(tank.reactor, chambers=chambers))
    middle = tank.targets["alkalinity"].middle
    truth = reactor_truth(30, start={"alkalinity": middle, "calcium": 10.0})
    log = example_log([(0.0, "alkalinity", "tank", "alk")])
    flow = TrueChamber(tank, log, truth).flow_for(0.4 * truth.volume_l, 0.0)
    level = levels_at(truth, [30.0], [(0.0, "flow", "", flow)], tank).alkalinity_meq_l[0]
    assert level == pytest.approx(middle, rel=1e-6)


def test_no_flow_carries_more_than_the_chamber_gives() -> None:
    """A load above F0·X_sat has no flow, none a flow of zero."""
    truth = reactor_truth(2, saturated_increment_meq_l=8.0, half_flow_ml_h=1000.0)
    log = example_log([(0.0, "alkalinity", "tank", "alk")])
    chamber = TrueChamber(example_tank(), log, truth)
    assert chamber.flow_for(24 * 8.0 * 0.99, 0.0) > 50_000
    assert chamber.flow_for(24 * 8.0 * 1.01, 0.0) == np.inf
    assert chamber.flow_for(-1.0, 0.0) == 0.0


def test_the_effluent_follows_the_chambers_ph() -> None:
    """A setting acts by the table to the power β; a chamber that departs from it acts by itself."""
    table = chamber_table.saturated_increment_meq_l
    log = example_log([(0.0, "alkalinity", "tank", "alk")], [(5.0, "ph_setting", "", 6.8)])
    truth = reactor_truth(10, ph_response=0.5)
    chamber = TrueChamber(example_tank(), log, truth)
    assert chamber.saturated_meq_l(6.0) == pytest.approx(truth.saturated_increment_meq_l)
    expected = truth.saturated_increment_meq_l * np.sqrt(table(6.6) / table(6.8))
    assert chamber.saturated_meq_l(0.0, 6.6) == pytest.approx(expected)
    away = replace(truth, chamber_ph=np.full(11, 7.0))
    expected = truth.saturated_increment_meq_l * np.sqrt(table(7.0) / table(6.8))
    assert TrueChamber(example_tank(), log, away).saturated_meq_l(0.0) == pytest.approx(expected)


def test_uptake_answers_to_the_level() -> None:
    """Without supply the level over its fixed point decays: A_f = A_m − 1/η, at the rate Uη.

    Calcium falls by its share of what alkalinity lost.
    """
    middle = example_tank().targets["alkalinity"].middle
    truth = reactor_truth(5, uptake_per_meq_l=0.3)
    levels = levels_at(truth, [0.0, 4.0], [])
    before, after = levels.alkalinity_meq_l
    fixed = middle - 1 / 0.3
    assert after - fixed == pytest.approx((before - fixed) * np.exp(-0.4 * 0.3 * 4), rel=1e-6)
    lost = levels.calcium_mmol_l[0] - levels.calcium_mmol_l[1]
    assert lost == pytest.approx(truth.calcium_share * (before - after), rel=1e-6)


def test_what_is_not_written_down_happens_all_the_same() -> None:
    """Unlogged doses act as logged ones; a strength that is stated too high adds less."""
    doses = [(1.0, "dose", "soda", 100.0), (1.0, "dose_rate", "chloride", 50.0)]
    logged = levels_at(reactor_truth(5), [4.0], doses)
    unlogged = tuple(example_log([], doses).actions)
    forgotten = levels_at(reactor_truth(5, unlogged=unlogged), [4.0], [])
    weak = {"soda": 0.1, "chloride": 0.1}
    weaker = levels_at(reactor_truth(5, strength_factor=weak), [4.0], doses)
    nothing = levels_at(reactor_truth(5), [4.0], [])
    for name in ("alkalinity_meq_l", "calcium_mmol_l"):
        with_all, without, tenth = (getattr(one, name)[0] for one in (logged, nothing, weaker))
        assert getattr(forgotten, name)[0] == pytest.approx(with_all, rel=1e-9)
        assert tenth - without == pytest.approx(0.1 * (with_all - without), rel=1e-6)


def test_magnesium_media_gives_less_calcium() -> None:
    """Per equivalent dissolved, calcium comes back as half of what is not magnesium."""
    for share in (0.0, 0.1):
        truth = reactor_truth(3, media_magnesium_share=share)
        levels = levels_at(truth, [2.0], [(0.0, "flow", "", 2000.0)])
        gained = levels.effluent_alkalinity_meq_l[0] - levels.alkalinity_meq_l[0]
        calcium = levels.effluent_calcium_mmol_l[0] - levels.calcium_mmol_l[0]
        assert calcium == pytest.approx(0.5 * (1 - share) * gained, rel=1e-9)


def simulated(readings, **changes):
    """Values that probes and perfect kits show of a truth."""
    fine = {name: replace(kit, step=1e-6) for name, kit in example_tank().kits.items()}
    perfect = {"kit_calibration": {}, "kit_repeatability": {}, "uptake_meq_l_d": np.zeros(61)}
    truth = example_truth(60, **(perfect | changes))
    log = simulate_log(
        example_tank(kits=fine), example_log(readings), truth, np.random.default_rng(0)
    )
    return np.array([reading.value for reading in log.readings])


def test_the_chambers_probe_has_a_lasting_offset() -> None:
    """Readings lie about true pH plus offset, two digits behind the point."""
    readings = [(j + 0.5, "ph", "chamber", "") for j in range(60)]
    shown = simulated(readings, chamber_ph=np.linspace(6.6, 7.0, 61), probe_offset=0.07)
    assert np.array([round(v, 2) for v in shown]) == pytest.approx(shown, abs=1e-12)
    errors = shown - np.linspace(6.6, 7.0, 61)[:60]
    assert errors.mean() == pytest.approx(0.07, abs=0.01)
    assert 0.01 < errors.std() < 0.03


def test_evaporation_concentrates_the_tank() -> None:
    """At 38.5 g/kg in a tank stated at 35, tank tests read a tenth more; probes read salinity."""
    tests = [(10.0, "alkalinity", "tank", "alk"), (10.0, "calcium", "tank", "ca")]
    plain = simulated(tests)
    salty = simulated(tests, salinity_g_kg=np.full(61, 38.5))
    np.testing.assert_allclose(salty, 1.1 * plain, rtol=1e-5)
    probe = [(j + 0.5, "salinity", "tank", "") for j in range(60)]
    assert simulated(probe, salinity_g_kg=np.full(61, 38.5)).mean() == pytest.approx(38.5, abs=0.15)


def test_drifting_errors_follow_each_other() -> None:
    """Sd and correlation over hours are those of an Ornstein-Uhlenbeck error."""
    readings = [(j / 24, "alkalinity", "tank", "alk") for j in range(24 * 55)]
    error = simulated(readings, drifting={"alk": (0.05, 0.5)}) - simulated(readings)
    assert error.std() == pytest.approx(0.05, rel=0.25)
    for lag in (1, 12):
        found = np.corrcoef(error[:-lag], error[lag:])[0, 1]
        assert found == pytest.approx(np.exp(-lag / 24 / 0.5), abs=0.12)


def test_kits_show_multiples_of_their_step(everything) -> None:
    """Every simulated figure is a whole number of steps and never negative."""
    log = simulate_log(everything.tank, everything.log, everything.truth, np.random.default_rng(0))
    for reading in log.readings:
        steps = reading.value / everything.tank.kits[reading.kit].step
        assert steps == pytest.approx(round(steps), abs=1e-9)
        assert reading.value >= 0


def test_only_values_change_and_the_seed_fixes_them(everything) -> None:
    """The same seed gives the same log; actions, times and rows stay as they were."""
    make = [
        simulate_log(everything.tank, everything.log, everything.truth, np.random.default_rng(s))
        for s in (3, 3, 4)
    ]
    assert make[0] == make[1]
    assert make[0] != make[2]
    blank = [replace(r, value=0.0) for r in make[0].readings]
    assert blank == [replace(r, value=0.0) for r in everything.log.readings]
    assert make[0].actions == everything.log.actions


def test_gain_and_misread_act_on_the_reading(everything) -> None:
    """A kit reads gain × level, a misread adds to it, and the step rounds the result."""
    reading = next(r for r in everything.log.readings if r.kit == "alk")
    truth = replace(
        everything.truth,
        kit_calibration={("alk", 0): 1.1},
        kit_repeatability={},
        misread={reading.row: 2 * DKH},
    )
    rng = np.random.default_rng(0)
    shown = read_with_kit(reading, 8.0 * DKH, 0, everything.tank, truth, rng)
    assert shown / DKH == pytest.approx(10.8)  # 8.8 + 2, a multiple of 0.3


def test_rounding_is_to_the_nearest_step() -> None:
    """8.26 with a step of 0.5 shows 8.5."""
    assert round_to_step(8.26, 0.5) == pytest.approx(8.5)
    assert round_to_step(8.24, 0.5) == pytest.approx(8.0)
