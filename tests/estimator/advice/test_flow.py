"""Advice from draws that are known, so that every figure can be worked by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from estimator import units
from estimator.advice.flow import (
    CO2_PER_CACO3,
    HORIZON_DAYS,
    PLANNED_RATIO_LIMIT,
    RANGE_RATIO_LIMIT,
    _best_setting,
    _round_outward,
    _usual_co2,
    recommend,
    to_l_d,
    to_ml_h,
    variance_shares,
)
from estimator.fit.forecast import hold_chances
from estimator.fit.posterior import Posterior
from estimator.inputs.tank import Reactor
from estimator.remark import Remark
from estimator.unknowns import Unknown
from helpers.fits import known_posterior
from helpers.tanks import example_tank

DKH = units.MEQ_L_PER_DKH
SEED = np.random.SeedSequence(7)


def known(draws: int = 200, **changes: Any) -> Posterior:
    """Every draw the same: 0.5 meq/L/day in 600 L, effluent 6 meq/L above the band's middle.

    So strong at any flow, it needs 0.5 · 600 / 6 = 50 L/day, 2083 mL/h; 30 L/day run.
    """
    stated = {"gain": 6.0, "reach": 1.0, "flow_l_d": 30.0, "at_l_d": 30.0}
    return known_posterior(draws, **{**stated, **changes})


def spread(median: float, log_sd: float, draws: int, seed: int) -> np.ndarray:
    """Lognormal draws."""
    return median * np.exp(log_sd * np.random.default_rng(seed).standard_normal(draws))


def codes(remarks: tuple[Remark, ...]) -> list[str]:
    """What is told, without the numbers."""
    return [remark.code for remark in remarks]


def advise(posterior, tank):
    """`recommend` with the one seed."""
    return recommend(posterior, tank, SEED)


def test_needed_flow_is_uptake_times_volume_over_gain() -> None:
    """Effluent of fixed strength: F = U V / (A_e − A_m)."""
    posterior = known()
    assert posterior.needed_flow_l_d == pytest.approx(np.full(200, 50.0))
    advice = advise(posterior, example_tank())
    assert advice.flow.needed_ml_h == pytest.approx(np.full(200, 50_000 / 24))
    middle = posterior.middle_meq_l
    expected = 0.5 * 600 / (posterior.effluent_meq_l - middle)
    assert to_l_d(advice.flow.needed_ml_h) == pytest.approx(expected)


def test_flow_response_raises_the_needed_flow() -> None:
    """Half of saturation at 30 L/day, 12 meq/L and F0 30: 300 meq/day of the 360 that the chamber
    gives at most need 25 / (1 − 25/30) = 150 L/day, five times 30 for not twice its 180 meq/day."""
    posterior = known(reach=0.5)
    assert posterior.needed_flow_l_d == pytest.approx(np.full(200, 150.0))


def test_withheld_where_the_chamber_cannot_carry_the_load() -> None:
    """420 meq/day where 360 are all that it gives: a larger pump is no remedy."""
    advice = advise(known(reach=0.5, uptake=0.7), example_tank())
    assert advice.status == "withheld"
    assert codes(advice.reasons) == ["withheld_chamber_too_small"]


def test_withheld_where_the_chamber_may_be_too_small() -> None:
    """A limit of 360 meq/day for a load of 324 ± 10 %: in 15 draws of 100 no flow is enough; in
    fewer than 5 of 100 with 2 %, where the range of those that are decides."""
    found = {}
    for log_sd in (0.1, 0.02):
        posterior = known(4000, reach=0.5, uptake=spread(0.54, log_sd, 4000, 1))
        found[log_sd] = advise(posterior, example_tank()).reasons
    (reason,) = found[0.1]
    assert reason.code == "withheld_chamber_at_limit"
    assert reason.values["chance"] == pytest.approx(0.146, abs=0.02)
    assert "withheld_chamber_at_limit" not in codes(found[0.02])


def test_the_flow_is_for_the_uptake_at_the_middle_of_the_band() -> None:
    """A tank 0.4 meq/L low takes up a tenth less than it will at the middle: 300 meq/day set the
    flow, not 270. The level is judged as it is."""
    level = known().middle_meq_l - 0.4
    posterior = known(
        level_response_l_meq=0.25,
        alkalinity_now_meq_l=np.full(200, level),
        uptake_meq_l_d=np.full((200, 3), 0.45),
    )
    advice = advise(posterior, example_tank())
    assert advice.flow.needed_ml_h == pytest.approx(np.full(200, 50_000 / 24))
    assert advice.flow.level_in_band == 0.0
    assert advice.media_g_d == pytest.approx(np.full(200, 150 * 0.100086), rel=1e-4)


def test_setting_is_a_multiple_of_the_step_within_the_range() -> None:
    """Low, high and setting are whole pump steps, rounded outward, and in order."""
    posterior = known(2000, uptake=spread(0.5, 0.08, 2000, 1))
    advice = advise(posterior, example_tank())
    setting = advice.flow.setting
    assert advice.status == "recommended"
    assert setting.low_ml_h <= setting.set_to_ml_h <= setting.high_ml_h
    for value in (setting.low_ml_h, setting.set_to_ml_h, setting.high_ml_h):
        assert value / 10 == pytest.approx(round(value / 10))
    low, high = np.quantile(advice.flow.needed_ml_h, [0.05, 0.95])
    assert 0 <= low - setting.low_ml_h < 10
    assert 0 <= setting.high_ml_h - high < 10


def test_setting_keeps_within_the_pump() -> None:
    """The setting never asks for a flow that the pump cannot give."""
    posterior = known(2000, uptake=spread(0.5, 0.08, 2000, 1))
    for pump in (Reactor(60.0, 2100.0, 25.0), Reactor(2075.0, 9000.0, 25.0)):
        setting = advise(posterior, example_tank(reactor=pump)).flow.setting
        assert pump.flow_min_ml_h <= setting.set_to_ml_h <= pump.flow_max_ml_h
        assert setting.set_to_ml_h % 25 == 0


def test_setting_holds_a_known_tank() -> None:
    """With nothing unknown the setting is the needed flow to the pump's step, and sure to hold."""
    advice = advise(known(), example_tank())
    assert advice.flow.setting.set_to_ml_h in (2080.0, 2090.0)
    assert advice.flow.in_band_probability == 1.0
    assert advice.flow.level_in_band == 1.0


