"""What changed since an earlier report, and what it foretold."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from estimator.units import MEQ_L_PER_DKH as DKH
from helpers.twins import Json, new_twin, old_twin, reading
from reports.twin.former import Former, read_former
from reports.twin.since import since_last, why_not


@pytest.fixture
def former(tmp_path: Path) -> Former:
    """The old twin, read from a file."""
    path = tmp_path / "old.json"
    path.write_text(json.dumps(old_twin()), encoding="utf-8")
    return read_former(path)


def foretold(former: Former, *readings: Json, **changes: Any) -> list[Json]:
    found = since_last(former, new_twin(*readings) | changes)
    assert found is not None
    return found["foretold"]


def test_uptake_effluent_and_pump_are_told_then_and_now(former: Former) -> None:
    """Each with its unit; what was to be set stands beside the settings."""
    found = since_last(former, new_twin())
    assert found is not None
    assert found["as_of"] == "2026-05-01T12:00:00"
    assert found["uptake"]["before"]["q50"] == 1.6
    assert found["uptake"]["now"]["q50"] == 1.7
    assert found["uptake"]["now"]["unit"] == found["uptake"]["before"]["unit"] == "dKH/day"
    assert found["effluent"]["before"]["q50"] == found["effluent"]["now"]["q50"] == 24.0
    assert found["flow"] == {"unit": "mL/h", "before": 300.0, "set": 320.0, "now": 300.0}
    assert (found["foretold"], found["tests"], found["as_foretold"]) == ([], 0, 0)


def test_each_test_since_is_held_against_its_days_range(former: Former) -> None:
    """Inside up to the ends; tank and effluent each against its own; counted."""
    effluent = {"sample": "effluent", "of": "effluent"}
    found = since_last(
        former,
        new_twin(
            reading("2026-05-01T12:00:00", 8.2),  # in the old log already
            reading("2026-05-01T18:00:00", 8.5),
            reading("2026-05-02T09:00:00", 8.6),
            reading("2026-05-03T09:00:00", 24.3, **effluent),
            reading("2026-05-04T23:59:00", 7.9),
            reading("2026-05-05T00:00:00", 8.2),  # beyond what was foretold
            reading("2026-05-02T09:00:00", 420.0, entry="calcium", unit="mg/L"),
            reading("2026-05-02T09:00:00", 7.0, sample="reference", of="standard"),
        ),
    )
    assert found is not None
    assert [(one["of"], one["value"], one["inside"]) for one in found["foretold"]] == [
        ("tank", 8.5, True),
        ("tank", 8.6, False),
        ("effluent", 24.3, True),
        ("tank", 7.9, True),
    ]
    first = found["foretold"][0]
    assert (first["low"], first["high"], first["unit"]) == (7.9, 8.5, "dKH")
    assert set(first) == {"time", "entry", "of", "value", "unit", "low", "high", "inside"}
    assert (found["tests"], found["as_foretold"]) == (4, 3)


def test_a_test_before_the_first_day_foretold_is_held_against_that_day(former: Former) -> None:
    """A plan that begins on 2 May tells of a reading of the evening before, not by its last day."""
    days = {date(2026, 5, 2): (7.9 * DKH, 8.5 * DKH), date(2026, 5, 4): (6.0 * DKH, 6.5 * DKH)}
    begins_later = replace(former, readings={**former.readings, "tank": days})
    (one,) = foretold(begins_later, reading("2026-05-01T18:00:00", 8.2))
    assert (one["low"], one["high"], one["inside"]) == (7.9, 8.5, True)


def test_a_reading_in_another_unit_is_compared_in_that_unit(former: Former) -> None:
    """8.2 dKH are 2.924 meq/L."""
    (one,) = foretold(former, reading("2026-05-02T09:00:00", 8.2 * DKH, unit="meq/L"))
    assert one["unit"] == "meq/L"
    assert (one["low"], one["high"]) == pytest.approx((7.9 * DKH, 8.5 * DKH), rel=1e-5)
    assert one["inside"]


def test_ranges_are_of_the_water_that_was_tested(former: Former) -> None:
    """At a salinity 5 % low the kit reads 5 % less of the same alkalinity at the stated one."""
    (one,) = foretold(former, reading("2026-05-02T09:00:00", 7.6, at_stated_salinity=8.0))
    assert (one["low"], one["high"]) == pytest.approx((7.9 * 0.95, 8.5 * 0.95))


def test_another_kit_is_widened_by_what_is_known_of_it(former: Former) -> None:
    """Level 8.2 ± 0.1 dKH, a kit 2 ± 4 % high with 0.1 meq/L of scatter and no step."""
    (one,) = foretold(former, reading("2026-05-02T09:00:00", 8.2, kit="other"))
    sd = math.hypot(1.02 * 0.1, 8.2 * 0.04, 0.1 / DKH)
    assert one["low"] == pytest.approx(1.02 * 8.2 - 1.6449 * sd, rel=1e-4)
    assert one["high"] == pytest.approx(1.02 * 8.2 + 1.6449 * sd, rel=1e-4)


def test_a_new_bottle_is_another_kit_with_its_step(former: Former) -> None:
    """Level, 3 % of calibration, 0.2 dKH of scatter and a step of 0.3 dKH, in quadrature."""
    twin = new_twin(reading("2026-05-02T09:00:00", 8.2))
    twin["kits"]["drops"]["bottle"] = 2
    found = since_last(former, twin)
    assert found is not None
    (one,) = found["foretold"]
    sd = math.hypot(0.1, 8.2 * 0.03, 0.2, 0.3 / math.sqrt(12))
    assert one["high"] - one["low"] == pytest.approx(2 * 1.6449 * sd, rel=1e-4)


def test_levels_are_interpolated_between_midnights(tmp_path: Path) -> None:
    """From 8.0 at the midnight that begins 2 May to 9.0 a day later: 8.5 at noon."""
    twin = old_twin()
    for entry, level in zip(twin["plan"]["levels"], (8.0, 9.0, 9.0), strict=True):
        entry |= {"q05": level, "q50": level, "q95": level}
    path = tmp_path / "old.json"
    path.write_text(json.dumps(twin), encoding="utf-8")
    readings = (reading("2026-05-02T12:00:00", 8.2, kit="other"),)
    (one,) = foretold(read_former(path), *readings)
    assert (one["low"] + one["high"]) / 2 == pytest.approx(1.02 * 8.5, rel=1e-5)


def test_what_no_report_foretold_is_left_out(former: Former) -> None:
    """A kit nobody knew, a probe, effluent by another kit, and a plan that told nothing."""
    at = "2026-05-02T09:00:00"
    strange = [
        reading(at, 8.2, kit="new"),
        reading(at, 8.2, kit=""),
        reading(at, 24.0, kit="other", sample="effluent", of="effluent"),
    ]
    assert foretold(former, *strange) == []
    silent = replace(former, readings={"tank": {}, "effluent": {}}, levels={}, kit="")
    assert foretold(silent, reading(at, 8.2)) == []


def test_withheld_figures_stay_withheld(former: Former) -> None:
    """Null on the side where nothing is told."""
    twin = new_twin()
    twin["uptake"]["alkalinity"]["now"] = None
    twin["effluent"]["alkalinity"]["q50"] = None
    found = since_last(replace(former, effluent=None), twin)
    assert found is not None
    assert found["uptake"]["now"] is None
    assert found["uptake"]["before"]["q50"] == 1.6
    assert found["effluent"] == {"before": None, "now": None}


def test_another_unit_of_the_band_is_followed(former: Former) -> None:
    """The keeper went over to meq/L: both sides are told in it."""
    twin = new_twin()
    twin["uptake"]["alkalinity"]["unit"] = "meq/L/day"
    found = since_last(former, twin)
    assert found is not None
    assert found["uptake"]["before"]["q50"] == pytest.approx(1.6 * DKH, rel=1e-5)
    assert found["uptake"]["before"]["unit"] == "meq/L/day"


def test_without_an_earlier_report_of_this_tank_there_is_nothing(former: Former) -> None:
    """None at all, of another tank, or of a log that ends later; the reason names what differs."""
    assert since_last(None, new_twin()) is None
    other = new_twin() | {"tank": {"name": "Cellar"}}
    assert since_last(former, other) is None
    assert "Hall" in why_not(former, other)
    earlier = new_twin() | {"as_of": "2026-04-30T12:00:00"}
    assert since_last(former, earlier) is None
    assert "on 1 May 2026" in why_not(former, earlier)
    assert why_not(former, new_twin()) == ""


def test_the_same_report_made_again_says_the_same(former: Former) -> None:
    """Same two files, same place: the same bytes, or the comparison would be lost. A report that is
    asked for by name is compared with all the same."""
    told = {"as_of": "2026-04-24T09:00:00"}
    again = old_twin() | {"readings": []}
    assert since_last(replace(former, replaced=True, since_last=told), again) == told
    assert since_last(replace(former, replaced=True), again) is None
    found = since_last(replace(former, since_last=told), again)
    assert found is not None
    assert found["as_of"] == "2026-05-01T12:00:00"
