"""The table of steps: moments, order within an instant, what enters and what does not."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from math import factorial

import numpy as np
import pytest
from scipy import integrate

from estimator import units
from estimator.errors import InputError
from estimator.fit import start
from estimator.fit.layout import (
    DOSE,
    EFFLUENT_ALKALINITY,
    NOTHING,
    PHYSICAL,
    PULSE,
    TANK_ALKALINITY,
    UNIT,
)
from estimator.fit.schedule import WITHIN_DAY, build_schedule
from estimator.fit.used import used_readings
from estimator.inputs.parameters import ALKALINITY
from estimator.water.light import TERMS, day_shape, light_share, lit_fraction, pulse_moments
from helpers.tanks import CASES, example_log, example_tank

LIGHTS = [(10.0, 20.0), (15.0, 1.5), (22.0, 6.0), (0.0, 12.0), (12.0, 0.0)]


def pulse(time_d: float, on_h: float, off_h: float) -> float:
    """The half-sine over the lit hours with daily mean 1, written out again."""
    lit_h = (off_h - on_h) % 24
    since_h = (time_d * 24 - on_h) % 24
    if since_h >= lit_h:
        return 0.0
    return np.pi * 24 / (2 * lit_h) * np.sin(np.pi * since_h / lit_h)


@pytest.mark.parametrize(("on_h", "off_h"), LIGHTS)
@pytest.mark.parametrize(("start", "end"), [(3.0, 4.0), (2.1, 2.35), (1.55, 1.98), (0.0, 0.93)])
def test_pulse_moments_are_the_integrals(on_h, off_h, start, end) -> None:
    """∫ (end − t)^j p(t) dt / j! agrees with adaptive quadrature (scipy.integrate.quad)."""
    tank = example_tank(lights_on_h=on_h, lights_off_h=off_h)
    found = pulse_moments(np.array([start]), np.array([end]), tank)[0]
    switches = [day + hour / 24 for day in range(-1, 5) for hour in (on_h, off_h)]
    inside = sorted({start, end, *(t for t in switches if start < t < end)})
    for j in range(TERMS):
        exact = sum(
            integrate.quad(
                lambda t, j=j: (end - t) ** j * pulse(t, on_h, off_h), low, high, epsabs=1e-14
            )[0]
            for low, high in pairwise(inside)
        )
        assert found[j] == pytest.approx(exact / factorial(j), rel=1e-9, abs=1e-14)


@pytest.mark.parametrize(("on_h", "off_h"), LIGHTS)
def test_light_pulse_has_mean_one_over_any_day(on_h, off_h) -> None:
    """The light shape shares the day's uptake out and adds none, whenever the day is begun."""
    tank = example_tank(lights_on_h=on_h, lights_off_h=off_h)
    start = np.array([0.0, 0.3, 0.77])
    # Cut where they meet midnight: a span lies within one local day.
    first = pulse_moments(start, np.ones(3), tank)[:, 0]
    second = pulse_moments(np.ones(3), 1 + start, tank)[:, 0]
    np.testing.assert_allclose(first + second, 1.0, rtol=1e-12)


@pytest.mark.parametrize("ratio", [1.0, 2.5, 5.0])
def test_light_share_gives_the_stated_ratio(ratio) -> None:
    """Mean lit rate over dark rate, formed again from φ, is the light ratio."""
    lit = lit_fraction(example_tank())
    share = light_share(ratio, lit)
    dark = 1 - share
    mean_lit = (1 - share) + share / lit
    assert mean_lit / dark == pytest.approx(ratio)


def test_lights_may_cross_midnight() -> None:
    """15:00 to 01:30 is ten and a half hours."""
    tank = example_tank(lights_on_h=15.0, lights_off_h=1.5)
    assert lit_fraction(tank) == pytest.approx(10.5 / 24)


