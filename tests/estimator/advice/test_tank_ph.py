"""Tank pH under the reactor's CO2: what is learned from readings, and what helps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import PyCO2SYS as pyco2
import pytest

from estimator import units
from estimator.advice import tank_ph
from estimator.advice.chamber import Chamber, chamber_of, co2_at
from estimator.advice.tank_ph import (
    EXCHANGE_PER_H,
    LOW_PH,
    MOST_READINGS,
    OUTDOOR_CO2_PPM,
    SWING,
    TankPh,
    light_swing,
    used_readings,
)
from estimator.inputs.tank import Reactor
from estimator.water import carbonate
from estimator.water.settings import settings_of
from helpers.fits import known_posterior
from helpers.tanks import example_log, example_tank

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
    posterior = known_posterior(draws=1000, days=DAYS)
    seed = np.random.SeedSequence(SEED)
    return answer(posterior, tank, log, seed)


def exact_chamber(posterior, tank, settings) -> Chamber:
    """The chamber, of which chemistry leaves nothing open."""
    rng = np.random.default_rng(0)
    made = chamber_of(posterior, tank, settings, carbonate.USUAL_TANK_PH, rng)
    none = np.zeros_like(made.surprise)
    return replace(made, surprise=none, co2_factor=none + 1, ceiling_factor=none + 1)


def answer(posterior, tank, log, seed) -> TankPh:
    """Of `exact_chamber`."""
    settings = settings_of(log, tank)
    made = exact_chamber(posterior, tank, settings)
    return tank_ph.tank_ph(posterior, tank, log, settings, made, seed)


def simulated(exchange, swing=0.3, seed=3, room=600.0):
    """60 readings of a tank that follows the balance, with probe noise 0.05 and offset 0.03."""
    tank = example_tank(room_co2_ppm=room)
    posterior = known_posterior(draws=200, days=DAYS)
    blank = log_with_ph([])
    settings = settings_of(blank, tank)
    chamber = exact_chamber(posterior, tank, settings)
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
    assert any("No tank pH is in the log" in note for note in found.notes)
    assert any("room_co2_ppm" in note for note in found.notes)


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
    settings = settings_of(log, tank)
    chamber = exact_chamber(posterior, tank, settings)
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
    gain = {m.name: m.rise for m in stuffy.measures}
    assert max(gain, key=lambda name: gain[name]).startswith("fresh air")
    assert not any(m.name.startswith("fresh air") and m.rise > 0.03 for m in fresh.measures)
    assert f"{OUTDOOR_CO2_PPM:.0f} ppm" in next(iter(gain))


def test_measures_raise_the_low_and_are_ranked() -> None:
    """Every measure named raises the daily low; the most helpful comes first."""
    tank = {"reactor": Reactor(60.0, 6000.0, 10.0, chamber_ph=6.3)}
    found = told(log_with_ph([]), **tank)
    rises = [m.rise for m in found.measures]
    assert rises == sorted(rises, reverse=True)
    assert min(rises) > 0
    assert all(m.low.q50 > found.night.q50 for m in found.measures)
    names = " / ".join(m.name for m in found.measures)
    for part in ("fresh air", "second chamber", "bubbling the effluent"):
        assert part in names


def test_a_second_chamber_is_not_offered_twice() -> None:
    """A reactor that has one already uses less CO2, and none is offered."""
    log = log_with_ph([])
    one = told(log)
    two = told(log, reactor=replace(example_tank().reactor, chambers=2))
    assert not any("second chamber" in m.name for m in two.measures)
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
    used = used_readings(log)
    assert 0.5 * MOST_READINGS < len(used) <= MOST_READINGS
    assert used[-1].time > log.readings[-1].time.replace(day=1)
    readings = tuple(replace(r, flags=("odd",)) for r in log.readings)
    assert used_readings(replace(log, readings=readings)) == ()
    assert used_readings(replace(log, readings=())) == ()


def test_one_seed_gives_the_same_figures() -> None:
    """The same seed gives the same answer; another gives nearly the same."""
    log = simulated(2.0)
    first, again = (told(log) for _ in range(2))
    assert first == again
    tank = example_tank()
    posterior = known_posterior(draws=1000, days=DAYS)
    other = answer(posterior, tank, log, np.random.SeedSequence(SEED + 1))
    assert other != first
    assert other.night.q50 == pytest.approx(first.night.q50, abs=0.03)
