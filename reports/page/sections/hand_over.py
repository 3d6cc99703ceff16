"""The section on the change-over: its steps, the rule of the retests, and how sure it is."""

from __future__ import annotations

from collections.abc import Iterator

from markupsafe import Markup

from reports.blocks import (
    Block,
    Items,
    Numbers,
    Prose,
    Section,
    Table,
    Text,
    day,
    pointer,
    say,
    short_day,
)
from reports.figures import captions as pictures
from reports.page.report import Report
from reports.wording import (
    DECIMALS,
    needed_decimals,
    user_text,
)


def change_over(report: Report) -> Section | None:
    """Dated steps, the rule that one titration decides, and how sure the plan is."""
    n = report.numbers
    steps = n.get("/change_over")
    if not steps:
        return None
    handed_over = n.get("/change_over_plan/kind") == "hand over"
    if n.get("/change_over_plan/corrects"):
        title = "Bringing alkalinity back" + (", then handing over" if handed_over else "")
    else:
        title = "Handing over to the reactor" if handed_over else "Changing the flow in steps"
    blocks: list[Block] = [
        Prose(first_step(report), "lead"),
        *_surer(report),
        _settings(report),
        *_rule(report),
        Prose(Markup(" ").join(_plan_chances(report))),
        pictures.change_over(n),
        *_self_regulation(report),
    ]
    return Section("change-over", title, blocks)


def first_step(report: Report) -> Markup:
    """What to set on the first day, and why."""
    return say(
        "{} {}{}",
        first_settings(report.numbers),
        report.numbers.words("/change_over_plan/reason"),
        " To begin on a later day, run the report again first." if report.planned else "",
    )


def first_settings(n: Numbers) -> Markup:
    """What to set on the first day, with its date."""
    return say("On {}: {}.", day(n.get("/change_over/0/date")), pump_and_dosing(n))


def pump_and_dosing(n: Numbers) -> Markup:
    """ "set the pump to 300 mL/h and dose 120 mL/day of soda", on the first day."""
    first = n.get("/change_over/0")
    today = n.get("/flow/today")
    goes_on = today is not None and not today["dosing_changes"]
    dosing = first_dosing(n) if any(first["dose_rates"].values()) or not goes_on else Markup("")
    pump = (
        say("set the pump to {} mL/h", n("/change_over/0/flow_ml_h", pictures.flow_decimals(n)))
        if first["flow_ml_h"]
        else Markup("turn the pump off" if n.get("/flow/current") else "leave the pump off")
    )
    return say("{}{}", pump, say(" and {}", dosing) if dosing else "")


def first_dosing(n: Numbers) -> Markup:
    """ "dose 120 mL/day of soda" or "stop dosing", on the first day; empty without solutions."""
    rates = n.get("/change_over/0/dose_rates")
    if rates and not any(rates.values()):
        return Markup("stop dosing")
    return say("dose {}", _rates(n, "/change_over/0/dose_rates")) if rates else Markup("")


def changed_dosing(n: Numbers) -> Markup:
    """What the first step doses, where that is not what is dosed now; else empty."""
    today = n.get("/flow/today")
    return first_dosing(n) if today and today["dosing_changes"] else Markup("")


def _rates(n: Numbers, path: str) -> Markup:
    """ "120 mL/day of soda, 60 mL/day of chloride"; empty where nothing is dosed."""
    rates = n.get(path)
    return Markup(", ").join(
        say("{} mL/day of {}", _rate(n, path, name), user_text(name)) for name in rates
    )


def _rate(n: Numbers, path: str, name: str, *below: str) -> Markup:
    """A dosing rate as it can be set: whole mL from 10 mL/day on, else tenths."""
    place = f"{path}{pointer(name, *below)}"
    value = n.get(place)
    return n(place, needed_decimals(value, 1) if value < 10 else 0)


