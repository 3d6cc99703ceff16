"""The change-over from dosing to the reactor: its steps, and how sure it is."""

from __future__ import annotations

from collections.abc import Iterator

from markupsafe import Markup

from reports.blocks import Block, Prose, Table, Text, day, para, say, short_day
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
    later = " To begin on a later day, run the report again first." if n.planned else ""
    yield para("{} {}{}", first_settings(n), n.words(f"{PLAN}/reason"), later, style="lead")
    yield from _surer(n)
    yield _settings(n)
    yield from rule_blocks(n)
    yield Prose(Markup(" ").join(_chances(n)))
    yield captions.change_over_picture(n)
    yield from _self_regulation(n)


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
        pump = say("set the pump to {} mL/h", n.flow("/change_over/0/flow_ml_h"))
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


def _surer(n: Report) -> Iterator[Block]:
    if not n.get(f"{PLAN}/remedy"):
        return
    then = Markup("")
    if n.get(f"{PLAN}/remedy_probability") is not None:
        then = say(
            " (the chance below would rise from {} to about {} in 100)",
            n.odds(f"{PLAN}/probability"),
            n.odds(f"{PLAN}/remedy_probability"),
        )
    yield para(
        "<strong>This plan is not sure enough yet.</strong> To make it surer, {}{}.",
        n.words(f"{PLAN}/remedy"),
        then,
    )


def _settings(n: Report) -> Table:
    """What to set on which day, and what to expect of the retest that ends the step."""
    steps = n.get("/change_over")
    names = list(steps[0]["dose_rates"])
    main = n.get(f"{PLAN}/steering/of")
    takes = main is not None and any(step["takes"][main] for step in steps)

    def row(path: str, from_day: str) -> list[Text]:
        return [
            short_day(from_day),
            n.flow(f"{path}/flow_ml_h"),
            *((dose_rate(n, f"{path}/takes", main),) if takes else ()),
            *(dose_rate(n, f"{path}/dose_rates", name) for name in names),
            n.span(f"{path}/alkalinity", n.unit),
        ]

    doses = (say("{}, mL/day", user_text(name)) for name in names)
    takes_over = ("Takes over",) if takes else ()
    head = ["From", "Pump, mL/h", *takes_over, *doses, f"Then, {n.unit}"]
    return Table(
        say(
            "What to set if all goes as expected{}, and the true alkalinity to expect at the "
            "retest that ends the step (9 in 10)",
            say(", what the pump takes over of {}", user_text(main)) if takes else "",
        ),
        head,
        [row(f"/change_over/{i}", step["date"]) for i, step in enumerate(steps)],
        # The range is left to wrap on a narrow screen.
        range(1, len(head) - 1),
        compact=True,
    )


def plan_chance(n: Report) -> Markup:
    """ "likely (78 in 100) that …" for the plan with its rule."""
    limit = say(
        "{} {} a day{}",
        n(f"{PLAN}/rise_limit", n.unit),
        n.unit,
        "" if n.get(f"{PLAN}/rise_limit_stated") else " (common practice, no source)",
    )
    return n.chance(
        f"{PLAN}/probability",
        say("alkalinity stays in your band and never rises by more than {}", limit),
        say("alkalinity leaves your band, or rises by more than {}, at least once", limit),
    )


def _chances(n: Report) -> Iterator[Markup]:
    yield say(
        "Over the first {} days it is {}{}. About {} of the days are good ones.",
        n.whole(f"{PLAN}/judged_days"),
        plan_chance(n),
        " (the band counts once the first step has brought the level back)"
        if n.get(f"{PLAN}/corrects")
        else "",
        n.share(f"{PLAN}/good_days_share"),
    )
    if n.get(f"{PLAN}/left_dosed_share") is not None:
        yield say(
            "By then about {} of the load is still dosed, if retests hold the pump as often as is "
            "to be expected.",
            n.share(f"{PLAN}/left_dosed_share"),
        )
    yield say(
        "Changing all overnight and then waiting works in {} of 100 cases; these steps in {}.",
        n.odds(f"{PLAN}/overnight_probability"),
        n.odds(f"{PLAN}/probability"),
    )


def _self_regulation(n: Report) -> Iterator[Block]:
    if n.get(f"{PLAN}/self_regulation_days") is not None:
        yield para(
            "At the final flow the tank evens itself out: a departure shrinks by two thirds in "
            "about {} days ({}). That is its water volume over the flow, allowing for an "
            "effluent that weakens as the flow rises. So the full effect of a change shows only "
            "after that time; that is why the change since the last retest counts as well.",
            n.middle(f"{PLAN}/self_regulation_days", 0),
            n.span(f"{PLAN}/self_regulation_days", 0),
            style="aside",
        )
