"""Numbers of the twin against the draws that they are of, where a mix-up would go unseen.

The keeper here thinks in mmol/L of calcium and meq/L of alkalinity, has kits in other units than
the bands, and two bottles of each; every field has draws of its own.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest

from estimator import units
from estimator.advice.ph_and_flow import SecondChamber
from estimator.fit.checks import ReadingCheck
from estimator.fit.priors import IDENTITY, LOG, Prior
from estimator.inputs.records import Reading
from estimator.inputs.tank import Kit, Target
from helpers.studies import DRAWS, build_study
from reports.twin.build import build_twin

DKH, CALCIUM = units.MEQ_L_PER_DKH, units.CA_G_MOL
RNG = np.random.default_rng(8)


def draws(middle, *shape):
    return middle * np.exp(0.05 * RNG.standard_normal((DRAWS, *shape)))


@pytest.fixture(scope="module")
def study():
    made = build_study("full")
    days = len(made.posterior.days)
    targets = {
        "alkalinity": Target(2.7, 3.1, "meq/L", 0.2),
        "calcium": Target(10.0, 11.0, "mmol/L"),
    }
    kits = {
        "drops": Kit("drops", "alkalinity", "dKH", 0.3 * DKH),
        "ca": Kit("ca", "calcium", "mg/L", 10 / CALCIUM),
    }
    posterior = replace(
        made.posterior,
        kit_repeatability={"drops": draws(0.08), "ca": draws(0.2)},
        kit_calibration={
            (kit, bottle): draws(1.0 + 0.1 * number)
            for number, (kit, bottle) in enumerate(
                ((kit, bottle) for kit in ("drops", "ca") for bottle in (0, 1)), start=1
            )
        },
        uptake_meq_l_d=draws(0.5, days) + 0.01 * np.arange(days),
        calcium_uptake_mmol_l_d=draws(0.25, days) + 0.02 * np.arange(days),
        alkalinity_meq_l=draws(2.9, days) + 0.03 * np.arange(days),
        calcium_mmol_l=draws(10.4, days) + 0.04 * np.arange(days),
        alkalinity_now_meq_l=draws(2.8),
        calcium_now_mmol_l=draws(10.1),
        nitrate_loss_meq_l_d=draws(0.03),
        calcium_share=draws(0.47),
    )
    tank = replace(made.tank, targets=targets, kits=kits, volume_unit="gal")
    return replace(made, tank=tank, posterior=posterior)


@pytest.fixture(scope="module")
def twin(study):
    return build_twin(study)


def is_of(found, expected):
    """A Q is that of these draws: every point by its name."""
    points = {"q05": 0.05, "q25": 0.25, "q50": 0.5, "q75": 0.75, "q95": 0.95}
    for key, point in points.items():
        assert found[key] == pytest.approx(float(np.quantile(expected, point)), rel=2e-5), key
    assert found["mean"] == pytest.approx(float(np.mean(expected)), rel=2e-5)
    assert found["sd"] == pytest.approx(float(np.std(expected)), rel=2e-5)


@pytest.mark.parametrize(
    ("name", "field", "unit"),
    [
        ("alkalinity", "uptake_meq_l_d", "meq/L/day"),
        ("calcium", "calcium_uptake_mmol_l_d", "mmol/L/day"),
    ],
)
def test_uptake_of_each_day_is_its_own(study, twin, name, field, unit):
    """`now` is the last day's, and every day stands at its date."""
    found, of = twin["uptake"][name], getattr(study.posterior, field)
    assert found["unit"] == unit
    is_of(found["now"], of[:, -1])
    assert len(found["by_day"]) == of.shape[1]
    for j in (0, 1, -2, -1):
        assert found["by_day"][j]["date"] == study.posterior.days[j].isoformat()
        is_of(found["by_day"][j], of[:, j])


@pytest.mark.parametrize(
    ("name", "field", "now", "unit"),
    [
        ("alkalinity", "alkalinity_meq_l", "alkalinity_now_meq_l", "meq/L"),
        ("calcium", "calcium_mmol_l", "calcium_now_mmol_l", "mmol/L"),
    ],
)
def test_levels_of_each_day_and_now_are_their_own(study, twin, name, field, now, unit):
    """The level now is no day's mean."""
    found, of = twin["level_by_day"][name], getattr(study.posterior, field)
    assert found["unit"] == twin["level_now"][name]["unit"] == unit
    for j in (0, -1):
        assert found["by_day"][j]["date"] == study.posterior.days[j].isoformat()
        is_of(found["by_day"][j], of[:, j])
    is_of(twin["level_now"][name], getattr(study.posterior, now))


