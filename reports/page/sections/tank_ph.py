"""The tank's pH by day and night, and what raises it."""

from __future__ import annotations

from collections.abc import Iterator

from markupsafe import Markup

from reports.blocks import Block, Items, Prose, Table, say
from reports.page.report import Report, section

OFTEN_LOW = 0.2
"""Chance of a low pH from which raising it is advised."""
SAID_ABOVE = "tank_ph_never_read"
"""Code of the note that the lead says instead."""


def _answer(n: Report) -> Markup:
    usual = "" if n.get("/tank_ph/readings") else ", for a usual tank and room"
    return n.say(
        "{chance}{usual}",
        chance=n.chance(
            "/tank_ph/low_probability",
            n.say("the daily low is under {/tank_ph/low_ph:1}"),
            n.say("the daily low is {/tank_ph/low_ph:1} or above"),
        ),
        usual=usual,
    )


@section("ph", "Tank pH", _answer)
def tank_ph_section(n: Report) -> Iterator[Block]:
    """The tank's pH by day and night, and what raises it."""
    found = n.get("/tank_ph")
    if found is None or not n.load_known:
        return
    if found["readings"]:
        yield Prose(_low_ph_verdict(n), "lead")
    else:
        yield Prose(
            "Log the tank's pH at lights on and lights off for a week: until then these are "
            "figures for a usual tank and room.",
            "lead",
        )
        yield Prose(_low_ph_verdict(n))
    yield Table(
        "Tank pH: middle (9-in-10 range)",
        ["When", "With the reactor", "Without its CO2"],
        [
            n.row(f"{when} | {{/tank_ph/{key}:around NBS}} | {{/tank_ph/{key}_without:around NBS}}")
            for when, key in (("Lights off (highest)", "day"), ("Lights on (lowest)", "night"))
        ],
    )
    yield Table(
        "What raises the daily low",
        ["What to do", "By about", "Daily low then"],
        [
            n.row("{at/name:words} | {at/rise:signed NBS} | {at/low:around NBS}", at=at)
            for at, _ in n.each("/tank_ph/measures")
        ],
        (1,),
    )
    notes = zip(n.each("/tank_ph/notes"), found["notes_codes"], strict=True)
    yield Items([n.words(at) for (at, _), code in notes if code != SAID_ABOVE])


def _low_ph_verdict(n: Report) -> Markup:
    """How often the daily low is too low, and what to do first."""
    found = n.get("/tank_ph")
    low = n.say("{/tank_ph/low_ph:1} (common practice, no source)")
    chance = n.chance(
        "/tank_ph/low_probability",
        say("the daily low is under pH {}", low),
        say("the daily low stays at pH {} or above", low),
    )
    often = found["low_probability"] >= OFTEN_LOW
    if often and found["measures"]:
        return n.say(
            "To raise the daily low, first: {/tank_ph/measures/0/name:words} (about "
            "{/tank_ph/measures/0/rise:signed NBS}). With the reactor carrying the whole load it "
            "is {chance}; without its CO2 it would be in {/tank_ph/low_probability_without:odds} "
            "of 100 cases.",
            chance=chance,
        )
    return n.say(
        "{case} the reactor carrying the whole load it is {chance}. The reactor's CO2 takes about "
        "{/tank_ph/reactor_drop:middle NBS} off the daily mean.",
        case="With" if often or not found["readings"] else "Nothing to do: with",
        chance=chance,
    )
