"""The sections of the report, one function each, in the order of `SECTIONS`.

A section takes a `Report` and gives its blocks, or None where it has nothing to say. It reads
numbers from the twin only. Those on running the reactor are in `reports.reactor`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from markupsafe import Markup

from estimator.planning import HOLDS
from reports import pictures, reactor
from reports.blocks import (
    Answer,
    Block,
    Folded,
    Items,
    Numbers,
    Prose,
    Section,
    Table,
    Text,
    day,
    moment,
    pointer,
    say,
)
from reports.method import method_blocks
from reports.report import Report
from reports.wording import (
    DECIMALS,
    SCALE,
    SOURCES,
    listed,
    needed_decimals,
    plain,
    sentence,
    times,
    user_text,
)

MOST_ROWS = 200
"""Readings listed on the page; the twin holds them all."""
NEARLY_THE_MOST = 0.8
"""Part of the best narrowing that a cheaper test must bring to be put first."""
USUAL_RISE_DKH = "0.5 to 1"
"""Alkalinity rise per day that keepers do not exceed (common practice, no source)."""

NEEDS = {"high": "needs", "medium": "probably needs", "low": "may need"}
PLACES = frozenset({"tank", "effluent", "chamber"})


def summary(report: Report) -> list[Markup]:
    """At most five plain sentences, the first of them the answer."""
    n = report.numbers
    if report.recommended:
        verb = NEEDS[n.get("/trust/level")]
        needed = say(
            "The tank {} {} of effluent to hold the middle of your band (9-in-10 range: we expect "
            "the right value to lie inside 9 times in 10).",
            verb,
            report.flow_range(),
        )
        lines = [needed]
    else:
        lines = [
            Markup("The log does not support a setting yet; the reason and the remedy are above.")
        ]
    if not report.sampled_well:
        lines.append(Markup("No estimate is shown, because the fit did not pass its own checks."))
        return lines
    lines.append(
        say(
            "It uses {} {} of alkalinity a day ({}){}.",
            n.middle("/uptake/alkalinity/now", n.get("/uptake/alkalinity/unit")),
            n.get("/uptake/alkalinity/unit").removesuffix("/day"),
            n.span("/uptake/alkalinity/now", n.get("/uptake/alkalinity/unit")),
            _calcium_clause(report),
        )
    )
    lines.append(
        say(
            "Alkalinity is {} {} now ({}) and your band is {}.",
            n.middle("/level_now/alkalinity", report.unit),
            report.unit,
            n.span("/level_now/alkalinity", report.unit),
            report.band(),
        )
    )
    if report.steps:
        lines.append(say("With the steps below it is {}.", reactor.plan_chance(report)))
    elif report.recommended and n.get("/flow/level_in_band_probability") >= 0.5:
        lines.append(say("It is {}.", _stays(report, "/flow/in_band_probability")))
    lines.append(say("Trust in the model is {}.", n.get("/trust/level")))
    return lines


def _calcium_clause(report: Report) -> Markup:
    n = report.numbers
    unit = n.get("/uptake/calcium/unit")
    return say(
        " and {} {} of calcium ({})",
        n.middle("/uptake/calcium/now", unit),
        unit.removesuffix("/day"),
        n.span("/uptake/calcium/now", unit),
    )


def _stays(report: Report, path: str) -> Markup:
    """ "likely (78 in 100) that alkalinity stays …" for a probability over the horizon."""
    days = report.numbers.whole("/flow/horizon_days")
    return report.numbers.chance(
        path,
        say("alkalinity stays within the band on each of the next {} days", days),
        say("alkalinity is outside the band on at least one of the next {} days", days),
    )


def setting(report: Report) -> Section:
    """What to set today."""
    title = "The flow to plan for" if report.planned else "What to set today"
    if not report.recommended:
        return Section("set", "What to set today", list(_withheld(report)))
    n = report.numbers
    in_range = say("Range: {}.", report.flow_range())
    first_dosing = reactor.changed_dosing(n)
    if report.planned:
        set_to = say("{} <small>mL/h</small>", report.flow("/flow/recommended/set_to"))
        lines: list[Text] = ["No reactor runs yet: this is a plan, not a setting.", in_range]
        if report.steps:
            lines.append(
                say(
                    "Hand over in {} dated steps, below{}.",
                    n.whole("/flow/today/steps"),
                    say("; to begin, {}", first_dosing) if first_dosing else "",
                )
            )
        answer = Answer("Plan for about", set_to, lines, "go")
        more = list(_dosing(report))
    else:
        answer, more = _today(report), []
    blocks = [answer, *_change_over_note(report), *_notes(report), *more]
    return Section("set", title, blocks)


def _today(report: Report) -> Answer:
    """What to do with the pump now: make the setting, or the first step towards it."""
    n = report.numbers
    action, current = n.get("/flow/today/action"), n.get("/flow/current")
    label = {
        "raise": "Raise the effluent pump to",
        "lower": "Lower the effluent pump to",
        "start": "Start the effluent pump at",
        "leave": "Leave the effluent pump at",
        "off": "Leave the effluent pump off:",
    }[action]
    dosing = reactor.changed_dosing(n)
    lines: list[Text] = [say("<strong>and {}.</strong>", dosing)] if dosing else []
    shown = "/flow/today/set_to"
    if report.steps:
        lines.append(
            say(
                "The first of {} dated steps towards {} mL/h, below.",
                n.whole("/flow/today/steps"),
                report.flow("/flow/recommended/set_to"),
            )
        )
    elif action == "leave":
        shown = "/flow/current"
        best: Text = "It is the best setting."
        if n.get("/flow/recommended/set_to") != current:
            best = say(
                "It does about as well as the best setting, {} mL/h.",
                report.flow("/flow/recommended/set_to"),
            )
        lines.append(best)
    if action in ("raise", "lower"):
        lines.append(say("It is at {} mL/h now.", report.flow("/flow/current")))
    lines.append(say("Range: {}.", report.flow_range()))
    return Answer(label, say("{} <small>mL/h</small>", report.flow(shown)), lines, "go")


def _change_over_note(report: Report) -> Iterator[Block]:
    """How to make the change where it needs no steps, or why there is no plan."""
    n = report.numbers
    kind = n.get("/change_over_plan") and n.get("/change_over_plan/kind")
    if kind == "nothing to do" and n.get("/flow/today/action") != "leave":
        yield Prose("The change is small: make it in one go, and go on testing.")
    elif kind == "none":
        yield Prose(n.words("/change_over_plan/reason"))


def _withheld(report: Report) -> Iterator[Block]:
    yield Answer(
        "From this log",
        "No setting recommended yet",
        [
            report.numbers.words(f"/status_reasons/{i}")
            for i in range(len(report.numbers.get("/status_reasons")))
        ],
        "wait",
    )
    if report.steps:
        yield Prose(
            say(
                "<strong>The change-over goes on all the same,</strong> in steps that the retests "
                "steer. {}",
                reactor.first_step(report),
            )
        )
    else:
        yield Prose(
            "Until then keep to what has held the tank so far, test alkalinity often, and run the "
            "report again with the new readings."
        )
    yield from _notes(report)


def _notes(report: Report) -> Iterator[Block]:
    """What the advice depends on, and the plain summary."""
    n = report.numbers
    notes = [n.words(f"/notes/{i}") for i in range(len(n.get("/notes")))]
    if notes:
        yield Items([say("<strong>Note.</strong> {}", note) for note in notes])
    yield Prose(Markup(" ").join(summary(report)), "summary")


def _dosing(report: Report) -> Iterator[Block]:
    """Rates of each logged solution that alone hold the level."""
    n = report.numbers
    if not n.get("/dosing") or not report.sampled_well:
        return
    rows = [
        [
            user_text(name),
            one["carries"],
            n.middle(pointer("dosing", name, "needed"), "mL/day"),
            n.span(pointer("dosing", name, "needed"), "mL/day"),
        ]
        for name, one in n.get("/dosing").items()
    ]
    yield Table(
        "Dose rates that hold the level without a reactor, each for what it carries",
        ["Solution", "Carries", "mL/day", "9-in-10 range"],
        rows,
        frozenset({2, 3}),
    )


def certainty(report: Report) -> Section:
    """How sure."""
    n = report.numbers
    blocks: list[Block] = []
    if report.recommended:
        flow = "planned flow" if report.planned else "recommended setting"
        blocks.append(
            Prose(
                say(
                    "At the {}{}, it is {}.",
                    flow,
                    " made at once, without dosing" if report.steps else "",
                    _stays(report, "/flow/in_band_probability"),
                )
            )
        )
    if report.sampled_well and n.get("/flow/level_in_band_probability") < 0.5:
        today = n.chance(
            "/flow/level_in_band_probability", "it is inside the band", "it is outside the band"
        )
        blocks.append(
            Prose(
                say(
                    "That counts today's level: it is {} already, and no flow brings it back at "
                    "once.",
                    today,
                )
            )
        )
    if report.sampled_well and n.get("/flow/current_in_band_probability") is not None:
        blocks.append(
            Prose(
                say(
                    "If everything goes on as now (pump at {} mL/h), it is {}.",
                    report.flow("/flow/current"),
                    _stays(report, "/flow/current_in_band_probability"),
                )
            )
        )
    if report.recommended:
        blocks.append(pictures.needed_flow(report.study, n))
    blocks.append(Prose(SCALE, "aside"))
    blocks.append(
        Prose(
            say(
                "<strong>Trust in the model: {}</strong>, because {}. {} of {} readings used look "
                "odd ({}\N{NO-BREAK SPACE}%).",
                n.get("/trust/level"),
                listed(n.get("/trust/reasons")),
                n.whole("/trust/odd_readings"),
                n.whole("/trust/readings_used"),
                n("/trust/odd_share_pct", 0),
            ),
            "trust",
        )
    )
    if report.sampled_well and not n.get("/level_check/checked"):
        blocks.append(Prose(_level_warning(report), "aside"))
    return Section("sure", "How sure", blocks)


def _level_warning(report: Report) -> Markup:
    """What the range of the level is worth if the kit has shifted, and what to do."""
    n = report.numbers
    return say(
        "The range of alkalinity now holds while the kit reads as it always did, and no reference "
        "solution was tested in the last {} days. In simulated logs whose kit shifted by a "
        "twentieth unnoticed it held the truth {} times in 100 instead of 9 in 10, and {} where "
        "uptake followed saturation. Test a reference solution with that kit. The needed flow "
        "hardly depends on it, since tank and effluent are tested alike.",
        n.whole("/level_check/checked_days"),
        n.in_hundred("/level_check/held_if_kit_shifted"),
        n.in_hundred("/level_check/held_if_uptake_follows_saturation"),
    )


def reasons(report: Report) -> Section:
    """Why: uptake, levels, and what else was learnt."""
    if not report.sampled_well:
        text = "No estimate is shown, because the fit did not pass its own checks."
        return Section("why", "Why", [Prose(text)])
    n = report.numbers
    blocks: list[Block] = [pictures.uptake(report.study, n)]
    if n.get("/uptake/alkalinity/net_change_only"):
        blocks.insert(
            0,
            Prose("No addition is in the log, so “uptake” here is the net change of the level."),
        )
    blocks.append(_estimates(report))
    blocks.append(pictures.level(report.study, n, "alkalinity"))
    if n.get("/level_now/calcium") is not None:
        blocks.append(pictures.level(report.study, n, "calcium"))
    else:
        blocks.append(
            Prose(
                "Calcium was never tested in the tank, so its uptake is reckoned from that of "
                "alkalinity and its level is not known."
            )
        )
    blocks += _kits(report)
    if not report.planned:
        blocks += _dosing(report)
    return Section("why", "Why", blocks)


def _estimates(report: Report) -> Table:
    n = report.numbers
    rows = [
        report.estimate(f"{name.capitalize()} uptake now", f"/uptake/{name}/now", unit)
        for name in ("alkalinity", "calcium")
        for unit in [n.get(f"/uptake/{name}/unit")]
    ]
    if n.get("/uptake/alkalinity/nitrate_part") is not None:
        unit = n.get("/uptake/alkalinity/unit")
        rows.append(report.estimate("of it, by nitrate", "/uptake/alkalinity/nitrate_part", unit))
    rows.append(
        [
            "Calcium per alkalinity used",
            n("/calcium_per_alkalinity/q50", 2),
            say(
                "{} to {}", n("/calcium_per_alkalinity/q05", 2), n("/calcium_per_alkalinity/q95", 2)
            ),
            "mg/L per dKH",
        ]
    )
    rows.append(report.estimate("Alkalinity now", "/level_now/alkalinity", report.unit))
    if n.get("/level_now/calcium") is not None:
        unit = n.get("/level_now/calcium/unit")
        rows.append(report.estimate("Calcium now", "/level_now/calcium", unit))
    rows.append(report.estimate("Water volume", "/water_volume_l", "L"))
    tested = n.get("/effluent/alkalinity/tested")
    name = "Effluent alkalinity" if tested else "Effluent alkalinity (not tested)"
    rows.append(report.estimate(name, "/effluent/alkalinity", n.get("/effluent/alkalinity/unit")))
    return Table(
        "What the log says (levels are daily means)",
        ["Quantity", "Middle", "9-in-10 range", "Unit"],
        rows,
        frozenset({1, 2}),
    )


def _kits(report: Report) -> Iterator[Block]:
    n = report.numbers
    if not n.get("/kits"):
        return
    rows: list[list[Text]] = []
    for name, kit in n.get("/kits").items():
        decimals = max(DECIMALS[kit["unit"]], 1)
        rows.append(
            [
                user_text(name),
                n.span(pointer("kits", name, "calibration_pct"), "%"),
                n(pointer("kits", name, "repeatability", "q50"), decimals),
                kit["unit"],
            ]
        )
    yield Table(
        "Your kits: how far the present bottle reads high, or low where negative (9-in-10 "
        "range), and how far repeated tests scatter",
        ["Kit", "Reads high by, %", "Scatter (sd)", "Unit"],
        rows,
        frozenset({1, 2}),
    )


def tests(report: Report) -> Section:
    """What to test next, how much is enough, and a plan."""
    title = "What to test next"
    n = report.numbers
    if not n.get("/next_tests"):
        text = "Run the report again with another seed, and look first at the odd readings below."
        return Section("next", title, [Prose(text)])
    blocks: list[Block] = [Prose(lead, "lead") for lead in next_test_lines(report.numbers)]
    blocks += [pictures.next_tests(n), *_ranking(report), *_plan(report), *_how_much(report)]
    return Section("next", title, blocks)


def next_test_lines(n: Numbers) -> list[Markup]:
    """What to do next in a sentence or two, also for the terminal."""
    until = n.get("/testing/settled_until")
    if until is not None:
        return [
            say(
                "The readings already settle the setting: no test adds as much as 1 in 100 to the "
                "chance of holding the band. Beside your usual safety tests nothing need be tested "
                "before {}.",
                day(until),
            )
        ]
    if max(one["narrowing_pct"] for one in n.get("/next_tests")) < n.get("/testing/useful_pct"):
        return [_nothing_helps(n)]
    best = _most_useful(n)
    path = f"/next_tests/{best}"
    one = n.get(path)
    line = say(
        "Next: {}. It takes about {} minutes in all, would probably narrow the flow range from {} "
        "to about {} mL/h (9-in-10: {} to {}), and raises the chance of holding the band by {} in "
        "100.",
        what(one),
        n.whole(f"{path}/minutes"),
        n(f"{path}/width_now", 0),
        n(f"{path}/expected_width", 0),
        n(f"{path}/expected_width_q05", 0),
        n(f"{path}/expected_width_q95", 0),
        n.in_hundred(f"{path}/holding_gain"),
    )
    risk = [say("<strong>Beware.</strong> {}", one["risk"])] if one["risk"] else []
    return [line, *risk]


def _nothing_helps(n: Numbers) -> Markup:
    """No test narrows the range: what is left open, and what would."""
    shares = n.get("/flow/variance_shares")
    main = max((name for name in shares if name in SOURCES), key=lambda name: shares[name])
    return say(
        "No test that can be run now narrows the flow range by as much as {} %. What is left open "
        "comes mostly from {}; {}{}.",
        n.whole("/testing/useful_pct"),
        SOURCES[main][0],
        "once the reactor runs, " if n.get("/flow/planned") else "",
        SOURCES[main][1],
    )


def _most_useful(n: Numbers) -> int:
    """The test to do next: of those that bring nearly the most, the one of fewest minutes.

    Candidates with a risk are never put first.
    """
    found = n.get("/next_tests")
    safe = [i for i, one in enumerate(found) if not one["risk"]]
    most = max(found[i]["narrowing_pct"] for i in safe)
    good = [i for i in safe if found[i]["narrowing_pct"] >= NEARLY_THE_MOST * most]
    return min(good, key=lambda i: (found[i]["minutes"], i))


def what(one: dict[str, Any]) -> str:
    label = one["test"]
    if one["key"] in ("volume", "stop_day"):
        return str(label) + ("" if one["repeats"] == 1 else f", each test {times(one['repeats'])}")
    each = "" if one["days"] == 0 else " each time"
    return f"test {label}" + ("" if one["repeats"] == 1 else f", {times(one['repeats'])}{each}")


def _ranking(report: Report) -> Iterator[Block]:
    n = report.numbers
    found = n.get("/next_tests")
    priced = any(one["price"] is not None for one in found)

    def row(i: int) -> list[Text]:
        path, one = f"/next_tests/{i}", found[i]
        cells: list[Text] = [
            say("{}{}", what(one), " (as good)" if one["tied_with_previous"] else ""),
            say("{} to {}", n(f"{path}/width_now", 0), n(f"{path}/expected_width", 0)),
            say("{} ± {}", n(f"{path}/narrowing_pct", 0), n(f"{path}/narrowing_mc_error_pct", 1)),
            n.in_hundred(f"{path}/holding_gain"),
            n.whole(f"{path}/minutes"),
            n(f"{path}/narrowing_pct_per_minute", 1),
            n(f"{path}/days", 0),
        ]
        return [*cells, n(f"{path}/price", 2)] if priced else cells

    head = [
        "What to do",
        "Width of the flow range, mL/h",
        "Narrower by, %",
        "Chance of holding the band, + in 100",
        "Minutes",
        "% per minute",
        "Days",
    ]
    table = Table(
        "Every test, the one that narrows most first; “as good” means that it cannot be told from "
        "the line above. ± is the error of the computation",
        [*head, "Price"] if priced else head,
        [row(i) for i in range(len(found))],
        frozenset({1, 2, 3, 4, 5, 6, 7}),
    )
    yield Folded(say("All {} ways to test, ranked", len(found)), [table])


def _plan(report: Report) -> Iterator[Block]:
    n = report.numbers
    plan = useful_plan(n)
    if plan is None:
        return
    minutes = n.whole("/testing/plan/minutes_per_week")
    if not plan["tests"]:
        yield Prose(say("No test fits into {} minutes a week.", minutes))
        return
    rows: list[list[Text]] = [
        [
            moment(test["time"]),
            f"{'tank' if test['of'] == 'tank' else 'effluent'} {test['entry']}",
            times(test["repeats"]),
            n.whole(f"/testing/plan/tests/{i}/minutes"),
        ]
        for i, test in enumerate(plan["tests"])
    ]
    yield Table(
        "A plan for the next two weeks",
        ["When", "Test", "How often", "Minutes"],
        rows,
        frozenset({3}),
    )
    yield Prose(plan_line(n))


def useful_plan(n: Numbers) -> dict[str, Any] | None:
    """The plan of tests, unless it narrows the flow range by too little to be worth the minutes."""
    plan: dict[str, Any] | None = n.get("/testing/plan")
    if plan and plan["tests"] and 100 - plan["width_pct"] < n.get("/testing/useful_pct"):
        return None
    return plan


def plan_line(n: Numbers) -> Markup:
    """What the plan brings, beside evenly spaced tests."""
    beside = (
        "The retests of the change-over come first and count towards these minutes."
        if n.get("/change_over")
        else "The plan serves the setting: keep up your usual safety tests beside it."
    )
    return say(
        "It takes at most {} minutes a week and leaves the flow range at about {} % of what it "
        "would be then without any test (± {}); as many minutes of evenly spaced tank alkalinity "
        "tests leave {} %. {}",
        n.whole("/testing/plan/minutes_per_week"),
        n("/testing/plan/width_pct", 0),
        n("/testing/plan/width_mc_error_pct", 1),
        n("/testing/plan/evenly_spaced_width_pct", 0),
        beside,
    )


def how_much_line(n: Numbers) -> Markup | None:
    """How many tests are enough, and what no test can beat."""
    much = n.get("/testing/how_much")
    if much is None:
        return None
    enough = much["enough"]
    if enough is None:
        verdict = say(
            "Up to {} tests each still add to the chance of holding the band.",
            n.whole("/testing/how_much/most_weighed"),
        )
    elif enough == 0 and much["holding_now"] < HOLDS:
        out = n.get("/flow/level_in_band_probability") < 0.5
        verdict = say(
            "No test raises the chance of holding the band much{}.",
            ": the level has to be put right first" if out else "",
        )
    elif enough == 0:
        verdict = Markup("For holding the band the readings so far are enough.")
    else:
        verdict = say(
            "For holding the band, {} well-chosen tests are enough: more add less than 1 in 100.",
            n.whole("/testing/how_much/enough"),
        )
    causes = much["floor_causes"]
    largest = max(causes, key=lambda name: causes[name])
    return say(
        "{} No number of tank tests in the next two weeks narrows the range below about {} "
        "mL/h ({} % of now); what sets that floor is mostly {}. If everything about today "
        "were known, the chance of holding the band would be {} in 100 higher.",
        verdict,
        n("/testing/how_much/floor", 0),
        n("/testing/how_much/floor_pct", 0),
        largest,
        n.in_hundred("/testing/how_much/holding_gain_if_all_were_known"),
    )


def _how_much(report: Report) -> Iterator[Block]:
    n = report.numbers
    much, line = n.get("/testing/how_much"), how_much_line(report.numbers)
    if line is None:
        return
    yield Prose(line)
    steps = (0, 1, 2, 4, 7, 14, 28)
    widths = much["width_by_tests"]
    rows: list[list[Text]] = [
        [str(k), n(f"/testing/how_much/width_by_tests/{k}", 0)] for k in steps if k < len(widths)
    ]
    yield Folded(
        "Width of the flow range against number of tests",
        [
            Table(
                "In the best order over two weeks, by the best linear estimate",
                ["Tests", "Width, mL/h"],
                rows,
                frozenset({0, 1}),
            )
        ],
    )


def narrowing(report: Report) -> Section:
    """What would narrow the answer."""
    title = "What would change the answer"
    if not report.sampled_well:
        text = "Run the report again with another seed, and look first at the odd readings below."
        return Section("narrow", title, [Prose(text)])
    n = report.numbers
    shares = n.get("/flow/variance_shares")
    known = [name for name in shares if name in SOURCES]
    ranked = sorted(known, key=lambda name: -shares[name])
    if not ranked:
        return Section("narrow", title, [Prose("More readings of any kind.")])
    first = ranked[0]
    lead = say(
        "Most of what is left open comes from {} ({}). To narrow it, {}.",
        SOURCES[first][0],
        n.share(pointer("flow", "variance_shares", first)),
        SOURCES[first][1],
    )
    rows: list[list[Text]] = [
        [
            sentence(SOURCES[name][0]).removesuffix("."),
            n.share(pointer("flow", "variance_shares", name)),
            sentence(SOURCES[name][1]),
        ]
        for name in ranked
    ]
    caption = "Where the width of the flow range comes from"
    if any(shares[name] < 0 for name in ranked):
        caption += "; a negative part offsets another"
    table = Table(caption, ["Source", "Part", "What narrows it"], rows, frozenset({1}))
    figure = [pictures.hangs_on(n)] if n.get("/flow_hangs_on") else []
    return Section("narrow", title, [*figure, Prose(lead), table])


def cautions(report: Report) -> Section:
    """At most three warnings that fit this run, and who prevails."""
    n = report.numbers
    warnings: list[Text] = []
    changes = n.get("/flow/action") in ("raise", "lower", "start")
    plan = n.get("/change_over_plan")
    small = plan is not None and plan["kind"] == "nothing to do"
    outside = report.sampled_well and n.get("/flow/level_in_band_probability") < 0.5
    if not report.sampled_well:
        warnings.append(
            Markup(
                "<strong>Do not act on this report.</strong> The fit did not pass its checks; keep "
                "the settings and test."
            )
        )
    elif (changes and not small) or outside:
        warnings.append(_slowly(report))
    if n.get("/flow/current") or not report.planned or report.steps:
        ph = n.get("/tank/chamber_ph")
        at = say(" (yours: pH {})", n("/tank/chamber_ph", 1)) if ph is not None else ""
        warnings.append(
            say(
                "<strong>Chamber water is acid</strong>{}. A runaway pump or a CO2 valve stuck "
                "open can harm the animals: check the flow with a measuring jug, and have the "
                "controller shut the gas when the tank's pH falls too low.",
                at,
            )
        )
    warnings.append(
        Markup(
            "<strong>CO2 can suffocate.</strong> A full 2 kg charge makes about 1110 L of gas: "
            "3.7 % of the air in a closed room of 30 m³, 7.4 % in one of 15 m³, and 4 % is "
            "immediately dangerous (NIOSH). Air the room, fix the cylinder upright, use the right "
            "regulator, and think of a CO2 alarm."
        )
    )
    if report.planned and n.get("/dosing"):
        warnings.append(
            Markup(
                "<strong>Dose slowly and apart.</strong> Alkalinity and calcium solutions "
                "precipitate where they meet undiluted; spread them over the day."
            )
        )
    prevail = (
        "This report is an estimate only. Local codes, your gas supplier, a licensed electrician "
        "(ground-fault protection, drip loops) and a veterinarian prevail over it."
    )
    return Section(
        "cautions",
        "Cautions",
        [
            Items(warnings[:3]),
            Prose(prevail, "aside"),
            Folded("Safety, with sources", [reactor.SAFETY]),
        ],
    )


def _slowly(report: Report) -> Markup:
    n = report.numbers
    unit = report.unit
    if n.get("/tank/targets/alkalinity/max_rise_per_day") is not None:
        rise = n("/tank/targets/alkalinity/max_rise_per_day", DECIMALS[unit])
        limit = say("your limit is a rise of {} {} a day", rise, unit)
    else:
        limit = say("common practice is a rise of at most {} dKH a day", USUAL_RISE_DKH)
    how = (
        "Keep to the dated steps and to each retest"
        if report.steps
        else "Move the pump in steps over some days and test alkalinity between"
    )
    return say("<strong>Change slowly.</strong> {}; {}.", how, limit)


def trust(report: Report) -> Section:
    """Can the fit be trusted."""
    blocks = [
        pictures.residuals(report.study),
        *_scatter(report),
        *_odd(report),
        _checks(report),
        *_flagged(report),
    ]
    return Section("trust", "Can the fit be trusted", blocks)


def _scatter(report: Report) -> Iterator[Block]:
    """Do the readings lie about the model as their kits should."""
    n = report.numbers
    found = n.get("/reading_checks")

    def share(name: str) -> list[Text]:
        held = found[f"{name}_pct"] >= found[f"{name}_least_pct"]
        return [
            say("{} %", n.whole(f"/reading_checks/{name}_pct")),
            say("at least {} %", n.whole(f"/reading_checks/{name}_least_pct")),
            "passed" if held else "failed",
        ]

    runs = found["runs"] >= found["runs_least"]
    yield Table(
        "Do the readings lie about the model as their kits should?",
        ["Check", "Found", "Limit", "Verdict"],
        [
            ["Inside their middle-half range", *share("in_50")],
            ["Inside their 9-in-10 range", *share("in_90")],
            [
                "Changes of side, alkalinity (more is better)",
                n.whole("/reading_checks/runs"),
                say("at least {}", n.whole("/reading_checks/runs_least")),
                "passed" if runs else "failed",
            ],
        ],
        frozenset({1}),
    )
    if found["passes"]:
        yield Prose("They do: the model leaves nothing visible out.")
    else:
        yield Prose(
            "They do not: the model misses something. Look for an entry that is missing from the "
            "log, such as a dose, a water change or a new bottle of reagent."
        )


def _checks(report: Report) -> Table:
    n = report.numbers
    found = n.get("/diagnostics")

    def verdict(passed: bool) -> str:
        return "passed" if passed else "failed"

    rows: list[list[Text]] = [
        [
            "Chains agree (largest R-hat)",
            n("/diagnostics/r_hat_max", 3),
            say("at most {}", n("/diagnostics/r_hat_limit", 2)),
            verdict((found["r_hat_max"] or 9) <= found["r_hat_limit"]),
        ],
        [
            "Independent draws, middle (fewest)",
            n.whole("/diagnostics/ess_bulk_min"),
            say("at least {}", n.whole("/diagnostics/ess_limit")),
            verdict((found["ess_bulk_min"] or 0) >= found["ess_limit"]),
        ],
        [
            "Independent draws, ends (fewest)",
            n.whole("/diagnostics/ess_tail_min"),
            "",
            "shown only",
        ],
        [
            "Divergent steps",
            n.whole("/diagnostics/divergences"),
            say("at most {}", n.whole("/diagnostics/divergences_limit")),
            verdict(found["divergences"] <= found["divergences_limit"]),
        ],
        [
            "Chains, and draws of each",
            say("{} × {}", n.whole("/diagnostics/chains"), n.whole("/diagnostics/draws")),
            "",
            "shown only",
        ],
    ]
    return Table(
        "Checks of the sampling", ["Check", "Found", "Limit", "Verdict"], rows, frozenset({1})
    )


def _entry_cells(report: Report, path: str) -> list[Text]:
    """Row, time, what, where, value and unit of one entry of the twin."""
    n = report.numbers
    entry = n.get(path)
    unit = entry["unit"]
    value: Text = ""
    if entry["value"] is not None:
        # As many decimals as the keeper wrote, within reason: values were read from text.
        decimals = needed_decimals(entry["value"], DECIMALS.get(unit, 2))
        value = n(f"{path}/value", decimals)
    where = entry["of"] if entry["of"] in PLACES else user_text(entry["of"])
    name = entry["entry"].replace("_", " ")
    shown = "" if unit == "NBS" else unit
    return [n.whole(f"{path}/row"), moment(entry["time"]), name, where, value, shown]


ENTRY_HEAD = ("Row", "Time", "What", "Where", "Value", "Unit")


def _odd(report: Report) -> Iterator[Block]:
    n = report.numbers
    odd = n.get("/odd_readings")
    if not odd:
        yield Prose("No reading looks odd.")
        return
    rows = [
        [
            *_entry_cells(report, f"/odd_readings/{i}"),
            n.small_chance(f"/odd_readings/{i}/chance_ordinary"),
        ]
        for i in range(len(odd))
    ]
    yield Table(
        "Odd readings: likely a slip, or far from what all others say",
        [*ENTRY_HEAD, "Chance ordinary"],
        rows,
        frozenset({4, 6}),
    )
    yield Prose(
        "An odd reading counts little in the fit. If the newest test is odd, test again before you "
        "change anything; do not react to a single reading."
    )


def _flagged(report: Report) -> Iterator[Block]:
    flagged = report.numbers.get("/flagged")
    if flagged:
        rows = [
            [*_entry_cells(report, f"/flagged/{i}"), plain("; ".join(entry["flags"]))]
            for i, entry in enumerate(flagged)
        ]
        yield Table(
            "Entries flagged on reading the log (kept)",
            [*ENTRY_HEAD, "Why"],
            rows,
            frozenset({4}),
        )


def record(report: Report) -> Section:
    """All readings, the method, and where the report comes from."""
    return Section(
        "record",
        "Readings, method and provenance",
        [
            Folded("All readings", list(_all_readings(report))),
            Folded("Method", method_blocks(report.numbers)),
            Folded("Provenance", [_provenance(report)]),
        ],
    )


def _all_readings(report: Report) -> Iterator[Block]:
    n = report.numbers
    readings = n.get("/readings")
    first = max(0, len(readings) - MOST_ROWS)
    if first:
        yield Prose(
            say(
                "The newest {} of {} readings; the twin file holds them all.",
                MOST_ROWS,
                n.whole("/inputs/readings"),
            )
        )
    with_notes = any(reading["note"] for reading in readings[first:])
    rows = []
    for i in range(first, len(readings)):
        reading = readings[i]
        off = n(f"/readings/{i}/off_by_kit_errors", 1) if reading["used"] else "not used"
        row = [*_entry_cells(report, f"/readings/{i}"), user_text(reading["kit"]), off]
        rows.append([*row, user_text(reading["note"])] if with_notes else row)
    head = [*ENTRY_HEAD, "Kit", "Off by, kit errors"]
    yield Table(
        "All readings in time order",
        [*head, "Note"] if with_notes else head,
        rows,
        frozenset({4, 7}),
    )


def _provenance(report: Report) -> Table:
    n = report.numbers
    inputs = n.get("/inputs")
    rows: list[list[Text]] = [
        ["Log", user_text(inputs["log_name"])],
        ["Log, SHA-256", say("<code>{}</code>", inputs["log_sha256"])],
        ["Tank file, SHA-256", say("<code>{}</code>", inputs["tank_sha256"])],
        ["Numbers as JSON", user_text(report.twin_name)],
        ["First entry", moment(inputs["first_entry"])],
        ["Last entry", moment(inputs["last_entry"])],
        ["Rows of the log", n.whole("/inputs/rows")],
        [
            "Readings used and not used",
            say(
                "{} and {}", n.whole("/inputs/readings_used"), n.whole("/inputs/readings_not_used")
            ),
        ],
        ["Actions", n.whole("/inputs/actions")],
        ["Rows without a time of day", n.whole("/inputs/rows_without_time")],
        ["Seed", n.whole("/seed")],
    ]
    rows += [[name, version] for name, version in n.get("/versions").items()]
    return Table("Where this report comes from", ["Item", "Value"], rows)


SECTIONS: tuple[Callable[[Report], Section | None], ...] = (
    setting,
    reactor.change_over,
    certainty,
    reasons,
    reactor.watch,
    tests,
    narrowing,
    reactor.chamber,
    reactor.tank_ph,
    reactor.supplies,
    reactor.alone,
    cautions,
    trust,
    record,
)
"""Every section of the page, in order."""
