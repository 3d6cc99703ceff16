"""Twins made by hand: what an earlier report told, and what a later one looks back on."""

from __future__ import annotations

import copy
from typing import Any

Json = dict[str, Any]

Q_OF = {"q05": -1.6449, "q25": -0.6745, "q50": 0.0, "q75": 0.6745, "q95": 1.6449, "mean": 0.0}


def quantity(middle: float, sd: float) -> Json:
    """Q of a normal, at a twin's six digits."""
    return {key: float(f"{middle + z * sd:.6g}") for key, z in Q_OF.items()} | {"sd": sd}


def dated(first: int, values: dict[str, float], days: int) -> list[Json]:
    """The same Q on each of some days of May 2026."""
    return [{"date": f"2026-05-{first + day:02d}", **values} for day in range(days)]


def old_twin() -> Json:
    """Of 1 May, noon: a tank at 8.2 dKH whose kit reads 7.9 to 8.5 and 24.0 ± 0.6 of the effluent
    until 4 May."""
    return copy.deepcopy(
        {
            "schema_version": 1,
            "versions": {},
            "status": "recommended",
            "as_of": "2026-05-01T12:00:00",
            "tank": {"name": "Hall"},
            "inputs": {"log_sha256": "aa", "tank_sha256": "bb"},
            "uptake": {"alkalinity": {"unit": "dKH/day", "now": quantity(1.6, 0.1)}},
            "effluent": {"alkalinity": {"unit": "dKH", **quantity(24.0, 0.6)}},
            "flow": {"current": 300.0, "planned": False},
            "kits": {
                "drops": {
                    "parameter": "alkalinity",
                    "unit": "dKH",
                    "bottle": 1,
                    "step": 0.3,
                    "calibration_pct": quantity(0.0, 3.0),
                    "repeatability": quantity(0.2, 0.02),
                },
                "other": {
                    "parameter": "alkalinity",
                    "unit": "meq/L",
                    "bottle": 1,
                    "step": 0.0,
                    "calibration_pct": quantity(2.0, 4.0),
                    "repeatability": quantity(0.1, 0.01),
                },
            },
            "plan": {
                "unit": "dKH",
                "today": {"flow_ml_h": 320.0},
                "levels": dated(2, quantity(8.2, 0.1), 3),
                "readings": {
                    "unit": "dKH",
                    "kit": "drops",
                    "tank": dated(1, {"q05": 7.9, "q50": 8.2, "q95": 8.5}, 4),
                    "effluent": dated(2, {"q05": 23.4, "q50": 24.0, "q95": 24.6}, 3),
                },
            },
            "since_last": None,
        }
    )


def reading(time: str, value: float, **changes: Any) -> Json:
    """A test of the tank with the drops, as a twin lists it."""
    stated = {
        "time": time,
        "entry": "alkalinity",
        "sample": "tank",
        "of": "tank",
        "unit": "dKH",
        "kit": "drops",
        "value": value,
        "at_stated_salinity": None,
    }
    return {**stated, **changes}


def new_twin(*readings: Json) -> Json:
    """Of 3 May, noon, with these readings: a little more uptake, and the pump as it was."""
    return old_twin() | {
        "as_of": "2026-05-03T12:00:00",
        "inputs": {"log_sha256": "cc", "tank_sha256": "bb"},
        "uptake": {"alkalinity": {"unit": "dKH/day", "now": quantity(1.7, 0.1)}},
        "readings": list(readings),
        "diagnostics": {"failures": []},
        "withheld_figures": [],
    }
