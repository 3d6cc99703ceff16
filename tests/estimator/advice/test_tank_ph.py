"""Tank pH under the reactor's CO2: what is learned from readings, and what helps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import PyCO2SYS as pyco2
import pytest

from estimator import units
from estimator.advice import tank_ph as module
from estimator.advice.air_exchange import (
    EXCHANGE_PER_H,
    MOST_READINGS,
    OUTDOOR_CO2_PPM,
    SWING,
    Air,
    dosed_co2_mmol_d,
    excess_co2_per_eq,
    free_co2_mmol_l,
    learn_air,
    light_swing,
    unflagged_ph_readings,
)
from estimator.advice.chamber import Chamber, chamber_of, co2_at, held_at
from estimator.advice.tank_ph import LOW_PH, TankPh, tank_ph
from estimator.fit.fitting import Fit
from estimator.inputs.dosing import Solution, solution_from_strengths
from estimator.inputs.tank import Reactor
from estimator.water import carbonate
from helpers.fits import known_fit, known_posterior
from helpers.tanks import MIDNIGHT, example_log, example_tank

DKH = units.MEQ_L_PER_DKH
DAYS = 40
SEED = 5


def log_with_ph(readings: list[tuple[float, float]], start_d: float = 20.0):
    """A reactor set to 2000 mL/h on day `start_d`, and tank pH readings (day, value)."""
    rows = [(0.0, "alkalinity", "tank", "alk", 8.2 * DKH)]
    rows += [(day, "ph", "tank", "", value) for day, value in readings]
    rows.append((DAYS - 0.5, "alkalinity", "tank", "alk", 8.2 * DKH))
    return example_log(rows, [(start_d, "flow", "", 2000.0)])


def told(log, **tank_changes) -> TankPh:
    """The answer from a posterior without spread."""
    tank = example_tank(**tank_changes)
    return answer(known_fit(log, tank, known_posterior(draws=1000, days=DAYS)), SEED)


def exact_chamber(fitted: Fit) -> Chamber:
    """The chamber, of which chemistry leaves nothing open, fed from a tank at the usual pH."""
    made = chamber_of(fitted, np.random.default_rng(0))
    feed = replace(made.tank, ph_nbs=carbonate.USUAL_TANK_PH)
    none = np.zeros_like(made.surprise)
    return replace(made, tank=feed, surprise=none, co2_factor=none + 1)


def answer(fitted: Fit, seed: int) -> TankPh:
    """Of `exact_chamber`."""
    return tank_ph(fitted, exact_chamber(fitted), np.random.SeedSequence(seed))


def simulated(exchange, swing=0.3, seed=3, room=600.0):
    """60 readings of a tank that follows the balance, with probe noise 0.05 and offset 0.03."""
    tank = example_tank(room_co2_ppm=room)
    posterior = known_posterior(draws=200, days=DAYS)
    fitted = known_fit(log_with_ph([]), tank, posterior)
    settings = fitted.schedule.settings
    chamber = exact_chamber(fitted)
    k = chamber.tank.constants
    base = k.solubility * k.density_kg_l * 1e-3 * room + 0.15 / 24 / exchange
    rng = np.random.default_rng(seed)
    readings = []
    for day in np.sort(rng.uniform(0.1, DAYS - 0.6, 60)):
        used = co2_at(posterior, chamber, 6.6, settings.flow_l_d.at(day)) / 600 / 24
        mean = carbonate.ph_of_free_co2(posterior.middle_meq_l, base + used / exchange, k)
        value = float(mean) + 0.5 * swing * light_swing(day % 1 * 24, tank)
        readings.append((day, float(value + 0.03 + 0.05 * rng.standard_normal())))
    return log_with_ph(readings)


@pytest.mark.parametrize("exchange", [0.7, 2.0, 6.0])
def test_exchange_is_learned_from_ph(exchange) -> None:
    """Readings before and after the reactor starts give k and the swing back, inside their range.

    Against a tank that follows the balance exactly.
    """
    log = simulated(exchange)
    found = told(log, room_co2_ppm=600.0)
    assert found.readings == 60
    assert found.exchange_learned
    assert found.exchange_per_h.q05 < exchange < found.exchange_per_h.q95
    assert found.swing.q05 < 0.3 < found.swing.q95
    assert found.exchange_per_h.q95 / found.exchange_per_h.q05 < 6


def test_without_readings_the_prior_speaks() -> None:
    """No tank pH in the log: k keeps its wide prior, and the notes ask for readings."""
    found = told(log_with_ph([]))
    assert found.readings == 0
    assert not found.exchange_learned
    assert found.exchange_per_h.q50 == pytest.approx(EXCHANGE_PER_H[0], rel=0.1)
    width = np.log(found.exchange_per_h.q95 / found.exchange_per_h.q05)
    assert width == pytest.approx(2 * 1.645 * EXCHANGE_PER_H[1], rel=0.1)
    assert found.swing.q50 == pytest.approx(SWING[0], abs=0.02)
    codes = ["tank_ph_never_read", "tank_ph_room_assumed", "tank_ph_solution_assumed"]
    assert [note.code for note in found.notes] == codes


def test_the_reactor_lowers_ph_and_nights_are_lower() -> None:
    """Night under day, with the reactor under without it, ranges in order."""
    found = told(log_with_ph([]))
    assert found.night.q50 < found.day.q50 < found.day_without.q50
    assert found.night.q50 < found.night_without.q50 < found.day_without.q50
    assert 0 < found.reactor_drop.q05 < found.reactor_drop.q50 < found.reactor_drop.q95
    assert found.low_chance > found.low_chance_without
    assert found.day.q50 - found.night.q50 == pytest.approx(found.swing.q50, abs=0.05)
    assert 0 < found.low_chance < 1


def test_the_balance_behind_the_figures() -> None:
    """With k known, the drop is that of k (CO2* − base) = (F/V) c worked by hand.

    PyCO2SYS finds both pH values from alkalinity and CO2, by its own solver.
    """
    tank = example_tank(temperature_c=25.0, room_co2_ppm=420.0)
    posterior = known_posterior(draws=50, days=DAYS)
    log = log_with_ph([])
    chamber = exact_chamber(known_fit(log, tank, posterior))
    state = carbonate.effluent_of_alkalinity(
        chamber.tank,
        6.6,
        posterior.middle_meq_l + 0.5 * 600 / posterior.needed_flow_l_d[0],
    )
    added = 0.5 / 2 * float(state.co2_per_caco3) / 24  # mmol/L/h
    density = chamber.tank.constants.density_kg_l
    for exchange, base in ((1.0, 0.0125), (4.0, 0.015)):
        found = carbonate.ph_of_free_co2(
            posterior.middle_meq_l, base + added / exchange, chamber.tank.constants
        )
        theirs = pyco2.sys(
            par1=posterior.middle_meq_l / density * 1000,
            par1_type=1,
            par2=(base + added / exchange) / density * 1000,
            par2_type=8,
            salinity=35,
            temperature=25,
            opt_pH_scale=4,
            opt_k_carbonic=10,
            opt_k_fluoride=2,
            opt_total_borate=2,
        )["pH"]
        assert float(found) == pytest.approx(float(theirs), abs=1e-5)
    told_now = told(log, temperature_c=25.0, room_co2_ppm=420.0)
    middle = carbonate.ph_of_free_co2(
        posterior.middle_meq_l,
        np.array([0.0, added / EXCHANGE_PER_H[0]]) + 0.0123 + 0.15 / 24 / EXCHANGE_PER_H[0],
        chamber.tank.constants,
    )
    assert told_now.reactor_drop.q50 == pytest.approx(float(middle[0] - middle[1]), abs=0.04)


def test_light_swing_is_a_triangle() -> None:
    """Lowest at lights on, highest at lights off, mean 0, also where the lights cross midnight."""
    for on, off in ((10.0, 20.0), (14.5, 2.0)):
        tank = example_tank(lights_on_h=on, lights_off_h=off)
        assert light_swing(np.array(on), tank) == -1
        assert light_swing(np.array(off), tank) == pytest.approx(1)
        hours = np.arange(0, 24, 0.01)
        swing = light_swing(hours, tank)
        assert swing.mean() == pytest.approx(0, abs=1e-3)
        assert np.abs(np.diff(swing)).max() < 0.02


def test_time_of_day_is_allowed_for() -> None:
    """pH read always at lights on and always at lights off means different daily means."""
    morning, evening = (
        told(
            log_with_ph([(day + hour / 24, 8.0) for day in range(1, 38)]),
        )
        for hour in (10.0, 20.0)
    )
    assert morning.night.q50 > evening.night.q50 + 0.08


def test_stuffy_room_lowers_ph_and_fresh_air_helps() -> None:
    """A stated room CO2 moves pH without a reactor, and fresh air then gains more."""
    log = log_with_ph([])
    fresh, stuffy = (told(log, room_co2_ppm=ppm) for ppm in (420.0, 1000.0))
    assert fresh.night_without.q50 > stuffy.night_without.q50 + 0.15
    assert stuffy.room_co2_stated
    assert stuffy.room_co2_ppm.q50 == pytest.approx(1000, rel=0.03)
    best = max(stuffy.measures, key=lambda m: m.rise)
    assert best == stuffy.measures[0]
    assert best.name.code == "tank_ph_fresh_air"
    assert best.name.values == {"outdoor_co2_ppm": OUTDOOR_CO2_PPM}
    assert not any(m.name == best.name and m.rise > 0.03 for m in fresh.measures)


def test_measures_raise_the_low_and_are_ranked() -> None:
    """Every measure named raises the daily low; the most helpful comes first."""
    tank = {"reactor": Reactor(60.0, 6000.0, 10.0, chamber_ph=6.3)}
    found = told(log_with_ph([]), **tank)
    rises = [m.rise for m in found.measures]
    assert rises == sorted(rises, reverse=True)
    assert min(rises) > 0
    assert all(m.low.q50 > found.night.q50 for m in found.measures)
    codes = {m.name.code for m in found.measures}
    assert codes >= {"tank_ph_fresh_air", "tank_ph_second_chamber", "tank_ph_bubble_effluent"}


def test_a_second_chamber_is_not_offered_twice() -> None:
    """A reactor that has one already uses less CO2, and none is offered."""
    log = log_with_ph([])
    one = told(log)
    two = told(log, reactor=replace(example_tank().reactor, chambers=2))
    assert not any(m.name.code == "tank_ph_second_chamber" for m in two.measures)
    assert two.reactor_drop.q50 < one.reactor_drop.q50


def test_low_chance_is_of_the_daily_low() -> None:
    """The chance of a low pH follows the readings: none at 8.3, nearly sure at 7.6."""
    high, low = (
        told(
            log_with_ph([(21 + i / 3, value) for i in range(40)]),
        )
        for value in (8.3, 7.6)
    )
    assert high.low_chance < 0.05
    assert low.low_chance > 0.95
    assert low.night.q50 < LOW_PH < high.night.q50


def test_flagged_readings_are_left_out_and_many_are_thinned() -> None:
    """A reading that is odd by its value does not count; thousands are spread evenly."""
    log = log_with_ph([(i * 0.01, 8.1) for i in range(3900)])
    assert len(log.readings) > 3900
    used = unflagged_ph_readings(log)
    assert 0.5 * MOST_READINGS < len(used) <= MOST_READINGS
    assert used[-1].time > log.readings[-1].time.replace(day=1)
    readings = tuple(replace(r, flags=("odd",)) for r in log.readings)
    assert unflagged_ph_readings(replace(log, readings=readings)) == ()
    assert unflagged_ph_readings(replace(log, readings=())) == ()


def test_one_seed_gives_the_same_figures() -> None:
    """The same seed gives the same answer; another gives nearly the same."""
    log = simulated(2.0)
    first, again = (told(log) for _ in range(2))
    assert first == again
    posterior = known_posterior(draws=1000, days=DAYS)
    other = answer(known_fit(log, example_tank(), posterior), SEED + 1)
    assert other != first
    assert other.night.q50 == pytest.approx(first.night.q50, abs=0.03)


def recipe_of(key: str, **strength: float) -> dict[str, Solution]:
    """A tank's only solution, of 1 meq/mL or as stated."""
    g_per_l = {
        "sodium_carbonate_g_per_l": 52.994,
        "sodium_bicarbonate_g_per_l": 84.007,
    }.get(key)
    return {"one": solution_from_strengths("one", strength or {key: g_per_l})}