def test_kits_are_told_by_their_last_bottle_and_in_their_own_unit(study, twin):
    """The band's unit is not the kit's: repeatability of 0.08 meq/L is 0.22 dKH."""
    post = study.posterior
    for name, scale, unit in (("drops", DKH, "dKH"), ("ca", 1 / CALCIUM, "mg/L")):
        kit = twin["kits"][name]
        assert (kit["unit"], kit["bottle"]) == (unit, 2)
        is_of(kit["calibration_pct"], 100 * (post.kit_calibration[name, 1] - 1))
        is_of(kit["repeatability"], post.kit_repeatability[name] / scale)


def test_other_figures_of_the_posterior(study, twin):
    """mg/L of calcium for each dKH whatever the bands' units; nitrate's part as it is."""
    post = study.posterior
    is_of(twin["calcium_per_alkalinity"], post.calcium_share * CALCIUM * DKH)
    is_of(twin["uptake"]["alkalinity"]["nitrate_part"], post.nitrate_loss_meq_l_d)
    is_of(twin["water_volume_l"], post.volume_l)
    effluent = twin["effluent"]["alkalinity"]
    assert (effluent["unit"], effluent["tested"]) == ("meq/L", True)
    is_of(effluent, post.effluent_meq_l)
    is_of(twin["effluent"]["saturated"], post.saturated_effluent_meq_l)
    is_of(twin["effluent"]["reached_pct"], 100 * post.saturation_reached)
    is_of(twin["effluent"]["most_supply"], post.most_supply_meq_l_d)
    is_of(twin["level_response"], 100 * post.level_response_l_meq)
    is_of(twin["flow"]["needed"], study.recommendation.flow.needed_ml_h)


def test_bands_are_told_as_stated(twin):
    """Low, high, middle and the rise in the band's unit, each at its key."""
    bands = twin["tank"]["targets"]
    alkalinity, calcium = bands["alkalinity"], bands["calcium"]
    assert [alkalinity[key] for key in ("low", "middle", "high")] == pytest.approx([2.7, 2.9, 3.1])
    assert (alkalinity["unit"], alkalinity["max_rise_per_day"]) == ("meq/L", pytest.approx(0.2))
    assert [calcium[key] for key in ("low", "high")] == pytest.approx([10.0, 11.0])
    assert calcium["max_rise_per_day"] is None


def test_a_rise_is_told_in_the_bands_unit():
    """0.5 dKH a day stays 0.5 where the band is in dKH."""
    found = build_twin(build_study("full"))["tank"]["targets"]["alkalinity"]
    assert (found["low"], found["high"], found["max_rise_per_day"]) == pytest.approx(
        (7.6, 8.8, 0.5)
    )


def test_priors_are_told_by_median_and_central_95_percent(study):
    """On every scale: exp of the normal, the normal itself, and the curve between two limits."""
    priors = (
        Prior("by factor", LOG, 2.0, 0.5),
        Prior("plain", IDENTITY, 3.0, 0.1),
    )
    found = build_twin(replace(study, priors=priors))["priors"]
    by_factor, plain = found["by factor"], found["plain"]
    assert [by_factor[key] for key in ("q025", "median", "q975")] == pytest.approx(
        [2 * np.exp(-0.98), 2.0, 2 * np.exp(0.98)], rel=1e-4
    )
    assert [plain[key] for key in ("q025", "median", "q975")] == pytest.approx(
        [3 - 0.196, 3.0, 3 + 0.196], rel=1e-4
    )


