"""What is taken for granted of kits, by what the tank file states and leaves out."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from estimator import units
from estimator.fit.priors import USUAL_CALIBRATION_SD
from estimator.fit.problem import pose
from estimator.inputs.read import read_tank
from helpers.catalogue import TANK
from helpers.tanks import example_log, example_tank

DKH = units.MEQ_L_PER_DKH


def kit_priors(**stated):
    """Priors by name of a log with two bottles of "alk" and another kit; `stated` is of "alk"."""
    tank = example_tank()
    kits = {"alk": replace(tank.kits["alk"], **stated), "other": tank.kits["alk"]}
    kits["other"] = replace(kits["other"], name="other", calibration_sd=0.07, repeatability=None)
    readings = [(j + 0.5, "alkalinity", "tank", "alk", 2.9) for j in range(6)]
    readings += [(j + 0.6, "alkalinity", "tank", "other", 2.9) for j in range(2)]
    log = example_log(readings, [(3.1, "new_bottle", "alk")])
    problem = pose(log, replace(tank, kits=kits))
    return {prior.name: prior for prior in problem.priors.priors}


@pytest.mark.parametrize(
    ("stated", "sd"), [(None, USUAL_CALIBRATION_SD), (0.0, 0.0), (0.001, 0.001), (0.3, 0.3)]
)
def test_a_stated_calibration_error_is_taken_as_stated(stated, sd) -> None:
    """0 % is a statement too: the kit reads right. Only silence means the usual error."""
    priors = kit_priors(calibration_sd=stated)
    for bottle in (0, 1):
        prior = priors[f"calibration alk {bottle}"]
        assert (prior.median, prior.sd) == (1.0, sd)
    assert priors["calibration other 0"].sd == 0.07


@pytest.mark.parametrize(("line", "found"), [("", None), ("= 0", 0.0), ("= 5", 0.05)])
def test_the_tank_file_tells_nothing_from_zero(line, found) -> None:
    """A line that says 0 is not a line that is missing."""
    text = TANK.replace("step = 0.3\n", f"step = 0.3\n{line and f'calibration_sd_pct {line}'}\n")
    tank, _ = read_tank(Path("tank.toml"), data=text.encode())
    assert tank.kits["drops"].calibration_sd == found


def test_repeatability_is_as_stated_or_by_the_step() -> None:
    """Stated: within a quarter. Else 0.7 steps, or 0.4 of the usual figure where that is more."""
    priors = kit_priors(repeatability=0.2 * DKH, step=0.05 * DKH)
    assert (priors["repeatability alk"].median, priors["repeatability alk"].sd) == (
        pytest.approx(0.2 * DKH),
        0.27,
    )
    coarse = priors["repeatability other"]
    assert (coarse.median, coarse.sd) == (pytest.approx(0.7 * 0.3 * DKH), 0.5)
    fine = kit_priors(repeatability=None, step=1e-6)["repeatability alk"]
    assert 0 < fine.median < 0.2 * DKH
    assert fine.median > 1e-3