@pytest.mark.parametrize(
    ("carbon", "expected"),
    # Worked beforehand for 1.66 dKH a day, k = 2 per hour and a room of 600 ppm.
    [(1.0, -0.10), (0.5, 0.0), (0.0, 0.13)],
)
def test_co2_that_comes_with_dosing_moves_ph(carbon, expected) -> None:
    """Against carbonate, bicarbonate lowers tank pH by 0.10 and hydroxide raises it by 0.13."""
    solution = Solution("one", 1.0, dic_per_eq=carbon)
    k = carbonate.constants(35.0, 25.0)
    base = np.array([k.solubility * k.density_kg_l * 1e-3 * 600.0 + 0.15 / 24 / 2])
    excess = excess_co2_per_eq(solution) * 1.66 * DKH / 24
    levels = [free_co2_mmol_l(base, rate, np.array([2.0])) for rate in (0.0, excess)]
    before, after = (float(carbonate.ph_of_free_co2(8.2 * DKH, x, k)[0]) for x in levels)
    assert after - before == pytest.approx(expected, abs=0.015)


def test_what_a_solution_is_made_of_follows_from_recipe_or_strength() -> None:
    """A recipe says it; of a strength alone, what bicarbonate cannot reach is carbonate."""
    made = {
        key: recipe_of(key)["one"].dic_per_eq
        for key in ("sodium_carbonate_g_per_l", "sodium_bicarbonate_g_per_l")
    }
    assert list(made.values()) == pytest.approx([0.5, 1.0])
    both = {"sodium_carbonate_g_per_l": 52.994, "sodium_bicarbonate_g_per_l": 84.007}
    assert solution_from_strengths("both", both).dic_per_eq == pytest.approx(0.75, rel=1e-5)
    strong, weak = (
        solution_from_strengths("s", {"alkalinity_meq_per_ml": strength}) for strength in (1.9, 1.0)
    )
    assert (strong.dic_per_eq, weak.dic_per_eq) == (None, None)
    assert (strong.usual_dic_per_eq, weak.usual_dic_per_eq) == (0.5, 0.75)


