"""The figures of one twin, each with headline, text in its place and caption."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from typing import Any

import numpy as np

from estimator.inputs.parameters import PARAMETERS
from reports.blocks import Numbers, Picture, say
from reports.figures import drawing
from reports.figures.canvas import Floats, svg
from reports.figures.drawing import Band, Dots
from reports.wording import times

Readings = list[dict[str, Any]]
"""Entries of the twin's `readings`."""

_BAND_POINTS = ("q05", "q25", "q75", "q95")
_RESIDUAL_GROUPS = ("tank alkalinity", "tank calcium", "effluent alkalinity", "other readings")


def needed_flow_picture(n: Numbers) -> Picture:
    """F1. Only for a twin with a setting."""
    flow = n.get("/flow")
    setting, current = flow["recommended"], flow["current"]
    low, high, set_to = (
        n.flow(f"/flow/recommended/{key}").striptags() for key in ("low", "high", "set_to")
    )
    now = ""
    if current is not None:
        now = f" The pump is at {n.flow('/flow/current').striptags()} now, the dashed line."
    figure = drawing.draw_needed_flow(
        np.array(flow["needed_dots"]),
        setting["low"],
        setting["high"],
        setting["set_to"],
        current,
        planned=flow["planned"],
    )
    return Picture(
        title="Which flow does the tank need?",
        svg=svg(figure, "needed-flow"),
        alt=f"Dot plot of the needed flow in mL per hour: {flow['needed_dots_in_range']} of "
        f"{len(flow['needed_dots'])} equally likely values lie between {low} and {high}; the "
        f"setting is {set_to}.{now}",
        caption=say(
            "Each dot is one of 20 equally likely answers to “which flow holds the middle of the "
            "band?”. The shaded range holds {} of them (filled dots). The solid line with a "
            "triangle is the {}{}.",
            n.whole("/flow/needed_dots_in_range"),
            "flow to plan for" if flow["planned"] else "setting",
            "; the dashed line is the pump now" if now else "",
        ),
    )


def uptake_picture(n: Numbers) -> Picture:
    """F2."""
    found = n.get("/uptake")
    names = {
        "alkalinity": "Alkalinity",
        "calcium": "Calcium" if found["calcium"]["tested"] else "Calcium (from alkalinity)",
    }
    bands = [_band(found[key]["by_day"], found[key]["unit"], name) for key, name in names.items()]
    now = [
        f"{key} {n.around(f'/uptake/{key}/now', unit).striptags()} {unit}"
        for key in names
        for unit in [found[key]["unit"]]
    ]
    return Picture(
        title="How much does the tank use a day?",
        svg=svg(drawing.draw_uptake(bands), "uptake"),
        alt=f"Daily uptake over the log, two panels. On the last day: {now[0]}; {now[1]}.",
        caption="Daily mean on some days of the log. Thin lines: 9-in-10 range; thick lines: the "
        "middle half. The lines show what the readings leave open, not swings of the tank.",
    )


def level_picture(n: Numbers, parameter: str) -> Picture:
    """F3 ("alkalinity") and F4 ("calcium"). Only for a parameter that was tested."""
    found = n.get(f"/level_by_day/{parameter}")
    unit = found["unit"]
    of = PARAMETERS[parameter]
    readings = _drawn(
        [
            reading
            for reading in n.get("/readings")
            if reading["used"] and (reading["sample"], reading["entry"]) == ("tank", parameter)
        ]
    )
    values = [
        of.from_canonical(of.to_canonical(reading["value"], reading["unit"]), unit)
        for reading in readings
    ]
    dots = _dots(readings, values)
    target = n.get("/tank/targets").get(parameter)
    edges = (target["low"], target["high"]) if target else None
    now = f"{n.span(f'/level_now/{parameter}', unit).striptags()} {unit}"
    return Picture(
        title=f"Does the model follow the {parameter} tests?",
        svg=svg(
            drawing.draw_level(_band(found["by_day"], unit, parameter), dots, edges),
            f"{parameter}-level",
        ),
        alt=f"{parameter.capitalize()} over the log: the true level as a band, readings as dots. "
        f"At the last entry the level is {now} (9 in 10).",
        caption=say(
            "The shaded band is for the true daily mean level (middle half and 9-in-10), after "
            "allowing for kit error; it is not for the next kit reading, so dots may lie off it. "
            "It shows what is not known, not the tank's daily swing.{}",
            " Crosses are odd readings; one off the scale is drawn at the edge."
            if dots.odd.any()
            else "",
        ),
    )