@pytest.mark.parametrize(("on_h", "off_h"), LIGHTS)
def test_day_shape_is_the_integral_about_its_mean(on_h, off_h) -> None:
    """∫ (s − 1) from midnight, less its daily mean, agrees with quadrature."""
    tank = example_tank(lights_on_h=on_h, lights_off_h=off_h)
    grid = np.linspace(0, 1, 20001)
    rate = np.array([pulse(t, on_h, off_h) for t in grid])
    running = integrate.cumulative_simpson(rate, x=grid, initial=0) - grid
    running -= integrate.simpson(running, x=grid)
    share = np.array([0.3, 0.7])
    for at in (0.0, 0.4, 0.9):
        expected = share * np.interp(at, grid, running)
        np.testing.assert_allclose(day_shape(tank, share, at), expected, atol=2e-4)


def test_unit_and_dose_moments() -> None:
    """Moments of a constant are h^(j+1)/(j+1)!; those of doses add up amounts and rates."""
    log = example_log(
        [(0.5, "alkalinity", "tank", "alk"), (0.9, "alkalinity", "tank", "alk")],
        [(0.1, "dose_rate", "soda", 10.0), (0.7, "dose", "soda", 5.0)],
    )
    made = build_schedule(log, example_tank())
    last = len(made.steps) - 1
    span = made.steps["span_d"][last]
    assert span == pytest.approx(0.4)
    orders = np.arange(TERMS)
    plain = span ** (orders + 1) / [factorial(j + 1) for j in orders]
    np.testing.assert_allclose(made.moments[last, UNIT], plain)
    once = 5 * 1.9 * 0.2**orders / [factorial(j) for j in orders]
    np.testing.assert_allclose(made.moments[last, DOSE], 10 * 1.9 * plain + once)
    assert made.moments[last, PULSE, 0] > 0


def test_nothing_dosed_is_lost_or_counted_twice(case) -> None:
    """All spans together hold what the log dosed: single doses, and rates times their days."""
    made = build_schedule(case.log, case.tank)
    end = made.step_time_d[-1]
    alkalinity = calcium = 0.0
    rates: dict[str, tuple[float, float]] = {}

    def add(name: str, ml: float) -> None:
        nonlocal alkalinity, calcium
        alkalinity += case.tank.solutions[name].alkalinity_meq_per_ml * ml
        calcium += case.tank.solutions[name].calcium_mmol_per_ml * ml

    for action in case.log.actions:
        day = (action.time - made.origin).total_seconds() / 86400
        if action.kind == "dose":
            add(action.of, action.value)
        if action.kind == "dose_rate":
            since, rate = rates.get(action.of, (0.0, 0.0))
            add(action.of, rate * (day - since))
            rates[action.of] = (day, action.value)
    for name, (since, rate) in rates.items():
        add(name, rate * (end - since))
    assert made.moments[:, DOSE, 0].sum() == pytest.approx(alkalinity)
    assert made.steps["dose_calcium_mmol"].sum() == pytest.approx(calcium)


def test_spans_cover_the_log_without_gap(case) -> None:
    """Each span begins where the step before ended, and the last ends with the log."""
    made = build_schedule(case.log, case.tank)
    starts = made.step_time_d - made.steps["span_d"]
    np.testing.assert_allclose(starts[1:], made.step_time_d[:-1], atol=1e-12)
    assert starts[0] == pytest.approx(0.0, abs=1e-12)
    end = (case.log.end - made.origin).total_seconds() / 86400
    assert made.step_time_d[-1] == pytest.approx(end)


def test_spans_are_short_beside_the_turnover(case) -> None:
    """Spans are cut so that the series in k·span converges: k·span <= 1 at the smallest volume,
    with room for an uptake that answers to the level by 0.5 a day."""
    made = build_schedule(case.log, case.tank)
    smallest = case.tank.water_volume_l * np.exp(-3 * case.tank.water_volume_sd_fraction)
    fastest = made.steps["flow_l_d"] / smallest + 0.5
    assert np.all(fastest * made.steps["span_d"] <= 1 + 1e-9)
    assert np.all(made.steps["span_d"] <= 1.0)


