"""What tells the fit nothing is named, and nothing else is."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest

from estimator.fit.used import unused, used_readings
from estimator.inputs.read import read_log, read_tank

TOML = b"""\
[tank]
water_volume_l = 620
[targets.alkalinity]
low = 7
high = 9
unit = "dKH"
[solutions.soda]
alkalinity_meq_per_ml = 1.9
[water.new]
[reference.cal]
calcium = 400
"""
LOG = """\
time,entry,of,value,unit
2026-05-01,alkalinity,,8.4,
2026-05-03,alkalinity,,8.1,
"""
USED = "2026-05-02,dose,soda,5,\n2026-05-02,water_change,new,20,\n"


def read(rows):
    tank, _ = read_tank(Path("tank.toml"), data=TOML)
    return read_log(Path("log.csv"), tank, now=datetime(2026, 6, 1), data=(LOG + rows).encode())


@pytest.mark.parametrize(
    ("rows", "codes"),
    [
        (USED, []),
        (USED.replace("dose", "dose_rate"), []),
        ("", ["solution_never_dosed", "water_never_changed"]),
        (USED + "2026-05-02,nitrate,,5,\n", ["nitrate_read_once"]),
        (USED + "2026-05-02,nitrate,,5,\n2026-05-03,nitrate,,6,\n", []),
        (USED + "2026-05-02,nitrate,effluent,5,\n", ["reading_without_place"]),
        (USED + "2026-05-02,temperature,,25,\n", ["reading_without_place"]),
        (USED + "2026-05-02,calcium,cal,410,\n", []),
        (USED + "2026-05-02,alkalinity,cal,8,\n", ["reading_of_unstated_reference"]),
        (USED + "2026-05-02,alkalinity,new,8,\n", []),
        (
            "2026-05-02,alkalinity,new,8,\n2026-05-02,dose,soda,5,\n",
            ["water_never_changed", "reading_of_unused_water"],
        ),
        (USED + "2026-05-02,salinity,,35,\n2026-05-02,magnesium,,1300,\n", []),
        (USED + "2026-05-02,ph,,8.1,\n2026-05-02,ph,chamber,6.5,\n", []),
    ],
)
def test_each_kind_is_told_by_its_code(rows, codes):
    """Neither a reading that counts nor an entry that is logged is called useless."""
    log, tank = read(rows)
    assert [remark.code for remark in unused(log, tank)] == codes


def test_a_reactor_whose_flow_was_never_logged():
    """The tank file has one; the log alone can say that it runs."""
    log, tank = read(USED)
    pump = read_tank(Path("t.toml"), data=TOML + b"[reactor]\nflow_max_ml_h = 900\n")[0].reactor
    assert [r.code for r in unused(log, replace(tank, reactor=pump))] == ["flow_never_logged"]


def test_what_the_fit_uses_is_never_told():
    """The two answers are two sides of one rule."""
    log, tank = read(USED + "2026-05-02,nitrate,,5,\n2026-05-02,alkalinity,cal,8,\n")
    told = {row for remark in unused(log, tank) for row in remark.values["rows"]}
    assert told.isdisjoint(reading.row for reading in used_readings(log, tank))
    assert told == {6, 7}
