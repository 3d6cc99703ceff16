"""The sections on running the reactor: hand-over, what changed, chamber, pH, supplies, outlook.

Each takes a `Report` and gives a `Section`, or None where there is nothing to say.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from markupsafe import Markup

from estimator.supplies import MOST_DAYS
from reports import pictures
from reports.blocks import (
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
    short_day,
)
from reports.report import Report
from reports.wording import DECIMALS, needed_decimals, sentence, user_text

PH = DECIMALS["NBS"]
MONTHS = {"1": "one month", "3": "three months", "6": "six months"}
TWICE_A_YEAR = 26
"""Weeks without a test that are as many as the outlook looks ahead."""
CHANGES_SHOWN = 6
OFTEN_LOW = 0.2
"""Chance of a low pH from which raising it is advised."""
NO_TANK_PH = "No tank pH is in the log"
"""How the note begins that the lead of the section on tank pH says instead."""
PERHAPS_OUT = 0.1
"""Chance of being out of the band already from which an element is tested now."""
MOST_SHARE_PCT = 1000
"""Shares of magnesium beyond this say only that hardly anything dissolves."""


# --- the change-over ------------------------------------------------------------------------


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
        pictures.change_over(report.study, n),
        *_self_regulation(report),
    ]
    return Section("change-over", title, blocks)


def first_step(report: Report) -> Markup:
    """What to set on the first day."""
    n = report.numbers
    first = n.get("/change_over/0")
    dosing = first_dosing(n)
    pump = (
        say("set the pump to {} mL/h", report.flow("/change_over/0/flow_ml_h"))
        if first["flow_ml_h"]
        else Markup("leave the pump off")
    )
    return say(
        "On {}: {}{}. {}{}",
        day(first["date"]),
        pump,
        say(" and {}", dosing) if dosing else "",
        n.words("/change_over_plan/reason"),
        " To begin on a later day, run the report again first." if report.planned else "",
    )


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
    takes_over = (say("Takes over of {}", user_text(main)),) if takes else ()
    head = ["From", "Pump, mL/h", *takes_over, *doses, f"Then, {report.unit}"]
    return Table(
        "What to set if all goes as expected, and the true alkalinity to expect at the retest that "
        "ends the step (9 in 10)",
        head,
        rows,
        frozenset(range(1, len(head))),
    )


def _edge(report: Report, path: str) -> Markup:
    """A reading that counts, to as many decimals as the kit shows."""
    n = report.numbers
    most = DECIMALS[report.unit]
    readings = n.get("/change_over_plan/steering/readings")
    return n(path, max(needed_decimals(reading, most) for reading in readings))


def _rule(report: Report) -> Iterator[Block]:
    """What each retest decides, in the words of `estimator.steering`."""
    n = report.numbers
    rule = "/change_over_plan/steering"
    yield Prose(
        say(
            "<strong>Retest alkalinity {}every {}</strong>, at about {} o'clock, when it is "
            "nearest to its daily mean{} Then log the reading and run the report again: it does "
            "the sums with all that the log holds. By hand it goes like this:",
            _with_kit(n),
            _days(n, "/change_over_plan/step_days"),
            n("/change_over_plan/retest_hour", 0),
            _as_it_reads(n),
        )
    )
    rules = [*_pump_rule(report), *_dosing_rule(report), *_after_last(report)]
    if n.get(f"{rule}/of") is not None:
        whole = Markup(", ").join(
            say("{} mL/day of {}", _rate(n, "/dosing", name, "needed", "q50"), user_text(name))
            for name in n.get(f"{rule}/most")
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
        "<strong>The pump</strong> goes on to the next row; but {}: that row then comes at the "
        "next retest.",
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
            "reading and the last one (at the first retest count the last one as {}).",
            first,
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
        "for each mL/day that is missing.",
        n(f"{rule}/pump_ml_h_per_ml_d", 0 if n.get(f"{rule}/pump_ml_h_per_ml_d") >= 10 else 1),
    )


def _after_last(report: Report) -> Iterator[Text]:
    """How it goes on once the pump has taken its last row."""
    n = report.numbers
    rule = "/change_over_plan/steering"
    main = n.get(f"{rule}/of")
    if main is None:
        yield Markup("<strong>After the last row</strong> go on in the same way.")
        return
    yield say(
        "<strong>After the last row</strong> go on in the same way. While {} mL/day or more of {} "
        "is dosed and the reading does not hold the pump, raise the pump by {} mL/h, which takes "
        "over {} mL/day; not beyond {} mL/h. If something must still be dosed then, the reactor "
        "does not carry the whole load: go on dosing the rest.",
        _rate(n, f"{rule}/extra_from", main),
        user_text(main),
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
        say("{} or less", readings[0]),
        *readings[1:-1],
        say("{} or more", readings[-1]),
    ]
    changes = n.get(f"{rule}/changes")
    decimals = 0 if max(abs(change) for row in changes for change in row) >= 20 else 1
    rows: list[list[Text]] = [
        [now, *(n.signed(f"{rule}/changes/{i}/{j}", decimals) for j in range(len(shown)))]
        for i, now in enumerate(shown)
    ]
    main = n.get(f"{rule}/of")
    return Table(
        say("What to add to the dosing of {}, mL/day", user_text(main))
        if main is not None
        else "By how much to change the pump, mL/h",
        [f"Reads, {report.unit}", *(say("Last {}", reading) for reading in shown)],
        rows,
        frozenset(range(1, len(shown) + 1)),
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


# --- what changed lately --------------------------------------------------------------------

CHANGES: Mapping[tuple[str, str], str] = {
    ("uptake", "up"): "the tank uses more than it did",
    ("uptake", "down"): "the tank uses less than it did",
    ("effluent", "up"): "the effluent is stronger, or more of it flows",
    ("effluent", "down"): "the effluent is weaker, or less of it flows",
    ("kit", "up"): "kit {} reads higher than it did",
    ("kit", "down"): "kit {} reads lower than it did",
}


def watch(report: Report) -> Section | None:
    """What may have changed in the last days, and the test that would tell."""
    n = report.numbers
    found = n.get("/watch")
    if found is None or not found["days"]:
        return None
    blocks: list[Block] = [Prose(_verdict(n), "lead")]
    if found["changes"]:
        table = list(_changes(n))
        quiet = found["can_tell"] and found["likeliest"] is None
        quiet = quiet and found["nothing_probability"] >= 0.5
        blocks += [Folded("What could have changed", table)] if quiet else table
    return Section("watch", "Has something changed lately?", blocks)


def _verdict(n: Numbers) -> Markup:
    found = n.get("/watch")
    days = say("the last {} days", n.whole("/watch/window_days"))
    if not found["can_tell"]:
        return say(
            "The log cannot tell whether something changed in {}. If you suspect it, {}.",
            days,
            n.words("/watch/changes/0/test"),
        )
    likeliest = found["likeliest"]
    if likeliest is not None:
        path = f"/watch/changes/{likeliest}"
        return say(
            "It is {}: by about {}, in {}, most likely around {}. What usually lies behind it: {}. "
            "To be sure, {}.",
            n.chance(f"{path}/probability", _change_words(n, likeliest), "it did not change"),
            _size(n, path),
            days,
            day(n.get(f"{path}/most_likely_on")),
            n.words(f"{path}/cause"),
            n.words(f"{path}/test"),
        )
    if found["nothing_probability"] >= 0.5:
        return say(
            "Nothing to do: it is {} in {}.",
            n.chance("/watch/nothing_probability", "nothing changed", "something changed"),
            days,
        )
    return say(
        "Perhaps ({} in 100) something changed in {}, but what is not clear. First suspect, {} in "
        "100: {}. To tell, {}.",
        n.left("/watch/nothing_probability"),
        days,
        n.odds("/watch/changes/0/probability"),
        _change_words(n, 0),
        n.words("/watch/changes/0/test"),
    )


def _change_words(n: Numbers, i: int) -> Markup:
    change = n.get(f"/watch/changes/{i}")
    return say(CHANGES[change["kind"], change["direction"]], user_text(change["of"]))


def _size(n: Numbers, path: str) -> Markup:
    unit = n.get(f"{path}/size/unit")
    return say("{} {} ({})", n.middle(f"{path}/size", unit), unit, n.span(f"{path}/size", unit))


def _changes(n: Numbers) -> Iterator[Block]:
    """The likeliest changes, and for each kind of them the test that tells."""
    shown = n.get("/watch/changes")[:CHANGES_SHOWN]
    rows: list[list[Text]] = [
        [
            sentence_case(_change_words(n, i)),
            n.odds(f"/watch/changes/{i}/probability"),
            _size(n, f"/watch/changes/{i}"),
        ]
        for i in range(len(shown))
    ]
    yield Table(
        "What may have changed; only one of them is taken to have happened",
        ["Change", "Chance in 100", "By how much, if so"],
        rows,
        frozenset({1}),
    )
    first: dict[str, int] = {}
    for i, change in enumerate(shown):
        first.setdefault(change["kind"], i)
    yield Prose("What tells them apart:")
    yield Items(
        [
            say("<strong>{}:</strong> {}.", kind.capitalize(), n.words(f"/watch/changes/{i}/test"))
            for kind, i in first.items()
        ]
    )


def sentence_case(words: Markup) -> Markup:
    """A capital at the start of words that begin without markup."""
    return Markup(words[:1].upper()) + words[1:]


# --- chamber --------------------------------------------------------------------------------


def chamber(report: Report) -> Section | None:
    """Chamber pH against flow. Flows are shown only where a setting is recommended."""
    n = report.numbers
    found = n.get("/chamber")
    if found is None:
        return None
    title = "Chamber pH and flow"
    odd = list(_odd_effluents(n))
    if not report.load_known:
        return Section("chamber", title, odd) if odd else None
    blocks: list[Block] = [*odd, Prose(_chamber_advice(n), "lead")]
    if found["from_priors"]:
        blocks.append(
            Prose(
                "No reactor has run yet: these figures are what chambers usually do. Test the "
                "effluent once it runs."
            )
        )
    if not found["ph_known"]:
        blocks.append(
            Prose(
                "Neither log nor tank file states the chamber's pH, so the usual one is taken. "
                "State yours: all else follows from it."
            )
        )
    if report.recommended:
        blocks += [pictures.chamber(report.study, n), _points(report), *_point_cautions(n)]
    if found["second"] is not None:
        blocks.append(Prose(_second(report)))
    return Section("chamber", title, blocks)


def _odd_effluents(n: Numbers) -> Iterator[Block]:
    """Effluent readings that chemistry cannot give: of each kind the newest, with what to do."""
    odd = n.get("/chamber/odd_effluents")
    places: dict[str, list[int]] = {}
    for i, one in enumerate(odd):
        # The first sentence tells the figures, the others what to look for.
        places.setdefault(one["remark"].split(". ", 1)[-1], []).append(i)
    items: list[Text] = []
    for *others, newest in places.values():
        rows = Markup(", ").join(n.whole(f"/chamber/odd_effluents/{i}/row") for i in others)
        items.append(
            say(
                "<strong>Row {}, {}.</strong> {}{}",
                n.whole(f"/chamber/odd_effluents/{newest}/row"),
                moment(odd[newest]["time"]),
                n.words(f"/chamber/odd_effluents/{newest}/remark"),
                say(" Likewise in row {}.", rows) if others else "",
            )
        )
    if items:
        yield Items(items)


def _chamber_advice(n: Numbers) -> Markup:
    region = n.get("/chamber/region")
    if region is None:
        return n.words("/chamber/reasons/0")
    suggested = n("/chamber/region/suggested", PH)
    if not n.get("/chamber/ph_known"):
        action = say("Set the chamber to pH {}.", suggested)
    elif region["keep_present"]:
        action = say("Keep the chamber at pH {}.", suggested)
    else:
        action = say(
            "Set the chamber to pH {}; it is at {}.", suggested, n("/chamber/present_ph", PH)
        )
    return say(
        "{} From pH {} to {} the CO2 used, all of which the tank must pass on to the air, is near "
        "its least, {} g a day{}.",
        action,
        n("/chamber/region/low", PH),
        n("/chamber/region/high", PH),
        n("/chamber/least_co2_g_per_day", 1),
        ", and the pump can give the needed flow" if n.get("/tank/pump") else "",
    )


def _points(report: Report) -> Table:
    n = report.numbers
    head = ["pH", "Flow, mL/h", f"Effluent, {report.unit}", "CO2, g/day", "Pump can, in 100"]
    shown = len(head) if n.get("/tank/pump") else len(head) - 1

    def row(i: int, point: dict[str, Any]) -> list[Text]:
        path = f"/chamber/points/{i}"
        now = " (now)" if point["is_present"] and n.get("/chamber/ph_known") else ""
        cells: list[Text] = [say("{}{}", n(f"{path}/chamber_ph", PH), now)]
        if point["needed_ml_h"] is None:
            return [*cells, "hardly dissolves", "", "", ""]
        return [
            *cells,
            say(
                "{} to {}",
                report.flow(f"{path}/needed_ml_h/q05"),
                report.flow(f"{path}/needed_ml_h/q95"),
            ),
            n(f"{path}/effluent_alkalinity/q50", max(DECIMALS[report.unit] - 1, 0)),
            n(f"{path}/co2_g_per_day/q50", 1),
            n.odds(f"{path}/inside_probability"),
        ]

    return Table(
        "The same load at other chamber pH (flow: 9-in-10 range)",
        head[:shown],
        [row(i, point)[:shown] for i, point in enumerate(n.get("/chamber/points"))],
        frozenset(range(1, shown)),
    )


def _point_cautions(n: Numbers) -> Iterator[Block]:
    """Each caution once, with the pH values it holds for."""
    places: dict[str, list[tuple[int, int]]] = {}
    for i, point in enumerate(n.get("/chamber/points")):
        for j, caution in enumerate(point["cautions"]):
            places.setdefault(caution, []).append((i, j))
    items: list[Text] = [
        say(
            "pH {}: {}",
            Markup(", ").join(n(f"/chamber/points/{i}/chamber_ph", PH) for i, _ in at),
            n.words("/chamber/points/{}/cautions/{}".format(*at[0])),
        )
        for at in places.values()
    ]
    if items:
        yield Items(items)


def _second(report: Report) -> Markup:
    n, decimals = report.numbers, max(DECIMALS[report.unit] - 1, 0)
    path = "/chamber/second"
    return say(
        "A second chamber without gas would at most raise the effluent from {} to {} {} and from "
        "pH {} to {}, and save {} of the CO2.",
        n(f"{path}/effluent_alkalinity/0", decimals),
        n(f"{path}/effluent_alkalinity/1", decimals),
        report.unit,
        n(f"{path}/effluent_ph/0", PH),
        n(f"{path}/effluent_ph/1", PH),
        n.share(f"{path}/co2_saved_share"),
    )


# --- tank pH --------------------------------------------------------------------------------


def tank_ph(report: Report) -> Section | None:
    """The tank's pH by day and night, and what raises it."""
    n = report.numbers
    found = n.get("/tank_ph")
    if found is None or not report.load_known:
        return None
    low = say("{} (common practice, no source)", n("/tank_ph/low_ph", 1))
    chance = n.chance(
        "/tank_ph/low_probability",
        say("the daily low is under pH {}", low),
        say("the daily low stays at pH {} or above", low),
    )
    measures, often = found["measures"], found["low_probability"] >= OFTEN_LOW
    if often and measures:
        lead = say(
            "To raise the daily low, first: {} (about {}). With the reactor carrying the whole "
            "load it is {}; without its CO2 it would be in {} of 100 cases.",
            n.words("/tank_ph/measures/0/name"),
            n.signed("/tank_ph/measures/0/rise", PH),
            chance,
            n.odds("/tank_ph/low_probability_without"),
        )
    else:
        lead = say(
            "{} the reactor carrying the whole load it is {}. The reactor's CO2 takes about {} off "
            "the daily mean.",
            "With" if often or not found["readings"] else "Nothing to do: with",
            chance,
            n("/tank_ph/reactor_drop/q50", PH),
        )
    times = (("Lights off (highest)", "day"), ("Lights on (lowest)", "night"))
    rows = [
        [name, _ph(n, f"/tank_ph/{key}"), _ph(n, f"/tank_ph/{key}_without")] for name, key in times
    ]
    if found["readings"]:
        blocks: list[Block] = [Prose(lead, "lead")]
    else:
        first = (
            "Log the tank's pH at lights on and lights off for a week: until then these are "
            "figures for a usual tank and room."
        )
        blocks = [Prose(first, "lead"), Prose(lead)]
    blocks.append(
        Table(
            "Tank pH: middle (9-in-10 range)",
            ["When", "With the reactor", "Without its CO2"],
            rows,
        )
    )
    if measures:
        blocks.append(
            Table(
                "What raises the daily low",
                ["What to do", "By about", "Daily low then"],
                [
                    [
                        n.words(f"/tank_ph/measures/{i}/name"),
                        n.signed(f"/tank_ph/measures/{i}/rise", PH),
                        _ph(n, f"/tank_ph/measures/{i}/low"),
                    ]
                    for i in range(len(measures))
                ],
                frozenset({1}),
            )
        )
    blocks += _said(n, "/tank_ph/notes", but=NO_TANK_PH)
    return Section("ph", "Tank pH", blocks)