TESTS_DRAWN = 8
"""Candidates in the figure; the table has them all."""


def next_tests_picture(n: Numbers) -> Picture:
    """F5. Only for a twin with candidates."""
    found = best_of_each(n)[:TESTS_DRAWN]
    every = n.get("/next_tests")
    rows = [every[i] for i in found]

    def column(key: str) -> Floats:
        return np.array([row[key] for row in rows], dtype=float)

    now = rows[0]["width_now"]
    figure = drawing.draw_next_tests(
        [_test_label(row) for row in rows],
        column("expected_width"),
        column("expected_width_q05"),
        column("expected_width_q95"),
        now,
    )
    first = f"/next_tests/{found[0]}"
    return Picture(
        title="Which test helps most?",
        svg=svg(figure, "next-tests"),
        alt=f"Expected width of the flow range after each of {len(rows)} sets of tests. Best: "
        f"{_test_label(rows[0])}, from {n(f'{first}/width_now', 0).striptags()} to about "
        f"{n(f'{first}/expected_width', 0).striptags()} mL per hour.",
        caption="Dots: the width to expect of the 9-in-10 range of the flow that the tank needs "
        "today, once the results are in. Lines: how far that width itself may turn out better or "
        "worse (9 in 10). Dashed: the width now. Of each kind the number of repeats that narrows "
        "most is drawn.",
    )


def best_of_each(n: Numbers) -> list[int]:
    """Places of the best repeat count of each kind of test, best kind first."""
    seen: dict[str, int] = {}
    for i, one in enumerate(n.get("/next_tests")):
        seen.setdefault(one["key"], i)
    return list(seen.values())


def _test_label(row: dict[str, Any]) -> str:
    label = SHORT_LABELS.get(row["key"], row["test"])
    return label if row["repeats"] == 1 else f"{label}, {times(row['repeats'])}"


SHORT_LABELS = {
    "tank_and_effluent": "tank and effluent alkalinity",
    "reference": "reference solution",
    "pairs": "tank alkalinity morning and evening, 3 days",
    "third_day": "tank alkalinity every third day, 2 weeks",
    "weekly_both": "tank and effluent weekly, 2 weeks",
    "stop_day": "stop all additions for a day, test both ends",
}


def hangs_on_picture(n: Numbers) -> Picture:
    """F6. Only for a twin with advice on tests."""
    found = n.get("/flow_hangs_on")
    middle = n.get("/flow/needed/q50")
    figure = drawing.draw_hangs_on(
        [one["unknown"] for one in found],
        np.array([one["at_low"] for one in found], dtype=float),
        np.array([one["at_high"] for one in found], dtype=float),
        middle,
    )
    return Picture(
        title="What does the needed flow hang on?",
        svg=svg(figure, "hangs-on"),
        alt="Needed flow where each unknown is low and where it is high. Widest: "
        f"{found[0]['unknown']}, {n('/flow_hangs_on/0/at_low', 0).striptags()} to "
        f"{n('/flow_hangs_on/0/at_high', 0).striptags()} mL per hour.",
        caption="For each unknown, the needed flow if it is in the lowest tenth of what the log "
        "leaves possible (open dot) and in the highest (filled dot), all else as it then goes "
        "with it. The line is the middle of the needed flow.",
    )