def test_every_midnight_brings_one_day_of_drift(case) -> None:
    """Uptake may drift once for each midnight passed, the effluent only while a reactor ran."""
    made = build_schedule(case.log, case.tank)
    midnights = int(np.floor(made.step_time_d[-1]))
    assert made.steps["drift_d"].sum() == midnights
    assert made.days == midnights + 1
    np.testing.assert_allclose(made.step_time_d[made.day_step[1:]], np.arange(1, midnights + 1))
    flows = [a.time for a in case.log.actions if a.kind == "flow" and a.value > 0]
    if flows:
        first = (min(flows) - made.origin).total_seconds() / 86400
        assert made.steps["effluent_drift_d"].sum() == midnights - np.floor(first)
    else:
        assert made.steps["effluent_drift_d"].sum() == 0


@pytest.mark.parametrize(
    ("flows", "first_midnight"),
    [
        ([(3.4, 1300.0)], 4),
        ([(3.0, 1300.0)], 4),
        ([(2.9, 1300.0)], 3),
        ([(0.5, 0.0), (3.4, 1300.0)], 4),
        ([(1.5, 900.0), (2.5, 0.0), (4.5, 900.0)], 2),
    ],
    ids=str,
)
def test_the_effluent_drifts_from_its_first_flow_on(flows, first_midnight) -> None:
    """Nothing wears before the pump first runs; a pump set to nothing has not run yet."""
    readings = [(j + 0.5, "alkalinity", "tank", "alk", 2.9) for j in range(7)]
    readings.append((6.2, "alkalinity", "effluent", "alk", 10.0))
    actions = [(day, "flow", "", flow_ml_h) for day, flow_ml_h in flows]
    made = build_schedule(example_log(readings, actions), example_tank())
    drifts = made.steps["effluent_drift_d"]
    times = made.step_time_d[drifts > 0]
    np.testing.assert_allclose(times, np.arange(first_midnight, 7))
    assert set(drifts) <= {0.0, 1.0}


def test_a_reading_comes_before_what_is_done_at_the_same_time() -> None:
    """A keeper tests first: the reading's step precedes the change and sees the old flow."""
    log = example_log(
        [(1.5, "alkalinity", "tank", "alk"), (3.0, "alkalinity", "effluent", "alk")],
        [
            (1.5, "water_change", "new", 50.0),
            (0.2, "flow", "", 1000.0),
            (3.0, "flow", "", 2000.0),
        ],
    )
    made = build_schedule(log, example_tank())
    change = int(np.flatnonzero(made.steps["change_l"])[0])
    reading = int(np.flatnonzero(made.steps["kind"] == TANK_ALKALINITY)[0])
    assert reading < change
    assert made.step_time_d[reading] == made.step_time_d[change] == 1.5
    effluent = int(np.flatnonzero(made.steps["kind"] == EFFLUENT_ALKALINITY)[0])
    assert made.steps["flow_l_d"][effluent] == pytest.approx(24.0)


def test_readings_at_one_instant_get_a_step_each() -> None:
    """Two readings at the same minute both count, the second after a span of no length."""
    log = example_log([(1.5, "alkalinity", "tank", "alk"), (1.5, "calcium", "tank", "ca")])
    made = build_schedule(log, example_tank())
    seen = np.flatnonzero(made.steps["kind"] != NOTHING)
    assert list(made.reading_step) == list(seen)
    assert list(made.steps["span_d"][seen]) == [0.5, 0.0]


def test_readings_and_their_steps_keep_together(everything) -> None:
    """`readings[m]` is the record whose value stands at `steps[reading_step[m]]`."""
    readings = tuple(replace(r, value=float(r.row)) for r in everything.log.readings)
    log = replace(everything.log, readings=readings)
    made = build_schedule(log, everything.tank)
    for reading, step in zip(made.readings, made.reading_step, strict=True):
        assert made.steps["value"][step] == reading.row
    times = [r.time for r in made.readings]
    assert times == sorted(times)