def _ph(n: Numbers, path: str) -> Markup:
    return say("{} ({})", n.middle(path, "NBS"), n.span(path, "NBS"))


def _said(n: Numbers, path: str, but: str | None = None) -> Iterator[Block]:
    """The notes at `path`, as a list, without those that begin with `but`."""
    shown = [
        n.words(f"{path}/{i}")
        for i, note in enumerate(n.get(path))
        if but is None or not note.startswith(but)
    ]
    if shown:
        yield Items(shown)


# --- supplies -------------------------------------------------------------------------------

STOCKS = {"media": "top up the media", "co2": "change the CO2 cylinder"}


def supplies(report: Report) -> Section | None:
    """When to refill, what a day uses, and magnesium."""
    n = report.numbers
    if n.get("/chamber") is None or not report.load_known:
        return None
    known = [name for name in STOCKS if n.get(f"/supplies/{name}") is not None]
    blocks: list[Block] = (
        [Prose(Markup(" ").join(_refill(n, name) for name in known), "lead")] if known else []
    )
    blocks.append(_stock_table(report))
    missing = [
        (name, key)
        for name, key in (("media", "media_kg"), ("co2", "co2_charge_g"))
        if name not in known
    ]
    if missing and not report.planned:
        keys = Markup(" and ").join(say("<code>{}</code>", key) for _, key in missing)
        blocks.append(Prose(say("To be told when to refill, state {} in the tank file.", keys)))
    blocks += _said(n, "/supplies/notes")
    if n.get("/magnesium") is not None:
        blocks.append(Prose(_magnesium(n)))
    return Section("supplies", "Supplies", blocks)


