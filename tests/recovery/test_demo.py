"""The demo: its files come from its seed, and the fitted ranges hold the truth behind it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from estimator import units
from estimator.inputs.read import Inputs
from estimator.pipeline import run_study
from estimator.study import Study
from estimator.synthetic.demo_case import LOG_NAME, TANK_NAME, Demo, make_demo
from estimator.synthetic.simulation import simulate_levels
from helpers.tanks import Case
from reports.demo import place_demo

pytestmark = pytest.mark.sampler

FOLDER = Path(__file__).parents[2] / "demo"


@pytest.fixture(scope="module")
def demo() -> Demo:
    return make_demo()


@pytest.fixture(scope="module")
def study(demo: Demo) -> Study:
    return run_study(Inputs(demo.log, demo.tank, "0" * 64))


def test_committed_files_are_what_the_seed_gives(tmp_path: Path) -> None:
    """The files in demo/ and those that `uptake demo` writes are the same, byte for byte."""
    placed = place_demo(tmp_path)
    for path in (placed.log, placed.tank):
        assert path.read_bytes() == (FOLDER / path.name).read_bytes()
    assert {path.name for path in tmp_path.iterdir()} == {LOG_NAME, TANK_NAME}


def true_values(demo: Demo) -> dict[str, float]:
    """The truth behind each reported quantity."""
    truth, case = demo.truth, Case(demo.tank, demo.log, demo.truth)
    end = simulate_levels(demo.tank, demo.log, truth, [demo.log.end])
    uptake, level = case.uptake_now_meq_l_d, case.level_now_meq_l
    swing = level - float(end.alkalinity_meq_l[0])
    return {
        "uptake now": uptake,
        "calcium uptake now": uptake * truth.calcium_share,
        "calcium per alkalinity": truth.calcium_share,
        "alkalinity now": level,
        "calcium now": float(end.calcium_mmol_l[0]) + truth.calcium_share * swing,
        "effluent alkalinity": float(end.effluent_alkalinity_meq_l[0]),
        "water volume": truth.volume_l,
        "needed flow": float(np.log(case.needed_flow_ml_h * units.HOURS_PER_DAY / 1000)),
        "calibration of alk-drops, bottle 1": truth.kit_calibration["alk-drops", 0],
        "calibration of alk-drops, bottle 2": truth.kit_calibration["alk-drops", 1],
        "calibration of ca-drops, bottle 1": truth.kit_calibration["ca-drops", 0],
    }


def test_ninety_per_cent_ranges_hold_the_truth(demo: Demo, study: Study) -> None:
    """Each 9-in-10 range of the report holds the value that the demo was made from."""
    from estimator.fit.posterior import reported

    quantities = reported(study.posterior)
    outside = {
        name: (true, np.quantile(quantities[name], [0.05, 0.95]))
        for name, true in true_values(demo).items()
        if not np.quantile(quantities[name], 0.05) <= true <= np.quantile(quantities[name], 0.95)
    }
    assert not outside


def test_uptake_of_most_days_lies_in_its_range(demo: Demo, study: Study) -> None:
    """The path of daily uptake is recovered, not only its end."""
    uptake = study.posterior.uptake_meq_l_d
    low, high = np.quantile(uptake, [0.05, 0.95], axis=0)
    true = demo.truth.uptake_meq_l_d[: uptake.shape[1]]
    assert np.mean((low <= true) & (true <= high)) >= 0.85


def test_the_misread_titration_is_found(demo: Demo, study: Study) -> None:
    """The reading that was misread is the only one that is called odd."""
    odd = {c.reading.row for c in study.posterior.checks if c.chance_ordinary < 0.5}
    assert odd == set(demo.truth.misread)


def test_sampling_meets_the_targets(study: Study) -> None:
    """Bulk ESS at least 400, R-hat at most 1.01, no divergences: the demo is an easy log."""
    checks = study.posterior.diagnostics
    assert checks.ess_bulk_min >= 400
    assert checks.r_hat_max <= 1.01
    assert checks.divergences == 0
    assert study.recommendation.status == "recommended"