def change_over_picture(n: Numbers) -> Picture:
    """F8. Only for a twin whose change-over has steps."""
    steps, plan = n.get("/change_over"), n.get("/change_over_plan")
    unit = plan["unit"]
    band = _band(plan["levels"], unit, "Alkalinity")
    target = n.get("/tank/targets/alkalinity")
    edges = (target["low"], target["high"])
    dates = (date.fromisoformat(step["retest_on"]) for step in steps)
    retests = [retest for retest in dates if retest <= band.days[-1]]
    figure = drawing.draw_forecast(band, edges, retests)
    last = f"/change_over/{len(steps) - 1}/alkalinity"
    return Picture(
        title="Where will alkalinity go?",
        svg=svg(figure, "change-over"),
        alt="Alkalinity to come while the steps are followed, as a band about your target; at the "
        f"last retest it is {n.span(last, unit).striptags()} {unit} (9 in 10).",
        caption="The true daily mean to expect if the rule is followed: the middle half and the "
        "9-in-10 range. It shows what is not known, not swings of the tank. Triangles: retests.",
    )


def chamber_picture(n: Numbers) -> Picture:
    """F9. Only for a twin with a reactor job."""
    found = n.get("/chamber")
    region = found["region"]
    ph, flow_ml_h, supply_over_need = (
        np.array(found[key], dtype=float)
        for key in ("ph_axis", "flow_axis_ml_h", "supply_over_need")
    )
    figure = drawing.draw_chamber(
        ph,
        flow_ml_h,
        supply_over_need,
        region and (region["low"], region["high"]),
        (found["present_ph"], n.get("/flow/current")) if found["ph_known"] else None,
    )
    where = "" if region is None else " The shaded range of pH is where to work."
    return Picture(
        title="Which chamber pH with which flow?",
        svg=svg(figure, "chamber"),
        alt="Chamber pH against flow: the solid line joins the pairs at which the reactor supplies "
        f"what the tank takes up; more flow is needed at a higher pH.{where}",
        caption="On the solid line the supply meets the need, in the middle of what is known; "
        "below it the reactor gives too little, above it too much.",
    )


DOTS_DRAWN = 800
"""Readings drawn in one figure: a page of a long log must still open on a phone."""


def _drawn(readings: Readings) -> Readings:
    """All readings, or of a long log every n-th beside the odd ones."""
    every = -(-len(readings) // DOTS_DRAWN) or 1
    return [reading for i, reading in enumerate(readings) if i % every == 0 or reading["odd"]]


def _dots(readings: Readings, values: Sequence[float], name: str = "") -> Dots:
    return Dots(
        times=[datetime.fromisoformat(reading["time"]) for reading in readings],
        values=np.array(values, dtype=float),
        odd=np.array([reading["odd"] for reading in readings], dtype=bool),
        name=name,
        rows=[reading["row"] for reading in readings],
    )


def residuals_picture(n: Numbers) -> Picture:
    """F7."""
    groups: dict[str, Readings] = {name: [] for name in _RESIDUAL_GROUPS}
    for reading in _drawn([reading for reading in n.get("/readings") if reading["used"]]):
        name = f"{reading['sample']} {reading['entry']}"
        groups[name if name in groups else _RESIDUAL_GROUPS[-1]].append(reading)
    parts = [
        _dots(readings, [reading["off_by_kit_errors"] for reading in readings], name)
        for name, readings in groups.items()
    ]
    return Picture(
        title="Are there odd readings?",
        svg=svg(drawing.draw_residuals(parts), "residuals"),
        alt="Each reading less what the model expected of the kit, in kit errors, over time; odd "
        "readings carry their row number and are listed in the table of odd readings.",
        caption="Nearly all readings should lie within the shaded strip of two kit errors either "
        "side, with no drift. Labels are row numbers of the log.",
    )


def _band(by_day: Sequence[dict[str, Any]], unit: str, name: str) -> Band:
    points = np.array([[day[q] for day in by_day] for q in _BAND_POINTS], dtype=float)
    days = [date.fromisoformat(day["date"]) for day in by_day]
    return Band(days=days, points=points, unit=unit, name=name)