def _refill(n: Numbers, name: str) -> Markup:
    """When one supply should be refilled."""
    path = f"/supplies/{name}"
    on = n.get(f"{path}/refill_on")
    action = sentence(STOCKS[name]).removesuffix(".")
    if n.get(f"{path}/refill_days/q50") < 1:
        return say("<strong>{} now.</strong>", action)
    if on["middle"] is None:
        return say("{} in ten years or later, at this use.", action)
    then = {"media": ", when half is left", "co2": ", at the latest: leaks make it sooner"}[name]
    between = ""
    if on["latest"] is not None and on["earliest"] != on["latest"]:
        between = say(" ({} to {})", short_day(on["earliest"]), short_day(on["latest"]))
    return say("{} about {}{}{}.", action, day(on["middle"]), between, then)


def _stock_table(report: Report) -> Table:
    n = report.numbers
    known = {name for name in STOCKS if n.get(f"/supplies/{name}") is not None}

    def row(name: str, words: str) -> list[Text]:
        use = f"/supplies/{name}_g_per_day"
        cells: list[Text] = [words, say("{} ({})", n.middle(use, "g/day"), n.span(use, "g/day"))]
        if not known:
            return cells
        if name not in known:
            return [*cells, "not known", "not known"]
        path, days = f"/supplies/{name}", f"/supplies/{name}_days_left"
        lasts: Text = "ten years or more"
        if n.get(f"{days}/q50") < MOST_DAYS:
            lasts = say("{} ({} to {})", *(n(f"{days}/{q}", 0) for q in ("q50", "q05", "q95")))
        left = say("{} ({})", n(f"{path}/left_g/q50", 0), n.share(f"{path}/left_share"))
        return [*cells, left, lasts]

    return Table(
        "While the reactor carries the whole load: middle (9-in-10 range); leaks are not counted",
        ["Supply", "Use, g/day", *(("Left, g", "Days to empty") if known else ())],
        [row("media", "Media"), row("co2", "CO2")],
    )