def test_no_candidate_does_better_than_the_setting() -> None:
    """The recommended setting's chance is within Monte Carlo error of the best in the range."""
    posterior = known(
        1500,
        uptake=spread(0.5, 0.12, 1500, 1),
        alkalinity_now_meq_l=7.9 * DKH + 0.1 * np.random.default_rng(2).standard_normal(1500),
        drift=np.full(1500, 0.02),
    )
    tank = example_tank()
    advice = advise(posterior, tank)
    setting = advice.flow.setting
    flows = np.arange(setting.low_ml_h, setting.high_ml_h + 1, 10.0)
    noise = np.random.default_rng(99).standard_normal((HORIZON_DAYS, 1500, 2))
    (chances,) = hold_chances(posterior.state, to_l_d(flows), tank.targets["alkalinity"], noise)
    assert advice.flow.in_band_probability >= chances.max() - 0.03
    assert chances.min() < chances.max() - 0.1


def test_current_settings_are_judged_with_what_is_still_dosed() -> None:
    """Flow for 60 % of the load and doses for the rest hold the band; the flow alone does not."""
    dosed = advise(known(dosed_meq_d=0.4 * 0.5 * 600), example_tank())
    assert dosed.dosed_meq_d == pytest.approx(120.0)
    assert dosed.flow.current_ml_h == pytest.approx(1250.0)
    assert dosed.flow.current_probability == 1.0
    assert advise(known(), example_tank()).flow.current_probability == 0.0


def test_media_for_two_degrees_in_250_litres() -> None:
    """ΔTA of 2 dKH in 250 L is 89.163 mmol, 8.924 g, of CaCO3 a day.

    Alkalinity anomaly, half the alkalinity (Smith & Key 1975, Limnol. Oceanogr. 20:493).
    """
    posterior = known(volume_l=np.full(200, 250.0), uptake=2 * DKH)
    advice = advise(posterior, example_tank())
    assert advice.media_g_d == pytest.approx(np.full(200, 8.924), abs=1e-3)


def test_carbon_dioxide_is_more_than_the_stoichiometric() -> None:
    """0.440 g per g of CaCO3 is the least that chemistry allows; the middle is 1.9 of it."""
    advice = advise(known(4000), example_tank())
    ratio = advice.co2_g_d / (0.43971 * advice.media_g_d)
    assert np.median(ratio) == pytest.approx(1.9, rel=0.02)
    assert np.mean(ratio > 1.0) > 0.99


