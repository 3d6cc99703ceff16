"""The days to come as the keeper will test them: kit, hour and rhythm of the log."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest

from estimator.advice.ahead import ahead_of
from estimator.fit.checks import ReadingCheck
from estimator.inputs.records import Reading
from helpers.fits import MIDDLE, known_posterior
from helpers.tanks import example_tank

TANK = example_tank()
ALK = next(name for name, kit in TANK.kits.items() if kit.parameter == "alkalinity")


def checks_at(hours: list[float], kit: str = ALK, sample: str = "tank") -> tuple[ReadingCheck, ...]:
    """Alkalinity tests so many hours after a midnight."""
    start = datetime(2026, 3, 1)
    readings = (
        Reading(2 + i, start + timedelta(hours=h), "alkalinity", sample, "", MIDDLE, "dKH", kit)
        for i, h in enumerate(hours)
    )
    return tuple(ReadingCheck(one, MIDDLE, 0.05, 0.97, 0.5, 0.0) for one in readings)


def ahead(checks: tuple[ReadingCheck, ...], days: int = 14, **changes):
    posterior = replace(known_posterior(400, light_share=np.full(400, 0.5)), checks=checks)
    return ahead_of(replace(posterior, **changes), TANK, days, 1)


@pytest.mark.parametrize(
    ("hours", "every"),
    [
        ([], 1),
        ([18.0], 1),
        ([9.0, 18.0, 33.0, 42.0, 57.0], 1),
        ([18.0, 66.0, 114.0, 258.0], 2),
        ([18.0, 18.0 + 24 * 30], 14),
    ],
)
def test_rhythm_is_the_usual_gap_between_days_with_a_test(hours, every) -> None:
    """Morning and evening of one day are one; hardly tested counts as daily, rarely as once."""
    assert ahead(checks_at(hours)).tests.every_d == every


def test_tests_of_the_effluent_are_no_rhythm() -> None:
    """Only what is read of the tank counts."""
    checks = checks_at([18.0, 90.0, 162.0]) + checks_at([19.0, 43.0, 67.0, 91.0], sample="effluent")
    assert ahead(checks).tests.every_d == 3


def test_the_level_at_the_usual_hour_is_read() -> None:
    """Below its daily mean when the lights go off, above when they come on."""
    lights_off = ahead(checks_at([TANK.lights_off_h + 24 * k for k in range(3)])).tests.below_mean_d
    lights_on = ahead(checks_at([TANK.lights_on_h + 24 * k for k in range(3)])).tests.below_mean_d
    assert np.all(lights_off > 0.02)
    assert np.all(lights_on < -0.02)


def test_the_last_bottle_reads() -> None:
    """Its calibration and its kit's repeatability stand for the tests to come."""
    found = ahead(
        checks_at([18.0]),
        kit_calibration={(ALK, 0): np.full(400, 0.9), (ALK, 1): np.full(400, 1.1)},
        kit_repeatability={ALK: np.full(400, 0.05)},
    ).tests
    assert np.all(found.calibration == 1.1)
    assert np.std(found.error_meq_l) == pytest.approx(0.05, rel=0.05)
    assert found.step_meq_l == TANK.kits[ALK].step


def test_a_kit_that_reads_high_reads_out_of_a_band_that_is_held() -> None:
    """The true level holds at the needed flow; a bottle 12 % high reads above the band."""
    right, high = (
        ahead(
            checks_at([12.0, 36.0]),
            kit_calibration={(ALK, 0): np.full(400, factor)},
            kit_repeatability={ALK: np.full(400, 0.01)},
        )
        for factor in (1.0, 1.12)
    )
    needed = float(np.median(right.state.needed_flow_l_d))
    for one in (right, high):
        assert one.holds(np.array([needed]))[0] == pytest.approx(1.0)
    assert right.reads(needed) == 1.0
    assert high.reads(needed) == 0.0