def _magnesium(n: Numbers) -> Markup:
    unit = n.get("/magnesium/unit")
    decimals = DECIMALS[unit]
    paths = ("/magnesium/needed_share_pct", "/magnesium/share_pct")
    shares = Markup("")
    widest = [n.get(f"{path}/q95") for path in paths]
    if all(pct is not None and pct <= MOST_SHARE_PCT for pct in widest):
        shares = say(
            " Of the carbonate that dissolves, {} % ({} to {}) would have to be magnesium's to "
            "hold the level; now {} % is ({} to {}).",
            *(n(f"{path}/{q}", 0) for path in paths for q in ("q50", "q05", "q95")),
        )
    return say(
        "<strong>Magnesium.</strong> It is {}. Without doses and water changes it would change by "
        "{} {} a month ({} to {}).{}",
        n.chance(
            "/magnesium/keeps_up_probability",
            "the media gives at least the magnesium that the tank uses",
            "the media gives less magnesium than the tank uses",
        ),
        n.signed("/magnesium/change_per_month/q50", decimals),
        unit,
        n.signed("/magnesium/change_per_month/q05", decimals),
        n.signed("/magnesium/change_per_month/q95", decimals),
        shares,
    )


# --- is alkalinity alone enough -------------------------------------------------------------


def alone(report: Report) -> Section | None:
    """Where calcium and magnesium go while alkalinity is held, and how often to test them."""
    n = report.numbers
    if n.get("/outlook") is None:
        return None
    names = [name for name in ("calcium", "magnesium") if n.get(f"/outlook/{name}") is not None]
    lead = [n.words("/outlook/answer"), *(_how_often(n, name) for name in names)]
    rows = [_outlook_row(n, name, month) for name in names for month in MONTHS]
    table = Table(
        "Change from now while alkalinity is held: middle (9-in-10 range), and the chance of "
        "having left the band by then",
        ["What, after", "Change", "Left it, in 100"],
        rows,
        frozenset({1, 2}),
    )
    blocks: list[Block] = [Prose(Markup(" ").join(lead), "lead"), table]
    if n.get("/outlook/routine") is not None:
        blocks.append(
            Prose(
                say(
                    "This counts on water changes of {} L every {} days, as in the log.",
                    n("/outlook/routine/litres", 0),
                    n("/outlook/routine/interval_days", 0),
                ),
                "aside",
            )
        )
    return Section("alone", "Is alkalinity alone enough?", blocks)


