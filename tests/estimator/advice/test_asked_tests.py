"""Which test an alarm asks for: sample, kit, repeats and minutes, with two kits to mix up."""

from __future__ import annotations

from dataclasses import replace

import pytest

from estimator.advice.asked_tests import PROBE_MINUTES, AskedTest, Bench
from estimator.inputs.tank import USUAL_MINUTES, Composition
from helpers.tanks import DKH, example_log, example_tank


def bench(readings=(), **changes) -> Bench:
    """Two alkalinity kits, 6 and 11 minutes; calcium's states no time; one solution of known
    calcium stands before that of known alkalinity."""
    tank = example_tank()
    kits = {
        "alk": replace(tank.kits["alk"], minutes=6.0),
        "other": replace(tank.kits["alk"], name="other", minutes=11.0),
        "ca": tank.kits["ca"],
    }
    references = {
        "lime": Composition("lime", {"calcium": 10.0}),
        "standard": Composition("standard", {"alkalinity": 7.0 * DKH}),
    }
    log = example_log([(0.0, "ph", "tank", "", 8.1), *readings])
    return Bench(log, replace(tank, **({"kits": kits, "references": references} | changes)))


FIRST_OTHER = [(1.0, "alkalinity", "tank", "other", 2.9), (2.0, "calcium", "tank", "ca", 10.0)]
THEN_ALK = [*FIRST_OTHER, (3.0, "alkalinity", "effluent", "alk", 9.0)]


@pytest.mark.parametrize(
    ("readings", "kit", "minutes"),
    [((), "alk", 12.0), (FIRST_OTHER, "other", 22.0), (THEN_ALK, "alk", 12.0)],
)
def test_the_kit_that_read_it_last_is_asked_for(readings, kit, minutes) -> None:
    """Else the first that is declared; minutes are for all repeats."""
    (found,) = bench(readings).tank_test("alkalinity")
    assert found == AskedTest("alkalinity", "tank", kit, 2, minutes)


def test_what_is_not_known_of_a_test() -> None:
    """A kit without a time takes the usual one; nobody's parameter has no kit; a probe is quick."""
    made = bench()
    assert made.test("calcium", "tank", 3) == AskedTest(
        "calcium", "tank", "ca", 3, 3 * USUAL_MINUTES
    )
    nitrate = AskedTest("nitrate", "tank", None, 1, USUAL_MINUTES)
    assert made.test("nitrate", "tank", 1) == nitrate
    for entry in ("ph", "salinity"):
        assert made.test(entry, "chamber", 2) == AskedTest(
            entry, "chamber", None, 2, 2 * PROBE_MINUTES
        )


def test_a_doubt_of_the_effluent_asks_for_it_and_for_the_chambers_ph() -> None:
    """Twice for the titration, once for the probe."""
    found = bench(FIRST_OTHER).for_change("effluent", "")
    assert found == (
        AskedTest("alkalinity", "effluent", "other", 2, 22.0),
        AskedTest("ph", "chamber", None, 1, PROBE_MINUTES),
    )


def test_a_doubt_of_a_kit_asks_for_that_kit() -> None:
    """An alkalinity kit reads the solution of known alkalinity, else the tank; another kit the
    tank. The kit in doubt is used, not the one used last."""
    made = bench(FIRST_OTHER)
    assert made.for_change("kit", "alk") == (AskedTest("alkalinity", "standard", "alk", 2, 12.0),)
    assert made.for_change("kit", "other") == (
        AskedTest("alkalinity", "standard", "other", 2, 22.0),
    )
    assert made.for_change("kit", "ca") == (
        AskedTest("calcium", "tank", "ca", 2, 2 * USUAL_MINUTES),
    )
    bare = bench(FIRST_OTHER, references={})
    assert bare.for_change("kit", "alk") == (AskedTest("alkalinity", "tank", "alk", 2, 12.0),)


def test_other_doubts_ask_for_the_tank() -> None:
    """Calcium's are told by calcium, all others by alkalinity; a volume by no test."""
    made = bench(THEN_ALK)
    assert made.for_change("additions", "calcium")[0].entry == "calcium"
    for about, of in (("additions", "alkalinity"), ("uptake", ""), ("strength", "soda")):
        assert made.for_change(about, of) == (AskedTest("alkalinity", "tank", "alk", 2, 12.0),)
    assert made.for_change("volume", "") == ()