def test_each_solution_is_told_of() -> None:
    """A known recipe with its effect, a strength with what it is taken for; carbonate is silent."""
    log = example_log([(0.0, "alkalinity", "tank", "alk", 8.2 * DKH), (39.0, "ph", "tank", "", 8)])
    bicarbonate, carbonate_one, stated = (
        [note for note in told(log, solutions=solutions).notes if "solution" in note.code]
        for solutions in (
            recipe_of("sodium_bicarbonate_g_per_l"),
            recipe_of("sodium_carbonate_g_per_l"),
            recipe_of("", alkalinity_meq_per_ml=1.9),
        )
    )
    assert [note.code for note in bicarbonate] == ["tank_ph_solution"]
    assert bicarbonate[0].values["solution"] == "one"
    assert -0.2 < bicarbonate[0].values["change"] < -0.03
    assert carbonate_one == []
    assert [note.code for note in stated] == ["tank_ph_solution_assumed"]
    assert stated[0].values == {"solution": "one", "dic_per_eq": 0.5, "change": 0.0}


def test_dosed_bicarbonate_explains_a_low_ph() -> None:
    """Readings that bicarbonate has lowered point to a less stuffy tank than if nothing was dosed.

    300 meq a day leave 150 mmol of CO2 in the water; hydroxide would point the other way.
    """
    rows = [(0.0, "alkalinity", "tank", "alk", 8.2 * DKH)]
    rows += [(float(day) + 0.6, "ph", "tank", "", 8.0) for day in range(2, 39)]
    base = {}
    for carbon in (1.0, 0.5, 0.0):
        tank = example_tank(solutions={"one": Solution("one", 1.0, dic_per_eq=carbon)})
        log = example_log(rows, [(0.0, "dose_rate", "one", 300.0)])
        fitted = known_fit(log, tank, known_posterior(draws=1000, days=DAYS))
        readings = unflagged_ph_readings(log)
        air = learn_air(fitted, exact_chamber(fitted), readings, np.random.default_rng(1))
        base[carbon] = float(np.median(air.base_mmol_l))
    assert base[1.0] < 0.95 * base[0.5] < 0.95 * 0.95 * base[0.0]