def _how_often(n: Numbers, name: str) -> Markup:
    path = f"/outlook/{name}"
    one = n.get(path)
    weeks = one["test_weeks"]
    if not one["tested"]:
        return say("Test {} once, then run the report again.", name)
    if one["out_now_probability"] >= 0.5:
        return say(
            "Put {} right first: it is {}.",
            name,
            n.chance(f"{path}/out_now_probability", "it is out of its band now", "it is inside"),
        )
    if weeks == TWICE_A_YEAR:
        often: Text = "twice a year"
    elif weeks == 0:
        often = "now, and twice a week"
    elif weeks == 1:
        often = "every week"
    else:
        often = say("every {} weeks", n.whole(f"{path}/test_weeks"))
    first = "now, then " if weeks and one["out_now_probability"] >= PERHAPS_OUT else ""
    return say("Test {} {}{}.", name, first, often)


def _outlook_row(n: Numbers, name: str, month: str) -> list[Text]:
    path = f"/outlook/{name}"
    unit = n.get(f"{path}/unit")
    decimals = DECIMALS[unit]
    middle, low, high = (
        n.signed(f"{path}/change/{month}/{q}", decimals) for q in ("q50", "q05", "q95")
    )
    left: Text = "not known"
    if n.get(f"{path}/out_by_probability") is not None:
        left = n.odds(f"{path}/out_by_probability/{month}")
    return [
        f"{name.capitalize()}, {MONTHS[month]}",
        say("{} {} ({} to {})", middle, unit, low, high),
        left,
    ]


