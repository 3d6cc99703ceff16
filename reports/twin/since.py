"""What changed since an earlier report, and how far it foretold what was read since.

A test is compared with the 9-in-10 range of what the earlier report foretold that kit to read on
that day if the plan was followed (`plan.readings` of its twin). Of another kit or bottle that range
is put together from parts that the earlier twin tells, as if they were independent and normal:
the level with the plan followed (`plan.levels`: a daily mean at the midnight that begins the date,
interpolated in time; the swing of the light within the day is left out), and the kit's
calibration, repeatability and step (variance step²/12). Level and calibration are in truth known
from the same readings, so that such a range is too wide rather than too narrow.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from datetime import date, datetime, time, timedelta

import numpy as np

from estimator.inputs.parameters import ALKALINITY
from reports.twin.former import Amount, Former, FormerKit, Range
from reports.twin.quantities import QUANTITY, Json
from reports.wording import date_words

NORMAL_95 = 1.6449
"""95 % point of a standard normal."""
DAY = timedelta(days=1)
SAMPLES = ("tank", "effluent")


def why_not(former: Former, twin: Json) -> str:
    """Why an earlier report cannot be compared with this twin; "" where it can."""
    if former.tank != twin["tank"]["name"]:
        return f"is of the tank “{former.tank}”; give a report of this tank"
    if former.as_of > datetime.fromisoformat(twin["as_of"]):
        return f"is of a log that ends later, on {date_words(former.as_of)}; give an earlier report"
    return ""


def since_last(former: Former | None, twin: Json) -> Json | None:
    """What changed; None where there is no earlier report of this tank.

    Where this report is the earlier one made again from the same two files, what that one told
    stays.

    Args:
        former: the earlier report.
        twin: of this one, but for what is told here.
    """
    if former is None or why_not(former, twin):
        return None
    inputs = twin["inputs"]
    if former.replaced and former.sources == (inputs["log_sha256"], inputs["tank_sha256"]):
        return former.since_last
    uptake, effluent = twin["uptake"]["alkalinity"], twin["effluent"]["alkalinity"]
    rows = list(_foretold(former, twin))
    return {
        "as_of": former.as_of.isoformat(timespec="seconds"),
        "uptake": _moved(former.uptake, uptake["now"], uptake["unit"]),
        "effluent": _moved(former.effluent, effluent, effluent["unit"]),
        "flow": {
            "unit": "mL/h",
            "before": former.flow_ml_h,
            "set": former.set_ml_h,
            "now": twin["flow"]["current"],
        },
        "foretold": rows,
        "tests": len(rows),
        "as_foretold": sum(row["inside"] for row in rows),
    }


def _moved(before: Amount | None, now: Json | None, unit: str) -> Json:
    """An amount then and now, both in the unit of now; None where it is not told."""
    points = None
    if now is not None and now["q50"] is not None:
        points = {"unit": unit, **{key: now[key] for key in QUANTITY}}
    return {"before": before and before.written(unit), "now": points}


def _foretold(former: Former, twin: Json) -> Iterator[Json]:
    """Every test of alkalinity since, as far as it was foretold."""
    for one in twin["readings"]:
        at = datetime.fromisoformat(one["time"])
        if one["entry"] != ALKALINITY.name or one["sample"] not in SAMPLES or at <= former.as_of:
            continue
        kit = twin["kits"].get(one["kit"])
        found = _range(former, one["sample"], one["kit"], kit and kit["bottle"], at)
        if found is None:
            continue
        # What was foretold is of water at the stated salinity, the reading of that day's.
        stated = one["at_stated_salinity"]
        scale = (one["value"] / stated if stated else 1.0) / ALKALINITY.units[one["unit"]]
        # Rounded first: a kit's readings and the ends of such a range stand on the same steps.
        low, high = (float(f"{scale * end:.6g}") for end in found)
        told = {key: one[key] for key in ("time", "entry", "of", "unit", "value")}
        yield {**told, "low": low, "high": high, "inside": low <= one["value"] <= high}


def _range(former: Former, sample: str, kit: str, bottle: int | None, at: datetime) -> Range | None:
    """What a test was foretold to read, meq/L; None where it was not."""
    known = former.kits.get(kit)
    if known is not None and kit == former.kit and bottle == known.bottle:
        return _of_day(former.readings[sample], at.date())
    if known is None or sample != "tank":
        return None
    return _widened(former.levels, known, at)


def _of_day(readings: Mapping[date, Range], day: date) -> Range | None:
    """Of a day; of the first for those before it."""
    if not readings or day > max(readings):
        return None
    return readings.get(day, readings[min(readings)])


def _widened(
    levels: Mapping[date, tuple[float, float, float]], kit: FormerKit, at: datetime
) -> Range | None:
    """What a kit reads of a level that is foretold by day."""
    if not levels or at.date() > max(levels):
        return None
    days = sorted(levels)
    midnight = datetime.combine(days[0], time())
    midnights = [(day - days[0]).days for day in days]
    low, middle, high = (
        float(np.interp((at - midnight) / DAY, midnights, [levels[day][i] for day in days]))
        for i in range(3)
    )
    sds = (
        kit.calibration * (high - low) / (2 * NORMAL_95),
        middle * kit.calibration_sd,
        kit.repeatability,
        kit.step / math.sqrt(12),
    )
    centre, reach = kit.calibration * middle, NORMAL_95 * math.hypot(*sds)
    return centre - reach, centre + reach
