"""The figures of one study, each with headline, text in its place and caption."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from estimator.fit.checks import ReadingCheck
from estimator.inputs.parameters import ALKALINITY, PARAMETERS
from estimator.study import Study
from reports.blocks import Numbers, Picture, say
from reports.figures import drawing as figures
from reports.figures.drawing import Band, Dots, Floats, Residuals
from reports.twin.quantities import (
    alkalinity_unit,
    calcium_unit,
    in_alkalinity_unit,
    in_calcium_unit,
)
from reports.twin.reactor import level_days
from reports.wording import DECIMALS, step_decimals
from reports.words.advice import CANDIDATE_WORDS, UNKNOWNS

_BAND_POINTS = (0.05, 0.25, 0.75, 0.95)
_RESIDUAL_GROUPS = ("tank alkalinity", "tank calcium", "effluent alkalinity", "other readings")


def needed_flow(study: Study, numbers: Numbers) -> Picture:
    """F1. Only for a study with a setting."""
    flow: dict[str, Any] = numbers.get("/flow")
    setting = flow["recommended"]
    dots = np.array(flow["needed_dots"])
    decimals = flow_decimals(numbers)
    low, high, set_to, current = (
        numbers.plain(path, decimals) if numbers.get(path) is not None else ""
        for path in (
            "/flow/recommended/low",
            "/flow/recommended/high",
            "/flow/recommended/set_to",
            "/flow/current",
        )
    )
    now = f" The pump is at {current} now, the dashed line." if current else ""
    figure = figures.needed_flow(
        dots,
        setting["low"],
        setting["high"],
        setting["set_to"],
        flow["current"],
        planned=flow["planned"],
    )
    return Picture(
        title="Which flow does the tank need?",
        svg=figures.svg(figure, "needed-flow"),
        alt=f"Dot plot of the needed flow in mL per hour: {flow['needed_dots_in_range']} of "
        f"{len(dots)} equally likely values lie between {low} and {high}; the "
        f"setting is {set_to}.{now}",
        caption=say(
            "Each dot is one of 20 equally likely answers to “which flow holds the middle of the "
            "band?”. The shaded range holds {} of them (filled dots). The solid line with a "
            "triangle is the {}{}.",
            numbers.whole("/flow/needed_dots_in_range"),
            "flow to plan for" if flow["planned"] else "setting",
            "; the dashed line is the pump now" if current else "",
        ),
    )


def flow_decimals(numbers: Numbers) -> int:
    """Decimals of a pump setting."""
    pump = numbers.get("/tank/pump")
    return step_decimals(pump["step"]) if pump else 0


def uptake(study: Study, numbers: Numbers) -> Picture:
    """F2."""
    post = study.posterior
    bands = [
        _band(
            study,
            in_alkalinity_unit(study, post.uptake_meq_l_d),
            f"{alkalinity_unit(study)}/day",
            "Alkalinity",
        )
    ]
    bands.append(
        _band(
            study,
            in_calcium_unit(study, post.calcium_uptake_mmol_l_d),
            f"{calcium_unit(study)}/day",
            "Calcium" if post.calcium_mmol_l is not None else "Calcium (from alkalinity)",
        )
    )
    now = [
        f"{name} {numbers.plain(f'/uptake/{name}/now/q50', DECIMALS[band.unit])} "
        f"({numbers.plain(f'/uptake/{name}/now/q05', DECIMALS[band.unit])} to "
        f"{numbers.plain(f'/uptake/{name}/now/q95', DECIMALS[band.unit])}) {band.unit}"
        for name, band in zip(("alkalinity", "calcium"), bands, strict=True)
    ]
    return Picture(
        title="How much does the tank use a day?",
        svg=figures.svg(figures.uptake(bands), "uptake"),
        alt=f"Daily uptake over the log, two panels. On the last day: {now[0]}; {now[1]}.",
        caption="Daily mean on some days of the log. Thin lines: 9-in-10 range; thick lines: the "
        "middle half. The lines show what the readings leave open, not swings of the tank.",
    )


def level(study: Study, numbers: Numbers, parameter: str) -> Picture:
    """F3 ("alkalinity") and F4 ("calcium"). Only for a parameter that was tested."""
    post = study.posterior
    if parameter == ALKALINITY.name:
        unit, draws = alkalinity_unit(study), in_alkalinity_unit(study, post.alkalinity_meq_l)
    else:
        assert post.calcium_mmol_l is not None
        unit, draws = calcium_unit(study), in_calcium_unit(study, post.calcium_mmol_l)
    checks = _drawn(
        [
            check
            for check in post.checks
            if (check.reading.sample, check.reading.parameter) == ("tank", parameter)
        ]
    )
    convert = PARAMETERS[parameter].from_canonical
    dots = Dots(
        times=[check.reading.time for check in checks],
        values=np.array([convert(check.reading.value, unit) for check in checks], dtype=float),
        odd=np.array([check.is_odd for check in checks], dtype=bool),
    )
    target = study.tank.targets.get(parameter)
    edges = (convert(target.low, unit), convert(target.high, unit)) if target else None
    place, decimals = f"/level_now/{parameter}", DECIMALS[unit]
    now = (
        f"{numbers.plain(f'{place}/q05', decimals)} to {numbers.plain(f'{place}/q95', decimals)} "
        f"{unit}"
    )
    return Picture(
        title=f"Does the model follow the {parameter} tests?",
        svg=figures.svg(
            figures.level(_band(study, draws, unit, parameter), dots, edges), f"{parameter}-level"
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


def next_tests(numbers: Numbers) -> Picture:
    """F5. Only for a study with candidates."""
    found = best_of_each(numbers)[:TESTS_DRAWN]
    every = numbers.get("/next_tests")
    rows = [every[i] for i in found]

    def column(key: str) -> Floats:
        return np.array([row[key] for row in rows], dtype=float)

    now = rows[0]["width_now"]
    figure = figures.next_tests(
        [_test_label(row) for row in rows],
        column("expected_width"),
        column("expected_width_q05"),
        column("expected_width_q95"),
        now,
    )
    first = f"/next_tests/{found[0]}"
    return Picture(
        title="Which test helps most?",
        svg=figures.svg(figure, "next-tests"),
        alt=f"Expected width of the flow range after each of {len(rows)} sets of tests. Best: "
        f"{_test_label(rows[0])}, from {numbers.plain(f'{first}/width_now', 0)} to about "
        f"{numbers.plain(f'{first}/expected_width', 0)} mL per hour.",
        caption="Dots: the width to expect of the 9-in-10 range of the flow that the tank needs "
        "today, once the results are in. Lines: how far that width itself may turn out better or "
        "worse (9 in 10). Dashed: the width now. Of each kind the number of repeats that narrows "
        "most is drawn.",
    )


def best_of_each(numbers: Numbers) -> list[int]:
    """Places of the best repeat count of each kind of test, best kind first."""
    seen: dict[str, int] = {}
    for i, one in enumerate(numbers.get("/next_tests")):
        seen.setdefault(one["key"], i)
    return list(seen.values())


def _test_label(row: dict[str, Any]) -> str:
    return CANDIDATE_WORDS[row["key"]].in_figure(row["repeats"])


def hangs_on(numbers: Numbers) -> Picture:
    """F6. Only for a study with advice on tests."""
    found = numbers.get("/flow_hangs_on")
    middle = numbers.get("/flow/needed/q50")
    figure = figures.hangs_on(
        [UNKNOWNS[one["unknown"]].name for one in found],
        np.array([one["at_low"] for one in found], dtype=float),
        np.array([one["at_high"] for one in found], dtype=float),
        middle,
    )
    return Picture(
        title="What does the needed flow hang on?",
        svg=figures.svg(figure, "hangs-on"),
        alt="Needed flow where each unknown is low and where it is high. Widest: "
        f"{UNKNOWNS[found[0]['unknown']].name}, {numbers.plain('/flow_hangs_on/0/at_low', 0)} to "
        f"{numbers.plain('/flow_hangs_on/0/at_high', 0)} mL per hour.",
        caption="For each unknown, the needed flow if it is in the lowest tenth of what the log "
        "leaves possible (open dot) and in the highest (filled dot), all else as it then goes "
        "with it. The line is the middle of the needed flow.",
    )


def change_over(study: Study, numbers: Numbers) -> Picture:
    """F8. Only for a study whose change-over has steps."""
    assert study.job is not None
    plan = study.job.change_over
    assert plan.levels_meq_l is not None
    unit = alkalinity_unit(study)
    points = np.quantile(in_alkalinity_unit(study, plan.levels_meq_l), _BAND_POINTS, axis=1)
    band = Band(days=level_days(plan), points=points, unit=unit, name="Alkalinity")
    target = study.tank.targets[ALKALINITY.name]
    edges = (
        ALKALINITY.from_canonical(target.low, unit),
        ALKALINITY.from_canonical(target.high, unit),
    )
    retests = [step.retest_on for step in plan.steps if step.retest_on <= band.days[-1]]
    figure = figures.forecast(band, edges, retests)
    last = f"/change_over/{len(plan.steps) - 1}/alkalinity"
    low, high = (numbers.plain(f"{last}/{q}", DECIMALS[unit]) for q in ("q05", "q95"))
    return Picture(
        title="Where will alkalinity go?",
        svg=figures.svg(figure, "change-over"),
        alt="Alkalinity to come while the steps are followed, as a band about your target; at the "
        f"last retest it is {low} to {high} {unit} (9 in 10).",
        caption="The true daily mean to expect if the rule is followed: the middle half and the "
        "9-in-10 range. It shows what is not known, not swings of the tank. Triangles: retests.",
    )


def chamber(study: Study, numbers: Numbers) -> Picture:
    """F9. Only for a study with a reactor job."""
    assert study.job is not None
    trade = study.job.chamber
    region = trade.region
    figure = figures.chamber(
        trade.ph_axis,
        trade.flow_axis_ml_h,
        trade.supply_over_need,
        None if region is None else (region.low, region.high),
        (trade.present_ph, study.recommendation.flow.current_ml_h) if trade.ph_known else None,
    )
    where = "" if region is None else " The shaded range of pH is where to work."
    return Picture(
        title="Which chamber pH with which flow?",
        svg=figures.svg(figure, "chamber"),
        alt="Chamber pH against flow: the solid line joins the pairs at which the reactor supplies "
        f"what the tank takes up; more flow is needed at a higher pH.{where}",
        caption="On the solid line the supply meets the need, in the middle of what is known; "
        "below it the reactor gives too little, above it too much.",
    )


DOTS_DRAWN = 800
"""Readings drawn in one figure: a page of a long log must still open on a phone."""


def _drawn(checks: Sequence[ReadingCheck]) -> list[ReadingCheck]:
    """All readings, or of a long log every n-th beside the odd ones."""
    every = -(-len(checks) // DOTS_DRAWN) or 1
    return [check for i, check in enumerate(checks) if i % every == 0 or check.is_odd]


def residuals(study: Study) -> Picture:
    """F7."""
    groups: dict[str, list[ReadingCheck]] = {name: [] for name in _RESIDUAL_GROUPS}
    for check in _drawn(study.posterior.checks):
        name = f"{check.reading.sample} {check.reading.parameter}"
        groups[name if name in groups else _RESIDUAL_GROUPS[-1]].append(check)
    parts = [
        Residuals(
            name=name,
            times=[check.reading.time for check in checks],
            values=np.array([check.residual for check in checks], dtype=float),
            rows=[check.reading.row for check in checks],
            odd=np.array([check.is_odd for check in checks], dtype=bool),
        )
        for name, checks in groups.items()
    ]
    return Picture(
        title="Are there odd readings?",
        svg=figures.svg(figures.residuals(parts), "residuals"),
        alt="Each reading less what the model expected of the kit, in kit errors, over time; odd "
        "readings carry their row number and are listed in the table of odd readings.",
        caption="Nearly all readings should lie within the shaded strip of two kit errors either "
        "side, with no drift. Labels are row numbers of the log.",
    )


def _band(study: Study, draws: Floats, unit: str, name: str) -> Band:
    points = np.quantile(draws, _BAND_POINTS, axis=0)
    return Band(days=study.posterior.days, points=points, unit=unit, name=name)
