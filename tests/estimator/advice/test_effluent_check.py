"""Effluent readings that chemistry cannot give."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from estimator import units
from estimator.advice.chamber import chamber_of
from estimator.advice.effluent_check import check_effluent, odd_effluents
from estimator.water.carbonate import TankWater
from helpers.fits import known_fit, known_posterior
from helpers.tanks import example_log, example_tank

DKH = units.MEQ_L_PER_DKH


@pytest.mark.parametrize(
    ("reading_dkh", "chamber_ph", "code"),
    [
        (28.0, 6.5, None),
        (47.0, 6.5, None),  # above the ceiling of 45 dKH, but within the errors of kit and probe
        (70.0, 6.5, "effluent_too_strong"),
        (40.0, 7.0, "effluent_too_strong"),
        (5.0, 6.5, "effluent_too_weak"),
    ],
)
def test_impossible_effluents_are_remarked_on(
    reading_dkh: float, chamber_ph: float, code: str | None
) -> None:
    """Only what chemistry cannot give, errors allowed for, is called impossible."""
    tank = TankWater(8 * DKH, 420 / units.CA_G_MOL, 8.2)
    found = check_effluent(tank, chamber_ph, reading_dkh * DKH, 0.06 * reading_dkh * DKH)
    assert (found.remark.code if found.remark else None) == code
    assert 0 <= found.above_chance <= 1
    assert (found.saturation > 1) == (reading_dkh * DKH > found.ceiling_meq_l)


def test_a_surer_probe_makes_a_surer_remark() -> None:
    """The chance of lying above the ceiling grows as the probe's error shrinks."""
    tank = TankWater(8 * DKH, 420 / units.CA_G_MOL, 8.2)
    loose, tight = (
        check_effluent(tank, 6.5, 55 * DKH, 2 * DKH, ph_sd=sd).above_chance for sd in (0.15, 0.03)
    )
    assert tight > loose > 0.5


def test_impossible_effluent_readings_are_named() -> None:
    """A reading far above saturation at the chamber pH of its time is named, an ordinary one not.

    28 dKH is ordinary at pH 6.5 and far above what pH 7.0, set later, can give (20 dKH).
    """
    tank = example_tank(reactor=replace(example_tank().reactor, chamber_ph=6.5))
    log = example_log(
        [(day, "alkalinity", "effluent", "alk", 28 * DKH) for day in (1, 3)]
        + [(3, "alkalinity", "tank", "alk", 8.2 * DKH)],
        [(0, "flow", "", 2000.0), (2, "ph_setting", "", 7.0)],
    )
    fitted = known_fit(log, tank, known_posterior())
    made = chamber_of(fitted, np.random.default_rng(0))
    (odd,) = odd_effluents(fitted, made)
    assert odd.reading.time.day == 4
    assert odd.check.remark.code == "effluent_too_strong"
    assert odd_effluents(fitted, replace(made, ph_known=False)) == ()


def test_effluent_beyond_any_chamber_is_named_without_a_known_ph() -> None:
    """61 dKH is the most at pH 6.3, as low as chambers are held; 100 dKH needs no pH to be odd."""
    rows = [(day, "alkalinity", "effluent", "alk", 100 * DKH) for day in (1, 2, 3)]
    rows += [(4, "alkalinity", "effluent", "alk", 62 * DKH)]
    log = example_log(
        [*rows, (3, "alkalinity", "tank", "alk", 8.2 * DKH)], [(0, "flow", "", 2000.0)]
    )
    fitted = known_fit(log, example_tank(), known_posterior())
    made = replace(chamber_of(fitted, np.random.default_rng(0)), ph_known=False)
    odd = odd_effluents(fitted, made)
    assert [one.reading.value for one in odd] == pytest.approx([100 * DKH] * 3)
    assert {one.check.remark.code for one in odd} == {"effluent_too_strong_at_any_ph"}