def test_doses_count_while_ph_remembers_them() -> None:
    """Lasting rates from when they are set, single doses for a day, both times their carbon."""
    tank = example_tank(
        solutions={
            "bicarbonate": Solution("bicarbonate", 1.0, dic_per_eq=1.0),
            "lime": Solution("lime", 0.04, 0.02, dic_per_eq=0.0),
        }
    )
    log = example_log(
        [(0.0, "alkalinity", "tank", "alk", 8.2 * DKH)],
        [
            (2.0, "dose_rate", "bicarbonate", 100.0),
            (4.0, "dose", "lime", 1000.0),
            (6.0, "dose_rate", "bicarbonate", 0.0),
        ],
    )
    at = dosed_co2_mmol_d(log, tank, MIDNIGHT)
    assert [at(day) for day in (1.0, 2.0, 4.5, 5.5, 7.0)] == pytest.approx([0, 50, 30, 50, 0])


def test_hydroxide_never_empties_the_water_of_co2() -> None:
    """More hydroxide than the air can make good leaves a little CO2, not less than none."""
    level = free_co2_mmol_l(np.array([0.015]), -1.0, np.array([0.5]))
    assert 0 < level[0] < 0.005


# --- numbers worked by hand -------------------------------------------------------------------

K, V = 2.0, 600.0
"""Exchange per hour, and litres."""


