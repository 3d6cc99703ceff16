"""What to set today: the answer, what it hangs on, and a summary in plain words."""

from __future__ import annotations

from collections.abc import Iterator

from markupsafe import Markup

from reports.blocks import Answer, Block, Items, Prose, Text, say
from reports.page.report import Report, section
from reports.page.sections.change_over import changed_dosing, first_settings, plan_chance
from reports.page.sections.reasons import dosing_table

NEEDS = {"high": "needs", "medium": "probably needs", "low": "may need"}
"""By trust in the model."""
DO = {
    "raise": "Raise the effluent pump to",
    "lower": "Lower the effluent pump to",
    "start": "Start the effluent pump at",
    "leave": "Leave the effluent pump at",
    "off": "Leave the effluent pump off:",
}
"""By what is to be done today."""
FIRST_LOOK = "Look first at what stands above: with its cause the setting may change."


def _title(n: Report) -> str:
    return "The flow to plan for" if n.planned and n.recommended else "What to set today"


@section("set", _title)
def setting_section(n: Report) -> Iterator[Block]:
    """What to set today."""
    if n.recommended:
        yield _flow_to_plan_for(n) if n.planned else _set_today(n)
        yield from _no_steps(n)
    else:
        yield from _withheld(n)
    yield Items([say("<strong>Note.</strong> {}", note) for note in n.all_words("/notes")])
    yield Prose(Markup(" ").join(_summary(n)), "summary")
    if n.planned and n.recommended:
        yield dosing_table(n)


def _flow_to_plan_for(n: Report) -> Answer:
    """The flow of a reactor to come."""
    lines: list[Text] = [
        *([FIRST_LOOK] if n.get("/alarms") else []),
        "No reactor runs yet: this is a plan, not a setting.",
        say("Range: {}.", n.flow_range()),
    ]
    if n.steps:
        first = changed_dosing(n)
        begin = say("; to begin, {}", first) if first else ""
        lines.append(
            n.say("Hand over in {/flow/today/steps} dated steps, below{begin}.", begin=begin)
        )
    flow = n.say("{/flow/recommended/set_to:flow} <small>mL/h</small>")
    return Answer("Plan for about", flow, lines, "go")


def _set_today(n: Report) -> Answer:
    """What to do with the pump now: make the setting, or the first step towards it."""
    action, shown = n.get("/flow/today/action"), "/flow/today/set_to"
    dosing = changed_dosing(n)
    alarms = n.get("/alarms")
    lines: list[Text] = [say("<strong>and {}.</strong>", dosing)] if dosing else []
    if alarms:
        lines.append(FIRST_LOOK)
    if n.steps:
        lines.append(
            n.say(
                "The first of {/flow/today/steps} dated steps towards "
                "{/flow/recommended/set_to:flow} mL/h, below."
            )
        )
    elif action == "leave":
        shown = "/flow/current"
    if action == "leave" and not n.steps and not alarms:
        best = "It is the best setting."
        if n.get("/flow/recommended/set_to") != n.get(shown):
            best = (
                "It does about as well as the best setting, {/flow/recommended/set_to:flow} mL/h."
            )
        lines.append(n.say(best))
    if action in ("raise", "lower"):
        lines.append(n.say("It is at {/flow/current:flow} mL/h now."))
    lines.append(say("Range: {}.", n.flow_range()))
    return Answer(
        DO[action], say("{} <small>mL/h</small>", n.flow(shown)), lines, "wait" if alarms else "go"
    )


def _no_steps(n: Report) -> Iterator[Block]:
    """How to make the change where it needs no steps, or why there is no plan."""
    kind = n.get("/change_over_plan") and n.get("/change_over_plan/kind")
    if kind == "nothing to do" and not n.get("/alarms") and n.get("/flow/today/action") != "leave":
        yield Prose("The change is small: make it in one go, and go on testing.")
    elif kind == "none":
        yield Prose(n.words("/change_over_plan/reason"))


def _withheld(n: Report) -> Iterator[Block]:
    """Why there is no setting, and what to do meanwhile."""
    reasons = n.all_words("/status_reasons")
    yield Answer("From this log", "No setting recommended yet", reasons, "wait")
    if n.steps:
        yield n.para(
            "<strong>The change-over goes on all the same,</strong> in steps that the retests "
            "steer. {first} More below.",
            first=first_settings(n),
        )
    elif n.get("/alarms"):
        yield Prose(
            "Look first at what stands above. Until then leave the settings as they are, test "
            "alkalinity often, and run the report again with the new readings."
        )
    else:
        yield Prose(
            "Until then keep to what has held the tank so far, test alkalinity often, and run the "
            "report again with the new readings."
        )


def _summary(n: Report) -> Iterator[Text]:
    """At most five plain sentences, the first of them the answer."""
    if n.recommended:
        yield say(
            "The tank {} {} of effluent to hold the middle of your band (9-in-10 range: we expect "
            "the right value to lie inside 9 times in 10).",
            NEEDS[n.get("/trust/level")],
            n.flow_range(),
        )
    else:
        yield "The log does not support a setting yet; the reason and the remedy are above."
    if not n.shown:
        yield n.why_not_shown
        return
    calcium = (
        " and {at/calcium/now:middle {ca}/day} {ca} of calcium ({at/calcium/now:span {ca}/day})"
    )
    yield n.say(
        "The tank uses {at/alkalinity/now:middle {alk}/day} {alk} of alkalinity a day "
        f"({{at/alkalinity/now:span {{alk}}/day}}){calcium if n.calcium_shown else ''}.",
        at="/uptake",
        alk=n.unit,
        ca=n.get("/uptake/calcium/unit").removesuffix("/day"),
    )
    yield n.say(
        "Alkalinity is {at:middle {unit}} {unit} now ({at:span {unit}}) and your band is "
        "{band/low:{unit}} to {band/high:{unit}} {unit}.",
        at="/level_now/alkalinity",
        band="/tank/targets/alkalinity",
        unit=n.unit,
    )
    if n.steps:
        yield say("With the steps below it is {}.", plan_chance(n))
    elif n.recommended and n.get("/flow/level_in_band_probability") >= 0.5:
        yield say("It is {}.", n.stays("/flow/in_band_probability"))
    yield say("Trust in the model is {}.", n.get("/trust/level"))