# --- safety ---------------------------------------------------------------------------------

SAFETY = Table(
    "Limits and habits for gas, electricity and change; where no source is named, common practice",
    ["Hazard", "What to keep to", "Source"],
    [
        [
            "CO2 in the room's air",
            "5,000 ppm as a mean over the working day, 30,000 ppm for 15 minutes; 40,000 ppm is "
            "immediately dangerous. Air the room; use a CO2 alarm in a small one.",
            "NIOSH REL and IDLH, OSHA PEL (5,000 ppm); CAS 124-38-9",
        ],
        [
            "CO2 cylinder",
            "Upright and fastened; the regulator made for CO2; below 52 °C (125 °F); tested anew "
            "at the due date by a licensed refiller.",
            "CGA G-6 as quoted by a cylinder maker; 49 CFR 180.209",
        ],
        [
            "Electricity beside water",
            "Ground-fault protection on every circuit, a drip loop on every cord.",
            "Your local electrical code",
        ],
        [
            "Low pH",
            "Chamber water stands at pH 6.3 to 6.9: keep it off skin and animals, and let it "
            "enter where flow is strong.",
            "Common practice, no source",
        ],
        [
            "Fast change",
            "Alkalinity at most 0.5 to 1 dKH a day, calcium 20 to 50 mg/L a day, tank pH 0.2 a "
            "day.",
            "Common practice, no source",
        ],
        [
            "This report",
            "It is an estimate. Local codes, the gas supplier, an electrician and a veterinarian "
            "prevail.",
            "",
        ],
    ],
)
