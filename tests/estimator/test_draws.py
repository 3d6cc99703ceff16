"""The posterior as a data set that ArviZ reads."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast
from unittest.mock import create_autospec

import arviz as az
import numpy as np
import pytest
from scipy import stats

from estimator import pipeline
from estimator.draws import BY_DAY, SCALARS, arviz_data, netcdf_of
from estimator.fit.checks import Evidence, check_readings
from estimator.fit.likelihood import MISREAD_CHANCE, MISREAD_SPREAD
from estimator.fit.problem import pose
from estimator.study import Study
from helpers.fits import known_fit, known_posterior, theta_of
from helpers.tanks import CASES, DKH, PLAIN_TANK_FILE, example_log, example_tank

GUIDE = Path(__file__).parents[2] / "DEVELOPERS.md"
CHAINS, DRAWS, DAYS = 4, 100, 3
HOSTILE = "alk\x00\u202e鱼🐠"


def study_of(**changes: Any) -> Study:
    """Two readings by one kit of a fit that is known."""
    log = example_log([(0.4, "alkalinity", "tank", "alk"), (1.4, "alkalinity", "tank", "alk")], [])
    fitted = known_fit(log, example_tank(), known_posterior(CHAINS * DRAWS, DAYS))
    reading = replace(log.readings[0], time=datetime(2026, 3, 1, 9, 36), row=2)
    check = SimpleNamespace(reading=reading)
    other = SimpleNamespace(
        reading=replace(reading, row=3, sample="reference", of="standard", kit=HOSTILE)
    )
    rng = np.random.default_rng(1)
    shape = (CHAINS * DRAWS, 2)
    evidence = Evidence(
        np.array([8.2 * DKH, 7.0 * DKH]), rng.normal(3.0, 0.1, shape), rng.normal(-1.0, 0.1, shape)
    )
    ones = np.arange(CHAINS * DRAWS) / 1e6 + 1.0
    stated = {
        "kit_calibration": {("alk", 0): ones, ("alk", 1): 2 * ones, (HOSTILE, 0): ones},
        "kit_repeatability": {"alk": 0.07 * ones, HOSTILE: ones},
        "checks": (check, other),
        "evidence": evidence,
    }
    posterior = replace(fitted.posterior, **{**stated, **changes})
    return cast(Study, SimpleNamespace(posterior=posterior, log=log, tank_sha256="bb", seed=7))


def read_back(path: Path) -> Any:
    """As a statistician would, with the ArviZ at hand."""
    return az.from_netcdf(path)


def test_the_data_set_has_named_dimensions(tmp_path: Path) -> None:
    """Chains and draws in their order; days, bottles and kits by name."""
    study = study_of()
    netcdf_of(study).to_netcdf(tmp_path / "draws.nc", engine="h5netcdf")
    found = read_back(tmp_path / "draws.nc").posterior
    assert dict(found.sizes) == {
        "chain": CHAINS,
        "draw": DRAWS,
        "day": DAYS,
        "bottle": 3,
        "kit": 2,
    }
    volume = np.asarray(study.posterior.volume_l).reshape(CHAINS, DRAWS)
    assert found["volume_l"].dims == ("chain", "draw")
    assert np.array_equal(found["volume_l"].values, volume)
    uptake = found["uptake_meq_l_d"].sel(day="2026-03-02")
    expected = study.posterior.uptake_meq_l_d[:, 1].reshape(CHAINS, DRAWS)
    assert uptake.values == pytest.approx(expected, rel=1e-6)
    second = found["calibration"].sel(bottle="alk, bottle 2").values
    assert second.ravel() == pytest.approx(study.posterior.kit_calibration["alk", 1])
    assert found["repeatability"].dims == ("chain", "draw", "kit")
    assert found.attrs["seed"] == 7
    assert found.attrs["checks_passed"] == 1


def test_readings_and_their_log_likelihood_go_together(tmp_path: Path) -> None:
    """One name and one dimension, with what each reading was."""
    study = study_of()
    netcdf_of(study).to_netcdf(tmp_path / "draws.nc", engine="h5netcdf")
    data = read_back(tmp_path / "draws.nc")
    observed, density = data.observed_data, data.log_likelihood["value"]
    assert observed["value"].values == pytest.approx([8.2 * DKH, 7.0 * DKH])
    assert observed["time"].values[0] == np.datetime64("2026-03-01T09:36")
    assert list(observed["sample"].values) == ["tank", "standard"]
    assert list(observed["row"].values) == [2, 3]
    assert density.dims == ("chain", "draw", "reading")
    assert study.posterior.evidence is not None
    expected = study.posterior.evidence.log_density.reshape(CHAINS, DRAWS, 2)
    assert np.array_equal(density.values, expected)


def test_the_same_draws_are_the_same_bytes(tmp_path: Path) -> None:
    """No time of writing and no version of a library enters."""
    for name in ("a.nc", "b.nc"):
        netcdf_of(study_of()).to_netcdf(tmp_path / name, engine="h5netcdf")
    assert (tmp_path / "a.nc").read_bytes() == (tmp_path / "b.nc").read_bytes()


def test_what_a_log_does_not_hold_is_left_out() -> None:
    """No calcium was tested, and no reading looked at: no variable and no group of zeros."""
    data = arviz_data(study_of())
    held = set(data.posterior.data_vars)
    assert "calcium_mmol_l" not in held
    assert "calcium_now_mmol_l" not in held
    assert held <= {*SCALARS, *BY_DAY, "jump", "calibration", "repeatability"}
    bare = arviz_data(study_of(evidence=None))
    assert not hasattr(bare, "observed_data")


def test_log_likelihood_is_a_mixture_of_four_normals() -> None:
    """By scipy, from the priors of misreads: an ordinary error, or 4, 16 or 64 times as wide."""
    case = CASES["everything"]()
    schedule = pose(case.log, case.tank).schedule
    rng, draws = np.random.default_rng(1), 160
    natural = theta_of(case, schedule) * rng.uniform(0.9, 1.1, (draws, schedule.parameters))
    steps = schedule.steps[schedule.reading_step]
    expected = steps["value"] + rng.normal(0.0, 0.3, (draws, len(steps)))
    checks, evidence = check_readings(schedule, natural, expected, CHAINS)
    assert len(checks) == len(steps)
    assert np.array_equal(evidence.expected, expected)
    assert np.array_equal(evidence.value, steps["value"])
    for m in (0, len(steps) // 2, len(steps) - 1):
        repeat = natural[:, schedule.shape.first_repeatability + steps["kit"][m]]
        sd = np.sqrt((steps["scatter"][m] * repeat) ** 2 + steps["rounding"][m])
        each = [
            chance * stats.norm.pdf(steps["value"][m], expected[:, m], spread * sd)
            for chance, spread in zip(MISREAD_CHANCE, MISREAD_SPREAD, strict=True)
        ]
        assert evidence.log_density[:, m] == pytest.approx(np.log(np.sum(each, axis=0)), abs=1e-6)


def test_the_guides_lines_for_notebooks_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As they stand in the guide, on a log in the current folder; the fit is one that is known."""
    study = create_autospec(pipeline.run_study, side_effect=lambda inputs: study_of())
    monkeypatch.setattr(pipeline, "run_study", study)
    guide = GUIDE.read_text(encoding="utf-8")
    (lines,) = re.findall(r"```python\n(.*?arviz_data.*?)```", guide, re.S)
    rows = [f"2026-03-{day:02d} 09:00,alkalinity,{8.3 - 0.02 * day:.1f}" for day in range(1, 12, 2)]
    (tmp_path / "log.csv").write_text("time,entry,value\n" + "\n".join(rows) + "\n")
    (tmp_path / "tank.toml").write_text(TANK)
    monkeypatch.chdir(tmp_path)
    scope: dict[str, Any] = {}
    exec(lines, scope)
    assert "alkalinity_now_meq_l" in str(scope["table"])
    assert scope["data"].posterior.sizes["chain"] == 4
    assert len(study.call_args.args[0].log.readings) == 6


TANK = PLAIN_TANK_FILE.replace("step = 0.3", "step = 0.1")