def test_readings_are_told_with_what_was_expected_of_their_kit(study):
    """In the reading's own unit, by the check of the same row; the residual keeps its sign."""
    time = datetime(2026, 3, 2, 18)
    low = Reading(901, time, "alkalinity", "tank", "", 7.0 * DKH, "dKH", "drops")
    high = Reading(902, time + timedelta(days=1), "calcium", "tank", "", 11.0, "mmol/L", "ca")
    unused = Reading(903, time + timedelta(days=2), "alkalinity", "tank", "", 2.9, "meq/L", "drops")
    checks = (
        ReadingCheck(low, 8.0 * DKH, 0.5 * DKH, 0.3, 0.02, -2.0),
        ReadingCheck(high, 10.5, 0.25, 0.8, 0.98, -1.0),
    )
    log = replace(study.log, readings=(low, high, unused))
    told = replace(study, log=log, posterior=replace(study.posterior, checks=checks))
    first, second, third = build_twin(told)["readings"]
    assert (first["row"], first["value"], first["unit"]) == (901, pytest.approx(7.0), "dKH")
    assert (first["expected"], first["off_by_kit_errors"]) == pytest.approx((8.0, -2.0))
    assert (first["chance_ordinary"], first["odd"]) == (0.3, True)
    assert (second["expected"], second["off_by_kit_errors"]) == pytest.approx((10.5, 2.0))
    assert (second["chance_ordinary"], second["odd"]) == (0.8, False)
    assert (third["used"], third["expected"], third["odd"]) == (False, None, None)
    counted = build_twin(told)["inputs"]
    assert (counted["readings"], counted["readings_used"], counted["readings_not_used"]) == (
        3,
        2,
        1,
    )


def test_diagnostics_are_told_with_their_limits(twin):
    """Whoever reads them can judge: 2 divergences of 4 chains of so many draws, R-hat, draws."""
    found = twin["diagnostics"]
    assert (found["r_hat_limit"], found["ess_limit"]) == (1.01, 400)
    assert found["divergences_limit"] == DRAWS // 1000
    assert (found["ess_bulk_min"], found["ess_tail_min"]) == (900.4, 1000.6)


def test_the_setting_and_its_range_stand_at_their_keys(study, twin):
    """Low, high and what to set, mL/h, and each chance at its own key."""
    flow, advice = twin["flow"], study.recommendation.flow
    setting = advice.setting
    assert flow["recommended"] == {
        "low": setting.low_ml_h,
        "high": setting.high_ml_h,
        "set_to": setting.set_to_ml_h,
    }
    assert setting.low_ml_h < setting.set_to_ml_h < setting.high_ml_h
    assert flow["current"] == 2600.0
    chances = ("in_band_probability", "current_in_band_probability", "level_in_band_probability")
    assert [flow[key] for key in chances] == [0.78, 0.2, 0.93]
    dots = np.array(flow["needed_dots"])
    inside = int(np.sum((dots >= setting.low_ml_h) & (dots <= setting.high_ml_h)))
    assert flow["needed_dots_in_range"] == inside
    assert 16 <= inside <= 19
    assert list(dots) == sorted(dots)


@pytest.mark.parametrize("co2", [(1.0, 7.0, 5.0, 2.0), (1.0, 5.0, 7.0, 2.0)], ids=str)
def test_the_chambers_least_co2_is_of_the_region_to_work_in(study, co2):
    """Its ends count; what lies outside may need less and is not offered."""
    trade = study.job.chamber
    axis = np.array([6.2, 6.4, 6.6, 6.8])
    region = replace(trade.region, low=6.4, high=6.6)
    made = replace(trade, ph_axis=axis, co2_g_d=np.array(co2), region=region)
    found = build_twin(replace(study, job=replace(study.job, chamber=made)))["chamber"]
    assert found["least_co2_g_per_day"] == 5.0


def test_the_outlook_is_in_the_unit_of_its_band(study):
    """Each month's change at its month, in mmol/L where the band is, in mg/L where that is."""
    calcium = study.job.outlook.calcium
    change = {month: draws(0.1 * month) for month in (1, 3, 6)}
    for unit, scale in (("mmol/L", 1.0), ("mg/L", 1 / CALCIUM)):
        band = Target(10.0, 11.0, unit)
        one = replace(calcium, band=band, change=change, now=study.posterior.calcium_now_mmol_l)
        outlook = replace(study.job.outlook, calcium=one)
        found = build_twin(replace(study, job=replace(study.job, outlook=outlook)))["outlook"]
        told = found["calcium"]
        assert told["unit"] == unit
        assert told["band"]["low"] == pytest.approx(10.0 / scale, rel=1e-5)
        assert told["band"]["high"] == pytest.approx(11.0 / scale, rel=1e-5)
        is_of(told["now"], study.posterior.calcium_now_mmol_l / scale)
        for month in (1, 3, 6):
            is_of(told["change"][str(month)], change[month] / scale)


