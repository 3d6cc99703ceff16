"""The tank's pH by day and night, and what raises it."""

from __future__ import annotations

from collections.abc import Iterator

from markupsafe import Markup

from reports.blocks import Block, Items, Prose, Table, say
from reports.page.report import Report, section

OFTEN_LOW = 0.2
"""Chance of a low pH from which raising it is advised."""
NO_TANK_PH = "No tank pH is in the log"
"""How the note begins that the lead says instead."""
TIMES = {"day": "Lights off (highest)", "night": "Lights on (lowest)"}


@section("ph", "Tank pH")
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
            [name, n.around(f"/tank_ph/{key}", "NBS"), n.around(f"/tank_ph/{key}_without", "NBS")]
            for key, name in TIMES.items()
        ],
    )
    if found["measures"]:
        yield Table(
            "What raises the daily low",
            ["What to do", "By about", "Daily low then"],
            [
                [
                    n.words(f"{path}/name"),
                    n.signed(f"{path}/rise", "NBS"),
                    n.around(f"{path}/low", "NBS"),
                ]
                for path in (f"/tank_ph/measures/{i}" for i in range(len(found["measures"])))
            ],
            (1,),
        )
    shown = [i for i, note in enumerate(found["notes"]) if not _said_above(note)]
    if shown:
        yield Items([n.words(f"/tank_ph/notes/{i}") for i in shown])


def _said_above(note: str) -> bool:
    """Whether the lead says what a note says."""
    return note.startswith(NO_TANK_PH)


def _low_ph_verdict(n: Report) -> Markup:
    """How often the daily low is too low, and what to do first."""
    found = n.get("/tank_ph")
    low = say("{} (common practice, no source)", n("/tank_ph/low_ph", 1))
    chance = n.chance(
        "/tank_ph/low_probability",
        say("the daily low is under pH {}", low),
        say("the daily low stays at pH {} or above", low),
    )
    often = found["low_probability"] >= OFTEN_LOW
    if often and found["measures"]:
        return say(
            "To raise the daily low, first: {} (about {}). With the reactor carrying the whole "
            "load it is {}; without its CO2 it would be in {} of 100 cases.",
            n.words("/tank_ph/measures/0/name"),
            n.signed("/tank_ph/measures/0/rise", "NBS"),
            chance,
            n.odds("/tank_ph/low_probability_without"),
        )
    return say(
        "{} the reactor carrying the whole load it is {}. The reactor's CO2 takes about {} off "
        "the daily mean.",
        "With" if often or not found["readings"] else "Nothing to do: with",
        chance,
        n.middle("/tank_ph/reactor_drop", "NBS"),
    )
