"""The tables for notebooks: one row an entry in the keeper's unit, one row a day with its range."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from estimator.frames import actions_frame, days_frame, readings_frame
from estimator.inputs.read import read_log, read_tank
from helpers.fits import known_posterior

ROOT = Path(__file__).parents[2]
TANK = b"""\
[tank]
water_volume_l = 620
[targets.alkalinity]
low = 7
high = 9
unit = "dKH"
[kits.drops]
parameter = "alkalinity"
unit = "dKH"
step = 0.3
[solutions.soda]
alkalinity_meq_per_ml = 1.9
[reactor]
flow_max_ml_h = 3000
"""
LOG = b"""\
time,entry,of,value,unit,note,until
2026-05-02,temperature,,77,F,,
2026-05-01 18:00,alkalinity,,8.4,,calm,
2026-05-03,alkalinity,,2.9,meq/L,,
2026-05-03 20:00,alkalinity,effluent,90,dKH,,
2026-05-02 09:00,dose,soda,0.02,L,by hand,2026-05-03
2026-05-04,flow,,10,mL/min,,
2026-05-05,stock_change,,,,nine frags,
"""


@pytest.fixture(scope="module")
def log():
    """A log in several units."""
    tank, _ = read_tank(Path("tank.toml"), data=TANK)
    return read_log(Path("log.csv"), tank, now=datetime(2026, 6, 1), data=LOG)[0]


def test_readings_are_told_in_the_unit_they_were_read_in(log):
    """A curved unit, a factor and the kit's own unit come back as they were written."""
    frame = readings_frame(log)
    assert list(frame["time"]) == [
        pd.Timestamp("2026-05-01 18:00"),
        pd.Timestamp("2026-05-02 12:00"),
        pd.Timestamp("2026-05-03 12:00"),
        pd.Timestamp("2026-05-03 20:00"),
    ]
    assert list(frame["row"]) == [3, 2, 4, 5]
    assert list(frame["entry"]) == ["alkalinity", "temperature", "alkalinity", "alkalinity"]
    assert list(frame["sample"]) == ["tank", "tank", "tank", "effluent"]
    assert list(frame["value"]) == pytest.approx([8.4, 77.0, 2.9, 90.0])
    assert list(frame["unit"]) == ["dKH", "F", "meq/L", "dKH"]
    assert list(frame["kit"]) == ["drops", "", "drops", "drops"]
    assert list(frame["note"]) == ["calm", "", "", ""]
    assert list(frame["flags"] != "") == [False, False, False, True]
    assert "plausible range for effluent alkalinity" in frame["flags"].iloc[-1]


def test_actions_are_told_in_the_usual_unit_of_their_entry(log):
    """Litres become mL, mL/min become mL/h; a repeated dose stands on each day, an entry without
    a value has none."""
    frame = actions_frame(log)
    assert list(frame["time"].astype(str)) == [
        "2026-05-02 09:00:00",
        "2026-05-03 09:00:00",
        "2026-05-04 12:00:00",
        "2026-05-05 12:00:00",
    ]
    assert list(frame["row"]) == [6, 6, 7, 8]
    assert list(frame["entry"]) == ["dose", "dose", "flow", "stock_change"]
    assert list(frame["of"]) == ["soda", "soda", "", ""]
    assert list(frame["value"][:3]) == [20, 20, 600]
    assert np.isnan(frame["value"].iloc[3])
    assert list(frame["unit"]) == ["mL", "mL", "mL/h", ""]
    assert list(frame["note"]) == ["by hand", "by hand", "", "nine frags"]


def test_a_log_without_entries_of_a_kind_has_the_same_columns(log):
    """What is done with a table works on an empty one: times are times, values numbers."""
    for frame, full in (
        (readings_frame(replace(log, readings=())), readings_frame(log)),
        (actions_frame(replace(log, actions=())), actions_frame(log)),
    ):
        assert len(frame) == 0
        assert list(frame.columns) == list(full.columns)
        for name in ("time", "value"):
            assert frame[name].dtype.kind == full[name].dtype.kind


def posterior(calcium):
    """Draws 0, 1, ... 100 on the first day and ten times as much on the second, by quantity."""
    draws = np.outer(np.arange(101.0), [1.0, 10.0])[::-1]
    return replace(
        known_posterior(101, 2),
        days=(date(2026, 5, 1), date(2026, 5, 2)),
        uptake_meq_l_d=draws,
        calcium_uptake_mmol_l_d=draws / 2,
        alkalinity_meq_l=draws + 1000,
        calcium_mmol_l=calcium,
    )


def test_days_have_the_median_and_the_range_of_each_quantity():
    """Points by hand of draws that are counted; the name of a column holds its unit."""
    frame = days_frame(posterior(np.full((101, 2), 10.5)))
    assert frame.index.name == "date"
    assert list(frame.index) == [pd.Timestamp("2026-05-01"), pd.Timestamp("2026-05-02")]
    expected = {
        "uptake_meq_l_d": [(5, 50, 95), (50, 500, 950)],
        "calcium_uptake_mmol_l_d": [(2.5, 25, 47.5), (25, 250, 475)],
        "alkalinity_meq_l": [(1005, 1050, 1095), (1050, 1500, 1950)],
        "calcium_mmol_l": [(10.5, 10.5, 10.5), (10.5, 10.5, 10.5)],
    }
    ends = ("q05", "q50", "q95")
    assert list(frame.columns) == [f"{name}_{end}" for name in expected for end in ends]
    for name, days in expected.items():
        for row, points in enumerate(days):
            found = [frame[f"{name}_{end}"].iloc[row] for end in ends]
            assert found == pytest.approx(points), name


def test_calcium_that_was_never_tested_has_no_column():
    """A level that the log says nothing of is not told as one that is unknown today."""
    names = days_frame(posterior(None)).columns
    assert not [name for name in names if name.startswith("calcium_mmol_l")]
    assert [name for name in names if name.startswith("calcium_uptake")]


def test_the_command_does_not_load_the_tables():
    """They are for notebooks: a keeper's command waits for no pandas of its own."""
    code = "import sys, reports.cli, estimator.pipeline; print('estimator.frames' in sys.modules)"
    result = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert result.stdout == "False\n"
