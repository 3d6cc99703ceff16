"""The figures of one twin, each with headline, text in its place and caption."""

from __future__ import annotations

from estimator.inputs.parameters import PARAMETERS
from reports.blocks import Numbers, Picture
from reports.figures import drawing
from reports.figures.canvas import svg
from reports.figures.drawing import Part
from reports.words.advice import CANDIDATE_WORDS, UNKNOWNS

_RESIDUAL_GROUPS = ("tank alkalinity", "tank calcium", "effluent alkalinity", "other readings")


def needed_flow_picture(n: Numbers) -> Picture:
    """F1. Only for a twin with a setting."""
    flow = n.get("/flow")
    now = n.say(" The pump is at {/flow/current:flow} now, the dashed line.")
    return Picture(
        title="Which flow does the tank need?",
        svg=svg(drawing.draw_needed_flow(flow), "needed-flow"),
        alt=n.say(
            "Dot plot of the needed flow in mL per hour: {/flow/needed_dots_in_range} of {dots} "
            "equally likely values lie between {at/low:flow} and {at/high:flow}; the setting is "
            "{at/set_to:flow}.{now}",
            at="/flow/recommended",
            dots=len(flow["needed_dots"]),
            now="" if flow["current"] is None else now,
        ).striptags(),
        caption=n.say(
            "Each dot is one of 20 equally likely answers to “which flow holds the middle of the "
            "band?”. The shaded range holds {/flow/needed_dots_in_range} of them (filled dots). "
            "The solid line with a triangle is the {what}{now}.",
            what="flow to plan for" if flow["planned"] else "best setting for a pump left alone",
            now="" if flow["current"] is None else "; the dashed line is the pump now",
        ),
    )


def uptake_picture(n: Numbers) -> Picture:
    """F2."""
    uptake = n.get("/uptake")
    calcium_too = "; calcium {/uptake/calcium/now:around {calcium}} {calcium}"
    return Picture(
        title="How much does the tank use a day?",
        svg=svg(drawing.draw_uptake(uptake), "uptake"),
        alt=n.say(
            "Daily uptake over the log. On the last day: "
            "alkalinity {/uptake/alkalinity/now:around {alkalinity}} {alkalinity}"
            + ("" if uptake["calcium"]["now"] is None else calcium_too)
            + ".",
            alkalinity=uptake["alkalinity"]["unit"],
            calcium=uptake["calcium"]["unit"],
        ).striptags(),
        caption="Daily mean on some days of the log. Thin lines: 9-in-10 range; thick lines: the "
        "middle half. The lines show what the readings leave open, not swings of the tank.",
    )


def level_picture(n: Numbers, parameter: str) -> Picture:
    """F3 ("alkalinity") and F4 ("calcium"). Only for a parameter that was tested."""
    level, of = n.get(f"/level_by_day/{parameter}"), PARAMETERS[parameter]
    unit = level["unit"]
    readings = [
        {
            **reading,
            "value": of.from_canonical(
                of.to_canonical(reading["at_stated_salinity"], reading["unit"]), unit
            ),
        }
        for reading in _drawn(n, ("tank", parameter))
    ]
    figure = drawing.draw_level(level, readings, n.get("/tank/targets").get(parameter))
    odd = any(reading["odd"] for reading in readings)
    return Picture(
        title=f"Does the model follow the {parameter} tests?",
        svg=svg(figure, f"{parameter}-level"),
        alt=n.say(
            "{name} over the log: the true level as a band, readings as dots. At the last entry "
            "the level is {at:span {unit}} {unit} (9 in 10).",
            name=parameter.capitalize(),
            at=f"/level_now/{parameter}",
            unit=unit,
        ).striptags(),
        caption=n.say(
            "The shaded band is for the true daily mean level (middle half and 9-in-10), after "
            "allowing for kit error; it is not for the next kit reading, so dots may lie off it. "
            "It shows what is not known, not the tank's daily swing.{odd}",
            odd=" Crosses are odd readings; one off the scale is drawn at the edge." if odd else "",
        ),
    )


TESTS_DRAWN = 8
"""Candidates in the figure; the table has them all."""


