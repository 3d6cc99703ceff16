"""An earlier twin is looked at before anything is taken from it."""

from __future__ import annotations

import json
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pytest

from estimator.errors import InputError
from estimator.units import MEQ_L_PER_DKH as DKH
from helpers.twins import old_twin, reading
from reports.twin.former import former_beside, read_former


def put(path: Path, twin: Any) -> Path:
    path.write_text(json.dumps(twin), encoding="utf-8")
    return path


def changed(pointer: str, value: Any) -> dict[str, Any]:
    """The old twin with another value at one place."""
    twin = old_twin()
    *keys, last = pointer.split("/")
    at: Any = twin
    for key in keys:
        at = at[int(key)] if isinstance(at, list) else at[key]
    at[last] = value
    return twin


def test_what_a_twin_told_is_read_in_canonical_units(tmp_path: Path) -> None:
    """Readings, levels and kits in meq/L, by date; settings and digests as they stand."""
    found = read_former(put(tmp_path / "old.json", old_twin()))
    assert found.tank == "Hall"
    assert found.as_of == datetime(2026, 5, 1, 12)
    assert found.sources == ("aa", "bb")
    assert (found.flow_ml_h, found.set_ml_h) == (300.0, 320.0)
    assert found.readings["tank"][date(2026, 5, 1)] == pytest.approx((7.9 * DKH, 8.5 * DKH))
    assert found.readings["effluent"][date(2026, 5, 2)] == pytest.approx((23.4 * DKH, 24.6 * DKH))
    assert found.levels[date(2026, 5, 2)][1] == pytest.approx(8.2 * DKH)
    drops, other = found.kits["drops"], found.kits["other"]
    assert (drops.repeatability, drops.step) == pytest.approx((0.2 * DKH, 0.3 * DKH))
    assert (other.calibration, other.calibration_sd) == pytest.approx((1.02, 0.04))
    assert other.repeatability == pytest.approx(0.1)
    assert not found.replaced


@pytest.mark.parametrize("gone", ["uptake", "effluent", "flow", "kits", "plan", "since_last"])
def test_what_was_not_told_is_none_or_empty(tmp_path: Path, gone: str) -> None:
    """Withheld figures and twins of earlier versions can be compared as far as they go."""
    for value in (None,) if gone == "since_last" else (None, {}):
        found = read_former(put(tmp_path / "old.json", changed(gone, value)))
        assert found.tank == "Hall"
    told = {"uptake": found.uptake, "effluent": found.effluent, "flow": found.flow_ml_h}
    assert told.get(gone) is None
    assert gone != "plan" or not (found.readings["tank"] or found.levels)
    assert gone != "kits" or not found.kits


NO_DATE = "2026-13-01"


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("schema_version", 2),
        ("schema_version", True),
        ("as_of", None),
        ("as_of", NO_DATE),
        ("as_of", "2026-05-01T12:00:00+02:00"),
        ("tank", []),
        ("tank/name", 7),
        ("inputs", {"log_sha256": 1}),
        ("uptake/alkalinity/unit", "furlongs"),
        ("uptake/alkalinity/now/q50", "much"),
        ("effluent/alkalinity/q05", [1]),
        ("flow/current", True),
        ("flow/current", 10**400),
        ("kits/drops/repeatability", {"q50": None}),
        ("plan/readings/tank", {"q05": 1}),
        ("plan/readings/tank", [1]),
        ("plan/readings/tank", [{"date": "2026-05-01"}]),
        ("plan/levels", [{"date": NO_DATE, "q05": 1, "q50": 1, "q95": 1}]),
        ("since_last", {"as_of": "2026-05-01", "foretold": [{"time": 1}]}),
    ],
)
def test_a_file_of_another_kind_is_refused_with_place_and_remedy(
    tmp_path: Path, pointer: str, value: Any
) -> None:
    """Whatever stands in a twin's place: an error that names what was found, never a traceback."""
    path = put(tmp_path / "old.json", changed(pointer, value))
    with pytest.raises(InputError, match=r"old\.json.*found .*JSON twin.*choose another"):
        read_former(path)


@pytest.mark.parametrize(
    "text",
    ["", "x", "[1]", "{}", "null", '{"schema_version": NaN}', "[" * 100_000, "{" * 5, "1" * 10_000],
)
def test_no_json_of_an_object_is_refused(tmp_path: Path, text: str) -> None:
    """Broken, endless or other JSON."""
    path = tmp_path / "old.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="JSON twin of a report on one tank"):
        read_former(path)


def test_a_file_that_is_not_there_or_no_text_is_refused(tmp_path: Path) -> None:
    """As of any input."""
    with pytest.raises(InputError, match="cannot be opened"):
        read_former(tmp_path / "none.json")
    (tmp_path / "old.json").write_bytes(b"\xff\xfe{}")
    with pytest.raises(InputError, match="UTF-8"):
        read_former(tmp_path / "old.json")


def test_the_twin_beside_the_report_is_taken_or_passed_over_with_a_note(tmp_path: Path) -> None:
    """None there: nothing to say. A broken one: no error, but why it is not looked back on."""
    path = tmp_path / "report.json"
    assert former_beside(path) == (None, "")
    found, note = former_beside(put(path, old_twin()))
    assert found is not None
    assert found.replaced
    assert note == ""
    path.write_text("{", encoding="utf-8")
    found, note = former_beside(path)
    assert found is None
    assert "report.json" in note


def test_what_the_former_told_of_its_former_is_read_value_by_value(tmp_path: Path) -> None:
    """Nothing that is not known of `since_last` passes on."""
    row = {"time": "2026-04-30T09:00:00", "entry": "alkalinity", "of": "tank", "unit": "dKH"}
    row |= {"value": 8.1, "low": 7.8, "high": 8.4, "inside": True}
    told = {
        "as_of": "2026-04-24T09:00:00",
        "uptake": {"before": None, "now": reading("", 1.0)},
        "effluent": {},
        "flow": {"before": 1.0, "set": None, "now": 2.0, "more": "<script>"},
        "foretold": [row | {"more": 1}],
        "more": "<script>",
    }
    found = read_former(put(tmp_path / "old.json", changed("since_last", told))).since_last
    assert found == {
        "as_of": "2026-04-24T09:00:00",
        "uptake": {"before": None, "now": None},
        "effluent": {"before": None, "now": None},
        "flow": {"unit": "mL/h", "before": 1.0, "set": None, "now": 2.0},
        "foretold": [row],
        "tests": 1,
        "as_foretold": 1,
    }