def test_dose_rates_put_back_the_load() -> None:
    """Each solution alone: 300 meq/day of 1.9 meq/mL is 157.9 mL; calcium at half the load."""
    tank = example_tank()
    advice = advise(known(), tank)
    assert advice.dose_ml_d["soda"] == pytest.approx(np.full(200, 300 / 1.9))
    strength = tank.solutions["chloride"].calcium_mmol_per_ml
    assert advice.dose_ml_d["chloride"] == pytest.approx(np.full(200, 150 / strength))


@pytest.mark.parametrize("flow_l_d", [50.0, None])
def test_variance_shares_add_up_to_one(flow_l_d) -> None:
    """Whatever varies, the parts make a whole, and the widest source has the largest part."""
    posterior = known(
        3000,
        uptake=spread(0.5, 0.05, 3000, 1),
        volume_l=spread(600, 0.1, 3000, 2),
        gain=spread(6, 0.2, 3000, 3),
        reach=np.random.default_rng(4).uniform(0.6, 0.7, 3000),
        flow_l_d=flow_l_d,
        at_l_d=50.0,
    )
    shares = variance_shares(posterior.state, posterior.shown_flow_l_d)
    assert sum(shares.values()) == pytest.approx(1.0)
    assert max(shares, key=lambda source: shares[source]) == Unknown.EFFLUENT


def test_variance_shares_of_one_source_alone() -> None:
    """Effluent of fixed strength and only the volume unknown: all of the variance is its own."""
    shares = variance_shares(known(500, volume_l=spread(600, 0.1, 500, 2)).state, 30.0)
    assert shares[Unknown.VOLUME] == pytest.approx(1.0)
    assert shares[Unknown.UPTAKE] == pytest.approx(0.0, abs=1e-12)


def test_a_chamber_known_at_one_flow_leaves_its_answer_to_another() -> None:
    """6 meq/L at 20 L/day for sure, near saturation or not: what 50 L/day bring is the flow
    response's to say."""
    reach = np.random.default_rng(4).uniform(0.75, 0.95, 500)
    posterior = known(500, reach=reach, flow_l_d=20.0, at_l_d=20.0)
    shares = variance_shares(posterior.state, 20.0)
    assert shares[Unknown.FLOW_RESPONSE] == pytest.approx(1.0)
    assert shares[Unknown.EFFLUENT] == pytest.approx(0.0, abs=1e-9)


def test_withheld_where_the_pump_is_too_small() -> None:
    """The needed flow is above the pump's limit: no setting, and the limit is named."""
    pump = Reactor(60.0, 1500.0, 10.0)
    advice = advise(known(), example_tank(reactor=pump))
    assert advice.status == "withheld"
    assert advice.flow.setting is None
    assert advice.flow.in_band_probability is None
    assert advice.reasons == (Remark("withheld_pump_too_small", {"flow_max_ml_h": 1500.0}),)


def test_withheld_where_the_pump_is_too_large() -> None:
    """The smallest flow gives more than the tank takes."""
    pump = Reactor(3000.0, 9000.0, 10.0)
    advice = advise(known(), example_tank(reactor=pump))
    assert advice.status == "withheld"
    assert advice.reasons == (Remark("withheld_pump_too_large", {"flow_min_ml_h": 3000.0}),)


def test_withheld_where_no_uptake_is_shown() -> None:
    """Uptake that may be nothing gives no setting, and says what to test."""
    uptake = 0.03 + 0.05 * np.random.default_rng(0).standard_normal(500)
    advice = advise(known(500, uptake=uptake), example_tank())
    assert advice.status == "withheld"
    assert advice.reasons == (Remark("withheld_no_uptake", {"source": Unknown.UPTAKE}),)


def test_withheld_where_the_range_is_wide() -> None:
    """Ends of the range more than four times apart: withheld, and the widest source is named."""
    posterior = known(2000, gain=spread(6, 0.5, 2000, 3))
    advice = advise(posterior, example_tank())
    assert advice.status == "withheld"
    low, high = np.quantile(advice.flow.needed_ml_h, [0.05, 0.95])
    told = {"ratio": high / low, "source": Unknown.EFFLUENT}
    assert advice.reasons == (Remark("withheld_wide_range", told),)
    assert high > RANGE_RATIO_LIMIT * low
    narrow = advise(known(2000, gain=spread(6, 0.1, 2000, 3)), example_tank())
    assert narrow.status == "recommended"