def next_tests_picture(n: Numbers) -> Picture:
    """F5. Only for a twin with candidates."""
    found = best_of_each(n)[:TESTS_DRAWN]
    every = n.get("/next_tests")
    rows = [every[i] for i in found]
    labels = [_test_label(row) for row in rows]
    return Picture(
        title="Which test helps most?",
        svg=svg(drawing.draw_next_tests(labels, rows), "next-tests"),
        alt=n.say(
            "Expected width of the flow range after each of {count} sets of tests. Best: {test}, "
            "from {at/width_now} to about {at/expected_width} mL per hour.",
            count=len(rows),
            test=labels[0],
            at=f"/next_tests/{found[0]}",
        ).striptags(),
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


def _test_label(row: Part) -> str:
    return CANDIDATE_WORDS[row["key"]].in_figure(row["repeats"])


def hangs_on_picture(n: Numbers) -> Picture:
    """F6. Only for a twin with advice on tests."""
    found = n.get("/flow_hangs_on")
    names = [UNKNOWNS[one["unknown"]].name for one in found]
    return Picture(
        title="What does the needed flow hang on?",
        svg=svg(drawing.draw_hangs_on(names, found, n.get("/flow/needed/q50")), "hangs-on"),
        alt=n.say(
            "Needed flow where each unknown is low and where it is high. Widest: {unknown}, "
            "{/flow_hangs_on/0/at_low} to {/flow_hangs_on/0/at_high} mL per hour.",
            unknown=names[0],
        ).striptags(),
        caption="For each unknown, the needed flow if it is in the lowest tenth of what the log "
        "leaves possible (open dot) and in the highest (filled dot), all else as it then goes "
        "with it. The line is the middle of the needed flow.",
    )


def ahead_picture(n: Numbers) -> Picture:
    """F8. Only for a twin whose plan foretells levels."""
    plan = n.get("/plan")
    last = len(plan["levels"]) - 1
    tests = {test["time"][:10] for test in plan["tests"] if test["of"] == "tank"}
    days = {level["date"] for level in plan["levels"]}
    figure = drawing.draw_forecast(plan, n.get("/tank/targets/alkalinity"), sorted(tests & days))
    return Picture(
        title="Where will alkalinity go?",
        svg=svg(figure, "ahead"),
        alt=n.say(
            "Alkalinity to come while the plan is followed, as a band about your target; on the "
            "last day it is {last:span {unit}} {unit} (9 in 10).",
            last=f"/plan/levels/{last}",
            unit=plan["unit"],
        ).striptags(),
        caption="The true daily mean to expect if the plan is followed: the middle half and the "
        "9-in-10 range. It shows what is not known, not swings of the tank. Triangles: tests.",
    )


def chamber_picture(n: Numbers) -> Picture:
    """F9. Only for a twin with a reactor job."""
    found = n.get("/chamber")
    figure = drawing.draw_chamber(found, n.get("/flow/current"))
    where = "" if found["region"] is None else " The shaded range of pH is where to work."
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


def _drawn(n: Numbers, of: tuple[str, str] | None = None) -> list[Part]:
    """Readings held against the model, all or (sample, parameter); of a long log every n-th beside
    the odd ones."""
    used = [
        reading
        for reading in n.get("/readings")
        if reading["expected"] is not None and of in (None, (reading["sample"], reading["entry"]))
    ]
    every = -(-len(used) // DOTS_DRAWN) or 1
    return [reading for i, reading in enumerate(used) if i % every == 0 or reading["odd"]]


def residuals_picture(n: Numbers) -> Picture:
    """F7."""
    groups: dict[str, list[Part]] = {name: [] for name in _RESIDUAL_GROUPS}
    for reading in _drawn(n):
        name = f"{reading['sample']} {reading['entry']}"
        groups[name if name in groups else _RESIDUAL_GROUPS[-1]].append(reading)
    return Picture(
        title="Are there odd readings?",
        svg=svg(drawing.draw_residuals(groups), "residuals"),
        alt="Each reading less what the model expected of the kit, in kit errors, over time; odd "
        "readings carry their row number and are listed in the table of odd readings.",
        caption="Nearly all readings should lie within the shaded strip of two kit errors either "
        "side, with no drift. Labels are row numbers of the log.",
    )