def test_what_the_keeper_reads_of_volume_and_shares_is_in_own_units(study, twin):
    """Beside the contract's litres and mg/L per dKH stand the units of the tank file."""
    post = study.posterior
    assert twin["water_volume"]["unit"] == "gal"
    is_of(twin["water_volume"], post.volume_l / 3.785411784)
    is_of(twin["water_volume_l"], post.volume_l)
    assert twin["calcium_used"]["unit"] == "mmol/L per meq/L"
    is_of(twin["calcium_used"], post.calcium_share)
    routine = twin["outlook"]["routine"]
    assert (routine["litres"], routine["unit"]) == (60, "gal")
    assert routine["volume"] == pytest.approx(60 / 3.785411784, rel=1e-5)
    volume = twin["priors"]["water_volume_l"]
    assert volume["as_read"]["unit"] == "gal"
    for point in ("q025", "median", "q975"):
        assert volume["as_read"][point] == pytest.approx(volume[point] / 3.785411784, rel=1e-5)


def test_priors_are_read_in_the_keepers_units():
    """1 dKH is 0.356652 meq/L: a rate shrinks by it, a rise for each dKH grows."""
    priors = build_twin(build_study("full"))["priors"]
    for name, one, unit in (
        ("uptake_start_meq_l_d", DKH, "dKH/day"),
        ("saturated_increment_meq_l", DKH, "dKH"),
        ("level_response_l_meq", 1 / DKH, "for each dKH"),
        ("calcium_share", 1 / CALCIUM / DKH, "mg/L per dKH"),
        ("light_ratio", 1.0, ""),
    ):
        as_read = priors[name]["as_read"]
        assert as_read["unit"] == unit
        assert as_read["median"] == pytest.approx(priors[name]["median"] / one, rel=2e-5)


def test_what_a_second_chamber_saves_is_a_share(study):
    """1.5 mol of CO2 for each of media in place of 2: a quarter."""
    second = SecondChamber(6.6, (9.1, 9.9), (6.6, 6.8), (2.0, 1.5), (2.0, 1.5))
    chamber = replace(study.job.chamber, second=second)
    found = build_twin(replace(study, job=replace(study.job, chamber=chamber)))["chamber"]
    assert found["second"]["co2_saved_share"] == pytest.approx(0.25)


def test_calcium_used_is_in_the_keepers_units_whatever_they_are():
    """0.47 mmol for each meq is 0.47 · 40.078 mg for each 1 / 0.356652 dKH: 6.718 mg/L per dKH."""
    study = build_study("full")
    posterior = replace(study.posterior, calcium_share=np.full(DRAWS, 0.47))
    found = build_twin(replace(study, posterior=posterior))["calcium_used"]
    assert found["unit"] == "mg/L per dKH"
    assert found["q50"] == pytest.approx(6.718, abs=0.001)


def test_a_dot_on_an_end_of_the_range_is_inside(study):
    """Twenty dots of 500 mL/h, and a range of nothing but 500: all of them."""
    flow = study.recommendation.flow
    setting = replace(flow.setting, low_ml_h=500.0, set_to_ml_h=500.0, high_ml_h=500.0)
    flow = replace(flow, needed_ml_h=np.full(DRAWS, 500.0), setting=setting)
    advice = replace(study.recommendation, flow=flow)
    assert build_twin(replace(study, recommendation=advice))["flow"]["needed_dots_in_range"] == 20


def test_widths_after_a_test_stand_from_the_lower_to_the_higher(study, twin):
    """Each end of what is left at its key."""
    for told, ranked in zip(twin["next_tests"], study.planning.ranked, strict=True):
        assert told["expected_width_q05"] == pytest.approx(ranked.width_range_ml_h[0])
        assert told["expected_width_q95"] == pytest.approx(ranked.width_range_ml_h[1])
        assert told["expected_width_q05"] < told["expected_width"] < told["expected_width_q95"]


def test_the_part_of_a_supply_that_is_left(study):
    """2400 g of 3000 are left: four fifths, and a fifth used."""
    made = study.job.supplies
    left = replace(made.media, left_g=np.full(DRAWS, 2400.0), used_g=np.full(DRAWS, 600.0))
    job = replace(study.job, supplies=replace(made, media=left))
    assert build_twin(replace(study, job=job))["supplies"]["media"]["left_share"] == 0.8