def _surer(report: Report) -> Iterator[Block]:
    n = report.numbers
    if not n.get("/change_over_plan/remedy"):
        return
    then = ""
    if n.get("/change_over_plan/remedy_probability") is not None:
        then = say(
            " (the chance below would rise from {} to about {} in 100)",
            n.odds("/change_over_plan/probability"),
            n.odds("/change_over_plan/remedy_probability"),
        )
    yield Prose(
        say(
            "<strong>This plan is not sure enough yet.</strong> To make it surer, {}{}.",
            n.words("/change_over_plan/remedy"),
            then,
        )
    )


def _settings(report: Report) -> Table:
    """What to set on which day, and what to expect of the retest that ends the step."""
    n = report.numbers
    steps = n.get("/change_over")
    names = list(steps[0]["dose_rates"])
    main = n.get("/change_over_plan/steering/of")
    takes = main is not None and any(step["takes"][main] for step in steps)
    rows: list[list[Text]] = [
        [
            short_day(step["date"]),
            report.flow(f"/change_over/{i}/flow_ml_h"),
            *((_rate(n, f"/change_over/{i}/takes", main),) if takes else ()),
            *(_rate(n, f"/change_over/{i}/dose_rates", name) for name in names),
            n.span(f"/change_over/{i}/alkalinity", report.unit),
        ]
        for i, step in enumerate(steps)
    ]
    doses = (say("{}, mL/day", user_text(name)) for name in names)
    takes_over = ("Takes over",) if takes else ()
    head = ["From", "Pump, mL/h", *takes_over, *doses, f"Then, {report.unit}"]
    return Table(
        say(
            "What to set if all goes as expected{}, and the true alkalinity to expect at the "
            "retest that ends the step (9 in 10)",
            say(", what the pump takes over of {}", user_text(main)) if takes else "",
        ),
        head,
        rows,
        # The range is left to wrap on a narrow screen.
        frozenset(range(1, len(head) - 1)),
        compact=True,
    )


def _edge(report: Report, path: str) -> Markup:
    """A reading that counts, to as many decimals as the kit shows."""
    n = report.numbers
    most = DECIMALS[report.unit]
    rule = n.get("/change_over_plan/steering")
    readings = (*rule["readings"], rule["hold_above"], rule["hold_below"])
    return n(path, max(needed_decimals(reading, most) for reading in readings))


def _rule(report: Report) -> Iterator[Block]:
    """What each retest decides, in the words of `estimator.plan.controller`."""
    n = report.numbers
    rule = "/change_over_plan/steering"
    yield Prose(
        say(
            "<strong>Retest alkalinity {}every {}</strong> (about {} minutes a week), at about {} "
            "o'clock, when it is nearest to its daily mean{} Then log the reading and run the "
            "report again: it does the sums with all that the log holds. By hand it goes like "
            "this:",
            _with_kit(n),
            _days(n, "/change_over_plan/step_days"),
            n("/change_over_plan/retest_minutes_per_week", 0),
            n("/change_over_plan/retest_hour", 0),
            _as_it_reads(n),
        )
    )
    rules = [*_pump_rule(report), *_dosing_rule(report), *_after_last(report)]
    if n.get(f"{rule}/of") is not None:
        whole = Markup(", ").join(
            say("{} mL/day of {}", _rate(n, f"{rule}/whole_load", name), user_text(name))
            for name in n.get(f"{rule}/whole_load")
        )
        rules.append(
            say("<strong>If the pump stops</strong> at any time, dose the whole load: {}.", whole)
        )
    yield Items(rules)
    yield _sums(report)


def _pump_rule(report: Report) -> Iterator[Text]:
    """When the pump goes on to the next row."""
    n = report.numbers
    flows = [step["flow_ml_h"] for step in n.get("/change_over")]
    if len(flows) < 2:
        return
    low, high = (_edge(report, f"/change_over_plan/steering/hold_{e}") for e in ("below", "above"))
    dosed = n.get("/change_over_plan/steering/of") is not None
    rises, falls = flows[-1] >= flows[0], flows[-1] < flows[0]
    if rises and dosed:
        waits = say("at {} or less, and at {} or more, leave it", low, high)
    elif falls:
        waits = say("at {} or less leave it", low)
    else:
        waits = say("at {} or more leave it", high)
    yield say(
        "<strong>The pump</strong> goes on by one row, that is by the difference of the two rows; "
        "but {}: that row then comes at the next retest.",
        waits,
    )


