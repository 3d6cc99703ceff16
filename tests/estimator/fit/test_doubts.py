"""What in a log cannot be right: each finder on posteriors made for it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from estimator.fit.doubts import (
    LARGEST_UPTAKE,
    SCATTER_RATIO,
    UNLOGGED_DAYS,
    UNLOGGED_PART,
    VOLUME_SDS,
    Doubt,
    Doubts,
    doubts_of,
)
from helpers.fits import known_fit, known_posterior
from helpers.tanks import CA, DKH, example_log, example_tank

DAYS, DRAWS = 60, 200
UPTAKE = 0.5
CALCIUM_UPTAKE = 0.25
START = date(2026, 3, 1)
TESTS = [(j + 0.4, "alkalinity", "tank", "alk", 3.0) for j in range(DAYS)]
TESTS += [(j + 0.5, "calcium", "tank", "ca", 10.5) for j in range(0, DAYS, 5)]
LIME = [(0.1, "dose_rate", "soda", 158.0), (0.1, "dose_rate", "chloride", 80.0)]


def doubts(actions=(), tank=None, **changes) -> Doubts:
    """Doubts of a log of these actions whose posterior is known but for some changes."""
    stated = {"unlogged_calcium_mmol_l_d": np.zeros((DRAWS, DAYS))}
    posterior = known_posterior(DRAWS, DAYS, **(stated | changes))
    return doubts_of(known_fit(example_log(TESTS, actions), tank or example_tank(), posterior))


def one(found: Doubts, code: str, of: str | None = None) -> Doubt:
    """The doubt of a code."""
    (doubt,) = [d for d in found.found if d.code == code and of in (None, d.values["of"])]
    return doubt


def unlogged(part: float, first: int, last: int, sure: float = 1.0) -> np.ndarray:
    """A supply of calcium of so large a part of its uptake on some days, in some of the draws."""
    found = np.zeros((DRAWS, DAYS))
    found[: int(sure * DRAWS), first:last] = part * CALCIUM_UPTAKE
    return found


def test_a_sound_log_leaves_no_doubt() -> None:
    """Every finder speaks, none believes; nothing is spoiled."""
    found = doubts(LIME)
    assert {d.code for d in found.found} >= {"additions_up", "additions_down", "strength_wrong"}
    assert max(d.chance for d in found.found) == 0.0
    assert found.spoiled == frozenset()


@pytest.mark.parametrize(("sign", "code"), [(1, "additions_up"), (-1, "additions_down")])
def test_calcium_that_nobody_logged_is_found_with_its_days(sign, code) -> None:
    """Half of the uptake from day 20 to 39: the chance, the days, the size, and that it is over."""
    found = doubts(unlogged_calcium_mmol_l_d=sign * unlogged(0.5, 20, 40, sure=0.9))
    doubt = one(found, code)
    assert doubt.about == "additions"
    assert doubt.chance == pytest.approx(0.9)
    # A stretch of a fortnight is more than 30 % unlogged from the ninth such day in it on.
    least = int(np.floor(UNLOGGED_PART * UNLOGGED_DAYS / 0.5)) + 1
    assert doubt.since == START + timedelta(days=20 - UNLOGGED_DAYS + least)
    assert doubt.values["until"] == START + timedelta(days=39 + UNLOGGED_DAYS - least)
    assert doubt.values["of"] == "calcium"
    assert not doubt.values["goes_on"]
    assert one(found, {1: "additions_down", -1: "additions_up"}[sign]).chance == 0.0


def test_what_goes_on_is_told_so_with_its_size() -> None:
    """A loss that began ten days ago and lasts: its mean over the last fortnight, in mmol/L/day."""
    doubt = one(doubts(unlogged_calcium_mmol_l_d=-unlogged(0.8, DAYS - 10, DAYS)), "additions_down")
    assert doubt.values["goes_on"]
    assert doubt.chance == 1.0
    assert doubt.size is not None
    np.testing.assert_allclose(doubt.size, -0.8 * CALCIUM_UPTAKE * 10 / UNLOGGED_DAYS)


def test_a_little_calcium_is_no_doubt() -> None:
    """A quarter of the uptake is within what media and share leave open."""
    found = doubts(unlogged_calcium_mmol_l_d=unlogged(0.25, 10, 60))
    assert one(found, "additions_up").chance == 0.0


def test_a_tank_that_takes_hardly_any_is_judged_by_a_usual_load() -> None:
    """Where the draws say next to no uptake a trifle is no large part of it."""
    tiny = np.full((DRAWS, DAYS), 0.001)
    found = doubts(LIME, unlogged_calcium_mmol_l_d=tiny, calcium_uptake_mmol_l_d=tiny)
    assert one(found, "additions_up").chance == 0.0


def test_where_calcium_is_dosed_a_large_gap_is_a_strength() -> None:
    """Nine tenths missing of what is dosed all along: the solution is not what its label says.

    Half missing is a forgotten dose still, and without a calcium solution there is none to blame.
    """
    large = {"unlogged_calcium_mmol_l_d": -unlogged(0.9, 0, DAYS)}
    half = {"unlogged_calcium_mmol_l_d": -unlogged(0.5, 0, DAYS)}
    doubt = one(doubts(LIME, **large), "strength_wrong", "chloride")
    assert (doubt.about, doubt.chance) == ("strength", 1.0)
    assert one(doubts(LIME, **half), "additions_down").chance == 1.0
    assert one(doubts(LIME[:1], **large), "additions_down").chance == 1.0


def test_without_calcium_tests_nothing_is_asked_of_it() -> None:
    """No state, no doubt."""
    codes = {d.code for d in doubts(LIME, unlogged_calcium_mmol_l_d=None).found}
    assert not codes & {"additions_up", "additions_down"}


def test_an_uptake_beyond_any_tank_is_a_strength() -> None:
    """6 dKH a day in 7 of 10 draws: the soda's strength is doubted, alkalinity's figures spoiled.

    Its size is what would make the uptake a usual one.
    """
    uptake = np.full((DRAWS, DAYS), UPTAKE)
    uptake[:140] = 6 * DKH
    assert 6 * DKH > LARGEST_UPTAKE
    found = doubts(LIME, uptake_meq_l_d=uptake)
    doubt = one(found, "strength_wrong", "soda")
    assert doubt.chance == pytest.approx(0.7)
    assert doubt.size is not None
    assert doubt.size[0] == pytest.approx(0.2)
    assert found.spoiled == {"alkalinity"}
    no_soda = replace(example_tank(), solutions={})
    log = example_log(TESTS)
    posterior = known_posterior(DRAWS, DAYS, uptake_meq_l_d=uptake)
    assert "strength_wrong" not in {
        d.code for d in doubts_of(known_fit(log, no_soda, posterior)).found
    }


def test_a_volume_far_off_the_stated_one_is_doubted() -> None:
    """Three stated errors (6 % each) away, above or below; two are within what was stated."""
    for sds, chance in ((-2.0, 0.0), (-3.5, 1.0), (2.0, 0.0), (3.5, 1.0)):
        assert (abs(sds) > VOLUME_SDS) == (chance == 1.0)
        volume = np.full(DRAWS, 600 * np.exp(0.06 * sds))
        found = doubts(volume_l=volume)
        doubt = one(found, "volume_wrong")
        assert doubt.chance == chance
        assert doubt.size is not None
        assert doubt.size[0] == pytest.approx(np.exp(0.06 * sds) - 1)
        assert found.spoiled == ({"alkalinity"} if chance else frozenset())


def test_a_kit_that_scatters_impossibly_is_doubted() -> None:
    """More than five times its step or its stated repeatability, whichever is larger."""
    kit = example_tank().kits["alk"]
    assert kit.repeatability is not None
    least = max(kit.step, kit.repeatability)
    scatter = np.full(DRAWS, 0.9 * SCATTER_RATIO * least)
    scatter[:160] = 1.1 * SCATTER_RATIO * least
    repeatability = {"alk": scatter, "ca": np.full(DRAWS, 8 / CA)}
    found = doubts(kit_repeatability=repeatability)
    doubt = one(found, "kit_scatter", "alk")
    assert doubt.chance == pytest.approx(0.8)
    assert doubt.size is not None
    assert doubt.size.max() == pytest.approx(1.1 * SCATTER_RATIO)
    assert one(found, "kit_scatter", "ca").chance == 0.0
    assert found.spoiled == {"alkalinity"}


@pytest.mark.parametrize(("share", "chance"), [(0.02, 0.02), (0.08, 1.0)])
def test_a_level_below_nothing_cannot_be(share, chance) -> None:
    """On any day: one draw in twenty is enough, since no draw should be there at all."""
    level = np.full((DRAWS, DAYS), 10.0)
    level[: int(share * DRAWS), 30] = -0.1
    found = doubts(calcium_mmol_l=level)
    assert one(found, "level_impossible", "calcium").chance == pytest.approx(chance)
    assert one(found, "level_impossible", "alkalinity").chance == 0.0
    assert found.spoiled == ({"calcium"} if chance == 1.0 else frozenset())