def fixed_air(monkeypatch, base, swing=0.4, room=800.0):
    """The air is known: `base` (s,) mmol/L of CO2 without the reactor."""
    base = np.asarray(base, dtype=float)
    same = np.ones_like(base)
    air = Air(K * same, base, swing * same, room * same)
    monkeypatch.setattr(module, "learn_air", lambda *_: air)


def told_with(posterior, **tank_changes):
    """The answer, the chamber it is of, and the load held there."""
    fitted = known_fit(log_with_ph([]), example_tank(**tank_changes), posterior)
    chamber = exact_chamber(fitted)
    held = held_at(posterior, chamber, chamber.ph)
    return tank_ph(fitted, chamber, np.random.SeedSequence(1)), chamber, held


def test_the_chance_of_a_low_ph_is_of_the_night_in_each_draw(monkeypatch) -> None:
    """Daily means well above the limit, with nights below it in three draws of four; without the
    reactor in one of four."""
    posterior = known_posterior(draws=4, days=DAYS)
    constants = carbonate.constants(35.0, 25.5)

    def base_of(mean_ph):
        """CO2 that makes this pH, found by bisection."""
        low, high = 1e-4, 1.0
        for _ in range(60):
            middle = 0.5 * (low + high)
            ph = carbonate.ph_of_free_co2(posterior.middle_meq_l, np.array(middle), constants)
            low, high = (middle, high) if ph > mean_ph else (low, middle)
        return low

    fixed_air(monkeypatch, [0.01] * 4)
    _, _, held = told_with(posterior)
    added = held.co2_mmol_d[0] / V / 24 / K
    # Means with the reactor 7.9, 7.92, 7.95 and 8.1; a night is 0.2 lower.
    fixed_air(monkeypatch, [base_of(ph) - added for ph in (7.9, 7.92, 7.95, 8.1)])
    found, _, _ = told_with(posterior)
    assert found.low_chance == 0.75
    assert found.low_chance_without == 0.0
    assert (found.night.q05, found.day.q95) == pytest.approx((7.7, 8.29), abs=0.015)
    fixed_air(monkeypatch, [base_of(ph) for ph in (7.9, 8.05, 8.1, 8.2)])
    found, _, _ = told_with(posterior)
    assert found.low_chance_without == 0.25
    assert found.low_chance > 0.25


