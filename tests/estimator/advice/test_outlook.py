"""Calcium and magnesium while alkalinity is held: closed forms and a plain simulation."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from estimator import units
from estimator.advice.magnesium import Magnesium
from estimator.advice.outlook import (
    HORIZON_WEEKS,
    MONTH_ENDS,
    UNSEEN_CHANCE,
    Outlook,
    held_path,
    outlook,
    water_routine,
)
from estimator.fit.posterior import Posterior
from estimator.fit.schedule import build_schedule
from estimator.fit.start import WATER_ALKALINITY_SD, WATER_CALCIUM_SD
from estimator.inputs.tank import Reactor, Target
from estimator.remark import Remark
from helpers.fits import known_fit, known_posterior
from helpers.tanks import example_log, example_tank

DKH = units.MEQ_L_PER_DKH
CA = units.CA_G_MOL
MG = units.MG_G_MOL
NO3 = units.NO3_G_MOL
SEED = np.random.SeedSequence(3)
READINGS = [(0.5, "alkalinity", "tank", "alk", 8 * DKH), (1.5, "calcium", "tank", "ca", 425 / CA)]
PLAIN = Reactor(10.0, 3000.0, 1.0, 6.6)


def known(days: int, draws: int = 60, **changes: Any) -> Posterior:
    """Every draw the same: 1 dKH a day, calcium 425 mg/L, half a mole of it per equivalent."""
    stated = {
        "uptake": DKH,
        "middle_meq_l": 8 * DKH,
        "volume_l": 300.0,
        "gain": 6.0,
        "reach": 1.0,
        "flow_l_d": 30.0,
        "calcium_mmol_l": np.full((draws, days), 425 / CA),
        "calcium_now_mmol_l": np.full(draws, 425 / CA),
    }
    return known_posterior(draws, days, **{**stated, **changes})


def look(
    actions=(), readings=READINGS, tank_changes=None, magnesium=None, share=0.0, **changes: Any
) -> Outlook:
    """`outlook` of a log of these actions, and what else differs."""
    tank = example_tank(**{"reactor": PLAIN, **(tank_changes or {})})
    log = example_log(readings, actions)
    days = build_schedule(log, tank).days
    posterior = known(days, **changes)
    draws = share * np.ones(len(posterior.volume_l))
    return outlook(known_fit(log, tank, posterior), magnesium, draws, SEED)


def balance(draws: int, now: float, share: float, ratio: float, **waters: np.ndarray) -> Magnesium:
    """A magnesium balance whose draws are all the same."""
    ones = np.ones(draws)
    return Magnesium(
        readings=5,
        now_mmol_l=now / MG * ones,
        uptake_ratio=ratio * ones,
        share=share * ones,
        needed_share=ratio * ones,
        trend_mmol_l_d=0 * ones,
        believed_trend_mmol_l_d=0 * ones,
        waters=waters,
        keeps_up=0.5,
    )


def test_what_returns_in_proportion_does_not_drift() -> None:
    """ρ = α and no nitrate: calcium stands still however uptake drifts; alkalinity is enough."""
    found = look(drift=np.full(60, 0.05))
    for month in MONTH_ENDS:
        np.testing.assert_allclose(found.calcium.change[month], 0.0, atol=1e-9)
    assert found.calcium.enough
    assert found.alone
    assert found.calcium.test_weeks == HORIZON_WEEKS
    assert found.calcium.out_by[6] == 0.0
    assert np.all(np.isinf(found.calcium.leave_day))
    assert found.answer == Remark("outlook_alone_enough", {"magnesium_read": False})


@pytest.mark.parametrize(("share", "mg_l"), [(0.5, 0.0), (0.4935, 2.79), (0.625, -53.60)])
def test_drift_is_the_difference_of_shares(share, mg_l) -> None:
    """1 dKH a day of plain CaCO3 in 30 days: 30 · (7.147 mg/L less what the animals take).

    ρ of coral aragonite, 0.4935 (Sr/Ca of Hathorne et al. 2013, G-cubed 14:3730), and of a mixed
    community, 0.625 (flux ratio 1.60; Murillo, Jokiel & Atkinson 2014, PeerJ 2:e249).
    """
    found = look(calcium_share=np.full(60, share))
    np.testing.assert_allclose(found.calcium.change[1] * CA, mg_l, atol=0.03)
    np.testing.assert_allclose(
        found.calcium.change[6], found.calcium.change[1] * 182 / 30, atol=1e-9
    )
    np.testing.assert_allclose(
        found.calcium.change[3], found.calcium.change[1] * 91 / 30, atol=1e-9
    )


def holding(fraction: float, kind: str | None = None) -> dict[str, Reactor]:
    """A reactor with this fraction of magnesium medium."""
    reactor = replace(PLAIN, magnesium_media_fraction=fraction, magnesium_media=kind)
    return {"reactor": reactor}


def test_magnesium_that_dissolves_gives_less_calcium() -> None:
    """Each draw by its own share: a tenth takes a tenth of the calcium away."""
    share = np.linspace(0.0, 0.1, 60)
    found = look(tank_changes=holding(0.1), share=share)
    expected = -0.5 * share * DKH * 30 * CA
    np.testing.assert_allclose(found.calcium.change[1] * CA, expected, atol=1e-9)
    assert not found.calcium.enough
    assert not found.alone
    assert found.answer.code == "outlook_alone_not_enough"


def test_a_share_that_decides_the_sign_is_named_with_its_test() -> None:
    """Calcium rises without magnesium and falls with a tenth of it: the keeper is told which hangs.

    1 dKH a day, ρ = 0.48: 30 · 40.078 · 0.35665 · (½ − 0.48 − a/2), that is +8.58, −2.14 and
    −12.86 mg/L at 0, 5 and 10 %. At 6 meq/L above tank water 10 % is 0.3 mmol/L: 12 mg/L less
    calcium and 7.3 mg/L more magnesium in the effluent.
    """
    share = np.linspace(0.0, 0.09, 60)
    ours = {"calcium_share": np.full(60, 0.48), "share": share}
    cause = look(tank_changes=holding(0.1), **ours).cause
    assert cause.code == "outlook_magnesium_decides"
    told = [cause.values[f"{name}_mmol_l"] * CA for name in ("none", "half", "most")]
    assert told == pytest.approx([8.58, -2.14, -12.86], abs=0.02)
    assert (cause.values["half_share"], cause.values["most_share"]) == (0.05, 0.1)
    assert cause.values["low_share"] == pytest.approx(0.0045)
    assert cause.values["effluent_mmol_l"] == pytest.approx(0.3)
    assert look(tank_changes=holding(0.1), **{**ours, "share": 0.03 + share / 100}).cause is None


@pytest.mark.parametrize(
    ("calcium_share", "share", "named"),
    [(0.5, 0.06, True), (0.47, 0.06, False), (0.56, 0.06, False), (0.56, 0.14, True)],
)
def test_a_fall_that_is_mostly_magnesiums_is_laid_at_its_door(calcium_share, share, named) -> None:
    """Half of the fall or more; not where calcium rises or falls anyway."""
    cause = look(
        tank_changes=holding(0.2, "hydroxide"),
        calcium_share=np.full(60, calcium_share),
        share=share,
    ).cause
    assert (cause is not None and cause.code == "outlook_magnesium_causes") == named


def test_a_medium_that_hardly_dissolves_is_told_of_up_to_three_per_cent() -> None:
    """A tenth of the volume of dolomite is not told of as a tenth of what dissolves."""
    share = np.linspace(0.0, 0.03, 60)
    changes = {"calcium_share": np.full(60, 0.495), "uptake": 2.5 * DKH, "share": share}
    cause = look(tank_changes=holding(0.1, "dolomite"), **changes).cause
    assert cause.values["most_share"] == pytest.approx(0.03)
    assert look(**changes).cause is None


def test_nitrate_leaves_calcium_behind() -> None:
    """10 mg/L of nitrate made in 30 days cost 0.452 dKH, which the reactor makes good with calcium.

    One equivalent a mole (Middelburg, Soetaert & Hagens 2020, Rev. Geophys. 58, Table 2); half a
    mole of calcium comes with each: ½ · 0.452 · 0.35665 · 40.078 = 3.23 mg/L.
    """
    rate = 10 / NO3 / 30
    found = look(nitrate_loss_meq_l_d=np.full(60, rate), uptake=DKH + rate)
    np.testing.assert_allclose(found.calcium.change[1] * CA, 3.23, atol=0.01)


def test_uptake_drifts_as_in_the_model() -> None:
    """Random walk of uptake: the change after n days has variance ((α − ρ) u τ)² Σ k²."""
    found = look(draws=20_000, calcium_share=np.full(20_000, 0.6), drift=np.full(20_000, 0.03))
    for month, days in MONTH_ENDS.items():
        sd = 0.1 * DKH * 0.03 * np.sqrt(np.sum(np.arange(1, days + 1) ** 2))
        assert found.calcium.change[month].std() == pytest.approx(sd, rel=0.03)
        assert found.calcium.change[month].mean() == pytest.approx(-0.1 * DKH * days, rel=0.02)


ROUTINE = [(t + 0.5, "water_change", "new", 45.0) for t in (10, 20, 30)]


def test_water_changes_pull_towards_the_new_water() -> None:
    """Every ten days 15 % of the water: against a plain simulation that knows no Z.

    Alkalinity is put back to where it was after each change, ½ mole of calcium an equivalent.
    """
    share, draws = 0.6, 4000
    found = look(actions=ROUTINE, draws=draws, calcium_share=np.full(draws, share))
    assert found.routine.of == "new"
    assert found.routine.litres == pytest.approx(45.0)
    assert found.routine.interval_d == pytest.approx(10.0)
    assert found.routine.next_d == pytest.approx(10.0)
    calcium, expected = 425 / CA, {}
    new_alkalinity, new_calcium = 8.2 * DKH, 420 / CA
    for day in range(182):
        calcium += (0.5 - share) * DKH
        if day >= 10 and (day - 10) % 10 == 0:
            made_good = -0.15 * (new_alkalinity - 8 * DKH)
            calcium += 0.15 * (new_calcium - calcium) + 0.5 * made_good
        expected[day + 1] = calcium - 425 / CA
    for month, days in MONTH_ENDS.items():
        # The new water's levels are uncertain; their mean over draws is as stated.
        assert found.calcium.change[month].mean() == pytest.approx(expected[days], abs=0.02)
    # After many changes 15 % at a time, what the new water is matters as it is.
    sd = np.hypot(WATER_CALCIUM_SD, 0.5 * WATER_ALKALINITY_SD) * (1 - 0.85**18)
    assert found.calcium.change[6].std() == pytest.approx(sd, rel=0.04)


def test_held_path_is_the_geometric_sum() -> None:
    """A change every day: Z_n = Z_∞ + (Z_0 − Z_∞)(1 − r)^n, Z_∞ = new + rate (1 − r)/r."""
    days, r, rate, new, start = 40, 0.1, -0.02, 10.0, 11.0
    full = np.full((days, 1), 1.0)
    path = held_path(np.array([start]), rate * full, r * full, np.array([new]))
    end = new + rate * (1 - r) / r
    expected = end + (start - end) * (1 - r) ** np.arange(1, days + 1)
    np.testing.assert_allclose(path[:, 0], expected, rtol=1e-12)


def test_leaving_the_band_and_when_to_test() -> None:
    """Falling 1 mg/L a day from 425 in a band from 400: out after 25 days, tested every 3 weeks."""
    share = 0.5 + 1 / CA / DKH
    found = look(calcium_share=np.full(60, share))
    assert found.calcium.leave_day == pytest.approx(np.full(60, 26.0))
    assert found.calcium.test_weeks == 3
    assert (found.calcium.out_by[1], found.calcium.out_by[3]) == (1.0, 1.0)
    assert found.calcium.out_by_week[3] == 0.0
    assert found.calcium.out_by_week[4] == 1.0
    assert found.calcium.answer.code == "outlook_leaves"
    assert found.calcium.answer.values["test_weeks"] == 3
    assert found.calcium.answer.values["q50_mmol_l"] * CA == pytest.approx(-30)


def test_interval_keeps_the_chance_of_leaving_unseen_small() -> None:
    """With speeds that differ between draws the interval is the longest that keeps under 10 %."""
    rng = np.random.default_rng(0)
    share = 0.5 + 0.3 / CA / DKH * np.exp(0.4 * rng.standard_normal(4000))
    found = look(draws=4000, calcium_share=share).calcium
    weeks = found.test_weeks
    assert 1 < weeks < HORIZON_WEEKS
    assert found.out_by_week[weeks] < UNSEEN_CHANCE <= found.out_by_week[weeks + 1]
    assert np.all(np.diff(found.out_by_week) >= 0)
    # 25 mg/L at 0.3 mg/L a day with log sd 0.4: 10 % of draws take less than 25/(0.3 e^0.513) d.
    assert weeks == int(25 / (0.3 * np.exp(0.4 * 1.2816)) / 7)


def test_a_level_out_of_the_band_is_said_so() -> None:
    """Most likely out now: not enough, and the chance is told; a small chance does not shorten."""
    low = look(calcium_now_mmol_l=np.full(60, 390 / CA))
    assert not low.calcium.enough
    assert low.calcium.out_by_week[0] == 1.0
    assert low.calcium.answer.code == "outlook_out_now"
    assert low.calcium.answer.values["out_now"] == 1.0
    some = np.where(np.arange(60) < 12, 395.0, 425.0) / CA
    part = look(calcium_now_mmol_l=some)
    assert part.calcium.out_by_week[0] == pytest.approx(0.2)
    assert part.calcium.test_weeks == HORIZON_WEEKS
    assert part.calcium.answer.code == "outlook_stays"
    assert part.calcium.answer.values["perhaps_out_now"]
    assert part.calcium.answer.values["out_now"] == pytest.approx(0.2)


def test_calcium_never_tested_is_said_so() -> None:
    """No calcium reading: its drift is stated, its place is not, and no answer is made up."""
    found = look(readings=READINGS[:1], calcium_now_mmol_l=None, calcium_mmol_l=None)
    assert not found.calcium.tested
    assert found.alone is None
    assert found.calcium.enough is None
    assert found.calcium.test_weeks is None
    assert found.calcium.out_by is None
    assert set(found.calcium.change) == set(MONTH_ENDS)
    assert found.calcium.answer.code == "outlook_never_tested"
    assert found.answer.code == "outlook_alone_unknown"


def test_effluent_calcium_alone_is_no_test_of_the_tank() -> None:
    """A level that only the prior and the effluent speak of counts as never tested."""
    readings = [READINGS[0], (1.5, "calcium", "effluent", "ca", 500 / CA)]
    found = look(actions=[(0.2, "flow", "", 500.0)], readings=readings)
    assert not found.calcium.tested


def test_magnesium_follows_the_media_and_the_animals() -> None:
    """(a/2 − m ρ) · U · 30 days, and the answer names what moves."""
    still = look(magnesium=balance(60, 1320, 0.03, 0.03))
    np.testing.assert_allclose(still.magnesium.change[1], 0.0, atol=1e-9)
    assert still.alone
    assert not still.magnesium.band_stated
    assert still.calcium.band_stated
    falling = look(magnesium=balance(60, 1320, 0.0, 0.12))
    expected = -0.12 * 0.5 * DKH * 30
    np.testing.assert_allclose(falling.magnesium.change[1], expected, rtol=1e-9)
    assert not falling.alone
    assert falling.answer.code == "outlook_alone_not_enough"
    assert falling.answer.values["moving"] == ["magnesium"]


def test_magnesium_uses_the_band_and_water_it_is_given() -> None:
    """The keeper's band goes before the usual one; the new water's level is that of the balance."""
    targets = {
        **example_tank().targets,
        "magnesium": Target(1300 / MG, 1350 / MG, "mg/L"),
    }
    water = np.full(60, 1200 / MG)
    found = look(
        actions=ROUTINE,
        tank_changes={"targets": targets},
        magnesium=balance(60, 1320, 0.0, 0.0, new=water),
    )
    assert found.magnesium.band_stated
    expected = -120 / MG * (1 - 0.85 ** len(range(10, 91, 10)))
    np.testing.assert_allclose(found.magnesium.change[3], expected, rtol=1e-9)
    assert not found.magnesium.enough


@pytest.mark.parametrize(
    ("days", "end", "expected"),
    [
        ((10, 20, 30), 30, (10.0, 10.0)),
        ((10, 20, 31), 35, (10.5, 6.5)),
        ((10,), 12, None),
        ((10, 17, 24), 60, None),
        ((1, 8, 100, 114), 120, (14.0, 8.0)),
        ((1, 8, 100), 101, None),
        ((10, 17, 24), 35, (7.0, 0.0)),
    ],
)
def test_routine_is_the_cadence_of_late(days, end, expected) -> None:
    """Median gap of the last sixty days; one change is no routine, nor is one long overdue."""
    actions = [(float(d), "water_change", "new", 40.0) for d in days]
    routine = water_routine(example_log([*READINGS], [*actions, (float(end), "stock_change")]))
    if expected is None:
        assert routine is None
    else:
        assert (routine.interval_d, routine.next_d) == pytest.approx(expected)
        assert (routine.of, routine.litres) == ("new", 40.0)


def test_a_seed_fixes_the_outlook() -> None:
    """The same inputs and seed give the same draws."""
    make = {"drift": np.full(60, 0.03), "calcium_share": np.full(60, 0.55), "actions": ROUTINE}
    one, other = look(**make), look(**make)
    np.testing.assert_array_equal(one.calcium.change[6], other.calcium.change[6])
    assert one.answer == other.answer
