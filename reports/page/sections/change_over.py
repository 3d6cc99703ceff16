"""The change-over from dosing to the reactor: its steps, and how sure it is."""

from __future__ import annotations

from collections.abc import Iterator

from markupsafe import Markup

from reports.blocks import Block, Prose, Table, Text, day, say, short_day
from reports.figures import captions
from reports.page.report import Report, section
from reports.page.sections.retest_rule import PLAN, dose_rate, dose_rates, rule_blocks
from reports.wording import user_text


def _title_of_plan(n: Report) -> str:
    handed_over = n.get(f"{PLAN}/kind") == "hand over"
    if n.get(f"{PLAN}/corrects"):
        return "Bringing alkalinity back" + (", then handing over" if handed_over else "")
    return "Handing over to the reactor" if handed_over else "Changing the flow in steps"


@section("change-over", _title_of_plan)
def change_over_section(n: Report) -> Iterator[Block]:
    """Dated steps, the rule that one titration decides, and how sure the plan is."""
    if not n.steps:
        return
    yield n.para(
        "{first} {/change_over_plan/reason:words}{later}",
        "lead",
        first=first_settings(n),
        later=" To begin on a later day, run the report again first." if n.planned else "",
    )
    if n.get(f"{PLAN}/remedy"):
        yield _surer(n)
    yield _settings(n)
    yield from rule_blocks(n)
    yield Prose(Markup(" ").join(_chances(n)))
    yield captions.change_over_picture(n)
    if n.get(f"{PLAN}/self_regulation_days") is not None:
        yield n.para(
            "At the final flow the tank evens itself out: a departure shrinks by two thirds in "
            "about {days:middle 0} days ({days:span 0}). That comes of the effluent's flow through "
            "the water volume, and of a tank that uses more the higher its alkalinity. So the full "
            "effect of a change shows only after that time; that is why the change since the last "
            "retest counts as well.",
            "aside",
            days=f"{PLAN}/self_regulation_days",
        )


def first_settings(n: Report) -> Markup:
    """What to set on the first day, with its date."""
    return say("On {}: {}.", day(n.get("/change_over/0/date")), pump_and_dosing(n))


def pump_and_dosing(n: Report) -> Markup:
    """ "set the pump to 300 mL/h and dose 120 mL/day of soda", on the first day."""
    first = n.get("/change_over/0")
    today = n.get("/flow/today")
    goes_on = today is not None and not today["dosing_changes"]
    dosing = _first_dosing(n) if any(first["dose_rates"].values()) or not goes_on else ""
    pump: Text = "turn the pump off" if n.get("/flow/current") else "leave the pump off"
    if first["flow_ml_h"]:
        pump = n.say("set the pump to {/change_over/0/flow_ml_h:flow} mL/h")
    return say("{}{}", pump, say(" and {}", dosing) if dosing else "")


def _first_dosing(n: Report) -> Markup:
    """ "dose 120 mL/day of soda" or "stop dosing", on the first day; empty without solutions."""
    rates = n.get("/change_over/0/dose_rates")
    if rates and not any(rates.values()):
        return Markup("stop dosing")
    return say("dose {}", dose_rates(n, "/change_over/0/dose_rates")) if rates else Markup("")


def changed_dosing(n: Report) -> Markup:
    """What the first step doses, where that is not what is dosed now; else empty."""
    today = n.get("/flow/today")
    return _first_dosing(n) if today and today["dosing_changes"] else Markup("")


def _surer(n: Report) -> Prose:
    rise = n.get(f"{PLAN}/remedy_probability") is not None and n.say(
        " (the chance below would rise from {/change_over_plan/probability:odds} to about "
        "{/change_over_plan/remedy_probability:odds} in 100)"
    )
    return n.para(
        "<strong>This plan is not sure enough yet.</strong> To make it surer, "
        "{/change_over_plan/remedy:words}{rise}.",
        rise=rise or "",
    )


def _settings(n: Report) -> Table:
    """What to set on which day, and what to expect of the retest that ends the step."""
    steps = n.get("/change_over")
    names = list(steps[0]["dose_rates"])
    main = n.get(f"{PLAN}/steering/of")
    takes = [main] if main is not None and any(step["takes"][main] for step in steps) else []
    rows: list[list[Text]] = [
        [
            short_day(step["date"]),
            n.flow(f"{path}/flow_ml_h"),
            *(dose_rate(n, f"{path}/takes", name) for name in takes),
            *(dose_rate(n, f"{path}/dose_rates", name) for name in names),
            n.span(f"{path}/alkalinity", n.unit),
        ]
        for path, step in n.each("/change_over")
    ]
    doses = (say("{}, mL/day", user_text(name)) for name in names)
    head = ["From", "Pump, mL/h", *("Takes over" for _ in takes), *doses, f"Then, {n.unit}"]
    return Table(
        say(
            "What to set if all goes as expected{}, and the true alkalinity to expect at the "
            "retest that ends the step (9 in 10)",
            say(", what the pump takes over of {}", user_text(main)) if takes else "",
        ),
        head,
        rows,
        # The range is left to wrap on a narrow screen.
        range(1, len(head) - 1),
        compact=True,
    )


def plan_chance(n: Report) -> Markup:
    """ "likely (78 in 100) that …" for the plan with its rule."""
    stated = n.get(f"{PLAN}/rise_limit_stated")
    limit = n.say(
        "{/change_over_plan/rise_limit:{unit}} {unit} a day{source}",
        unit=n.unit,
        source="" if stated else " (common practice, no source)",
    )
    return n.chance(
        f"{PLAN}/probability",
        say("alkalinity stays in your band and never rises by more than {}", limit),
        say("alkalinity leaves your band, or rises by more than {}, at least once", limit),
    )


def _chances(n: Report) -> Iterator[Markup]:
    back = " (the band counts once the first step has brought the level back)"
    yield n.say(
        "Over the first {/change_over_plan/judged_days} days it is {chance}{back}. About "
        "{/change_over_plan/good_days_share:share} of the days are good ones.",
        chance=plan_chance(n),
        back=back if n.get(f"{PLAN}/corrects") else "",
    )
    if n.get(f"{PLAN}/left_dosed_share") is not None:
        yield n.say(
            "By then about {/change_over_plan/left_dosed_share:share} of the load is still dosed, "
            "if retests hold the pump as often as is to be expected."
        )
    yield n.say(
        "Changing all overnight and then waiting works in "
        "{/change_over_plan/overnight_probability:odds} of 100 cases; these steps in "
        "{/change_over_plan/probability:odds}."
    )