def test_readings_without_a_place_are_left_out() -> None:
    """Salinity, unused waters, unstated references and a single nitrate do not enter the fit."""
    log = example_log(
        [
            (0.5, "alkalinity", "tank", "alk"),
            (0.6, "salinity", "tank", "alk", 35.0),
            (0.7, "nitrate", "tank", "no3", 0.1),
            (0.8, "alkalinity", "water", "alk", 2.9, "other"),
            (0.9, "calcium", "reference", "ca", 10.0, "standard"),
            (1.0, "alkalinity", "reference", "alk", 2.5, "standard"),
            (1.1, "alkalinity", "water", "alk", 2.9, "new"),
        ],
        [(2.0, "water_change", "new", 10.0)],
    )
    used = used_readings(log, example_tank())
    assert [(r.parameter, r.sample, r.of) for r in used] == [
        ("alkalinity", "tank", ""),
        ("alkalinity", "reference", "standard"),
        ("alkalinity", "water", "new"),
    ]


def test_bottles_divide_the_readings_of_a_kit(everything) -> None:
    """Readings from the opening of a bottle on carry that bottle's gain."""
    made = build_schedule(everything.log, everything.tank)
    opened = next(a.time for a in everything.log.actions if a.kind == "new_bottle")
    assert made.bottles == (("alk", 0), ("alk", 1), ("ca", 0), ("no3", 0))
    for reading, step in zip(made.readings, made.reading_step, strict=True):
        bottle = int(reading.kit == "alk" and reading.time >= opened)
        assert made.bottles[made.steps["bottle"][step]] == (reading.kit, bottle)


def test_layout_holds_only_what_the_log_needs() -> None:
    """An alkalinity log without reactor has three states: level, uptake and the kit's shift."""
    plain = build_schedule(example_log([(0.5, "alkalinity", "tank", "alk")]), example_tank())
    assert plain.layout.size == 3
    assert not plain.additions
    assert plain.last_run_flow_l_d is None


def test_every_state_and_parameter_has_a_place_of_its_own(case) -> None:
    """States fill their places without gap or overlap, moving ones first; so do parameters."""
    made = build_schedule(case.log, case.tank)
    layout, shape = made.layout, made.shape
    named = (layout.alkalinity, layout.z, layout.nitrate, layout.uptake, layout.effluent)
    named += (layout.nitrate_rate, layout.unlogged, layout.magnesium, layout.kit_shift)
    places = [place for place in named if place >= 0]
    places += [layout.first_instrument + e for e in range(len(layout.instruments))]
    places += [layout.first_water + j for j in range(2 * len(layout.waters))]
    assert sorted(places) == list(range(layout.size))
    moving = [p for p in (layout.alkalinity, layout.z, layout.nitrate) if p >= 0]
    assert layout.moving == len(moving) + len(layout.instruments)
    assert max(moving) < layout.moving <= layout.uptake
    assert shape.first_error == PHYSICAL + len(made.bottles)
    assert shape.first_repeatability == shape.first_error + 2 * len(layout.instruments)
    assert made.parameters == shape.first_repeatability + len(made.kits)


def test_only_an_instruments_readings_have_its_lasting_error() -> None:
    """Averages point to their error's state and have a least error; a kit's point nowhere."""
    case = CASES["probes"]()
    made = build_schedule(case.log, case.tank)
    assert made.layout.instruments == ("probe",)
    least = (WITHIN_DAY * ALKALINITY.assumed_repeatability) ** 2
    for reading, step in zip(made.readings, made.steps[made.reading_step], strict=True):
        rounding = case.tank.kits[reading.kit].step ** 2 / 12
        if reading.kit == "probe":
            assert step["instrument"] == made.layout.first_instrument
            assert step["rounding"] == pytest.approx(rounding + least)
        else:
            assert step["instrument"] == -1
            assert step["rounding"] == pytest.approx(rounding)


def test_last_run_flow_outlives_the_pump() -> None:
    """A pump switched off at the end leaves the last flow that ran as the one to speak of."""
    log = example_log(
        [(0.5, "alkalinity", "tank", "alk")],
        [(0.6, "flow", "", 1000.0), (1.0, "flow", "", 1500.0), (2.0, "flow", "", 0.0)],
    )
    made = build_schedule(log, example_tank())
    assert made.last_run_flow_l_d == pytest.approx(36.0)
    assert made.present_flow_l_d == 0.0


