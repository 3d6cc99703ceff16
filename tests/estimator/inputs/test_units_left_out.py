"""A value without a unit: whose unit it is in, case by case."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest

from estimator import units
from estimator.inputs.read import read_log, read_tank

DKH = units.MEQ_L_PER_DKH
TANK = """\
[tank]
name = "Hall"
water_volume_l = 600
[targets.alkalinity]
low = 7.6
high = 8.8
unit = "dKH"
[targets.calcium]
low = 400
high = 450
unit = "mg/L"
[kits.photometer]
parameter = "alkalinity"
unit = "mg/L CaCO3"
step = 1
[kits.burette]
parameter = "alkalinity"
unit = "meq/L"
step = 0.05
[kits.calcium-drops]
parameter = "calcium"
unit = "mmol/L"
step = 0.1
"""


def read(*rows: str):
    """Values in meq/L or mmol/L, and units."""
    tank, _ = read_tank(Path("tank.toml"), data=TANK.encode())
    text = "time,entry,value,unit,kit\n" + "\n".join(rows) + "\n"
    log, _ = read_log(Path("log.csv"), tank, now=datetime(2026, 6, 1), data=text.encode())
    return [(reading.value, reading.unit) for reading in log.readings]


def test_the_kits_unit_goes_before_the_bands() -> None:
    """146 by the photometer are mg/L of CaCO3 and 2.9 by the burette meq/L, whatever the band's."""
    first, second, third = read(
        "2026-03-01 18:00,alkalinity,146,,photometer",
        "2026-03-02 18:00,alkalinity,2.9,,burette",
        "2026-03-03 18:00,calcium,10.5,,calcium-drops",
    )
    assert first == (pytest.approx(146 / 50.043, rel=1e-4), "mg/L CaCO3")
    assert second == (pytest.approx(2.9), "meq/L")
    assert third == (pytest.approx(10.5), "mmol/L")


def test_a_unit_that_is_written_goes_before_the_kits() -> None:
    """What stands in the row is what was read."""
    first, second = read(
        "2026-03-01 18:00,alkalinity,8.2,dKH,photometer",
        "2026-03-02 18:00,alkalinity,8.1,dKH,burette",
    )
    assert first == (pytest.approx(8.2 * DKH), "dKH")
    assert second == (pytest.approx(8.1 * DKH), "dKH")
