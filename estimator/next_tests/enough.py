"""How much testing is enough: the width left after more and more tests, and its floor."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from estimator.next_tests.linear import best_order, pool
from estimator.next_tests.ranking import Prospect
from estimator.next_tests.worth import perfect_knowledge
from estimator.processes import side_by_side
from estimator.unknowns import Unknown

ENOUGH = 0.01
"""More testing is not worth it where it adds less than this to the chance of holding the band."""
MOST_TESTS = 28
"""Length of the curve of width against tests."""
WEIGHED = (1, 2, 4, 8, 14)
"""Numbers of tests along the curve whose value is computed."""


class Verdict(StrEnum):
    """What more testing does for holding the band."""

    MORE = "more tests help"
    SOME = "some tests help"
    SETTLED = "the readings are enough"
    NONE = "no test helps"


@dataclass(frozen=True)
class HowMuch:
    """What more tests in the best order could do.

    Attributes:
        width: (MOST_TESTS + 1) width left after so many tests, relative to now.
        floor: the width that any number of perfect tank tests in two weeks leaves.
        floor_causes: the part of the variance left there that knowing each unknown would remove.
        values: rise of the chance of holding the band after `WEIGHED` tests.
        perfect_value: the rise if all of the present were known.
        enough: the number of tests past which the chance rises by less than `ENOUGH`; None where
            even the most tests tried leave more than that to be had.
    """

    width: tuple[float, ...]
    floor: float
    floor_causes: Mapping[Unknown, float]
    values: Mapping[int, float]
    perfect_value: float
    enough: int | None


def how_much(
    prospect: Prospect, seed: np.random.SeedSequence, cores: int | None = None
) -> HowMuch | None:
    """The curve of width against tests, its floor, and how many tests are enough.

    None where too few draws have a need of flow (`linear.pool`).

    Args:
        prospect: of the tests that could be run.
        seed: for what is worth knowing beyond all tests.
        cores: that may be used; None: all.
    """
    foresight = prospect.foresight
    pooled = pool(foresight)
    if pooled is None:
        return None
    order = best_order(pooled, MOST_TESTS)
    start = pooled.variance([])
    width = tuple(float(np.sqrt(pooled.variance(order[:n]) / start)) for n in range(MOST_TESTS + 1))
    tank = [k for k, reading in enumerate(foresight.readings) if reading.sample == "tank"]
    # A cause known beside them stands after the readings and log flow.
    known = np.full(len(tank) + 1, 1e-6 * float(np.min(pooled.noise)))
    floor = pooled.left(np.array(tank), known[:-1])
    causes = {
        unknown: 1.0 - pooled.left(np.array([*tank, pooled.readings + 1 + c]), known) / floor
        for c, unknown in enumerate(pooled.causes)
    }
    worths = side_by_side(lambda n: prospect.worth(order[:n]), WEIGHED, cores)
    values = {n: worth.value for n, worth in zip(WEIGHED, worths, strict=True)}
    most = values[WEIGHED[-1]]
    reached = [n for n in (0, *WEIGHED[:-1]) if most - values.get(n, 0.0) < ENOUGH]
    return HowMuch(
        width=width,
        floor=float(np.sqrt(floor / start)),
        floor_causes=causes,
        values=values,
        perfect_value=perfect_knowledge(foresight, prospect.decision, seed),
        enough=reached[0] if reached else None,
    )