def test_withheld_where_sampling_failed() -> None:
    """A fit that failed its checks gives no setting, and the reason is passed on."""
    passed = known().diagnostics
    failed = replace(passed, failures=(Remark("fit_divergent", {"divergences": 3, "draws": 9}),))
    advice = advise(known(diagnostics=failed), example_tank())
    assert advice.status == "withheld"
    (reason,) = advice.reasons
    assert reason.code == "withheld_fit_failed"
    assert reason.values["failures"] == failed.failures
    assert reason.values["source"] in set(Unknown)


def test_level_out_of_band_is_not_corrected_by_the_flow() -> None:
    """A level below the band leaves the setting at the needed flow, and the keeper is told."""
    posterior = known(alkalinity_now_meq_l=np.full(200, 6.5 * DKH))
    advice = advise(posterior, example_tank())
    assert advice.flow.level_in_band == 0.0
    assert advice.flow.setting.set_to_ml_h == pytest.approx(2080.0)
    told = {"below": True, "setting_given": True}
    assert advice.notes == (Remark("note_out_of_band", told),)


def planned(**changes: Any) -> Posterior:
    """A reactor of which nothing is known: never run, never tested; 120 meq/day being dosed."""
    return known(
        2000,
        flow_l_d=None,
        effluent_tested=False,
        dosed_meq_d=120.0,
        **changes,
    )


def test_planned_reactor_gets_a_flow_and_a_note() -> None:
    """Without a reactor the flow is for a planned one: no current setting, and notes say so."""
    advice = advise(planned(), example_tank(reactor=None))
    assert advice.flow.current_ml_h is None
    assert advice.flow.current_probability is None
    assert advice.flow.needed_ml_h == pytest.approx(np.full(2000, 50_000 / 24))
    stop, planned_only = advice.notes
    # 120 meq/day in 600 L is 0.2 meq/L a day.
    assert stop.code == "note_dosing_must_stop"
    assert stop.values["rise_meq_l_d"] == pytest.approx(0.2)
    assert planned_only == Remark("note_planned")


def test_planned_reactor_may_have_a_wider_range() -> None:
    """A range to choose a pump by may be wider than one to set a pump by, but not endlessly."""
    ranges = {}
    for log_sd in (0.5, 0.8):
        advice = advise(planned(gain=spread(6, log_sd, 2000, 3)), example_tank(reactor=None))
        low, high = np.quantile(advice.flow.needed_ml_h, [0.05, 0.95])
        ranges[advice.status] = high / low
    assert ranges["recommended"] > RANGE_RATIO_LIMIT
    assert ranges["recommended"] < PLANNED_RATIO_LIMIT < ranges["withheld"]


def test_withheld_where_effluent_was_tested_but_no_flow_logged() -> None:
    """Effluent readings without a flow: how much the reactor adds cannot be known."""
    posterior = known(flow_l_d=None)
    advice = advise(posterior, example_tank())
    assert advice.status == "withheld"
    assert "withheld_flow_not_logged" in codes(advice.reasons)
    zero = advise(replace(posterior, flow_logged=True), example_tank())
    assert "withheld_flow_zero" in codes(zero.reasons)
    assert "withheld_flow_not_logged" not in codes(zero.reasons)


def test_withheld_where_no_setting_of_the_pump_is_in_range() -> None:
    """A pump of coarse steps that straddle the range has no setting to recommend."""
    posterior = known(2000, uptake=spread(0.5, 0.001, 2000, 1))
    advice = advise(posterior, example_tank(reactor=Reactor(1650.0, 2390.0, 800.0)))
    assert advice.status == "withheld"
    assert codes(advice.reasons) == ["withheld_no_setting_in_range"]


def test_withheld_where_nothing_would_hold_the_band() -> None:
    """Drift so large that no flow keeps the band: no setting, and the main source is named."""
    posterior = known(2000, uptake=spread(0.5, 0.2, 2000, 1), drift=np.full(2000, 0.5))
    advice = advise(posterior, example_tank())
    assert advice.status == "withheld"
    assert codes(advice.reasons) == ["withheld_nothing_holds"]


