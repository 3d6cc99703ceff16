"""What each retest of a change-over decides, in the words of `estimator.plan.controller`."""

from __future__ import annotations

from collections.abc import Iterator

from markupsafe import Markup

from reports.blocks import Block, Items, Table, Text, decimals_of, pointer, say
from reports.page.report import Report
from reports.wording import needed_decimals, user_text

PLAN = "/change_over_plan"
RULE = f"{PLAN}/steering"
SLIGHTEST_PCT = 0.05
"""A bottle that is off by less is not told of: it would be printed as 0.0."""


def dose_rate(n: Report, path: str, name: str) -> Markup:
    """A dosing rate as it can be set: whole mL from 10 mL/day on, else tenths."""
    place = f"{path}{pointer(name)}"
    value = n.get(place)
    return n(place, needed_decimals(value, 1) if value < 10 else 0)


def dose_rates(n: Report, path: str) -> Markup:
    """ "120 mL/day of soda, 60 mL/day of chloride"; empty where nothing is dosed."""
    return Markup(", ").join(
        say("{} mL/day of {}", dose_rate(n, path, name), user_text(name)) for name in n.get(path)
    )


def rule_blocks(n: Report) -> Iterator[Block]:
    """When to retest, what the reading decides, and the sums done for each reading."""
    kit, as_read = _bottle(n)
    every = "{/change_over_plan/step_days} days" if n.get(f"{PLAN}/step_days") != 1 else "day"
    yield n.para(
        "<strong>Retest alkalinity {kit}every {every}</strong> (about "
        "{/change_over_plan/retest_minutes_per_week} minutes a week), at about "
        "{/change_over_plan/retest_hour} o'clock, when it is nearest to its daily mean{as_read} "
        "Then log the reading and run the report again: it does the sums with all that the log "
        "holds. By hand it goes like this:",
        kit=kit,
        every=n.say(every),
        as_read=as_read,
    )
    rules = [*_pump_rule(n), *_dosing_rule(n), *_after_last(n)]
    if n.get(f"{RULE}/of") is not None:
        stops = "<strong>If the pump stops</strong> at any time, dose the whole load: {}."
        rules.append(say(stops, dose_rates(n, f"{RULE}/whole_load")))
    yield Items(rules)
    yield _sums(n)


def _bottle(n: Report) -> tuple[Text, Text]:
    """The kit to retest with, and that the readings that count are as its bottle reads."""
    kit = n.get(f"{PLAN}/kit")
    if kit is None:
        return "", "."
    off: Text = ""
    if kit in n.get("/kits"):
        place = pointer("kits", kit, "calibration_pct", "q50")
        if abs(n.get(place)) >= SLIGHTEST_PCT:
            off = say(" ({} % {})", n.size(place, 1), "high" if n.get(place) >= 0 else "low")
    return say("with kit {}, the present bottle, ", user_text(kit)), say(
        ": the figures below are as that bottle reads{}. With another kit or bottle run the report "
        "again first.",
        off,
    )


def _edge(n: Report, key: str) -> Markup:
    """A reading that counts, to as many decimals as the kit shows."""
    rule = n.get(RULE)
    readings = (*rule["readings"], rule["hold_above"], rule["hold_below"])
    most = decimals_of(n.unit)
    return n(f"{RULE}/{key}", max(needed_decimals(reading, most) for reading in readings))


def _pump_rule(n: Report) -> Iterator[Text]:
    """When the pump goes on to the next row."""
    flows = [step["flow_ml_h"] for step in n.get("/change_over")]
    if len(flows) < 2:
        return
    low, high = _edge(n, "hold_below"), _edge(n, "hold_above")
    if flows[-1] < flows[0]:
        waits = say("at {} or less leave it", low)
    elif n.get(f"{RULE}/of") is not None:
        waits = say("at {} or less, and at {} or more, leave it", low, high)
    else:
        waits = say("at {} or more leave it", high)
    yield say(
        "<strong>The pump</strong> goes on by one row, that is by the difference of the two rows; "
        "but {}: that row then comes at the next retest.",
        waits,
    )


