"""What dissolves from the media: magnesium's share, and calcite beside aragonite."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from estimator import units
from estimator.inputs.tank import MAGNESIUM_MEDIA, Kit, Reactor
from estimator.water.media import (
    largest_share,
    learned_magnesium_share,
    magnesium_share,
    media_ceiling_factor,
)
from helpers.tanks import example_log, example_tank

DKH = units.MEQ_L_PER_DKH
MG = units.MG_G_MOL
PLAIN = Reactor(10.0, 3000.0, 1.0, 6.5)
KIT = Kit("mg", "magnesium", "mg/L", 20 / MG, 15 / MG, 0.03)


def tank_with(**media):
    """A tank whose reactor holds these media, and which has a magnesium kit."""
    kits = {**example_tank().kits, "mg": KIT}
    return example_tank(reactor=replace(PLAIN, **media), kits=kits)


@pytest.mark.parametrize("tank", [example_tank(reactor=None), tank_with()])
def test_no_magnesium_medium_means_no_share(tank) -> None:
    """Without a reactor or such a medium the share is 0 and certain, whatever is read."""
    assert magnesium_share(tank) == (0.0, 0.0)
    log = example_log([(1.0, "magnesium", "effluent", "mg", 60.0)])
    assert learned_magnesium_share(log, tank) == (0.0, 0.0)


@pytest.mark.parametrize("kind", ["dolomite", "magnesite"])
@pytest.mark.parametrize("fraction", [0.0, 0.1, 0.5])
def test_what_hardly_dissolves_gives_hardly_any(kind, fraction) -> None:
    """Dolomite and magnesite: 0 to 3 % of what dissolves, whatever their volume."""
    mean, sd = magnesium_share(tank_with(magnesium_media=kind, magnesium_media_fraction=fraction))
    assert mean - sd == pytest.approx(0.0)
    assert mean + 2 * sd == pytest.approx(0.03)


def test_hydroxide_dissolves_and_an_unknown_kind_lies_between() -> None:
    """Hydroxide about as stated; where the kind is not stated both are within two sds."""
    of_kind = {
        kind: magnesium_share(tank_with(magnesium_media=kind, magnesium_media_fraction=0.1))
        for kind in (*MAGNESIUM_MEDIA[1:], None)
    }
    assert of_kind["hydroxide"] == pytest.approx((0.1, 0.05))
    mean, sd = of_kind[None]
    assert of_kind["dolomite"][0] < mean < of_kind["hydroxide"][0]
    assert mean - 2 * sd < of_kind["dolomite"][0]
    assert mean + 2 * sd > 0.08
    assert sd > of_kind["dolomite"][1]


@pytest.mark.parametrize(
    ("kind", "largest"), [("dolomite", 0.03), ("magnesite", 0.03), ("hydroxide", 0.1), (None, 0.1)]
)
def test_the_largest_share_told_of_is_one_that_can_be(kind, largest) -> None:
    """The stated percentage, but 3 % of what hardly dissolves, and nothing where there is none."""
    tank = tank_with(magnesium_media=kind, magnesium_media_fraction=0.1)
    assert largest_share(tank) == pytest.approx(largest)
    assert largest_share(tank_with()) == largest_share(example_tank(reactor=None)) == 0.0


def test_calcite_gives_a_lower_ceiling() -> None:
    """Between 0.5 and 0.73 of aragonite's increment, less the higher the chamber's pH."""
    ph = np.array([6.2, 6.3, 6.5, 6.65, 7.0])
    factors = [media_ceiling_factor(tank_with(media="calcite", chamber_ph=x)) for x in ph]
    assert np.all(np.diff(factors[1:]) < 0)
    assert factors[0] == factors[1]
    assert factors[2] == 0.693
    assert media_ceiling_factor(tank_with(media="calcite", chamber_ph=None)) == 0.693
    assert media_ceiling_factor(tank_with()) == 1.0
    assert media_ceiling_factor(example_tank(reactor=None)) == 1.0


HYDROXIDE = {"magnesium_media": "hydroxide", "magnesium_media_fraction": 0.1}


def effluents(values, kit="mg", media_change=()):
    """Tank at 1300 mg/L and 8.2 dKH, effluent at 39 dKH, and these effluent readings in mg/L."""
    readings = [(0.5 + j, "magnesium", "tank", "mg", 1300 / MG) for j in range(4)]
    readings += [(1.0, "alkalinity", "effluent", "alk", 8.2 * DKH + 11.0)]
    readings += [
        (0.6 + j, "magnesium", "effluent", kit, value / MG) for j, value in enumerate(values)
    ]
    return example_log(readings, [(20.0, "stock_change"), *media_change])


def test_the_share_is_the_normal_posterior_of_the_differences() -> None:
    """Four pairs at 11 meq/L: against the two normals written out by hand.

    A share of 0.06 adds 0.06 · 11 / 2 mmol/L, 8.02 mg/L. Rounding to 20 mg/L and a repeatability of
    15 mg/L make a variance of 258.3 (mg/L)² a reading.
    """
    found = learned_magnesium_share(effluents([1308.02] * 4), tank_with(**HYDROXIDE))
    each = 15**2 + 20**2 / 12
    sd_of_share = np.sqrt(2 * each / 4) / MG / 5.5
    precision = 0.05**-2 + sd_of_share**-2
    expected = (0.1 / 0.05**2 + 0.06 / sd_of_share**2) / precision
    assert found == pytest.approx((expected, precision**-0.5), rel=1e-4)
    assert 0.06 < found[0] < 0.1


def test_only_readings_that_can_be_compared_count() -> None:
    """Another kit, a reading a month away or media renewed since: the prior stays."""
    tank = tank_with(**HYDROXIDE)
    prior = magnesium_share(tank)
    assert learned_magnesium_share(effluents([1400] * 4), tank)[0] > prior[0]
    assert learned_magnesium_share(effluents([1400] * 4, kit="other"), tank) == prior
    renewed = effluents([1400] * 4, media_change=[(10.0, "media_change")])
    assert learned_magnesium_share(renewed, tank) == prior
    far = example_log(
        [(0.5, "magnesium", "tank", "mg", 53.0), (30.0, "magnesium", "effluent", "mg", 60.0)]
    )
    assert learned_magnesium_share(far, tank) == prior


def test_one_tank_reading_counts_once() -> None:
    """Effluent readings set against a single tank reading cannot make its error smaller."""
    many = [(0.5 + j / 100, "magnesium", "effluent", "mg", 1308.02 / MG) for j in range(400)]
    one = [(0.4, "magnesium", "tank", "mg", 1300 / MG)]
    strong = [(0.4, "alkalinity", "effluent", "alk", 8.2 * DKH + 11.0)]
    _, sd = learned_magnesium_share(example_log([*one, *strong, *many]), tank_with(**HYDROXIDE))
    of_difference = (15**2 + 20**2 / 12) * (1 + 1 / 400) / MG**2
    assert sd == pytest.approx((0.05**-2 + 5.5**2 / of_difference) ** -0.5)
