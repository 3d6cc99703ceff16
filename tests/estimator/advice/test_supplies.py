"""Media, CO2 and magnesium, against figures worked by hand and independent least squares."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm

from estimator import units
from estimator.advice.flow import CO2_PER_CACO3, recommend
from estimator.advice.magnesium import (
    BELIEVED_SHARE,
    MAGNESIUM_UPTAKE,
    START_MAGNESIUM,
    UNSTATED_WATER_MAGNESIUM,
    WATER_MAGNESIUM_SD,
    LinearModel,
    magnesium_model,
)
from estimator.advice.supplies import MOST_DAYS, Supplies, supplies
from estimator.fit.checks import NOT_CHECKED
from estimator.fit.posterior import Posterior
from estimator.fit.schedule import build_schedule
from estimator.inputs.dosing import solution_from_strengths
from estimator.inputs.tank import Composition, Kit, Reactor
from estimator.water import chamber_table
from helpers.fits import known_fit, known_posterior
from helpers.tanks import example_log, example_tank

DKH = units.MEQ_L_PER_DKH
MG = units.MG_G_MOL
SEED = np.random.SeedSequence(5)


def known(schedule, draws: int = 50, **changes: Any) -> Posterior:
    """Every draw the same: 1 dKH a day in 250 L, all of it calcification, and effluent 6 meq/L
    above the middle at any flow."""
    flow_l_d = schedule.last_run_flow_l_d
    stated = {
        "uptake": DKH,
        "calcium_share": 0.49,
        "middle_meq_l": 8 * DKH,
        "volume_l": 250.0,
        "gain": 6.0,
        "reach": 1.0,
        "flow_l_d": flow_l_d,
        "at_l_d": flow_l_d or 50.0,
        "present_flow_l_d": schedule.present_flow_l_d,
        "diagnostics": NOT_CHECKED,
    }
    return known_posterior(draws, schedule.days, **{**stated, **changes})


REACTOR = Reactor(10.0, 3000.0, 1.0, 6.6, media_kg=3.0, co2_charge_g=2000.0)
# 250 L · 1 dKH a day over an increment of 6 meq/L.
FLOW_ML_H = 250 * DKH / 6.0 * 1000 / 24


def supply(
    actions, readings=(), ratio: float = 1.9, tank_changes=None, share: float = 0.0, **changes: Any
) -> Supplies:
    """`supplies` of a log of these actions, tank and posterior changed as given."""
    tank = example_tank(**{"reactor": REACTOR, **(tank_changes or {})})
    log = example_log([(0.5, "alkalinity", "tank", "alk", 2.8), *readings], actions)
    fitted = known_fit(log, tank, known(build_schedule(log, tank), **changes))
    advice = recommend(fitted.posterior, tank, SEED)
    draws = len(fitted.posterior.volume_l)
    return supplies(fitted, advice, np.full(draws, ratio), np.full(draws, share), SEED)


@pytest.mark.parametrize(("dkh", "grams"), [(1, 4.462), (2, 8.924), (3, 13.386)])
def test_media_a_day_is_half_the_alkalinity(dkh, grams) -> None:
    """250 L losing 1, 2 or 3 dKH a day dissolve 4.46, 8.92, 13.39 g of CaCO3.

    Two equivalents a mole (alkalinity anomaly, Smith & Key 1975, Limnol. Oceanogr. 20:493).
    """
    found = supply([(0.0, "flow", "", FLOW_ML_H), (30.0, "stock_change")], uptake=dkh * DKH)
    assert found.media_g_d == pytest.approx(np.full(50, grams), abs=2e-3)


@pytest.mark.parametrize(("ratio", "days"), [(1.0, 1019), (1.5, 680), (2.2, 463), (4.0, 255)])
def test_a_cylinder_of_two_kilograms_lasts_as_worked_by_hand(ratio, days) -> None:
    """1 dKH a day in 250 L: 4.46 g CaCO3 · 44.009/100.086 · ratio of CO2 a day, from 2000 g."""
    actions = [(0.0, "flow", "", FLOW_ML_H), (30.0, "co2_change")]
    found = supply(actions, ratio=ratio)
    assert found.co2.days_left == pytest.approx(np.full(50, days), abs=0.6)
    assert found.co2.refill_days == pytest.approx(found.co2.days_left)


def test_a_small_cylinder_lasts_about_a_year() -> None:
    """About 1.1 kg of CO2 on 170 L is said to last about a year (common practice, no source).

    At 1 dKH a day and the usual use per CaCO3 the range lies around it.
    """
    reactor = replace(REACTOR, co2_charge_g=1100.0)
    actions = [(0.0, "flow", "", FLOW_ML_H), (1.0, "co2_change")]
    median, log_sd = CO2_PER_CACO3
    ratio = median * np.exp(log_sd * np.random.default_rng(1).standard_normal(400))
    found = supply(
        actions,
        tank_changes={"reactor": reactor},
        draws=400,
        volume_l=170.0,
        ratio=float(np.median(ratio)),
    )
    per_day = found.media_g_d * 0.43971 * ratio
    low, middle, high = np.quantile(1100 / per_day, [0.05, 0.5, 0.95])
    assert found.co2.days_left[0] == pytest.approx(middle, rel=1e-3)
    assert 270 < low < 365 < high < 650


def test_media_left_is_what_the_flow_has_not_dissolved() -> None:
    """40 days at the flow that gives 1 dKH a day use 40 · 4.462 g of 3 kg; refill at half."""
    found = supply([(0.0, "flow", "", FLOW_ML_H), (40.0, "stock_change")])
    assert found.media.used_g == pytest.approx(np.full(50, 178.48), abs=0.05)
    assert found.media.left_g == pytest.approx(np.full(50, 2821.52), abs=0.05)
    assert found.media.days_left == pytest.approx(np.full(50, 2821.52 / 4.462), rel=1e-3)
    assert found.media.refill_days == pytest.approx(np.full(50, 1321.52 / 4.462), rel=1e-3)
    assert not found.media.logged
    told = {note.values["entry"]: note.values["since"] for note in found.notes}
    assert told["media_change"].date() == date(2026, 3, 1)


def test_a_media_change_starts_anew() -> None:
    """Only what was dissolved after the last `media_change` counts, from its own kg if stated."""
    actions = [
        (0.0, "flow", "", FLOW_ML_H),
        (10.0, "media_change", "", 1.5),
        (25.25, "media_change", "", 2.0),
        (40.25, "stock_change"),
    ]
    found = supply(actions)
    assert found.media.logged
    assert found.media.charge_g == pytest.approx(2000.0)
    assert found.media.used_g == pytest.approx(np.full(50, 15 * 4.462), abs=0.02)
    blank = supply([*actions[:2], (25.25, "media_change"), actions[3]])
    assert blank.media.charge_g == pytest.approx(3000.0)
    assert "media_change" not in [note.values["entry"] for note in blank.notes]


def test_a_new_cylinder_starts_anew() -> None:
    """Only CO2 used after the last `co2_change` counts, from its own grams if stated."""
    actions = [
        (0.0, "flow", "", FLOW_ML_H),
        (30.0, "co2_change", "", 500.0),
        (40.0, "stock_change"),
    ]
    found = supply(actions, ratio=2.0)
    assert (found.co2.logged, found.co2.charge_g) == (True, 500.0)
    assert found.co2.used_g == pytest.approx(np.full(50, 10 * 4.462 * 0.43971 * 2), abs=0.02)
    assert "co2_change" not in [note.values["entry"] for note in found.notes]
    counted = supply([actions[0], actions[2]], ratio=2.0)
    assert not counted.co2.logged
    assert counted.co2.used_g == pytest.approx(np.full(50, 40 * 4.462 * 0.43971 * 2), abs=0.05)
    assert "co2_change" in [note.values["entry"] for note in counted.notes]


def test_what_was_used_follows_flow_and_chamber_ph() -> None:
    """Each stretch dissolves F · 10 / (1 + F/7.2) · f_pH^β: summed by hand over three settings."""
    actions = [
        (0.0, "flow", "", 100.0),
        (10.0, "flow", "", 400.0),
        (16.0, "ph_setting", "", 6.4),
        (20.0, "flow", "", 200.0),
        (30.0, "stock_change"),
    ]
    found = supply(actions, reach=0.6, ph_response=np.full(50, 0.8))
    table = chamber_table.saturated_increment_meq_l
    weak = (table(6.6) / table(6.4)) ** 0.8
    litres = np.array([2.4 * 10, 9.6 * 6, 9.6 * 4, 4.8 * 10])
    increment = 10 / (1 + np.array([2.4, 9.6, 9.6, 4.8]) / 7.2) * [weak, weak, 1.0, 1.0]
    grams = float(litres @ increment) / 2000 * 100.086
    # The log of f_pH counts to a hundredth.
    assert found.media.used_g == pytest.approx(np.full(50, grams), rel=1e-3)


def test_nothing_is_said_of_what_is_not_stated() -> None:
    """No charge, no reactor or no flow: None, not a guess."""
    bare = Reactor(10.0, 3000.0, 1.0, 6.6)
    running = [(0.0, "flow", "", FLOW_ML_H), (5.0, "stock_change")]
    found = supply(running, tank_changes={"reactor": bare})
    assert (found.media, found.co2, found.magnesium, found.notes) == (None, None, None, ())
    idle = supply([(0.0, "dose_rate", "soda", 50.0), (5.0, "stock_change")])
    assert (idle.media, idle.co2) == (None, None)
    stated = supply([*running, (6.0, "media_change", "", 1.0)], tank_changes={"reactor": bare})
    assert stated.media.charge_g == pytest.approx(1000.0)


def test_stocks_end_at_nothing_and_at_ten_years() -> None:
    """An overdue refill leaves zero, not less; no use at all lasts ten years, not for ever."""
    small = replace(REACTOR, media_kg=0.05)
    actions = [(0.0, "flow", "", FLOW_ML_H), (40.0, "stock_change")]
    spent = supply(actions, tank_changes={"reactor": small})
    assert spent.media.left_g == pytest.approx(np.zeros(50))
    assert spent.media.days_left == pytest.approx(np.zeros(50))
    assert spent.media.used_g == pytest.approx(np.full(50, 50.0))
    assert supply(actions, uptake=0.0).media.days_left == pytest.approx(np.full(50, MOST_DAYS))


# --- magnesium ------------------------------------------------------------------------------


def test_the_linear_model_is_weighted_least_squares() -> None:
    """With a prior so wide that it says nothing, mean and covariance are those of statsmodels."""
    rng = np.random.default_rng(2)
    rows = rng.standard_normal((3, 12, 4))
    variance = rng.uniform(0.2, 2.0, 12)
    y = rows @ np.array([1.0, -2.0, 0.5, 3.0]) + rng.standard_normal((3, 12)) * np.sqrt(variance)
    mean, covariance = LinearModel(rows, y, variance, np.zeros(4), 1e8 * np.eye(4)).posterior()
    for s in range(3):
        fit = sm.WLS(y[s], rows[s], weights=1 / variance).fit()
        np.testing.assert_allclose(mean[s], fit.params, rtol=1e-5)
        np.testing.assert_allclose(covariance[s], fit.normalized_cov_params, rtol=1e-5)


KIT = Kit("mg", "magnesium", "mg/L", 20 / MG, 15 / MG, 0.03)
WATERS = {
    "new": Composition("new", {"alkalinity": 8 * DKH, "magnesium": 1350 / MG}),
    "other": Composition("other", {}),
}
SALT = solution_from_strengths("salt", {"magnesium_chloride_hexahydrate_g_per_l": 400})
EVENTS = [
    (0.0, "flow", "", 120.0),
    (6.3, "water_change", "new", 25.0),
    (9.2, "dose", "salt", 80.0),
    (12.0, "dose_rate", "salt", 5.0),
    (15.5, "water_change", "other", 40.0),
    (18.0, "flow", "", 200.0),
    (20.0, "dose_rate", "salt", 2.0),
    (28.0, "new_bottle", "mg"),
    (31.0, "stock_change"),
]
TESTED = (1.4, 7.0, 9.3, 14.2, 16.0, 22.0, 29.5)


@pytest.fixture
def magnesium_case():
    """The fit of a log with everything that moves magnesium."""
    tank = example_tank(
        reactor=replace(REACTOR, magnesium_media_fraction=0.1),
        waters=WATERS,
        solutions={"salt": SALT},
        kits={**example_tank().kits, "mg": KIT},
    )
    readings = [(0.5, "alkalinity", "tank", "alk", 2.8)]
    readings += [(t, "magnesium", "tank", "mg", 1300 / MG + 0.3 * t) for t in TESTED]
    readings += [(5.0, "magnesium", "water", "mg", 1340 / MG, "new")]
    log = example_log(readings, EVENTS)
    schedule = build_schedule(log, tank)
    posterior = known(schedule, 2, reach=np.array([1.0, 0.7]))
    slope = 1 + 0.01 * np.arange(schedule.days)
    moving = posterior.calcium_uptake_mmol_l_d * slope
    return known_fit(log, tank, replace(posterior, calcium_uptake_mmol_l_d=moving))


SHARE = np.array([0.08, 0.02])
"""Of each of the two draws."""


def walked(theta, posterior, draw: int, times) -> np.ndarray:
    """Magnesium at some times by small steps of the equations, `theta` = (start, m, waters)."""
    start, ratio, new, other = theta
    share = SHARE[draw]
    volume, level, now = posterior.volume_l[draw], start, 0.0
    flow_l_d, rate_mmol_d, found = 0.0, 0.0, []
    strength = 400 / (24.305 + 2 * 35.45 + 6 * 18.015)
    done = [(t, 1, kind, of, v) for t, kind, of, v in (e for e in EVENTS if len(e) == 4)]
    for time, _, kind, of, value in sorted([*done, *((t, 0, "", "", 0.0) for t in times)]):
        for begin in np.arange(now, time, 0.001):
            step = min(0.001, time - begin)
            eaten = posterior.calcium_uptake_mmol_l_d[draw, int(begin + step / 2)]
            # 4.8 L/day run at the end.
            increment = (6.0, 6.0 / 0.7 / (1 + 0.3 / 0.7 * flow_l_d / 4.8))[draw]
            given = (share * flow_l_d * increment / 2 + rate_mmol_d) / volume
            level += step * (given - ratio * eaten)
        now = time
        if kind == "":
            found.append(level)
        elif kind == "flow":
            flow_l_d = value * 24 / 1000
        elif kind == "dose":
            level += value * strength / volume
        elif kind == "dose_rate":
            rate_mmol_d = value * strength
        elif kind == "water_change":
            level += value / volume * ({"new": new, "other": other}[of] - level)
    return np.array(found)


def test_the_balance_is_the_solution_of_the_equations(magnesium_case) -> None:
    """Rows and fixed part reproduce small steps of dM/dt, doses and water changes included."""
    posterior = magnesium_case.posterior
    model, balance, waters = magnesium_model(magnesium_case, SHARE)
    assert waters == ("new", "other")
    theta = np.array([54.0, 0.05, 55.5, 52.0])
    tank_rows = [m for m in range(model.rows.shape[1]) if model.rows[0, m, 0] > 0]
    shown = np.array([1300 / MG + 0.3 * t for t in TESTED])
    for draw in (0, 1):
        expected = walked(theta, posterior, draw, (*TESTED, 31.0))
        fixed = shown - model.y[draw, tank_rows]
        found = fixed + model.rows[draw, tank_rows, :4] @ theta
        np.testing.assert_allclose(found, expected[:-1], atol=2e-3)
        now = balance.fixed[draw] + balance.row[draw, :4] @ theta
        assert now == pytest.approx(expected[-1], abs=2e-3)


def test_the_magnesium_posterior_is_the_conditional_normal(magnesium_case) -> None:
    """Mean and covariance are those of the joint normal of unknowns and readings.

    The design comes from finite differences of the small-step walk, the conditioning from
    Σ_θy Σ_yy⁻¹: neither is how the module does it.
    """
    posterior = magnesium_case.posterior
    model, _, _ = magnesium_model(magnesium_case, SHARE)
    mean, covariance = model.posterior()
    prior_mean = np.array(
        [
            START_MAGNESIUM[0],
            MAGNESIUM_UPTAKE[0],
            1350 / MG,
            UNSTATED_WATER_MAGNESIUM[0],
            0.0,
            0.0,
        ]
    )
    sd = np.array(
        [
            START_MAGNESIUM[1],
            MAGNESIUM_UPTAKE[1],
            WATER_MAGNESIUM_SD,
            UNSTATED_WATER_MAGNESIUM[1],
            0.03,
            0.03,
        ]
    )
    prior = np.diag(sd**2)
    prior[4, 5] = prior[5, 4] = 0.5 * 0.03**2  # half of a kit's error is its bottle's
    draw = 1
    base = walked(prior_mean[:4], posterior, draw, TESTED)
    columns = [
        (walked(prior_mean[:4] + np.eye(4)[k], posterior, draw, TESTED) - base) for k in range(4)
    ]
    shown = np.array([1300 / MG + 0.3 * t for t in TESTED])
    first_bottle = np.array([t < 28 for t in TESTED])
    design = np.column_stack([*columns, shown * first_bottle, shown * ~first_bottle])
    water_row = np.array([0, 0, 1, 0, 1340 / MG, 0])
    design = np.vstack([design, water_row])
    residual = np.append(shown - base, 1340 / MG - 1350 / MG)
    error = (15 / MG) ** 2 + (20 / MG) ** 2 / 12
    cross = prior @ design.T
    total = design @ cross + error * np.eye(len(design))
    expected = prior_mean + cross @ np.linalg.solve(total, residual)
    np.testing.assert_allclose(mean[draw], expected, rtol=1e-3, atol=1e-4)
    left = prior - cross @ np.linalg.solve(total, cross.T)
    np.testing.assert_allclose(
        np.sqrt(np.diag(covariance[draw])), np.sqrt(np.diag(left)), rtol=1e-3
    )


def weekly(level_mg_l: float, slope_mg_l_d: float, weeks: int):
    """Weekly magnesium readings along a line, of a kit that is on average right."""
    return [
        (7 * j + 0.5, "magnesium", "tank", "mg", (level_mg_l + slope_mg_l_d * 7 * j) / MG)
        for j in range(weeks)
    ]


def magnesium_of(share: float, slope: float, weeks: int, draws: int = 2000):
    """The balance of a tank of 1 dKH a day with weekly readings along a line."""
    changes = {"kits": {**example_tank().kits, "mg": KIT}}
    actions = [(0.0, "flow", "", FLOW_ML_H), (7.0 * weeks, "stock_change")]
    readings = weekly(1320, slope, weeks)
    return supply(actions, readings, tank_changes=changes, share=share, draws=draws).magnesium


def test_a_falling_level_shows_that_the_media_does_not_keep_up() -> None:
    """Half a year of readings that fall by 0.4 mg/L a day: the trend and the missing share follow.

    0.4 mg/L a day is 0.01646 mmol/L a day, and 1 dKH a day dissolves 0.17833 mmol/L of carbonate,
    so the share would have to be 0.0923 higher.
    """
    found = magnesium_of(0.0, -0.4, 26)
    assert found.readings == 26
    assert found.keeps_up < 0.01
    low, middle, high = np.quantile(found.trend_mmol_l_d * MG * 30, [0.05, 0.5, 0.95])
    assert low < -12 < high
    assert middle == pytest.approx(-12, abs=1.5)
    assert np.median(found.needed_share - found.share) == pytest.approx(0.0923, abs=0.012)


def test_the_belief_in_ten_per_cent_takes_the_medium_to_dissolve() -> None:
    """A tenth of what dissolves keeps magnesium with next to no data; 1 % as of dolomite does not.

    That a tenth of the volume does so is common practice, no source. Dissolving like the rest it
    would raise magnesium by 13 mg/L a month less what is taken up; 1 % gives a tenth of that, about
    half of what the prior's corals and coralline algae take.
    """
    tenth, hundredth, none = (magnesium_of(share, 0.0, 1) for share in (0.10, 0.01, 0.0))
    assert tenth.keeps_up > 0.9
    assert hundredth.keeps_up < 0.35
    assert none.keeps_up < 0.3
    assert np.quantile(tenth.needed_share, 0.95) < BELIEVED_SHARE
    supplied = [
        np.median(one.trend_mmol_l_d - none.trend_mmol_l_d) * MG * 30 for one in (tenth, hundredth)
    ]
    assert supplied == pytest.approx([13.0, 1.3], rel=0.05)
    np.testing.assert_allclose(hundredth.believed_trend_mmol_l_d, tenth.trend_mmol_l_d, atol=2e-3)


def test_trend_is_supply_less_uptake() -> None:
    """For each draw a·U/2 − m·u_Ca, and the needed share is where that is zero."""
    found = magnesium_of(0.05, 0.1, 8, draws=200)
    expected = found.share * DKH / 2 - found.uptake_ratio * 0.49 * DKH
    assert found.trend_mmol_l_d == pytest.approx(expected)
    positive = found.uptake_ratio > 0
    assert found.needed_share[positive] == pytest.approx(0.98 * found.uptake_ratio[positive])
    assert found.keeps_up == pytest.approx(np.mean(expected >= 0))


def test_a_fixed_seed_fixes_magnesium() -> None:
    """The same inputs and seed give the same draws."""
    one, other = (magnesium_of(0.05, 0.1, 4, draws=100) for _ in range(2))
    np.testing.assert_array_equal(one.now_mmol_l, other.now_mmol_l)
    np.testing.assert_array_equal(one.share, other.share)


def test_what_is_taken_for_granted_of_magnesium() -> None:
    """1314 mg/L, give or take 60, of a new water of which nothing is stated, 25 where it is; 1320,
    give or take 90, at the log's start: over 24.305 g/mol, worked by hand."""
    assert pytest.approx((54.06, 2.469), rel=1e-3) == UNSTATED_WATER_MAGNESIUM
    assert pytest.approx((54.31, 3.703), rel=1e-3) == START_MAGNESIUM
    assert pytest.approx(1.0286, rel=1e-3) == WATER_MAGNESIUM_SD