def _dosing_rule(report: Report) -> Iterator[Text]:
    """How the dosing, or where nothing can be dosed the pump, follows the reading."""
    n = report.numbers
    rule = "/change_over_plan/steering"
    main = n.get(f"{rule}/of")
    first = _edge(report, f"{rule}/first_last_reading")
    if main is None:
        yield say(
            "<strong>Besides</strong> change the pump by what the table below says for this "
            "reading and the last one (at the first retest count the last one as {}), to the "
            "nearest of its settings from {} to {} mL/h.",
            first,
            report.flow(f"{rule}/lowest_ml_h"),
            report.flow(f"{rule}/highest_ml_h"),
        )
        return
    takes = any(step["takes"][main] for step in n.get("/change_over"))
    yield say(
        "<strong>{}</strong>: {}add what the table below says for this reading and the last one "
        "(at the first retest count the last one as {}). Never dose more than {}.{}",
        user_text(main),
        "take off what the row takes over, if the pump went on to it, and " if takes else "",
        first,
        _rates(n, f"{rule}/most"),
        Markup("").join(
            say(
                " Dose {} mL of {} with each mL of {}.",
                n(f"{rule}/others_ml_per_ml{pointer(name)}", 2),
                user_text(name),
                user_text(main),
            )
            for name in n.get(f"{rule}/others_ml_per_ml")
        ),
    )
    yield say(
        "<strong>If that is less than nothing</strong>, stop dosing and lower the pump by {} mL/h "
        "for each mL/day that is missing, not below {} mL/h.",
        n(f"{rule}/pump_ml_h_per_ml_d", 0 if n.get(f"{rule}/pump_ml_h_per_ml_d") >= 10 else 1),
        report.flow(f"{rule}/lowest_ml_h"),
    )


def _after_last(report: Report) -> Iterator[Text]:
    """How it goes on once the pump has taken its last row."""
    n = report.numbers
    rule = "/change_over_plan/steering"
    main = n.get(f"{rule}/of")
    if main is None:
        yield Markup("<strong>After the last row</strong> go on in the same way.")
        return
    if not n.get(f"{rule}/extra_takes{pointer(main)}"):
        yield Markup("<strong>After the last row</strong> go on dosing in the same way.")
        return
    yield say(
        "<strong>After the last row</strong> go on in the same way. While {} mL/day or more of {} "
        "is dosed and the reading is above {} and below {}, raise the pump by {} mL/h, which takes "
        "over {} mL/day; not beyond {} mL/h. If something must still be dosed then, the reactor "
        "does not carry the whole load: go on dosing the rest.",
        _rate(n, f"{rule}/extra_from", main),
        user_text(main),
        _edge(report, f"{rule}/hold_below"),
        _edge(report, f"{rule}/hold_above"),
        report.flow(f"{rule}/extra_ml_h"),
        _rate(n, f"{rule}/extra_takes", main),
        report.flow(f"{rule}/highest_ml_h"),
    )