def _dosing_rule(n: Report) -> Iterator[Text]:
    """How the dosing, or where nothing can be dosed the pump, follows the reading."""
    main = n.get(f"{RULE}/of")
    first = _edge(n, "first_last_reading")
    if main is None:
        yield n.say(
            "<strong>Besides</strong> change the pump by what the table below says for this "
            "reading and the last one (at the first retest count the last one as {first}), to the "
            "nearest of its settings from {rule/lowest_ml_h:flow} to {rule/highest_ml_h:flow} "
            "mL/h.",
            first=first,
            rule=RULE,
        )
        return
    takes = any(step["takes"][main] for step in n.get("/change_over"))
    others = (
        n.say(
            " Dose {rate:2} mL of {name} with each mL of {main}.",
            rate=f"{RULE}/others_ml_per_ml{pointer(name)}",
            name=user_text(name),
            main=user_text(main),
        )
        for name in n.get(f"{RULE}/others_ml_per_ml")
    )
    yield n.say(
        "<strong>{main}</strong>: {takes}add what the table below says for this reading and the "
        "last one (at the first retest count the last one as {first}). Never dose more than "
        "{most}.{others}",
        main=user_text(main),
        takes="take off what the row takes over, if the pump went on to it, and " if takes else "",
        first=first,
        most=dose_rates(n, f"{RULE}/most"),
        others=Markup("").join(others),
    )
    yield n.say(
        "<strong>If that is less than nothing</strong>, stop dosing and lower the pump by "
        "{rule/pump_ml_h_per_ml_d:{fine}} mL/h for each mL/day that is missing, not below "
        "{rule/lowest_ml_h:flow} mL/h.",
        fine=0 if n.get(f"{RULE}/pump_ml_h_per_ml_d") >= 10 else 1,
        rule=RULE,
    )


def _after_last(n: Report) -> Iterator[Text]:
    """How it goes on once the pump has taken its last row."""
    main = n.get(f"{RULE}/of")
    if main is None:
        yield Markup("<strong>After the last row</strong> go on in the same way.")
        return
    if not n.get(f"{RULE}/extra_takes{pointer(main)}"):
        yield Markup("<strong>After the last row</strong> go on dosing in the same way.")
        return
    yield n.say(
        "<strong>After the last row</strong> go on in the same way. While {still} mL/day or more "
        "of {main} is dosed and the reading is above {low} and below {high}, raise the pump by "
        "{rule/extra_ml_h:flow} mL/h, which takes over {takes} mL/day; not beyond "
        "{rule/highest_ml_h:flow} mL/h. If something must still be dosed then, the reactor does "
        "not carry the whole load: go on dosing the rest.",
        still=dose_rate(n, f"{RULE}/extra_from", main),
        main=user_text(main),
        low=_edge(n, "hold_below"),
        high=_edge(n, "hold_above"),
        takes=dose_rate(n, f"{RULE}/extra_takes", main),
        rule=RULE,
    )


def _sums(n: Report) -> Table:
    """The sums of the rule, done for every reading and every one before it."""
    lowest, *between, highest = (
        _edge(n, f"readings/{i}") for i in range(len(n.get(f"{RULE}/readings")))
    )
    shown: list[Text] = [
        say("≤\N{NO-BREAK SPACE}{}", lowest),
        *between,
        say("≥\N{NO-BREAK SPACE}{}", highest),
    ]
    changes = n.get(f"{RULE}/changes")
    decimals = 0 if max(abs(change) for row in changes for change in row) >= 20 else 1
    columns = range(len(shown))
    rows: list[list[Text]] = [
        [now, *(n.signed(f"{RULE}/changes/{i}/{j}", decimals) for j in columns)]
        for i, now in enumerate(shown)
    ]
    main = n.get(f"{RULE}/of")
    what: Text = "By how much to change the pump, mL/h"
    if main is not None:
        what = say("What to add to the dosing of {}, mL/day", user_text(main))
    caption = say(
        "{}: rows by this reading ({}), columns by the last; in between, the nearest", what, n.unit
    )
    return Table(caption, ["Now", *shown], rows, range(1, len(shown) + 1), compact=True)