def test_effluent_at_rest_is_shown_at_the_flow_that_last_ran() -> None:
    """A reading of the effluent while the pump stands speaks of the last running flow; of a
    reactor that never ran, of the flow that its load needs."""
    tests = [(2.5, "alkalinity", "effluent", "alk", 10.0)]
    for actions, flow in (
        ([(0.6, "flow", "", 1500.0), (2.0, "flow", "", 0.0)], 36.0),
        ([(0.6, "flow", "", 1500.0), (2.0, "flow", "", 1000.0)], 24.0),
    ):
        made = build_schedule(example_log(tests, actions), example_tank())
        assert made.steps["shown_flow_l_d"][made.reading_step[0]] == pytest.approx(flow)
    tank = example_tank()
    never = build_schedule(example_log(tests), tank)
    increment = 10.0 - tank.targets["alkalinity"].middle
    needed = never.shape.load_meq_d / increment
    assert never.steps["shown_flow_l_d"][never.reading_step[0]] == pytest.approx(needed)


@pytest.mark.parametrize(
    ("actions", "added"),
    [
        ([(1.0, "dose", "soda", 50.0)], True),
        ([(1.0, "dose", "chloride", 50.0)], False),
        ([(0.2, "dose_rate", "soda", 50.0)], True),
        ([(0.2, "dose", "soda", 50.0)], False),
        ([(2.0, "flow", "", 1000.0)], True),
        ([(3.0, "flow", "", 1000.0), (3.0, "dose", "soda", 50.0)], False),
    ],
)
def test_additions_count_between_the_readings(actions, added) -> None:
    """Only alkalinity added between the first and the last tank reading makes uptake visible."""
    readings = [(t, "alkalinity", "tank", "alk") for t in (0.5, 2.5)]
    assert build_schedule(example_log(readings, actions), example_tank()).additions is added


def test_dose_at_the_very_end_is_kept() -> None:
    """A dose logged as the last entry raises the level at the end of the log."""
    log = example_log([(0.5, "alkalinity", "tank", "alk")], [(2.25, "dose", "soda", 10.0)])
    made = build_schedule(log, example_tank())
    assert made.moments[-1, DOSE, 0] == pytest.approx(19.0)
    assert made.steps["span_d"][-1] == 0.0


def test_flow_beyond_reason_is_refused() -> None:
    """A flow that turns the tank over endlessly is a wrong unit: the figure and remedy are told."""
    log = example_log(
        [(t, "alkalinity", "tank", "alk") for t in (0.5, 90.0)], [(0.6, "flow", "", 1e8)]
    )
    with pytest.raises(InputError, match=r"1e\+08 mL/h.*check the unit of the flow"):
        build_schedule(log, example_tank())


def test_effluent_titrations_scatter_more(everything) -> None:
    """Repeatability is stated for tank water; effluent alkalinity counts √3 of it, the rest 1."""
    made = build_schedule(everything.log, everything.tank)
    scatter = made.steps["scatter"][made.reading_step]
    for reading, factor in zip(made.readings, scatter, strict=True):
        effluent = (reading.sample, reading.parameter) == ("effluent", "alkalinity")
        assert factor == pytest.approx(3**0.5 if effluent else 1.0)


def test_start_covers_natural_seawater() -> None:
    """Start and unstated new water: calcium is centred on, or spans, natural seawater.

    Millero et al. 2008 (Deep-Sea Research I 55:50): 0.0102821 mol/kg at S = 35, at 1.023343 kg/L
    421.7 mg/L; total alkalinity near 2300 µmol/kg, 6.60 dKH (from memory).
    """
    natural_calcium = 10.2821 * 1.023343
    assert start.UNSTATED_WATER_CALCIUM[0] == pytest.approx(natural_calcium, rel=1e-4)
    for mean, sd in (start.START_CALCIUM, start.UNSTATED_WATER_CALCIUM):
        assert abs(natural_calcium - mean) < sd
    natural_alkalinity = 2.300 * 1.023343
    assert natural_alkalinity / units.MEQ_L_PER_DKH == pytest.approx(6.60, abs=0.005)
    for mean, sd in (start.START_ALKALINITY, start.UNSTATED_WATER_ALKALINITY):
        assert abs(natural_alkalinity - mean) < sd