def _sums(report: Report) -> Table:
    """The sums of the rule, done for every reading and every one before it."""
    n = report.numbers
    rule = "/change_over_plan/steering"
    readings = [
        _edge(report, f"{rule}/readings/{i}") for i in range(len(n.get(f"{rule}/readings")))
    ]
    shown: list[Text] = [
        say("≤\N{NO-BREAK SPACE}{}", readings[0]),
        *readings[1:-1],
        say("≥\N{NO-BREAK SPACE}{}", readings[-1]),
    ]
    changes = n.get(f"{rule}/changes")
    decimals = 0 if max(abs(change) for row in changes for change in row) >= 20 else 1
    rows: list[list[Text]] = [
        [now, *(n.signed(f"{rule}/changes/{i}/{j}", decimals) for j in range(len(shown)))]
        for i, now in enumerate(shown)
    ]
    main = n.get(f"{rule}/of")
    return Table(
        say(
            "What to add to the dosing of {}, mL/day: rows by this reading ({}), columns by the "
            "last; in between, the nearest",
            user_text(main),
            report.unit,
        )
        if main is not None
        else f"By how much to change the pump, mL/h: rows by this reading ({report.unit}), columns "
        "by the last; in between, the nearest",
        ["Now", *shown],
        rows,
        frozenset(range(1, len(shown) + 1)),
        compact=True,
    )


def _with_kit(n: Numbers) -> Markup:
    kit = n.get("/change_over_plan/kit")
    if kit is None:
        return Markup("")
    return say("with kit {}, the present bottle, ", user_text(kit))


def _as_it_reads(n: Numbers) -> Markup:
    """That the readings that count are those of one bottle, and how far it is off."""
    kit = n.get("/change_over_plan/kit")
    if kit is None:
        return Markup(".")
    off = Markup("")
    if kit in n.get("/kits"):
        place = pointer("kits", kit, "calibration_pct", "q50")
        side = "high" if n.get(place) >= 0 else "low"
        off = say(" ({} % {})", n.size(place, 1), side)
    return say(
        ": the figures below are as that bottle reads{}. With another kit or bottle run the report "
        "again first.",
        off,
    )


def _days(n: Numbers, path: str) -> Markup:
    return Markup("day") if n.get(path) == 1 else say("{} days", n.whole(path))


def plan_chance(report: Report) -> Markup:
    """ "likely (78 in 100) that …" for the plan with its rule."""
    n = report.numbers
    limit = say(
        "{} {} a day{}",
        n("/change_over_plan/rise_limit", DECIMALS[report.unit]),
        report.unit,
        "" if n.get("/change_over_plan/rise_limit_stated") else " (common practice, no source)",
    )
    return n.chance(
        "/change_over_plan/probability",
        say("alkalinity stays in your band and never rises by more than {}", limit),
        say("alkalinity leaves your band, or rises by more than {}, at least once", limit),
    )


def _plan_chances(report: Report) -> Iterator[Markup]:
    n = report.numbers
    yield say(
        "Over the first {} days it is {}{}. About {} of the days are good ones.",
        n.whole("/change_over_plan/judged_days"),
        plan_chance(report),
        " (the band counts once the first step has brought the level back)"
        if n.get("/change_over_plan/corrects")
        else "",
        n.share("/change_over_plan/good_days_share"),
    )
    if n.get("/change_over_plan/left_dosed_share") is not None:
        yield say(
            "By then about {} of the load is still dosed, if retests hold the pump as often as is "
            "to be expected.",
            n.share("/change_over_plan/left_dosed_share"),
        )
    yield say(
        "Changing all overnight and then waiting works in {} of 100 cases; these steps in {}.",
        n.odds("/change_over_plan/overnight_probability"),
        n.odds("/change_over_plan/probability"),
    )


def _self_regulation(report: Report) -> Iterator[Block]:
    n = report.numbers
    if n.get("/change_over_plan/self_regulation_days") is None:
        return
    place = "/change_over_plan/self_regulation_days"
    yield Prose(
        say(
            "At the final flow the tank evens itself out: a departure shrinks by two thirds in "
            "about {} days ({} to {}). That is its water volume over the flow, allowing for an "
            "effluent that weakens as the flow rises. So the full effect of a change shows only "
            "after that time; that is why the change since the last retest counts as well.",
            n(f"{place}/q50", 0),
            n(f"{place}/q05", 0),
            n(f"{place}/q95", 0),
        ),
        "aside",
    )