def test_net_change_is_told() -> None:
    """Where nothing added is logged, the keeper is told that only the net change is seen."""
    advice = advise(known(net_change=True), example_tank())
    assert codes(advice.notes) == ["note_net_change"]


def test_advice_is_fixed_by_its_seed() -> None:
    """The same draws and seed give the same advice."""
    posterior = known(500, uptake=spread(0.5, 0.1, 500, 1), drift=np.full(500, 0.02))
    first, again = (
        recommend(posterior, example_tank(), np.random.SeedSequence(3)) for _ in range(2)
    )
    assert first.flow.setting == again.flow.setting
    assert first.flow.in_band_probability == again.flow.in_band_probability
    np.testing.assert_array_equal(first.co2_g_d, again.co2_g_d)


def test_pump_units_there_and_back() -> None:
    """1000 mL/h is 24 L/day."""
    assert to_l_d(1000.0) == pytest.approx(24.0)
    assert to_ml_h(np.array([24.0])) == pytest.approx([1000.0])


def test_the_range_ends_on_steps_of_the_pump_and_no_step_further() -> None:
    """Ends that stand on a step stay there, others go outward: 5 and 95 % points of 1000 to 1100
    are 1005 and 1095; on a step of 0.1, of which 0.3 is not a multiple in binary, 0.3."""
    pump = Reactor(0.0, 6000.0, 5.0)
    assert _round_outward(np.linspace(1000.0, 1100.0, 101), pump) == (1005.0, 1095.0)
    coarse = Reactor(0.0, 6000.0, 10.0)
    assert _round_outward(np.linspace(1000.0, 1100.0, 101), coarse) == (1000.0, 1100.0)
    fine = Reactor(0.0, 6000.0, 0.1)
    assert _round_outward(np.full(9, 0.3), fine) == pytest.approx((0.3, 0.3))


def test_the_middle_of_what_does_equally_well_is_set() -> None:
    """1.0 from 500 to 900 mL/h and 0.996 to 1100, which is as good: 800. With 0.994 it is not:
    700. Where the level is out of the band the given flow is set, within the ends."""
    pump = Reactor(60.0, 3000.0, 10.0)

    def chosen(beyond: float, middle: float | None = None) -> float:
        def forecast(flow_l_d: np.ndarray) -> np.ndarray:
            ml_h = to_ml_h(flow_l_d)
            best = np.where((ml_h > 499) & (ml_h < 901), 1.0, 0.3)
            return np.where((ml_h > 901) & (ml_h < 1101), beyond, best)

        found = _best_setting(pump, 200.0, 1500.0, forecast, middle)
        assert found is not None
        return found[0]

    assert chosen(0.996) == pytest.approx(800.0)
    assert chosen(0.994) == pytest.approx(700.0)
    assert chosen(0.3, 1234.0) == pytest.approx(1230.0)
    assert chosen(0.3, 4000.0) == pytest.approx(1500.0)


def test_carbon_dioxide_of_usual_chambers_scatters_about_its_median() -> None:
    """100.09 g of media and 44.01 g of CO2 a mole: at the median ratio, with its log sd."""
    median, log_sd = CO2_PER_CACO3
    found = np.log(_usual_co2(np.full(20_000, 50.0), 3) / (50.0 / 100.09 * 44.01))
    assert np.median(found) == pytest.approx(np.log(median), abs=0.02)
    assert np.std(found) == pytest.approx(log_sd, rel=0.03)


def test_shares_are_amplified_where_more_flow_hardly_brings_more() -> None:
    """Two thirds of saturation at 30 L/day, so that one per cent more uptake needs 1/(2/3) = 1.5 %
    more flow there: what the flow itself, which is further up, needs beyond is flow response."""
    posterior = known(
        3000, uptake=spread(0.5, 0.001, 3000, 1), reach=2 / 3, at_l_d=30.0, flow_l_d=30.0
    )
    elasticity = float(np.median(posterior.law.elasticity(30.0)))
    needed = float(np.median(posterior.law.elasticity(np.median(posterior.needed_flow_l_d))))
    shares = variance_shares(posterior.state, 30.0)
    assert shares[Unknown.UPTAKE] == pytest.approx(needed / elasticity, rel=0.01)
    assert shares[Unknown.FLOW_RESPONSE] == pytest.approx(1 - needed / elasticity, abs=0.01)
