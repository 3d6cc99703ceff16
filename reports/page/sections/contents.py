"""The sections of the report, one function each, in the order of `SECTIONS`.

A section takes a `Report` and gives its blocks, or None where it has nothing to say. It reads
numbers from the twin only. Here are those that lead the page, and the cautions; the others have
modules of their own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from markupsafe import Markup

from reports.blocks import (
    Answer,
    Block,
    Folded,
    Items,
    Prose,
    Section,
    Table,
    Text,
    pointer,
    say,
)
from reports.figures import captions as pictures
from reports.page.report import Report
from reports.page.sections import evidence, hand_over, reactor, testing
from reports.wording import (
    DECIMALS,
    SCALE,
    listed,
    user_text,
)

USUAL_RISE_DKH = "0.5 to 1"
"""Alkalinity rise per day that keepers do not exceed (common practice, no source)."""

NEEDS = {"high": "needs", "medium": "probably needs", "low": "may need"}


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
            "The tank uses {} {} of alkalinity a day ({}){}.",
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
        lines.append(say("With the steps below it is {}.", hand_over.plan_chance(report)))
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
    first_dosing = hand_over.changed_dosing(n)
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
    dosing = hand_over.changed_dosing(n)
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
                "steer. {} More below.",
                hand_over.first_settings(report.numbers),
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
        blocks.append(pictures.needed_flow(n))
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
    blocks: list[Block] = [pictures.uptake(n)]
    if n.get("/uptake/alkalinity/net_change_only"):
        blocks.insert(
            0,
            Prose("No addition is in the log, so “uptake” here is the net change of the level."),
        )
    blocks.append(_estimates(report))
    blocks.append(pictures.level(n, "alkalinity"))
    if n.get("/level_now/calcium") is not None:
        blocks.append(pictures.level(n, "calcium"))
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
    elif (changes and not small) or outside or report.steps:
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


SECTIONS: tuple[Callable[[Report], Section | None], ...] = (
    setting,
    hand_over.change_over,
    certainty,
    reasons,
    reactor.watch,
    testing.tests,
    testing.narrowing,
    reactor.chamber,
    reactor.tank_ph,
    reactor.supplies,
    reactor.alone,
    cautions,
    evidence.trust,
    evidence.record,
)
"""Every section of the page, in order."""
