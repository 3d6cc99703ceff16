"""The plan in the twin: levels and readings in the keeper's unit, by date."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from estimator.plan.result import Foretold, Plan, Today
from estimator.study import Study
from helpers.tanks import DKH, example_tank
from reports.twin.plan import PLAN_TABLE
from reports.twin.serialise import Writer

BEGINS = date(2026, 3, 1)


def written(**changes: Any) -> dict[str, Any]:
    """A plan in which nothing is set, as the twin has it."""
    stated = {
        "kind": "hold",
        "begins": BEGINS,
        "today": Today(300.0, {"soda": 0.0}),
        "tests": (),
        "minutes_per_week": 30.0,
        "rule": None,
        "ladder": (),
        "path": (),
        "ends_at_ml_h": None,
        "report_again": date(2026, 3, 8),
        "chances": None,
        "levels_meq_l": np.full((2, 9), 8.2 * DKH),
        "left_alone_meq_l": np.full((2, 9), 7.9 * DKH),
        "left": True,
        "rise_limit_meq_l_d": 0.5 * DKH,
        "rise_limit_stated": True,
        "self_regulation_days": None,
        "pauses": (),
        "reasons": (),
        "foretold": Foretold("alk", np.full((3, 9), 8.1 * DKH), np.full((2, 9), 23.4 * DKH)),
    }
    # All but what is looked up elsewhere in the study.
    naming = PLAN_TABLE[Plan]
    computed = {name: how for name, how in naming.computed.items() if name.endswith("_meq_l")}
    table = PLAN_TABLE | {Plan: replace(naming, computed=computed)}
    study = SimpleNamespace(tank=example_tank(), withheld_figures=())
    writer = Writer(cast(Study, study), table, lambda remark, tank: remark.code)
    return writer.object(Plan(**{**stated, **changes}))


def test_levels_are_in_the_keepers_unit_and_dated_by_the_midnight_after() -> None:
    """8.2 dKH at the end of 1 March counts as of 2 March."""
    plan = written()
    for key, level in (("levels", 8.2), ("left_alone_levels", 7.9)):
        assert [one["date"] for one in plan[key]] == ["2026-03-02", "2026-03-03"]
        assert [one["q50"] for one in plan[key]] == pytest.approx([level, level])


def test_readings_are_told_by_sample_and_day() -> None:
    """What the kit will show of the tank from the first day on, of the effluent from the next."""
    readings = written()["readings"]
    assert readings["kit"] == "alk"
    assert readings["unit"] == "dKH"
    assert [one["date"] for one in readings["tank"]] == ["2026-03-01", "2026-03-02", "2026-03-03"]
    assert [one["date"] for one in readings["effluent"]] == ["2026-03-02", "2026-03-03"]
    assert readings["tank"][0]["q95"] == pytest.approx(8.1)
    assert readings["effluent"][0]["q05"] == pytest.approx(23.4)


def test_what_cannot_be_foretold_is_null_or_empty() -> None:
    """A plan that holds still tells no level and no reading."""
    plan = written(levels_meq_l=None, left_alone_meq_l=None, foretold=None)
    assert plan["levels"] == plan["left_alone_levels"] == []
    assert plan["readings"] is None
    still = written(foretold=Foretold("alk", np.full((3, 9), 3.0), None))["readings"]
    assert still["effluent"] == []