def test_what_helps_by_hand(monkeypatch) -> None:
    """Bubbling takes 80 % of the effluent's free CO2, fresh air what the room has over outdoors.

    pH is that of B + c/(24 k V), c the CO2 a day; a rise is against the present one.
    """
    base = 0.03
    fixed_air(monkeypatch, [base] * 3)
    # A chamber with room to spare.
    posterior = known_posterior(draws=3, days=DAYS, reach=0.9)
    found, chamber, held = told_with(posterior)
    k = chamber.tank.constants

    def ph(co2_mmol_d, base_mmol_l=base):
        level = base_mmol_l + np.asarray(co2_mmol_d)[0] / 24 / K / V
        return float(carbonate.ph_of_free_co2(8.2 * DKH, level, k))

    rises = {measure.name.code: measure.rise for measure in found.measures}
    now = ph(held.co2_mmol_d)
    left = held.co2_mmol_d - 0.8 * held.free_co2_mmol_d
    assert np.all(held.free_co2_mmol_d < held.co2_mmol_d)
    assert rises["tank_ph_bubble_effluent"] == pytest.approx(ph(left) - now, abs=1e-6)
    aired = base - k.solubility * k.density_kg_l * 1e-3 * (800.0 - OUTDOOR_CO2_PPM)
    assert aired > 0.01
    assert rises["tank_ph_fresh_air"] == pytest.approx(ph(held.co2_mmol_d, aired) - now, abs=1e-6)
    # A higher chamber pH would help too, by less than a probe shows, so that it is not named.
    higher = held_at(posterior, chamber, 6.8)
    assert np.all(higher.reached)
    assert 0 < ph(higher.co2_mmol_d) - now < 0.01
    assert "tank_ph_higher_chamber_ph" not in rises
    for measure in found.measures:
        # The daily low with it: half the swing of 0.4 under the mean.
        assert measure.low.q50 == pytest.approx(now + measure.rise - 0.2, abs=1e-6)
    assert found.reactor_drop.q50 == pytest.approx(ph([0.0]) - now, abs=1e-6)
    assert found.day.q50 == pytest.approx(now + 0.2, abs=1e-6)
    assert found.night_without.q50 == pytest.approx(ph([0.0]) - 0.2, abs=1e-6)


@pytest.mark.parametrize("chamber_ph", [6.2, 6.3])
def test_a_higher_chamber_ph_helps_where_the_chamber_is_acid(monkeypatch, chamber_ph) -> None:
    """0.2 more in the chamber saves CO2 for the same load; fresh air brings nothing where the room
    is like outdoors."""
    fixed_air(monkeypatch, [0.03] * 3, room=OUTDOOR_CO2_PPM)
    posterior = known_posterior(draws=3, days=DAYS, reach=0.9)
    reactor = replace(example_tank().reactor, chamber_ph=chamber_ph)
    found, chamber, held = told_with(posterior, reactor=reactor)
    rises = {measure.name.code: measure for measure in found.measures}
    assert "tank_ph_fresh_air" not in rises
    named = rises["tank_ph_higher_chamber_ph"]
    assert named.name.values == {"chamber_ph": pytest.approx(chamber_ph + 0.2)}
    levels = [
        0.03 + one.co2_mmol_d[0] / 24 / K / V
        for one in (held, held_at(posterior, chamber, chamber_ph + 0.2))
    ]
    now, then = (
        float(carbonate.ph_of_free_co2(8.2 * DKH, np.array(level), chamber.tank.constants))
        for level in levels
    )
    assert named.rise == pytest.approx(then - now, abs=1e-6)
    assert then - now > 0.01


def test_minutes_of_the_hour_count() -> None:
    """pH read at 10:57 tells of a tank as if it were read at 11:00, not at 10:00."""

    def base(hour: float) -> float:
        fitted = known_fit(
            log_with_ph([(day + hour / 24, 8.3) for day in range(1, 38)]),
            example_tank(),
            known_posterior(draws=2000, days=DAYS),
        )
        readings = unflagged_ph_readings(fitted.log)
        air = learn_air(fitted, exact_chamber(fitted), readings, np.random.default_rng(1))
        return float(np.mean(air.base_mmol_l))

    early, nearly, late = base(10.0), base(10.95), base(11.0)
    assert abs(nearly - late) < abs(nearly - early) / 2


@pytest.mark.parametrize("room", [OUTDOOR_CO2_PPM, OUTDOOR_CO2_PPM - 60.0])
def test_fresh_air_brings_nothing_to_a_room_like_outdoors(monkeypatch, room) -> None:
    """Nor where the room is said to hold less."""
    fixed_air(monkeypatch, [0.03] * 3, room=room)
    monkeypatch.setattr(module, "HELPS", -1.0)
    found, _, _ = told_with(known_posterior(draws=3, days=DAYS, reach=0.9))
    rises = {measure.name.code: measure.rise for measure in found.measures}
    assert rises["tank_ph_fresh_air"] == 0.0
