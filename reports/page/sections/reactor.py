"""The sections on running the reactor: what changed, chamber, pH, supplies, outlook.

Each takes a `Report` and gives a `Section`, or None where there is nothing to say.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from markupsafe import Markup

from estimator.advice.supplies import MOST_DAYS
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
    say,
    short_day,
)
from reports.figures import captions as pictures
from reports.page.report import Report
from reports.wording import DECIMALS, sentence, user_text
from reports.words.fit import CHANGES

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


# --- what changed lately --------------------------------------------------------------------


def watch(report: Report) -> Section | None:
    """What may have changed in the last days, and the test that would tell."""
    n = report.numbers
    found = n.get("/watch")
    if found is None or not found["days"]:
        return None
    blocks: list[Block] = [Prose(_verdict(n), "lead")]
    if found["changes"]:
        table = list(_changes(n))
        blocks += [Folded("What could have changed", table)] if found["quiet"] else table
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
    if found["quiet"]:
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
    return say(CHANGES[change["kind"], change["direction"]].seen, user_text(change["of"]))


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
